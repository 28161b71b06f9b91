"""How the commands of the work on foot reach their desk: site, store, person and time, refusals in one line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import FAULTS, fail, person, service_of

if TYPE_CHECKING:
    from dewpond.model.site import Site
    from dewpond.settings.values import ServiceSettings
    from dewpond.upkeep.desk import UpkeepDesk

Plain = dict[str, Any]
who_option = click.option("--who", "--by", "who", default=person, help="Your name; this account's when not given.")


@dataclass(frozen=True, slots=True)
class AtDesk:
    """The desk of one site, and who asks."""

    site: Site
    service: ServiceSettings
    desk: UpkeepDesk
    who: str

    def do(self, op: str, **fields: Any) -> Plain:
        """One operation; exits with one line where it is refused, and with 1 where somebody else was first."""
        from dewpond.adapters.store.tables import StoreUnusable  # noqa: PLC0415
        from dewpond.bootstrap import Refused as CannotStart  # noqa: PLC0415
        from dewpond.model.upkeep import Overtaken  # noqa: PLC0415
        from dewpond.upkeep.refusal import Refused  # noqa: PLC0415

        given = {name: value for name, value in fields.items() if value not in (None, "")}
        try:
            return self.desk.do(op, given, who=self.who, at=SystemClock().now().wall)
        except Refused as refused:
            fail(str(refused))
        except (Overtaken, StoreUnusable, CannotStart) as fault:
            fail(str(fault), FAULTS)

    def status(self) -> Plain | None:
        """The daemon's picture, None without one."""
        try:
            body: Plain = OperatorClient(self.service.operator_socket).call("status")["body"]
        except NotReachable:
            return None
        return body


def at_desk(path: Path | None, who: str = "") -> AtDesk:
    """The desk of a site file; exits with one line where there is none or it has errors."""
    from dewpond.bootstrap import Refused, upkeep_desk, usual_flows  # noqa: PLC0415
    from dewpond.settings.site_file import load_site  # noqa: PLC0415
    from dewpond.upkeep.program_look import program_findings  # noqa: PLC0415

    service = service_of(path)
    if service.site is None:
        fail("no site file is named; give --site, or set DEWPOND_SITE")
    loaded = load_site(service.site)
    if loaded.site is None:
        fail("\n".join(problem.sentence() for problem in loaded.errors))
    site = loaded.site
    overruns = [problem.said for problem in loaded.findings if problem.key == "window" or "ET a day" in problem.said]

    def program() -> Any:
        return program_findings(site, found.status(), overruns)

    def status() -> Plain | None:
        return found.status()

    ask: Callable[[], Any] = program
    try:
        desk = upkeep_desk(site, service, usual_flows(site, service, SystemClock().now()), ask, status)
    except Refused as refused:
        fail(str(refused))
    found = AtDesk(site, service, desk, who)
    return found
