"""The relay log is the only way the simulated site learns what the relays do."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewpond_sim.relay_log import RelayLog, RelayMoved


def test_each_change_is_given_once_and_only_when_its_line_is_whole(tmp_path: Path):
    path = tmp_path / "relays.log"
    log = RelayLog(path)
    assert log.news() == []
    path.write_text("0.000000 1 off\n12.5 3 on\n40.0 3 o")
    assert log.news() == [RelayMoved(0.0, 1, False), RelayMoved(12.5, 3, True)]
    assert log.news() == []
    with path.open("a") as more:
        more.write("ff\n")
    assert log.news() == [RelayMoved(40.0, 3, False)]


def test_a_line_of_another_form_is_refused(tmp_path: Path):
    path = tmp_path / "relays.log"
    path.write_text("12.5 3 open\n")
    with pytest.raises(ValueError, match="expected"):
        RelayLog(path).news()
