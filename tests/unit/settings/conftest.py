"""A small valid site as text, and a way to load a changed copy of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dewpond.settings.site_file import LoadedSite, load_site

SITE = """
[site]
name = "Withy Hollow"
latitude = 40.7
longitude = -74.2
elevation = "8 m"
timezone = "America/New_York"
"""
WATERING = """
[watering]
window = ["21:00", "06:00"]
"""
SUPPLY = """
[[supply]]
id = "main"
capacity = "60 L/min"
"""
RELAYS = """
[relays]
driver = "simulated"
outputs = 8
"""
# The five numbers that make a zone complete without heads, root depth, plants and soil.
FIVE = """
application_rate = "40 mm/h"
intake_rate = "9 mm/h"
surface_storage = "6 mm"
root_zone_storage = "11 mm"
efficiency = 0.75
"""
ZONE = f"""
[[zone]]
id = "lawn"
output = 3
area = "72 m2"
{FIVE}
"""
WHOLE = SITE + WATERING + SUPPLY + RELAYS + ZONE


@pytest.fixture
def load(tmp_path: Path) -> Callable[..., LoadedSite]:
    """Load a site file with this text."""

    def loaded(text: str, *, look_at_relays: bool = False) -> LoadedSite:
        path = tmp_path / "site.toml"
        path.write_text(text, encoding="utf-8")
        return load_site(path, look_at_relays=look_at_relays)

    return loaded


@pytest.fixture
def whole() -> str:
    """A complete site with one zone on the five numbers."""
    return WHOLE


@pytest.fixture
def ground() -> str:
    """The same without the zone."""
    return SITE + WATERING + SUPPLY + RELAYS
