"""Copies of frozen records, with and without slots."""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from dataclasses import replace as standard_replace
from pathlib import Path

import pytest

from dewpond.model.copying import replace

BRAIN = Path(__file__).parents[3] / "daemon" / "dewpond" / "brain"


@dataclass(frozen=True, kw_only=True)
class _Tank:
    litres: float
    names: tuple[str, ...] = ()
    notes: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Pipe:
    metres: float


def test_copies_as_the_standard_way_does():
    tank = _Tank(litres=3.0, names=("a",))
    assert replace(tank, litres=4.0) == standard_replace(tank, litres=4.0)
    assert replace(tank) == tank
    assert replace(tank) is not tank


def test_leaves_the_original_as_it_was():
    tank = _Tank(litres=3.0)
    replace(tank, litres=4.0, notes={"a": "b"})
    assert tank == _Tank(litres=3.0)


def test_refuses_a_field_that_the_record_does_not_have():
    with pytest.raises(TypeError, match="_Tank has no field gallons"):
        replace(_Tank(litres=1.0), gallons=2.0)  # type: ignore[call-arg]


def test_copies_a_record_with_slots_too():
    assert replace(_Pipe(2.0), metres=3.0) == _Pipe(3.0)


def test_no_record_of_the_brain_does_work_when_it_is_made():
    # Copies do not run the constructor, nor anything it would call, and they take a cached property along.
    made = [
        f"{path.name}:{node.lineno}"
        for path in BRAIN.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if (isinstance(node, ast.FunctionDef) and node.name == "__post_init__")
        or (isinstance(node, ast.Name) and node.id == "cached_property")
    ]
    assert made == []
