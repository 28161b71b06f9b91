"""The few pieces that the drawings are made of. Text and attributes are escaped; colours come from classes."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape


def number(value: float) -> str:
    """A coordinate with at most one decimal: drawings travel over slow links."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def el(name: str, *children: Markup | str, **attributes: str | float | None) -> Markup:
    """An element. ``class_`` becomes ``class``, other underscores hyphens; attributes that are None are left out."""
    parts = [f"<{name}"]
    for key, value in attributes.items():
        if value is not None:
            shown = escape(value) if isinstance(value, str) else number(value)
            parts.append(f' {key.rstrip("_").replace("_", "-")}="{shown}"')
    inside = "".join(escape(child) for child in children)
    parts.append(f">{inside}</{name}>" if inside else "/>")
    return Markup("".join(parts))  # noqa: S704 - names are written in this package, all else is escaped above


def drawing(width: float, height: float, label: str, *children: Markup, class_: str = "drawing") -> Markup:
    """A whole drawing. ``label`` is what a screen reader says; the numbers stand in the table beside it."""
    return el(
        "svg",
        *children,
        viewBox=f"0 0 {number(width)} {number(height)}",
        class_=class_,
        role="img",
        aria_label=label,
    )


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    return el("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def box(x: float, y: float, width: float, height: float, class_: str, *children: Markup) -> Markup:
    return el("rect", *children, x=x, y=y, width=max(0.0, width), height=max(0.0, height), class_=class_)


def due_line(points: Sequence[tuple[float, float]]) -> Markup:
    """Where watering is due: dashed, on a light ground of its own, so that it is seen on dry and on damp soil."""
    return path(points, "due-ground") + path(points, "due")


def text(x: float, y: float, words: str, class_: str = "t", anchor: str | None = None) -> Markup:
    return el("text", words, x=x, y=y, class_=class_, text_anchor=anchor)


def path(points: Sequence[tuple[float, float]], class_: str, *, closed: bool = False) -> Markup:
    """Straight pieces through the points."""
    if not points:
        return Markup("")
    steps = " ".join(f"{'M' if i == 0 else 'L'}{number(x)} {number(y)}" for i, (x, y) in enumerate(points))
    return el("path", d=steps + ("Z" if closed else ""), class_=class_)


def nice_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 x 10^n that cuts ``span`` into at most ``most`` pieces."""
    if span <= 0:
        return 1.0
    step = 10.0**-4
    while True:
        for factor in (1, 2, 5):
            if span / (step * factor) <= most:
                return step * factor
        step *= 10


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places for labels near ``wanted`` (ascending) that keep ``gap`` between them inside [low, high] if they fit."""
    places: list[float] = []
    for want in wanted:
        places.append(max(want, low if not places else places[-1] + gap))
    limit = high
    for index in range(len(places) - 1, -1, -1):
        places[index] = min(places[index], limit)
        limit = places[index] - gap
    return places
