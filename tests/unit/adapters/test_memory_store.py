from datetime import UTC, datetime

import numpy as np

from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.model.commands import ClearAlarm, CloseAll, RaiseAlarm
from dewpond.model.events import ClockStepped, Now, ReadingsArrived

AT = datetime(2027, 5, 1, tzinfo=UTC)
NOW = Now(wall=AT, elapsed_s=1.0)


def filled(value=1.0):
    store = MemoryStore()
    readings = ReadingsArrived(at=AT, sensor="s", time_s=np.array([1.0]), value=np.array([value]))
    store.append(1, NOW, [ClockStepped(at=AT, step_s=3.0), readings], [CloseAll(cause="test")])
    store.append(2, NOW, [], [])
    return store


def test_it_keeps_steps_records_and_snapshots_in_order():
    store = filled()
    raised = RaiseAlarm(key="k", at=AT, kind="no_flow", zone=None, detail="d")
    cleared = ClearAlarm(key="k", at=AT, why="w")
    store.record(raised)
    store.record(cleared)
    store.snapshot(2, NOW, {"a": 1})
    assert [step_no for step_no, _, _ in store.steps] == [1, 2]
    assert store.records == [raised, cleared]
    assert list(store.recorded(RaiseAlarm)) == [raised]
    assert store.snapshots == [(2, NOW, {"a": 1})]
    assert store.commit() is True
    assert store.commits == 1
    assert list(store.faults()) == []


def test_equal_journals_have_equal_digests_and_one_bit_changes_it():
    assert filled().journal_digest() == filled().journal_digest()
    assert filled().journal_digest() != filled(np.nextafter(1.0, 2.0)).journal_digest()
    assert filled().journal_digest() != MemoryStore().journal_digest()
