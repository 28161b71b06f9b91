"""How the forms of an audit say no."""

from __future__ import annotations

from dewpond.upkeep.refusal import Refused


class AuditRefused(Refused):
    """Raised when an audit's input cannot be used; the text says what, where, limit and remedy of every fault."""


def refuse_all(faults: list[str]) -> None:
    """Raise all faults at once, one a line; none is fine."""
    if faults:
        raise AuditRefused("\n".join(faults))
