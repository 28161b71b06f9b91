"""The start-up list that ends "closed for winter": each item is signed by a named person.

The items are common practice, no source; the supply's own rules, local codes and the licensed tester come first.
"""

from __future__ import annotations

from collections.abc import Collection

ITEMS = {
    "slow-fill": "the supply was opened slowly by hand, the highest zone opened at its own valve to let air out",
    "backflow": "the backflow unit was checked, and tested by a licensed tester where local codes ask for it",
    "walked": "every zone was walked: boxes, heads and fittings looked at, nothing missing, split or leaking",
    "clock": "the clock of this machine and the watering window were checked",
}


def unsigned(signed: Collection[str]) -> str:
    """What keeps the site closed: items not signed, or signed and not on the list; "" when all are signed."""
    unknown = sorted(set(signed) - ITEMS.keys())
    if unknown:
        return f"{', '.join(unknown)} is not on the start-up list; its items are {', '.join(ITEMS)}"
    missing = [f"{item} ({text})" for item, text in ITEMS.items() if item not in signed]
    return f"still to be signed: {'; '.join(missing)}" if missing else ""
