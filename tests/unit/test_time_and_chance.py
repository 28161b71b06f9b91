"""Wall clocks, elapsed clocks and unseeded chance stay in their rooms, by the syntax of every source file."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CLOCK_ROOMS = {
    Path("daemon/dewpond/adapters/system_clock.py"),  # the daemon's only clock
    Path("drivers/dewpond_drivers/keeper.py"),  # the keeper's main; its core takes elapsed time as an argument
}
SECRET_ROOMS = {  # what nobody may guess has to come from real chance; nothing is decided by it
    Path("daemon/dewpond/board/pages.py"),  # the word that lets a form be sent once
    Path("daemon/dewpond/board/people.py"),  # sessions and one-time codes
    Path("drivers/dewpond_drivers/keeper.py"),  # the name of a keeper's session
}
CLOCKS = {
    *(f"datetime.{kind}" for kind in ("datetime.now", "datetime.utcnow", "datetime.today", "date.today")),
    *(f"time.{name}{ns}" for name in ("time", "monotonic", "perf_counter", "process_time") for ns in ("", "_ns")),
    *(f"time.{name}" for name in ("thread_time", "thread_time_ns", "clock_gettime", "clock_gettime_ns")),
    *(f"time.{name}" for name in ("localtime", "gmtime", "ctime", "asctime", "strftime")),
    *(f"pandas.{kind}" for kind in ("Timestamp.now", "Timestamp.today", "Timestamp.utcnow")),
}
SECRETS = ("secrets", "os.urandom", "os.getrandom", "random.SystemRandom", "uuid.uuid1", "uuid.uuid4")
SEEDED = {"random.Random", "numpy.random.default_rng"}
MODULES = ("time", "random", "numpy.random", "secrets")  # not to be passed around under another name
# Types of numpy that hold a stream which somebody seeded; neither can be made from nothing.
NUMPY_TYPES = {"numpy.random.Generator", "numpy.random.BitGenerator"}


def sources() -> list[Path]:
    return sorted(
        path.relative_to(ROOT) for root in ("daemon", "drivers", "sim") for path in (ROOT / root).rglob("*.py")
    )


def imported(tree: ast.AST) -> dict[str, str]:
    """What each name that an import binds really is, as a dotted name."""
    names = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for each in node.names:
                names[each.asname or each.name.split(".")[0]] = each.name if each.asname else each.name.split(".")[0]
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names |= {each.asname or each.name: f"{node.module}.{each.name}" for each in node.names}
    return names


def dotted(node: ast.expr, names: dict[str, str]) -> str:
    """The full name of an expression by its imports, "" for anything that is no name out of an import."""
    if isinstance(node, ast.Name):
        return names.get(node.id, "")
    inner = dotted(node.value, names) if isinstance(node, ast.Attribute) else ""
    return f"{inner}.{node.attr}" if inner else ""


def is_unseeded(call: ast.Call) -> bool:
    """Whether a generator is made from nothing, or from None, which is the same."""
    given = [*call.args, *(keyword.value for keyword in call.keywords)]
    return not given or any(isinstance(each, ast.Constant) and each.value is None for each in given)


def fault_of(name: str) -> str:
    """What is wrong with using this name at all: "clock", "secret", "chance" or ""."""
    if name in CLOCKS:
        return "clock"
    if any(name == each or name.startswith(f"{each}.") for each in SECRETS):
        return "secret"
    drawn = name.startswith(("random.", "numpy.random.", "scipy.stats."))
    known = any(name == each or name.startswith(f"{each}.") for each in SEEDED | NUMPY_TYPES)
    return "chance" if drawn and not known else ""


def offences(text: str, allowed: frozenset[str] = frozenset()) -> list[str]:
    """Every use of a clock, of real chance and of unseeded chance, by line; ``allowed`` kinds are passed over."""
    tree = ast.parse(text)
    names = imported(tree)
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    annotated = {id(part) for node in ast.walk(tree) for note in annotations(node) for part in ast.walk(note)}
    owners = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    found = []
    for node in ast.walk(tree):
        line = getattr(node, "lineno", 0)
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            full = [f"{node.module}.{each.name}" for each in node.names]
            found += [f"{fault_of(name)}: line {line}: from {name}" for name in full if fault_of(name)]
            if node.module in ("time", "random", "numpy.random") and any(each.name == "*" for each in node.names):
                found.append(f"clock: line {line}: from {node.module} import *")
        if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
            name = dotted(node, names)
            if fault_of(name):
                found.append(f"{fault_of(name)}: line {line}: {name}")
            if name in MODULES and id(node) not in owners:
                found.append(f"chance: line {line}: the module {name} handed on, where no one sees what is called")
            if name in SEEDED and id(node) not in called | annotated:
                found.append(f"chance: line {line}: {name} handed on, to be called without a seed")
        if isinstance(node, ast.Call) and dotted(node.func, names) in SEEDED and is_unseeded(node):
            found.append(f"chance: line {line}: {dotted(node.func, names)} without a seed")
    return [each for each in found if each.partition(":")[0] not in allowed]


def annotations(node: ast.AST) -> list[ast.expr]:
    """The type notes of a node, which name a type and call nothing."""
    notes = [getattr(node, "annotation", None), getattr(node, "returns", None)]
    return [note for note in notes if isinstance(note, ast.expr)]


def allowed_in(path: Path) -> frozenset[str]:
    return frozenset(kind for kind, rooms in (("clock", CLOCK_ROOMS), ("secret", SECRET_ROOMS)) if path in rooms)


@pytest.mark.parametrize("path", sources(), ids=str)
def test_no_clock_and_no_unseeded_chance_outside_their_rooms(path):
    assert offences((ROOT / path).read_text(encoding="utf-8"), allowed_in(path)) == []


@pytest.mark.parametrize(
    "text",
    [
        "import time\ntime.monotonic()",
        "from time import perf_counter",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.datetime.now(datetime.UTC)",
        "from datetime import datetime as dt\ndt.now()",
        "import datetime as clock\nclock.date.today()",
        "import time as t\nt.time()",
        "import pandas as pd\npd.Timestamp.now()",
        "from pandas import Timestamp\nTimestamp.utcnow()",
        "from time import localtime",
        "from time import gmtime as now",
        "from time import *",
        "import time\ntime.strftime('%H')",
        "import time\ntime.ctime()",
        "import time\ntime.clock_gettime(0)",
        "import time\ntime.process_time()",
        "import time\nwait(key=time.time)",
        "import random\nrandom.random()",
        "from random import random",
        "from random import choice as pick",
        "from random import Random\nRandom()",
        "import random\nx = random.choice",
        "import random\nrandom.Random(None)",
        "import random\nmake = random.Random",
        "import random as r\nr.shuffle([])",
        "import random\nrandom.SystemRandom(3)",
        "import numpy as np\nnp.random.default_rng()",
        "import numpy as np\nnp.random.default_rng(None)",
        "import numpy as np\nnp.random.default_rng(seed=None)",
        "import numpy as np\nnp.random.normal()",
        "import numpy as np\nnp.random.seed(3)",
        "import numpy as np\nnp.random.RandomState()",
        "import numpy as np\nnp.random.RandomState(3)",
        "import numpy\nnumpy.random.PCG64()",
        "import numpy.random as chance\nchance.uniform()",
        "from numpy import random\nrandom.normal()",
        "from numpy.random import default_rng\ndefault_rng()",
        "from numpy.random import default_rng as rng\nrng(None)",
        "from numpy.random import normal",
        "from dataclasses import field\nimport numpy as np\nfield(default_factory=np.random.default_rng)",
        "import numpy as np\nchance = np.random\nchance.normal()",
        "import time\nwait(time)",
        "import secrets\nsecrets.token_hex()",
        "from secrets import choice",
        "import os\nos.urandom(8)",
        "from os import urandom",
        "import uuid\nuuid.uuid4()",
        "from uuid import uuid4 as name",
    ],
)
def test_each_forbidden_form_is_found(text):
    assert offences(text)


@pytest.mark.parametrize(
    "text",
    [
        "import numpy as np\nnp.random.default_rng(3)",
        "import numpy as np\nnp.random.default_rng([seed, 1])",
        "from numpy.random import default_rng\ndefault_rng(seed)",
        "import numpy as np\ndef draw(rng: np.random.Generator) -> np.random.Generator: ...",
        "import random\nrandom.Random(7)",
        "import random\ndef draw(chance: random.Random) -> None: ...",
        "clock.now()",
        "self.random.normal()",
        "from datetime import datetime\ndatetime.fromisoformat(text).strftime('%H')",
        "from datetime import datetime, time\ndatetime.combine(day, time())",
        "import uuid\nuuid.uuid5(space, name)",
    ],
)
def test_injected_time_and_seeded_chance_are_fine(text):
    assert offences(text) == []


def test_a_room_of_secrets_is_no_room_for_clocks_nor_for_unseeded_chance():
    text = "import secrets, time, random\nsecrets.token_hex()\ntime.time()\nrandom.random()"
    kinds = {each.partition(":")[0] for each in offences(text, allowed_in(Path("daemon/dewpond/board/pages.py")))}
    assert kinds == {"clock", "chance"}


def test_the_rooms_exist_and_need_to_be_rooms():
    for room in CLOCK_ROOMS | SECRET_ROOMS:
        kinds = {each.partition(":")[0] for each in offences((ROOT / room).read_text(encoding="utf-8"))}
        assert kinds == allowed_in(room)
