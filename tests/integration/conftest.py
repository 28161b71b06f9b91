"""Fixtures of all integration tests. Their modules stand in this folder and are imported from it by name."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.append(str(Path(__file__).parents[1] / "unit"))  # small invented sites and rule packages

from broker import mosquitto

__all__ = ["mosquitto"]
