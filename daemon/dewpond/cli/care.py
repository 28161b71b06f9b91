"""``dewpond care``: the calendar of care, its guided jobs, devices and log."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import fail, json_option, print_json, site_option
from dewpond.cli.upkeep_desk import AtDesk, Plain, at_desk, who_option
from dewpond.model.us_units import shown as in_units


@click.group(invoke_without_command=True)
@site_option
@json_option
@click.pass_context
def care(ctx: click.Context, site: Path | None, as_json: bool) -> None:
    """What care falls due and when, by the climate and by intervals; guided jobs of the season; the log.

    begin start-up, monthly-look or shut-down, then next, tick and note in turn until end. A job may be interrupted at
    any time, and others may help.
    """
    if ctx.invoked_subcommand is not None:
        return
    told = at_desk(site).do("care-calendar")
    if as_json:
        print_json(told)
        return
    _calendar(told)


@care.command()
@click.argument("job")
@who_option
@site_option
@json_option
def begin(job: str, who: str, site: Path | None, as_json: bool) -> None:
    """Begin a JOB: start-up, monthly-look or shut-down."""
    at = at_desk(site, who)
    _say(at, at.do("care-begin", job=job), as_json=as_json)


@care.command(name="next")
@click.argument("job", required=False)
@site_option
@json_option
def next_step(job: str | None, site: Path | None, as_json: bool) -> None:
    """What to do next, its cautions, and what its report asks for."""
    at = at_desk(site)
    _say(at, at.do("care-show", job=job), as_json=as_json)


@care.command()
@click.argument("keys", nargs=-1, required=True)
@click.option("--step", help="The step; the next one when not given.")
@who_option
@site_option
@json_option
def tick(keys: tuple[str, ...], step: str | None, who: str, site: Path | None, as_json: bool) -> None:
    """Say that you have read the cautions KEYS of a step; once for the whole job."""
    at = at_desk(site, who)
    _say(at, at.do("care-tick", step=step or _next(at)["step"], keys=list(keys)), as_json=as_json)


@care.command()
@click.argument("place", required=False)
@click.argument("step", required=False)
@click.option("--high-open", is_flag=True, help="The highest or farthest zone is open at its own valve.")
@click.option("--cracked", is_flag=True, help="The shut-off was opened a crack first, then slowly.")
@click.option("--shut", is_flag=True, help="The hand valve is shut, a pump off at its disconnect.")
@click.option("--after-backflow", is_flag=True, help="The air goes in behind the backflow device.")
@click.option("--zone-open", is_flag=True, help="The first zone is open before any air.")
@click.option("--next-open", is_flag=True, help="The next zone was opened before this one was shut.")
@click.option("--compressor-off", is_flag=True, help="The compressor is off.")
@click.option("--pipe", help="The weakest pipe: polyethylene, pvc or drip.")
@click.option("--pressure", help='Air pressure, as "40 psi".')
@click.option("--minutes", help="How long this turn of air took.")
@click.option("--came-on/--stayed-off", "came_on", default=None, help="Whether the zone came on.")
@click.option("--went-off/--ran-on", "went_off", default=None, help="Whether it went off again.")
@click.option("--problem", help="What is wrong there.")
@click.option("--note", help="What is worth knowing.")
@click.option("--version", type=int, help="Correct what was reported: the version you saw.")
@who_option
@site_option
@json_option
def note(place: str | None, step: str | None, who: str, site: Path | None, as_json: bool, **seen: Any) -> None:
    """Report STEP at PLACE as done, the next one when not named."""
    at = at_desk(site, who)
    due = {} if place and step else _next(at)
    given = {name: value for name, value in seen.items() if value is not False or name in ("came_on", "went_off")}
    told = at.do("care-report", step=step or due["step"], place=place or due["place"], **given)
    _say(at, told, as_json=as_json)


@care.command()
@click.argument("zone")
@click.option("--minutes", type=click.FloatRange(0.5, 10.0), default=1.0, show_default=True)
@click.option("--against-rule", is_flag=True, help="You know the rule of the place that forbids it, and insist.")
@click.option("--problem", help="What is wrong there.")
@who_option
@site_option
@json_option
def run(
    zone: str, minutes: float, against_rule: bool, problem: str | None, who: str, site: Path | None, as_json: bool
) -> None:
    """ZONE on for a minute through the daemon; what meter and relay show is reported. Keep people and traffic clear."""
    from dewpond.cli.walk_water import watch  # noqa: PLC0415

    at = at_desk(site, who)
    due = _next(at)
    if due["step"] != "run" or any(not one["ticked"] for one in due["cautions"]):
        fail(f"the next step is {due['step']} at {due['place']}, or its cautions are not ticked: dewpond care next")
    if zone not in {one.id for one in at.site.zones}:
        fail(f"no zone {zone!r} here; zones are {', '.join(one.id for one in at.site.zones)}")
    seen = watch(at, zone, minutes, against_rule=against_rule)
    seen.pop("pressure", None)  # a job asks for air pressure only
    _say(at, at.do("care-report", step="run", place=zone, problem=problem, **seen), as_json=as_json)


@care.command()
@who_option
@site_option
@json_option
def sign(who: str, site: Path | None, as_json: bool) -> None:
    """End the winter at the keeper: the start-up list signed by the steps that are done and right."""
    from dewpond.upkeep.care.job import signed  # noqa: PLC0415

    at = at_desk(site, who)
    told = _at_machine(at, "open")
    if told["unsigned"]:
        fail(f"{', '.join(told['unsigned'])} of the start-up list is not done or was found wrong; see to it first")
    items = signed(at.desk.care.current().kind)
    answer = _keeper(at, op="winter_open", who=who, signed=items)
    if not answer["ok"] and "not closed for winter" not in str(answer["why"]):
        fail(f"the site stays closed: {answer['why']}", 1)
    words = str(answer.get("told") or answer["why"])
    click.echo(words, err=True)
    _say(at, at.do("care-report", step=told["next"]["step"], place="site", keeper=words[:500]), as_json=as_json)


@care.command()
@who_option
@site_option
@json_option
def close(who: str, site: Path | None, as_json: bool) -> None:
    """Close the site for winter at the keeper: nothing opens until the start-up list is signed."""
    at = at_desk(site, who)
    told = _at_machine(at, "close")
    answer = _keeper(at, op="winter_close", who=who, reason="autumn shut-down")
    if not answer["ok"] and "closed for winter" not in str(answer["why"]):
        fail(f"the site is NOT closed for winter: {answer['why']}", 1)
    if answer["ok"] and answer["why"]:
        fail(f"the lock stands, but a valve may still be open: {answer['why']}. Shut the water by hand, now.", 1)
    words = str(answer.get("told") or answer["why"])
    click.echo(words, err=True)
    _say(at, at.do("care-report", step=told["next"]["step"], place="site", keeper=words[:500]), as_json=as_json)


@care.command(name="leave-out")
@click.argument("place")
@click.argument("step")
@click.option("--why", required=True, help="Recorded.")
@who_option
@site_option
@json_option
def leave_out(place: str, step: str, why: str, who: str, site: Path | None, as_json: bool) -> None:
    """Leave STEP out at PLACE, with a reason; steps that safety hangs on are never left out."""
    at = at_desk(site, who)
    _say(at, at.do("care-leave-out", step=step, place=place, why=why), as_json=as_json)


@care.command()
@click.option("--note", default="", help="What the next one should know; why it is broken off.")
@click.option("--broken-off", is_flag=True, help="Steps are missing; it does not count as done.")
@who_option
@site_option
@json_option
def end(note: str, broken_off: bool, who: str, site: Path | None, as_json: bool) -> None:
    """End the job; when all is done it goes into the log."""
    at = at_desk(site, who)
    _say(at, at.do("care-end", note=note, broken_off=broken_off or None), as_json=as_json)


@care.command()
@click.argument("duty")
@click.option("--on", help="The day, as YYYY-MM-DD; today when not given.")
@click.option("--result", help="passed or failed.")
@click.option("--tester", help="The certified tester of a backflow device.")
@click.option("--certificate", help="The tester's number.")
@click.option("--serial", help="Serial number of the device.")
@click.option("--next-due", help="The next day, where the rule of the place names one.")
@click.option("--note", help="Figures, parts changed, what is worth knowing.")
@click.option("--version", type=int, help="The version you saw; without it, the newest.")
@who_option
@site_option
@json_option
def done(duty: str, who: str, site: Path | None, as_json: bool, **record: Any) -> None:
    """Log DUTY as done: a backflow test with tester and result, a battery, a filter, a calibration, an audit."""
    told = at_desk(site, who).do("care-done", duty=duty, **record)
    if as_json:
        print_json(told)
    else:
        when = f"next due {told['due']} ({told['why']})" if told["due"] else told["why"]
        click.echo(f"{told['title']}: logged for {told['logged']['on']}; {when}.")


@care.command()
@click.argument("duty", required=False)
@site_option
@json_option
def log(duty: str | None, site: Path | None, as_json: bool) -> None:
    """What was done, newest first."""
    told = at_desk(site).do("care-log", duty=duty)
    if as_json:
        print_json(told)
        return
    for one in told["log"]:
        by = one.get("tester") or one["who"]
        click.echo(f"{one['on']}  {one['duty']}  {one.get('result', 'done')}, {by}. {one['note']}".rstrip())
    if not told["log"]:
        click.echo("Nothing is logged yet.")


@care.command()
@click.argument("name", required=False)
@click.option("--kind", help="backflow, battery, filter or sensor.")
@click.option("--of", help="Which kind of these.")
@click.option("--place", help="Zone, supply or site.")
@click.option("--serial", help="Serial number.")
@click.option("--note", help="What is worth knowing.")
@click.option("--every-days", type=int, help="Days between two times, where the usual ones do not fit.")
@click.option("--retired/--in-use", default=None, help="It is gone; its log stays.")
@click.option("--version", type=int, help="The version you saw; without it, the newest.")
@who_option
@site_option
@json_option
def device(name: str | None, who: str, site: Path | None, as_json: bool, **fields: Any) -> None:
    """Every device, or register, change and retire NAME."""
    at = at_desk(site, who)
    told = at.do("care-devices") if name is None else {"devices": [at.do("care-device", device=name, **fields)]}
    if as_json:
        print_json(told)
        return
    for one in told["devices"]:
        facts = [one["of"], f"at {one['place']}", f"serial {one['serial']}" if one["serial"] else "", one["note"]]
        gone = "retired" if one["retired"] else one["rule"]
        click.echo(f"{one['device']}  {one['kind']}: {', '.join(fact for fact in facts if fact)}; {gone}")


@care.command()
@click.option("--last", "last_frost", help='Last frost of spring as MM-DD, or "none".')
@click.option("--first", "first_frost", help='First frost of autumn as MM-DD, or "none".')
@click.option("--season", type=click.Path(path_type=Path), help="Instead: a season folder whose daily lows are used.")
@click.option("--own-record", is_flag=True, help="Instead: what the site's own air temperature sensor has measured.")
@click.option("--source", help="Who says so.")
@who_option
@site_option
@json_option
def frost(
    last_frost: str | None,
    first_frost: str | None,
    season: Path | None,
    own_record: bool,
    source: str | None,
    who: str,
    site: Path | None,
    as_json: bool,
) -> None:
    """Enter the place's frost dates, by which start-up, audit and shut-down fall due."""
    from dewpond.cli.care_lows import of_own_record, of_season  # noqa: PLC0415

    at = at_desk(site, who)
    lows, name = of_season(season) if season is not None else of_own_record(at) if own_record else (None, None)
    told = at.do("care-climate", last_frost=last_frost, first_frost=first_frost, lows=lows, source=source or name)
    print_json(told) if as_json else click.echo(_frost(told))


@care.command()
@click.argument("job", required=False)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The page (HTML).")
@site_option
def sheet(job: str | None, out: Path, site: Path | None) -> None:
    """The calendar as a page to print, or with JOB its steps with boxes to tick."""
    from dewpond.upkeep.care.sheet import calendar_sheet, job_sheet  # noqa: PLC0415
    from dewpond.upkeep.care.steps import JOBS  # noqa: PLC0415

    at = at_desk(site)
    if job is not None and job not in JOBS:
        fail(f"no job {job!r}; they are {', '.join(JOBS)}")
    page = job_sheet(job, at.site) if job else calendar_sheet(at.do("care-calendar"), at.do("care-log")["log"])
    out.write_text(page, encoding="utf-8")
    click.echo(f"{out} is written; open it in a browser and print it.", err=True)


def _next(at: AtDesk) -> Plain:
    due: Plain | None = at.do("care-show")["next"]
    if due is None:
        fail("all steps are done; end it: dewpond care end")
    return due


def _at_machine(at: AtDesk, what: str) -> Plain:
    """The job, at the step the keeper has to do now; exits where another one comes first."""
    told = at.do("care-show")
    due = _next(at)
    if due["machine"] != what:
        fail(f"the next step is {due['step']} at {due['place']}: dewpond care next")
    if unread := [one["key"] for one in due["cautions"] if not one["ticked"]]:
        fail(f"cautions not ticked; read them by dewpond care next, then: dewpond care tick {' '.join(unread)}")
    return told


def _keeper(at: AtDesk, **body: Any) -> dict[str, Any]:
    from dewpond.adapters.keeper_locks import ask_keeper  # noqa: PLC0415

    try:
        return ask_keeper(at.service.keeper_socket, body)
    except OSError as silent:
        fail(f"{silent}. Take it that nothing is closed or opened by this.", 1)


def _frost(climate: Plain) -> str:
    if climate["last_frost"] is None:
        return f"No frost here: {climate['source']}."
    return f"Last frost {climate['last_frost']}, first frost {climate['first_frost']}: {climate['source']}."


def _calendar(told: Plain) -> None:
    click.echo(f"{told['site']}: calendar of care, {told['today']}. {_frost(told['climate'])}")
    for one in told["duties"]:
        last = f", last {one['last']}" if one["last"] else ""
        click.echo(f"{one['due'] or '-':10}  {one['state']:12}  {one['duty']}: {one['title']} ({one['why']}{last})")
        if one["state"] in ("due", "overdue", "soon") and one["how"]:
            click.echo(f"{'':26}{one['how']}")
    if told["job"]:
        click.echo(f"On now: {told['job']}. Go on with it: dewpond care next")


def _say(at: AtDesk, told: Plain, *, as_json: bool) -> None:
    if as_json:
        print_json(told)
        return
    if "reported" in told:
        body = told["reported"]
        click.echo(f"{body['step']} at {body['place']}: {body['result']}")
    due = told["next"]
    if due is None:
        state = "is done and logged" if told["done"] else "is broken off" if told["ended"] else "has all its steps"
        click.echo(f"{told['job']} {state}." + ("" if told["ended"] else " End it: dewpond care end"))
        return
    click.echo(f"Next, {told['outstanding_count']} to go: {due['title']} [{due['place']} {due['step']}]")
    for line in due["how"]:
        click.echo(f"  {in_units(line, at.site.units)}")
    for caution in due["cautions"]:
        if not caution["ticked"]:
            click.echo(f"  ! {caution['text']} [{caution['key']}; {caution['source']}]")
    unread = [one["key"] for one in due["cautions"] if not one["ticked"]]
    if unread:
        click.echo(f"  {due['last_word']} Tick them: dewpond care tick {' '.join(unread)}")
    asks = [f"--{name.replace('_', '-')}" for name in due["asks"]]
    words = {"open": "dewpond care sign", "close": "dewpond care close", "run": f"dewpond care run {due['place']}"}
    click.echo(f"  Done: {words.get(due['machine']) or ' '.join(['dewpond care note', *asks])}")
    if due["may_be_left_out"]:
        click.echo(f"  Else: dewpond care leave-out {due['place']} {due['step']} --why WHY")
