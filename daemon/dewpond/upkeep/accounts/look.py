"""The frame of report pages: the board's paper, ink and margin headings, in one file that needs nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

SHORT = 8  # rows of a table that is not broken over two sheets
_STYLE = """
:root { --paper: #f8f2e4; --leaf: #efe5cf; --ink: #201810; --soft: #4a3d2c; --rule: #8d7a5b; --faint: #d8c9a8;
  --bar: #1f4a2e; --due: #8f1a10; --rain: #1d3a70; --alarm: #7d140c; --grass: #4d6a1f; color-scheme: light;
  --serif: "Iowan Old Style", "Palatino Linotype", Palatino, "Book Antiqua", Georgia, "Liberation Serif", serif;
  --sans: system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif; }
@media screen and (prefers-color-scheme: dark) { :root { --paper: #16110b; --leaf: #231b12; --ink: #f6ecd8;
  --soft: #d6c7ab; --rule: #94815f; --faint: #3b3022; --bar: #a9d3a0; --due: #ff9d8c; --rain: #b9cffa;
  --alarm: #ffb9ab; --grass: #a3bf67; color-scheme: dark; } }
* { box-sizing: border-box }
body { margin: 0 auto; max-width: 62rem; padding: 1.2rem 1rem 3rem; background: var(--paper); color: var(--ink);
  font: 1.0625rem/1.5 var(--sans); font-variant-numeric: tabular-nums }
h1, h2, h3, .site, .figure b { font-family: var(--serif); line-height: 1.2; text-wrap: balance }
.site { font-size: 1.15rem; font-weight: 700; margin: 0 }
h1 { font-size: 2.1rem; margin: .2rem 0 .3rem } h2 { font-size: 1.3rem; font-style: italic; margin: 0 0 .5rem }
h3 { font-size: 1.1rem; margin: 1.1rem 0 .2rem } h3:first-child { margin-top: 0 }
p { margin: .3rem 0 .6rem; overflow-wrap: anywhere } .small { color: var(--soft); font-size: .95rem }
.lead { font-size: 1.15rem; max-width: 44rem } ul { margin: .2rem 0 .6rem; padding-left: 1.2rem }
.figures { display: grid; grid-template-columns: repeat(2, 1fr); gap: 0 1.4rem; margin: 1rem 0 1.4rem }
.figure { border-top: 2px solid var(--ink); padding: .4rem 0 .8rem } .figure b { display: block; font-size: 1.65rem }
.figure span { color: var(--soft); display: block; line-height: 1.35 }
section { border-top: 1px solid var(--rule); padding: 1rem 0 1.2rem }
.drawing { display: block; width: 100%; height: auto } .narrow-one { display: none }
table { border-collapse: collapse; width: 100%; margin: .4rem 0 .6rem }
th, td { text-align: left; vertical-align: top; padding: .45rem .8rem .45rem 0; border-bottom: 1px solid var(--faint) }
thead th { border-bottom: 2px solid var(--ink); font-weight: 600 } td small { color: var(--soft); display: block }
td.n, th.n { text-align: right; white-space: nowrap; padding-right: 0; padding-left: .8rem }
tr.sum td { border-top: 2px solid var(--ink); border-bottom: 0; font-weight: 700 }
.key span { margin-right: 1.2rem; white-space: nowrap } .key i { display: inline-block; margin-right: .4rem }
.key .k-bar { width: .8rem; height: .9rem; background: var(--bar); vertical-align: -.1rem }
.key .k-rain { width: .8rem; height: .9rem; background: var(--rain); vertical-align: -.1rem }
.key .k-need { width: 1.3rem; border-top: 3px solid var(--due); vertical-align: .25rem }
.said { border-left: 6px solid var(--rule); background: var(--leaf); padding: .6rem .8rem; margin: .5rem 0 }
.said.good { border-color: var(--grass) } .said.bad { border-color: var(--alarm) }
.night { border-top: 1px solid var(--faint); padding: .55rem 0 } .night:first-child { border-top: 0; padding-top: 0 }
.night h3 { margin: 0 } .night h3 em { font-style: normal; float: right; font-family: var(--sans); font-size: 1rem }
.night p { margin: .15rem 0 } .weigh { width: 100%; height: 12px; display: block; margin: .35rem 0 }
.drawing .t { fill: var(--ink); font-family: var(--sans) } .drawing .soft { fill: var(--soft) }
.drawing .grid, .drawing .track, .weigh .track { stroke: var(--faint) } .drawing .axis { stroke: var(--ink) }
.drawing .bar, .weigh .bar { fill: var(--bar) } .drawing .rain { fill: var(--rain) }
.drawing .tick, .drawing .need, .weigh .tick { stroke: var(--due) } .drawing .used { stroke: var(--bar) }
.drawing .timer { stroke: var(--soft) } .drawing .allowance { stroke: var(--ink) }
@media screen and (max-width: 43rem) { .narrow-one { display: block } .wide-one { display: none }
  .extra { display: none } td, th { padding-right: .4rem } td.n, th.n { padding-left: .4rem; font-size: 1rem } }
@media screen and (min-width: 44rem) { .figures { grid-template-columns: repeat(4, 1fr) }
  .site, h1, .under, .lead, .figures { margin-left: 10rem }
  section { display: grid; grid-template-columns: 8.6rem minmax(0, 1fr); column-gap: 1.4rem }
  section > h2 { text-align: right } }
@page { size: A4; margin: 15mm 16mm }
@media print { :root { --paper: #fff; --leaf: #fff; --faint: #c9c4b8 }
  body { padding: 0; font-size: 9.5pt; max-width: none }
  h1 { font-size: 19pt } h2 { font-size: 12.5pt } h3 { font-size: 10.5pt } .lead { font-size: 10.5pt }
  .figure b { font-size: 14pt } .figures { display: flex } .figure { flex: 1; margin-right: 4mm }
  section { padding: 3mm 0 2mm } th, td { padding-top: .8mm; padding-bottom: .8mm }
  figure, tr, .night, .said, .figure, h3, svg { break-inside: avoid } h2, h3 { break-after: avoid }
  .drawing { max-width: 132mm } table.short { break-inside: avoid } .night h3 em { font-size: 9.5pt }
  .small { font-size: 8.5pt } .night { padding: 1.2mm 0 } .said { padding: 1mm 2.5mm } }
"""


def page(site: str, title: str, under: str, parts: Iterable[str]) -> str:
    """A whole page. ``parts`` are HTML already."""
    head = f"<title>{escape(site)}: {escape(title)}</title>"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">{head}'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>'
        f'<body><p class="site">{escape(site)}</p><h1>{escape(title)}</h1><p class="under small">{escape(under)}</p>'
        f"{''.join(parts)}</body></html>\n"
    )


def section(title: str, *parts: str) -> str:
    """A heading in the margin with what belongs to it; nothing where there is nothing."""
    inside = "".join(parts)
    return f"<section><h2>{escape(title)}</h2><div>{inside}</div></section>" if inside else ""


def line(text: str, kind: str = "") -> str:
    """A paragraph; nothing for an empty text."""
    name = f' class="{kind}"' if kind else ""
    return f"<p{name}>{escape(text)}</p>" if text else ""


def heading(text: str) -> str:
    return f"<h3>{escape(text)}</h3>"


def bullets(texts: Sequence[str]) -> str:
    """A list; nothing for an empty one."""
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>" if texts else ""


def figures(rows: Iterable[tuple[str, str]]) -> str:
    """Large figures with a few words each; those without a figure are left out."""
    cells = (
        f'<div class="figure"><b>{escape(value)}</b><span>{escape(text)}</span></div>' for value, text in rows if value
    )
    return f'<div class="figures">{"".join(cells)}</div>'


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, extra: Sequence[int] = (), total: bool = False) -> str:
    """A table whose first column is words and the others figures; ``extra`` columns are left out on phones.

    A second line within a cell follows a line break. The last row is a sum where ``total``. Nothing without rows.
    """
    if not rows:
        return ""
    body = "".join(
        f"<tr{' class=sum' if total and place == len(rows) - 1 else ''}>{_cells('td', row, extra)}</tr>"
        for place, row in enumerate(rows)
    )
    kind = ' class="short"' if len(rows) <= SHORT else ""
    return f"<table{kind}><thead><tr>{_cells('th', head, extra)}</tr></thead><tbody>{body}</tbody></table>"


def _cells(kind: str, row: Sequence[str], extra: Sequence[int]) -> str:
    return "".join(
        f'<{kind} class="{"n" if place else "w"}{" extra" if place in extra else ""}">{_cell(text)}</{kind}>'
        for place, text in enumerate(row)
    )


def _cell(text: str) -> str:
    first, _, second = text.partition("\n")
    return escape(first) + (f"<small>{escape(second)}</small>" if second else "")
