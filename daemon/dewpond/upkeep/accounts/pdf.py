"""A page as PDF, by a library that only those who want paper files need: ``pip install 'dewpond[pdf]'``."""

from __future__ import annotations

from typing import NoReturn

from dewpond.upkeep.refusal import Refused

REMEDY = (
    "install the extra pdf (pip install 'dewpond[pdf]') and the system's Pango library, or write the page as .html and "
    "print it to PDF from a browser"
)


def as_pdf(page: str) -> bytes:
    """The PDF of a whole HTML page. Nothing is fetched from anywhere. Raises Refused without the library."""
    try:
        from weasyprint import HTML  # noqa: PLC0415 - tens of megabytes
    except (ImportError, OSError) as fault:  # OSError: the system library it needs is missing
        raise Refused(f"PDF cannot be written: {str(fault).splitlines()[0]}; {REMEDY}") from fault
    made: bytes = HTML(string=page, url_fetcher=_nothing).write_pdf()
    return made


def _nothing(url: str, *_args: object, **_more: object) -> NoReturn:
    """Report pages need nothing but themselves; whatever asks for more is refused."""
    raise ValueError(f"{url[:80]} is outside of the page")
