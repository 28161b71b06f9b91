"""Crash points cannot be set by accident, and each one of the table stands in the code."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from dewpond.crash_points import MAGIC, POINTS, CrashPointsRefused, crash_points, passed_by

DAEMON = Path(__file__).parents[2] / "daemon" / "dewpond"


def test_unset_they_do_nothing():
    assert crash_points(None, "gpio") is passed_by
    assert crash_points("", "simulated") is passed_by
    for point in POINTS:
        assert passed_by(point) is None


def test_a_daemon_of_real_relays_refuses_them(tmp_path):
    armed = tmp_path / "arming.txt"
    armed.write_text(f"{MAGIC}\n")
    with pytest.raises(CrashPointsRefused, match="unset DEWPOND_CRASH_POINTS"):
        crash_points(str(armed), "gpio")


@pytest.mark.parametrize("text", ["", "open-sent 1", f"{MAGIC}\nnowhere 1", f"{MAGIC}\nopen-sent soon"])
def test_what_is_no_arming_file_is_refused(tmp_path, text):
    path = tmp_path / "arming.txt"
    path.write_text(text)
    with pytest.raises(CrashPointsRefused):
        crash_points(str(path), "simulated")
    with pytest.raises(CrashPointsRefused):
        crash_points(str(tmp_path / "missing"), "simulated")


def test_the_process_dies_at_the_armed_point_the_nth_time_and_at_no_other(tmp_path):
    path = tmp_path / "arming.txt"
    path.write_text(f"{MAGIC}\nopen-sent 2")
    code = (
        "from dewpond.crash_points import crash_points\n"
        f"at = crash_points({str(path)!r}, 'simulated')\n"
        "for point in ('open-sent', 'close-sent', 'open-sent', 'close-sent'):\n"
        "    at(point); print(point, flush=True)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == -9
    assert done.stdout.split() == ["open-sent", "close-sent"]


def test_a_new_order_counts_anew_and_none_disarms(tmp_path):
    path = tmp_path / "arming.txt"
    path.write_text(f"{MAGIC}\nopen-sent 2")
    at = crash_points(str(path), "simulated")
    at("open-sent")
    path.write_text(f"{MAGIC}\nopen-sent 3")
    at("open-sent")
    at("open-sent")
    path.write_text(f"{MAGIC}\n")
    at("open-sent")


def test_every_point_of_the_table_is_in_the_code_and_every_one_in_the_code_is_in_the_table():
    text = "\n".join(path.read_text(encoding="utf-8") for path in DAEMON.rglob("*.py"))
    named = set(re.findall(r'\b_?at\("([a-z_-]+)"\)', text))
    made = {f"{op}-{word}" for op in ("open", "renew", "close", "close_all") for word in ("sent", "answered")}
    made |= {f"{what}-{word}" for what in ("opened", "closed", "other") for word in ("decided", "durable")}
    assert set(POINTS) <= named | made
    assert named <= set(POINTS)
