"""Where the processes of one site meet. A stop needs to know no more than this."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from dewpond.settings.values import ServiceRefused


def state_dir(given: Path | None, site_file: Path | None) -> Path:
    """The folder for everything kept: as given, else beside the site file. Raises ServiceRefused without either."""
    if given is not None:
        return given.expanduser().absolute()
    if site_file is None:
        raise ServiceRefused("no site file is named; give one, or set DEWPOND_SITE or DEWPOND_STATE_DIR")
    return site_file.absolute().with_suffix(".state")


def state_dir_of(site_file: Path | None, environment: Mapping[str, str]) -> Path:
    """The folder of a named site file, or of the one that the environment names. Raises ServiceRefused."""
    given, named = environment.get("DEWPOND_STATE_DIR"), environment.get("DEWPOND_SITE")
    return state_dir(Path(given) if given else None, site_file or (Path(named) if named else None))
