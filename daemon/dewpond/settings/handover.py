"""Site and settings for the daemon, read by a child process that ends.

The library that checks settings weighs as much as the rest of the daemon's own code. A small board runs the daemon for
months and reads its file once, so the reading is done next door and only the values come over.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from dewpond.model.codec import from_plain, to_plain
from dewpond.model.site import Site
from dewpond.settings.values import ServiceSettings

READING_S = 60.0  # far more than the slowest board needs; a child that hangs must not hang the start


class SettingsRefused(Exception):
    """Raised when a site file or a setting cannot be used: every error, a line each."""


def read_next_door(site_file: Path) -> tuple[ServiceSettings, Site]:
    """The settings and the site of a file. Raises SettingsRefused."""
    command = [sys.executable, "-m", "dewpond.settings.handover", str(site_file)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=READING_S, check=True)
        answer = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.SubprocessError) as fault:
        raise SettingsRefused(f"{site_file}: the settings could not be read: {fault}") from fault
    if "refused" in answer:
        raise SettingsRefused(answer["refused"])
    return from_plain(ServiceSettings, answer["service"]), from_plain(Site, answer["site"])


def _read(site_file: Path) -> dict[str, object]:
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415 - loaded in the child only
    from dewpond.settings.service import ServiceRefused, load_service  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415

    try:
        return {"service": to_plain(load_service(site_file)), "site": to_plain(require_site(site_file))}
    except (SiteRefused, ServiceRefused) as refused:
        return {"refused": str(refused)}


if __name__ == "__main__":
    json.dump(_read(Path(sys.argv[1])), sys.stdout)
