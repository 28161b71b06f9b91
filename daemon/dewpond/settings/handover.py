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


class Reading:
    """Settings being read next door since this object was made: what is loaded meanwhile costs no extra time."""

    def __init__(self, site_file: Path) -> None:
        self._site_file = site_file
        command = [sys.executable, "-m", "dewpond.settings.handover", str(site_file)]
        self._child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def values(self) -> tuple[ServiceSettings, Site]:
        """The settings and the site, once the child is done. Raises SettingsRefused."""
        try:
            heard, trouble = self._child.communicate(timeout=READING_S)
            answer = json.loads(heard)
        except (OSError, ValueError, subprocess.SubprocessError) as fault:
            self._child.kill()
            raise SettingsRefused(f"{self._site_file}: the settings could not be read: {fault}") from fault
        if self._child.returncode != 0:
            raise SettingsRefused(f"{self._site_file}: the settings could not be read: {trouble.decode()[-500:]}")
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
