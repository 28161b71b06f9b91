import signal
import threading

import pytest

from dewpond.adapters.stop_signals import on_stop_signals


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
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


def test_its_thread_ends_with_it():
    with on_stop_signals(lambda: None):
        assert any(thread.name == "stop-signals" for thread in threading.enumerate())
    assert all(thread.name != "stop-signals" for thread in threading.enumerate())
