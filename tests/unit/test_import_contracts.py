"""The import contracts name every package that their rooms must not know; the checker itself runs with the linters."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

CONTRACTS = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["tool"]["importlinter"][
    "contracts"
]


@pytest.mark.parametrize("room", ["science", "model", "brain", "ports", "adapters"])
def test_upkeep_is_known_to_board_and_command_line_only(room):
    (contract,) = (each for each in CONTRACTS if each["source_modules"] == [f"dewpond.{room}"])
    assert "dewpond.upkeep" in contract["forbidden_modules"]
