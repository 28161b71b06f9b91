import signal
import threading

import pytest

from dewpond.adapters.stop_signals import Ending, on_stop_signals


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_is_called_out_even_while_the_main_thread_holds_the_lock_its_work_needs(number: signal.Signals):
    lock, stopped = threading.Lock(), threading.Event()

    def stop() -> None:
        with lock:
            stopped.set()

    with on_stop_signals(stop):
        with lock:
            signal.raise_signal(number)  # a handler that worked here itself would wait for ever
        stopped.wait()


def test_every_signal_counts_and_the_earlier_handlers_come_back():
    calls: list[int] = []
    before = signal.getsignal(signal.SIGTERM)
    with on_stop_signals(lambda: calls.append(1)):
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
    assert calls == [1, 1]
    assert signal.getsignal(signal.SIGTERM) is before


def test_a_hangup_that_was_ignored_stays_so():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        calls: list[int] = []
        with on_stop_signals(lambda: calls.append(1)):
            signal.raise_signal(signal.SIGHUP)
        assert calls == []
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize("early", [True, False])
def test_a_wish_to_end_is_obeyed_whether_or_not_there_is_a_loop_yet(early: bool):
    ending, calls = Ending(), []
    if early:
        ending.ask()
        assert calls == []
    ending.obeyed_by(lambda: calls.append(1))
    if not early:
        ending.ask()
    assert calls == [1]


def test_its_thread_ends_with_it():
    with on_stop_signals(lambda: None):
        assert any(thread.name == "stop-signals" for thread in threading.enumerate())
    assert all(thread.name != "stop-signals" for thread in threading.enumerate())
