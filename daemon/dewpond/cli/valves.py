"""``dewpond valves``: click each relay for a second, with the water off, and listen at the valve boxes."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

import click

from dewpond.adapters.keeper_locks import ask_keeper
from dewpond.adapters.keeper_stop import close_after_test
from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.cli.answers import FAULTS, fail, json_option, person, print_json, service_of
from dewpond.model.site import Site
from dewpond.settings.values import ServiceSettings

CLICK_S, LOOK_S, LOOKS = 1.1, 0.5, 10  # the keeper itself ends a click after a second
PRESSURE_SEEN_KPA = 20.0  # what two metres of standing water leave on a gauge; common practice, no source
CAUTION = (
    "Shut the supply at its hand valve and let the pressure out first. Nobody may work at an open box or at the wires "
    "meanwhile. Listen at each valve: one click on, one click off."
)


@dataclass(frozen=True, slots=True)
class Click:
    """One output to be clicked, and what hangs on it."""

    output: int
    label: str
    supply: str


@click.command()
@click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--supply-off", is_flag=True, help="Confirm: the supply is shut by hand and the pressure is let out.")
@click.option("--zone", "zones", multiple=True, help="Only this zone's valve; may be given again.")
@json_option
def valves(site: Path, supply_off: bool, zones: tuple[str, ...], as_json: bool) -> None:
    """Click every valve of SITE for a second each, master valves first, and close everything at the end.

    Refused without --supply-off, while pressure or flow is seen, and at supplies with a pump.
    """
    click.echo(CAUTION, err=True)
    if not supply_off:
        fail("is the water off? shut the supply by hand, let the pressure out, then add --supply-off", FAULTS)
    service, described = service_of(site), _described(site)
    clicks = _clicks(described, zones)
    _refuse_water(service, described, {item.supply for item in clicks})
    results = _click_all(service, clicks)
    if as_json:
        print_json({"clicked": results})
    if any(item["why"] for item in results):
        fail("Not every relay obeyed; see above.", FAULTS)
    if not as_json:
        click.echo(f"{len(results)} relays clicked, everything is closed again.")


def _described(site: Path) -> Site:
    from dewpond.settings.site_file import load_site  # noqa: PLC0415 - nothing else here needs this weight

    found = load_site(site).site
    if found is None:
        fail(f"{site.name} has errors; see dewpond check {site.name}")
    return found


def _clicks(site: Site, zones: tuple[str, ...]) -> list[Click]:
    """What to click, in order. A pump is never started for a test, nor a valve opened that its pump could feed."""
    known = {zone.id: zone for zone in site.zones}
    unknown = sorted(set(zones) - known.keys())
    if unknown:
        fail(f"no zone {unknown[0]!r} here; zones are {', '.join(sorted(known))}")
    wanted = [known[zone] for zone in zones] or list(site.zones)
    found = [
        Click(supply.master_output, f"master valve of {supply.id}", supply.id)
        for supply in site.supplies
        if supply.master_output is not None and not zones
    ]
    found += [Click(zone.output, zone.name, zone.supply) for zone in wanted]
    pumped = {supply.id for supply in site.supplies if supply.pump is not None}
    for item in found:
        if item.supply in pumped:
            fail(
                f"{item.label} lies behind the pump of {item.supply}; valves behind a pump are tested by a qualified "
                "person with the pump's isolator locked off, never from here",
                FAULTS,
            )
    return found


def _refuse_water(service: ServiceSettings, site: Site, supplies: set[str]) -> None:
    """Exit where the daemon sees pressure or flow, where something is open, or where nobody can look at the sensors."""
    sighted = any(supply.meter or supply.pressure for supply in site.supplies if supply.id in supplies)
    try:
        seen = OperatorClient(service.operator_socket).call("status")["body"]
    except NotReachable as missing:
        if sighted:
            fail(f"{missing} Without it nobody looks at meter and gauge, so nothing is clicked.", FAULTS)
        return
    for supply in seen["supplies"]:
        if supply["id"] not in supplies:
            continue
        pressure_kpa, flow_l_min = supply["pressure_kpa"], supply["flow_l_min"]
        if pressure_kpa is not None and pressure_kpa > PRESSURE_SEEN_KPA:
            fail(
                f"{supply['id']} is at {pressure_kpa:.0f} kPa by its sensor, above {PRESSURE_SEEN_KPA:.0f}; shut the "
                "supply, let the pressure out, and wait for the next reading",
                FAULTS,
            )
        if flow_l_min is not None and flow_l_min > 0.0:
            fail(f"{supply['id']} passes {flow_l_min:.1f} L/min; shut it and wait for the next reading", FAULTS)
    for zone in seen["zones"]:
        if zone["valve"] not in ("closed", "unknown"):
            fail(f"{zone['name']} is {zone['valve']}; stop it first", FAULTS)


def _click_all(service: ServiceSettings, clicks: list[Click]) -> list[dict[str, object]]:
    """Click one after the other, whatever single ones say, and close everything at the end, come what may."""
    results: list[dict[str, object]] = []
    try:
        for item in clicks:
            why = _click(service, item.output)
            results.append({"output": item.output, "what": item.label, "why": why})
            click.echo(f"output {item.output}, {item.label}: {why or 'clicked'}", err=True)
    except OSError as silent:
        fail(f"{silent}; look at the valves", FAULTS)
    finally:
        _close_everything(service)
    return results


def _click(service: ServiceSettings, output: int) -> str:
    """Have one relay clicked and wait until it is off again; what went wrong, or ""."""
    answer = ask_keeper(service.keeper_socket, {"op": "click", "output": output})
    if not answer["ok"]:
        return str(answer["why"])
    pause = threading.Event()
    for wait_s in (CLICK_S, *[LOOK_S] * LOOKS):
        pause.wait(wait_s)
        seen = ask_keeper(service.keeper_socket, {"op": "status"})
        if not seen["outputs"]:
            return str(seen["alarm"])
    return "it does not go off again; look at the valve"


def _close_everything(service: ServiceSettings) -> None:
    try:
        close_after_test(service.keeper_socket, person())
    except OSError as silent:
        click.echo(f"{silent}; look at the valves", err=True)
