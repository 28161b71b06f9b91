"""``dewpond walk``: a walk-round inspection, guided step by step, interrupted and taken up at will."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import fail, json_option, print_json, site_option
from dewpond.cli.upkeep_desk import AtDesk, Plain, at_desk, who_option
from dewpond.cli.walk_water import counted_l, watch
from dewpond.cli.walk_words import show_look, show_next, show_walk

_FOUND = re.compile(r"(?P<fault>[a-z-]+)(?:x(?P<count>\d+))?(?:@(?P<spot>[^:]*))?(?::(?P<note>.*))?", re.DOTALL)


@click.group()
def walk() -> None:
    """A walk-round inspection, guided in the right order; what is found becomes tasks.

    begin, then next, tick and note in turn until end. It may be interrupted at any time, and others may help.
    """


@walk.command()
@click.option("--zone", "zones", multiple=True, help="Only this zone; may be given again.")
@who_option
@site_option
@json_option
def begin(zones: tuple[str, ...], who: str, site: Path | None, as_json: bool) -> None:
    """Begin a walk round all zones, or some."""
    at = at_desk(site, who)
    _say(at, at.do("walk-begin", zones=list(zones)), as_json=as_json)


@walk.command(name="next")
@click.argument("name", required=False)
@site_option
@json_option
def next_step(name: str | None, site: Path | None, as_json: bool) -> None:
    """What to do next: the step, its cautions, and the words for what may be found."""
    at = at_desk(site)
    _say(at, at.do("walk-show", walk=name), as_json=as_json)


@walk.command()
@click.argument("keys", nargs=-1, required=True)
@click.option("--step", help="The step; the next one when not given.")
@who_option
@site_option
@json_option
def tick(keys: tuple[str, ...], step: str | None, who: str, site: Path | None, as_json: bool) -> None:
    """Say that you have read the cautions KEYS of a step; once for the whole walk."""
    at = at_desk(site, who)
    _say(at, at.do("walk-tick", step=step or _next(at)["step"], keys=list(keys)), as_json=as_json)


@walk.command()
@click.argument("place", required=False)
@click.argument("step", required=False)
@click.option("--found", multiple=True, help="What is wrong: FAULT, FAULTx3, FAULT@SPOT, FAULT@SPOT:NOTE.")
@click.option("--waters", help="What the zone waters (step run).")
@click.option("--flow", help='Flow while it ran, as "32 L/min" (step run).')
@click.option("--pressure", help='Pressure while it ran, as "210 kPa" (step run).')
@click.option("--at-head", is_flag=True, help="The pressure was taken at a head.")
@click.option("--came-on/--stayed-off", "came_on", default=None, help="Whether it came on (step run).")
@click.option("--went-off/--ran-on", "went_off", default=None, help="Whether it went off again (step run).")
@click.option("--litres", help="What passed the meter (step leak-test).")
@click.option("--minutes", help="In how many minutes (step leak-test).")
@click.option("--note", help="What was done, or is worth knowing.")
@click.option("--version", type=int, help="Correct what was reported: the version you saw.")
@who_option
@site_option
@json_option
def note(
    place: str | None,
    step: str | None,
    found: tuple[str, ...],
    at_head: bool,
    who: str,
    site: Path | None,
    as_json: bool,
    **figures: Any,
) -> None:
    """Report STEP at PLACE, the next one when not named: all right, or what is wrong by --found."""
    at = at_desk(site, who)
    due = {} if place and step else _next(at, place)
    findings = [_finding(text) for text in found]
    told = at.do(
        "walk-look",
        step=step or due["step"],
        place=place or due["place"],
        findings=findings,
        at_head=at_head or None,
        **figures,
    )
    _say(at, told, as_json=as_json, look=True)


@walk.command(name="leave-out")
@click.argument("place")
@click.argument("step")
@click.option("--why", required=True, help="Recorded.")
@who_option
@site_option
@json_option
def leave_out(place: str, step: str, why: str, who: str, site: Path | None, as_json: bool) -> None:
    """Leave STEP out at PLACE on this walk, with a reason."""
    at = at_desk(site, who)
    _say(at, at.do("walk-leave-out", step=step, place=place, why=why), as_json=as_json)


@walk.command()
@click.argument("zone")
@click.option("--minutes", type=click.FloatRange(0.5, 10.0), default=1.0, show_default=True)
@click.option("--waters", help="What the zone waters.")
@click.option("--found", multiple=True, help="What you saw besides, as for note.")
@click.option("--against-rule", is_flag=True, help="You know the rule of the place that forbids it, and insist.")
@click.option("--again", is_flag=True, help="Once more, in place of what was reported.")
@who_option
@site_option
@json_option
def run(
    zone: str,
    minutes: float,
    waters: str | None,
    found: tuple[str, ...],
    against_rule: bool,
    again: bool,
    who: str,
    site: Path | None,
    as_json: bool,
) -> None:
    """Step (d): ZONE on for a minute through the daemon; what its meter, gauge and relay show is reported.

    Keep people and traffic clear.
    """
    from dewpond.upkeep.walk import report_fault  # noqa: PLC0415
    from dewpond.upkeep.walk_steps import STEPS  # noqa: PLC0415

    at = at_desk(site, who)
    findings = [_finding(text) for text in found]
    at.do("walk-show")  # exits where no walk is on
    now = at.desk.current()
    fault, reported = report_fault(at.site, now, STEPS["run"], zone), now.looks.get(("run", zone))
    if fault:
        fail(fault)
    if reported is not None and not again:
        fail(f"{zone} was reported by {reported.who} (version {reported.version}); add --again to run it once more")
    seen = watch(at, zone, minutes, against_rule=against_rule)
    if reported is not None:
        seen["version"] = reported.version
    told = at.do("walk-look", step="run", place=zone, waters=waters, findings=findings, **seen)
    _say(at, told, as_json=as_json, look=True)


@walk.command(name="leak-test")
@click.argument("supply")
@click.option("--minutes", type=click.FloatRange(5.0, 1440.0), default=15.0, show_default=True)
@who_option
@site_option
@json_option
def leak_test(supply: str, minutes: float, who: str, site: Path | None, as_json: bool) -> None:
    """Step (a): what SUPPLY's meter counted over the last MINUTES with every valve shut."""
    at = at_desk(site, who)
    litres = counted_l(at, supply, minutes)
    told = at.do("walk-look", step="leak-test", place=supply, litres=litres, minutes=minutes)
    _say(at, told, as_json=as_json, look=True)


@walk.command()
@click.argument("name", required=False)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write it as a page to print (HTML).")
@site_option
@json_option
def show(name: str | None, out: Path | None, site: Path | None, as_json: bool) -> None:
    """The walk NAME, or the one that is on: what was seen, its tasks, and how it differs from the last."""
    at = at_desk(site)
    told = at.do("walk-show", walk=name)
    if out is not None:
        from dewpond.upkeep.walk_sheet import walk_sheet  # noqa: PLC0415

        out.write_text(walk_sheet(told, at.site), encoding="utf-8")
        click.echo(f"{out} is written; open it in a browser and print it.", err=True)
    if as_json:
        print_json(told)
    elif out is None:
        show_walk(at, told)


@walk.command()
@click.option("--note", default="", help="What the next walk should know.")
@who_option
@site_option
@json_option
def end(note: str, who: str, site: Path | None, as_json: bool) -> None:
    """End the walk; what was not looked at stays so."""
    at = at_desk(site, who)
    told = at.do("walk-end", note=note)
    print_json(told) if as_json else show_walk(at, told)


@walk.command(name="list")
@site_option
@json_option
def list_walks(site: Path | None, as_json: bool) -> None:
    """Every walk so far."""
    at = at_desk(site)
    told = at.do("walks")
    if as_json:
        print_json(told)
        return
    for one in told["walks"]:
        state = "ended" if one["ended"] else f"on, {one['outstanding_count']} to look at"
        click.echo(f"{one['walk']}  by {one['by']}, {one['findings']} findings, {state}")


@walk.command()
@click.argument("step", required=False)
def words(step: str | None) -> None:
    """The words for what may be found, by step."""
    from dewpond.upkeep.fault_table import FAULTS  # noqa: PLC0415
    from dewpond.upkeep.walk_steps import STEPS  # noqa: PLC0415

    if step is not None and step not in STEPS:
        fail(f"no step {step!r}; steps are {', '.join(STEPS)}")
    for one in STEPS.values():
        if step in (None, one.key):
            click.echo(f"({one.letter}) {one.key}: {one.title}")
            for fault in FAULTS.values():
                if fault.step == one.key:
                    click.echo(f"    {fault.key:<20} {fault.words} ({fault.urgency})")


def _next(at: AtDesk, place: str | None = None) -> Plain:
    """The next step, or the next one of a place; exits where all is looked at."""
    told = at.do("walk-show")
    due = [one for one in told["outstanding"] if place in (None, one["place"])]
    if not due:
        fail(f"nothing is left to look at {f'at {place!r}' if place else 'on this walk'}; name place and step")
    found: Plain = due[0]
    return found


def _finding(text: str) -> Plain:
    found = _FOUND.fullmatch(text)
    if found is None:
        fail(f"--found {text!r} is not understood; write FAULT, FAULTx3, FAULT@SPOT or FAULT@SPOT:NOTE")
    plain: Plain = {"fault": found["fault"]}
    if found["count"]:
        plain["count"] = int(found["count"])
    plain |= {name: found[name].strip() for name in ("spot", "note") if found[name]}
    return plain


def _say(at: AtDesk, told: Plain, as_json: bool, *, look: bool = False) -> None:
    if as_json:
        print_json(told)
        return
    if look:
        show_look(at, told)
    show_next(told)
