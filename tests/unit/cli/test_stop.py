"""A stop goes to the keeper before anything heavy is loaded."""

from __future__ import annotations

import subprocess
import sys


def test_a_stop_loads_no_large_library_before_the_keeper_is_asked() -> None:
    code = "import sys, dewpond.cli.main, dewpond.cli.stop; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert "'dewpond.adapters.keeper_stop'" in loaded
    assert not [name for name in ("numpy", "pydantic", "rich", "sqlalchemy") if f"'{name}'" in loaded]
