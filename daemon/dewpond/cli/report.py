"""``dewpond report`` and ``dewpond why``: where the water went, and why a zone was or was not watered."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import fail, json_option, print_json, site_option
from dewpond.cli.upkeep_desk import at_desk

KINDS = (".html", ".pdf", ".csv")
Plain = dict[str, Any]


@click.command()
@click.argument("site", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--month", help="A month or a year: 2027-06, 2027. This month so far where nothing is given.")
@click.option("--from", "first", help="First date instead, for a season: 2027-04-01.")
@click.option("--to", "last", help="Last date, included; today when not given.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="FILE to write: .html, .pdf (extra pdf) or .csv."
)
@json_option
def report(
    site: Path | None, month: str | None, first: str | None, last: str | None, out: Path | None, as_json: bool
) -> None:
    """Litres and money by zone, supply and month, against need, allowance, a fixed calendar and last year.

    With bills, faults and the rules of the place. From the records of SITE; the daemon need not run.
    """
    kind = _kind(out, KINDS)
    body = at_desk(site).do(
        "report", month=month, first=first, last=last, page=kind in (".html", ".pdf"), csv=kind == ".csv"
    )
    page, table = body.pop("page"), body.pop("csv")
    if out is not None:
        _write(out, kind, table if kind == ".csv" else page)
    if as_json:
        print_json(body)
    elif out is None:
        for line in _report_lines(body):
            click.echo(line)


@click.command()
@click.argument("zone")
@click.option("--last", help="The last of the seven nights: 2027-06-14; tonight when not given.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="FILE to write: .html or .pdf (extra pdf)."
)
@site_option
@json_option
def why(zone: str, last: str | None, out: Path | None, site: Path | None, as_json: bool) -> None:
    """Why ZONE was watered, why it was left dry: seven nights with the numbers each decision rested on."""
    kind = _kind(out, KINDS[:2])
    body = at_desk(site).do("week", zone=zone, last=last, page=out is not None)
    page = body.pop("page")
    if out is not None:
        _write(out, kind, page)
    if as_json:
        print_json(body)
    elif out is None:
        for line in _week_lines(body):
            click.echo(line)


def _kind(out: Path | None, kinds: tuple[str, ...]) -> str:
    kind = "" if out is None else out.suffix.lower()
    if out is not None and kind not in kinds:
        fail(f"{out.name} ends in no kind of file that can be written here; name it {' or '.join(kinds)}")
    return kind


def _write(out: Path, kind: str, text: str) -> None:
    from dewpond.upkeep.accounts.pdf import as_pdf  # noqa: PLC0415
    from dewpond.upkeep.refusal import Refused  # noqa: PLC0415

    try:
        out.write_bytes(as_pdf(text) if kind == ".pdf" else text.encode("utf-8"))
    except Refused as refused:
        fail(str(refused))
    except OSError as fault:
        fail(f"{out} cannot be written: {fault.strerror}; name another place")
    click.echo(f"{out} is written.", err=True)


def _report_lines(body: Plain) -> Iterator[str]:
    from dewpond.upkeep.accounts.report_page import kept_word, saving  # noqa: PLC0415
    from dewpond.upkeep.accounts.show import Figures, money, span_text  # noqa: PLC0415

    show, allowed = Figures(body["units"]), body["allowance"]
    used = f"{show.volume(body['litres'])} ± {show.volume(2 * body['doubt_l'])}"
    yield f"{body['site']}: water account, {span_text(body['first'], body['last'])}"
    yield f"Used {used} in {body['runs']} openings, {body['source']}."
    yield f"Plants' need beyond rain {show.volume(body['need_l'])}; rain {show.depth(body['rain_mm'])}."
    if allowed["used_share"] is not None:
        yield f"Water allowance {show.volume(allowed['litres'])}, {100 * allowed['used_share']:.0f} % of it used."
        yield f"  Factor {allowed['factor']:g}: {allowed['factor_from']}."
    if body["cost"]:
        yield f"Cost {money(body['cost']['amount'], body['cost']['currency'])} without fixed charges."
    for zone in sorted(body["zones"], key=lambda one: -one["litres"]):
        cost = f", {money(zone['cost'], zone['currency'])}" if zone["cost"] is not None else ""
        yield f"  {zone['name']}: {show.volume(zone['litres'])} of {show.volume(zone['need_l'])} needed{cost}"
    for one in body["comparisons"]:
        yield f"Against {one['name']}: {saving(one, show)}"
        yield f"  {one['method']}"
    for bill in body["bills"]:
        yield f"Bill {bill['supply']} {bill['first']} to {bill['last']}: {show.volume(bill['litres'])}."
        yield f"  {show.sentence(bill['verdict'])} {bill['money']}".rstrip()
    for fault in body["faults"]:
        lost = f" At least {show.volume(fault['lost_l'])} lost." if fault["lost_l"] else ""
        yield f"Fault {fault['at'][:16]}: {show.sentence(fault['detail'])}{lost}"
    yield kept_word(body["rules"])


def _week_lines(body: Plain) -> Iterator[str]:
    from dewpond.upkeep.accounts.show import Figures, day_text  # noqa: PLC0415

    show = Figures(body["units"])
    yield f"{body['name']}, nights of {day_text(body['first'])} to {day_text(body['last'])}"
    for night in body["nights"]:
        given = f", {show.volume(night['litres'])}" if night["litres"] else ""
        yield f"{day_text(night['date'])}: {night['decision'] or 'no decision on record'}{given}"
        yield from (f"  {show.sentence(text)}" for text in night["sentences"])
