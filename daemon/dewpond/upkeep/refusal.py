"""The one exception of forms filled in on foot."""

from __future__ import annotations


class Refused(ValueError):
    """Raised when what a person entered cannot be taken: what, where, limit and remedy. Nothing was kept."""
