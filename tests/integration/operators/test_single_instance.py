from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from dewpond.adapters.single_instance import AlreadyRunning, SingleInstance

HOLDER = """
import sys, time
from pathlib import Path
from dewpond.adapters.single_instance import SingleInstance
with SingleInstance(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def lock(tmp_path):
    return tmp_path / "daemon.lock"


def test_a_second_daemon_is_refused_and_told_who_holds_the_lock(lock):
    with SingleInstance(lock), pytest.raises(AlreadyRunning, match=f"process {os.getpid()} runs this site"):
        SingleInstance(lock).__enter__()


def test_the_lock_is_free_again_after_the_first_has_left(lock):
    with SingleInstance(lock):
        pass
    with SingleInstance(lock):
        assert lock.read_text() == f"{os.getpid()}\n"


def test_a_shorter_process_id_leaves_no_digits_of_the_former(lock):
    lock.write_text("123456789012345\n")
    with SingleInstance(lock):
        assert lock.read_text() == f"{os.getpid()}\n"


def test_a_killed_holder_does_not_hinder_the_next_start(lock):
    with subprocess.Popen([sys.executable, "-c", HOLDER, lock], stdout=subprocess.PIPE) as holder:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(AlreadyRunning, match=f"process {holder.pid} "):
            SingleInstance(lock).__enter__()
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    with SingleInstance(lock):
        assert lock.read_text() == f"{os.getpid()}\n"


def test_a_program_started_by_the_daemon_does_not_keep_the_lock(lock):
    with SingleInstance(lock):
        code = "import time; print(1, flush=True); time.sleep(60)"
        child = subprocess.Popen([sys.executable, "-c", code], close_fds=False, stdout=subprocess.PIPE)
        child.stdout.readline()
    try:
        with SingleInstance(lock):
            assert child.poll() is None
    finally:
        child.kill()
        child.communicate()
