"""What the daemon holds in memory from its start, each in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys

LOADED = """
import json, sys
import dewpond.cli.main, dewpond.cli.service, dewpond.settings.handover, dewpond.bootstrap
print(json.dumps(sorted(sys.modules)))
"""
# Each belongs to a child process, to the board, to an upgrade, to another database, or to a later hour.
NOT_AT_START = {
    "alembic",
    "amqtt",
    "fastapi",
    "jinja2",
    "numba",
    "numpy.ma",
    "numpy.polynomial",
    "numpy.random",
    "numpy.testing",
    "pandas",
    "pydantic",
    "pydantic_core",
    "pydantic_settings",
    "pyet",
    "requests",
    "rich",
    "scipy",
    "sqlalchemy.dialects.postgresql",
    "sqlalchemy.ext.asyncio",
    "sqlalchemy.orm",
    "starlette",
    "statistics",
    "urllib3",
    "uvicorn",
    "xarray",
}

GIVEN_BACK = """
import json
from pathlib import Path

import numpy as np

from dewpond.adapters.library_pages import give_back_library_pages

def file_pages():
    return int(Path("/proc/self/statm").read_text().split()[2])

matrix = np.arange(12.0).reshape(3, 4)
before, product = file_pages(), (matrix @ matrix.T).tolist()
mappings, after = give_back_library_pages(), file_pages()
again, fresh = (matrix @ matrix.T).tolist(), float(np.fft.fft(np.ones(8))[0].real)
print(json.dumps({"before": before, "after": after, "mappings": mappings, "same": product == again, "sum": fresh}))
"""


def answer(code: str):
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    return json.loads(done.stdout)


def test_the_daemon_starts_without_what_only_others_need():
    loaded = set(answer(LOADED))
    assert {"numpy", "sqlalchemy", "dewpond.brain.brain"} <= loaded
    assert loaded & NOT_AT_START == set()


def test_library_pages_are_given_back_and_come_again():
    said = answer(GIVEN_BACK)
    assert said["mappings"] > 10
    assert said["after"] < said["before"] / 2
    assert said["same"]
    assert said["sum"] == 8.0
