"""Wall clocks, elapsed clocks and unseeded chance stay in their rooms, by the syntax of every source file."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = {
    Path("daemon/dewpond/adapters/system_clock.py"),  # the daemon's only clock
    Path("drivers/dewpond_drivers/keeper.py"),  # the keeper's main; its core takes elapsed time as an argument
}
BANNED_CALLS = {
    "datetime.now",
    "datetime.utcnow",
    "datetime.today",
    "date.today",
    "time.time",
    "time.time_ns",
    "time.monotonic",
    "time.monotonic_ns",
    "time.perf_counter",
    "time.perf_counter_ns",
    "time.localtime",
    "time.gmtime",
    "np.random.default_rng()",
    "numpy.random.default_rng()",
    "random.Random()",
}
BANNED_FROM_TIME = {"time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns"}
SEEDED_RANDOM = {"Random"}


def sources() -> list[Path]:
    return sorted(
        path.relative_to(ROOT) for root in ("daemon", "drivers", "sim") for path in (ROOT / root).rglob("*.py")
    )


def dotted(node: ast.expr) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return f"{dotted(node.value)}.{node.attr}" if isinstance(node, ast.Attribute) else ""


def offences(text: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Attribute):
            tail = ".".join(dotted(node).split(".")[-2:])
            if tail in BANNED_CALLS:
                found.append(f"line {node.lineno}: {tail}")
        if isinstance(node, ast.Call):
            name = dotted(node.func)
            if not node.args and not node.keywords and f"{name}()" in BANNED_CALLS:
                found.append(f"line {node.lineno}: {name}() without a seed")
            if name.startswith("random.") and name.split(".")[1] not in SEEDED_RANDOM:
                found.append(f"line {node.lineno}: {name} draws from shared, unseeded chance")
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [
                f"line {node.lineno}: from time import {a.name}" for a in node.names if a.name in BANNED_FROM_TIME
            ]
    return found


@pytest.mark.parametrize("path", [path for path in sources() if path not in ROOMS], ids=str)
def test_no_clock_and_no_unseeded_chance_outside_their_rooms(path):
    assert offences((ROOT / path).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    [
        "import time\ntime.monotonic()",
        "from time import perf_counter",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.datetime.now(datetime.UTC)",
        "import numpy as np\nnp.random.default_rng()",
        "import random\nrandom.random()",
        "wait(key=time.time)",
    ],
)
def test_each_forbidden_form_is_found(text):
    assert offences(text)


@pytest.mark.parametrize(
    "text", ["import numpy as np\nnp.random.default_rng(3)", "import random\nrandom.Random(7)", "clock.now()"]
)
def test_injected_time_and_seeded_chance_are_fine(text):
    assert offences(text) == []


def test_the_rooms_exist():
    assert all((ROOT / room).is_file() for room in ROOMS)
