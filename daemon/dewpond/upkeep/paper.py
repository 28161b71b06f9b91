"""Pages to print: one frame, plain and quiet, that needs nothing but itself and reads well in black and white."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

_STYLE = """
@page { size: A4; margin: 14mm }
body { font: 11pt/1.4 "Noto Serif", Georgia, serif; color: #1d1b16; max-width: 182mm; margin: 8mm auto; padding: 0 4mm }
h1 { font-size: 19pt; margin: 0 } h2 { font-size: 13pt; margin: 7mm 0 1.5mm; border-bottom: 1.5pt solid #1d1b16 }
h3 { font-size: 11.5pt; margin: 4mm 0 0.5mm }
p { margin: 1mm 0 } .quiet { color: #5a564c; font-size: 9.5pt } ul { margin: 0.5mm 0; padding-left: 5mm }
table { border-collapse: collapse; width: 100%; margin: 1.5mm 0; font-size: 9.5pt }
th { text-align: left; font-weight: 600; border-bottom: 0.8pt solid #1d1b16; padding: 0.8mm 2mm 0.8mm 0 }
td { border-bottom: 0.4pt solid #bdb8aa; padding: 0.8mm 2mm 0.8mm 0; vertical-align: top }
.facts td:first-child { width: 26mm; color: #5a564c }
td.n, th.n { width: 22mm; text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap }
.mark { display: inline-block; border: 0.8pt solid #1d1b16; padding: 0 1.6mm; font-size: 8.5pt; margin-right: 1.5mm }
.first { background: #1d1b16; color: #fff }
.caution { border-left: 2.4pt solid #1d1b16; padding-left: 2.5mm; margin: 1mm 0 }
.box { display: inline-block; width: 3.4mm; height: 3.4mm; border: 0.8pt solid #1d1b16; margin-right: 1.5mm }
section, tr, .caution { break-inside: avoid } .lines { border-bottom: 0.4pt solid #bdb8aa; height: 7mm }
@media (max-width: 700px) { body { font-size: 12pt; margin: 3mm auto } table { display: block; overflow-x: auto } }
"""


def page(title: str, under: str, parts: Iterable[str]) -> str:
    """A whole page. ``parts`` are HTML already."""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>'
        f'<body><h1>{escape(title)}</h1><p class="quiet">{escape(under)}</p>{"".join(parts)}</body></html>\n'
    )


def section(title: str, *parts: str, level: int = 2) -> str:
    """A heading with what belongs under it."""
    return f"<section><h{level}>{escape(title)}</h{level}>{''.join(parts)}</section>"


def line(text: str, kind: str = "") -> str:
    """A paragraph; nothing for an empty text."""
    return f"<p{_class(kind)}>{escape(text)}</p>" if text else ""


def bullets(texts: Sequence[str]) -> str:
    """A list; nothing for an empty one."""
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>" if texts else ""


def marks(*texts: str, first: bool = False) -> str:
    """Short words in frames, the first one dark where it should strike."""
    return "".join(
        f'<span class="mark{" first" if first and not number else ""}">{escape(text)}</span>'
        for number, text in enumerate(texts)
        if text
    )


def boxes(texts: Sequence[str]) -> str:
    """Lines with a box to tick."""
    return "".join(f'<p class="caution"><span class="box"></span>{escape(text)}</p>' for text in texts)


def facts(rows: Iterable[tuple[str, str]]) -> str:
    """A name and a value a row; rows without a value are left out."""
    body = "".join(f"<tr>{_cells('td', row, ())}</tr>" for row in rows if row[1])
    return f'<table class="facts"><tbody>{body}</tbody></table>' if body else ""


def table(head: Sequence[str], rows: Iterable[Sequence[str]], figures: Sequence[int] = ()) -> str:
    """A table; ``figures`` are the columns of numbers, of equal width. Nothing without rows."""
    body = "".join(f"<tr>{_cells('td', row, figures)}</tr>" for row in rows)
    return f"<table><thead><tr>{_cells('th', head, figures)}</tr></thead><tbody>{body}</tbody></table>" if body else ""


def blank_lines(count: int) -> str:
    """Lines to write on."""
    return '<div class="lines"></div>' * count


def _cells(kind: str, row: Sequence[str], figures: Sequence[int]) -> str:
    return "".join(
        f"<{kind}{_class('n') if number in figures else ''}>{escape(cell)}</{kind}>" for number, cell in enumerate(row)
    )


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
