"""A board over hand-written fakes, and an invented site for it to show: Withy Hollow."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest

from dewpond.board.app import create_app
from dewpond.board.people import People
from dewpond.board.sources import BoardOptions, Sources
from dewpond.model.commands import RecordDay, RecordPlan, RecordRun
from dewpond.model.events import Now
from dewpond.model.reasons import Input, ZoneReason
from dewpond.model.view import AlarmView, OpeningView, SensorView, SiteView, SupplyView, ZoneView
from dewpond.ports import OperatorReply

AT = datetime(2027, 7, 15, 2, 12, tzinfo=UTC)  # 22:12 on 14 July at the site
NIGHT = date(2027, 7, 14)
BASE = "http://127.0.0.1:8377"
TURF = {"raw_mm": 11.2, "taw_mm": 22.4}


def reason(
    zone: str, decision: str, *, night: date = NIGHT, missing_mm: float = 9.6, net_mm: float = 0.0
) -> ZoneReason:
    summaries = {
        "water": f"Watered {net_mm:.1f} mm (21 min in 2 openings with soaking rests): {missing_mm:.1f} mm are missing, "
        "and 5.1 mm more by the next chance would pass the 11.2 mm that roots take easily.",
        "left dry": f"Left dry: {missing_mm:.1f} mm are missing and 4.1 mm more are expected by the next chance; roots "
        "take 11.2 mm easily, so it can wait and leave room for rain.",
        "held": "Held until 2027-07-16 06:00 by owner: lawn party; 8.0 mm are missing.",
        "not allowed": "Needs water, but overhead watering is allowed on even days only; 12.1 mm are missing.",
    }
    return ZoneReason(
        zone=zone,
        window_date=night,
        decided_at=datetime(night.year, night.month, night.day, 20, 5, tzinfo=UTC),
        decision=decision,
        rule="refill",
        summary=summaries[decision],
        depletion_mm=missing_mm,
        depletion_sd_mm=0.8,
        depletion_after_mm=max(0.0, missing_mm - net_mm),
        raw_mm=11.2,
        taw_mm=22.4,
        net_mm=net_mm,
        gross_mm=net_mm / 0.77,
        seconds=net_mm / 0.77 / 37 * 3600,
        inputs=(
            Input(name="expected reference ET", value=5.1, unit="mm/d", source="mean of the last week"),
            Input(
                name="reference ET of 2027-07-13",
                value=5.4,
                unit="mm",
                source="FAO-56 equation 6",
                known_at=datetime(2027, 7, 14, 4, 0, tzinfo=UTC),
            ),
            Input(name="rain of 2027-07-13", value=0.0, unit="mm", source="measured"),
        ),
        limits=("Split so that water soaks in and does not run off.",) if decision == "water" else (),
        would_change="6.3 mm of useful rain before the window would leave it dry.",
    )


def zone_view(id_: str, name: str, output: int, **changes: Any) -> ZoneView:
    usual = ZoneView(
        id=id_,
        name=name,
        supply="main",
        output=output,
        valve="closed",
        opened_at=None,
        until=None,
        asked_by="",
        depletion_mm=5.0,
        depletion_sd_mm=0.6,
        raw_mm=11.2,
        taw_mm=22.4,
        flow_l_min=44.4,
        held="",
        last_run_end=AT - timedelta(days=2),
        last_run_mm=9.8,
        week_litres=1840.0,
        reason=reason(id_, "left dry", missing_mm=5.0),
    )
    return replace(usual, **changes)


def opening(zone: str, minutes_after: float, minutes: float, **changes: Any) -> OpeningView:
    usual = OpeningView(
        zone=zone,
        supply="main",
        start=datetime(2027, 7, 15, 1, 0, tzinfo=UTC) + timedelta(minutes=minutes_after),
        seconds=minutes * 60,
        gross_mm=minutes * 37 / 60,
        flow_l_min=44.4,
        source="refill",
        state="planned",
    )
    return replace(usual, **changes)


def withy_hollow(**changes: Any) -> SiteView:
    zones = (
        zone_view(
            "north-lawn",
            "North lawn",
            1,
            valve="open",
            opened_at=AT - timedelta(minutes=7),
            until=AT + timedelta(minutes=9),
            asked_by="refill",
            depletion_mm=9.6,
            reason=reason("north-lawn", "water", net_mm=9.6),
        ),
        zone_view(
            "south-lawn",
            "South lawn",
            2,
            depletion_mm=12.1,
            reason=reason("south-lawn", "not allowed", missing_mm=12.1),
        ),
        zone_view("rose-bed", "Rose bed", 3, supply="well", flow_l_min=7.5, raw_mm=24.0, taw_mm=48.0, depletion_mm=8.2),
        zone_view(
            "herb-terrace", "Herb terrace", 4, supply="well", flow_l_min=4.0, held="lawn party until Fri 16 Jul, 06:00"
        ),
        zone_view(
            "orchard",
            "Orchard drip",
            5,
            supply="well",
            flow_l_min=16.0,
            raw_mm=60.0,
            taw_mm=120.0,
            depletion_mm=41.0,
            reason=reason("orchard", "water", missing_mm=41.0, net_mm=18.0),
        ),
        zone_view("new-hedge", "New hedge", 6, depletion_mm=math.nan, reason=None, last_run_end=None, last_run_mm=None),
    )
    supplies = (
        SupplyView(
            id="main",
            capacity_l_min=60.0,
            expected_l_min=44.4,
            flow_l_min=46.1,
            flow_at=AT,
            pressure_kpa=312.0,
            pressure_at=AT,
            watching="watching",
        ),
        SupplyView(
            id="well",
            capacity_l_min=None,
            expected_l_min=0.0,
            flow_l_min=None,
            flow_at=None,
            pressure_kpa=None,
            pressure_at=None,
            watching="no meter on this supply",
        ),
    )
    openings = (
        opening("north-lawn", 0, 16, state="done"),
        opening("north-lawn", 65, 16, state="running"),
        opening("new-hedge", 30, 12, flow_l_min=12.0, state="shortened", note="stopped by owner"),
        opening("south-lawn", 180, 20, state="dropped", note="overhead watering on even days only"),
        opening("orchard", 120, 150, supply="well", flow_l_min=16.0, gross_mm=18.0),
        opening("rose-bed", 200, 45, supply="well", flow_l_min=7.5, gross_mm=6.0, source="Front beds"),
        opening("north-lawn", 420, 16),
    )
    view = SiteView(
        at=AT,
        name="Withy Hollow",
        slug="withy-hollow",
        timezone="America/New_York",
        units="metric",
        broker="connected",
        keeper="ready",
        clock_trusted=True,
        hold_until=None,
        hold_reason="",
        window_date=NIGHT,
        window_opens=datetime(2027, 7, 15, 1, 0, tzinfo=UTC),
        window_closes=datetime(2027, 7, 15, 10, 0, tzinfo=UTC),
        next_planning=datetime(2027, 7, 15, 20, 0, tzinfo=UTC),
        zones=zones,
        supplies=supplies,
        sensors=(
            SensorView(id="main-meter", kind="flow", value=46.1, unit="L/min", at=AT, fresh=True, rejected=0),
            SensorView(
                id="yard-rain", kind="rain", value=0.4, unit="mm", at=AT - timedelta(hours=9), fresh=False, rejected=3
            ),
            SensorView(id="shed-air", kind="temperature", value=21.4, unit="degC", at=None, fresh=False, rejected=0),
        ),
        openings=openings,
        alarms=(
            AlarmView(
                key="high_flow/rose-bed",
                since=AT - timedelta(hours=20),
                kind="high_flow",
                zone="rose-bed",
                sentence="Rose bed takes twice its usual water",
            ),
        ),
    )
    return replace(view, **changes)


def season(zone: str, last: date, count: int = 42) -> list[RecordDay]:
    """A plausible run of days, by a plain balance with invented weather."""
    rows, missing = [], 4.0
    for back in range(count - 1, -1, -1):
        day = last - timedelta(days=back)
        n = day.toordinal()
        etc = 3.2 + 1.8 * math.sin(n / 5.0) ** 2
        rain = 14.0 if n % 11 == 0 else (3.5 if n % 7 == 0 else 0.0)
        water = missing if missing + etc > 11.2 else 0.0
        useful = min(0.8 * rain, max(0.0, missing + etc - water))
        missing = max(0.0, missing + etc - water - useful)
        rows.append(
            RecordDay(
                date=day,
                zone=zone,
                eto_mm=etc / 0.8,
                etc_mm=etc,
                rain_mm=rain,
                effective_rain_mm=useful,
                net_irrigation_mm=water,
                runoff_mm=0.0,
                drainage_mm=0.0,
                depletion_mm=missing,
                reason="Watered by need" if water else "Left dry",
                belief_mm=missing,
                belief_sd_mm=0.7,
                correction_mm=0.0,
                eto_method="FAO-56 equation 6",
                **TURF,
            )
        )
    return rows


@dataclass
class FakeClock:
    """A clock that stands until it is pushed."""

    wall: datetime = AT
    elapsed_s: float = 100.0

    def now(self) -> Now:
        return Now(wall=self.wall, elapsed_s=self.elapsed_s)

    def push(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.elapsed_s += seconds


@dataclass
class FakeDesk:
    shown: SiteView | None = field(default_factory=withy_hollow)
    reply: OperatorReply = field(
        default_factory=lambda: OperatorReply(accepted=True, text="North lawn is watered for 5 min.")
    )
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    def view(self) -> SiteView | None:
        return self.shown

    def ask(self, action: str, who: str, **what: Any) -> OperatorReply:
        self.asked.append((action, who, {key: value for key, value in what.items() if value not in (None, "")}))
        return self.reply


@dataclass(frozen=True)
class FakeAlarm:
    key: str = "no_flow/orchard"
    raised_at: datetime = AT - timedelta(days=5)
    cleared_at: datetime | None = AT - timedelta(days=4)
    kind: str = "no_flow"
    zone: str | None = "orchard"
    detail: str = "No water reached Orchard drip"


class FakeHistory:
    """Records of one season. ``fault`` is raised instead of any answer."""

    def __init__(self) -> None:
        self.fault: Exception | None = None

    def _look(self) -> None:
        if self.fault is not None:
            raise self.fault

    def days(self, zone: str | None, first: date, last: date) -> list[RecordDay]:
        self._look()
        return [row for row in season(zone or "north-lawn", last) if row.date >= first]

    def runs(self, first_utc: datetime, last_utc: datetime, zone: str | None = None) -> list[RecordRun]:
        self._look()
        starts = [AT - timedelta(days=back, hours=1) for back in (8, 5, 2)]
        return [
            RecordRun(
                run_id=f"{start:%Y-%m-%d}/{zone}",
                zone=zone or "north-lawn",
                start=start,
                end=start + timedelta(minutes=16),
                seconds=960.0,
                gross_mm=9.87,
                litres=710.0,
                cause="refill: 9.6 mm missing",
                metered_litres=702.0 if start.day % 2 else None,
            )
            for start in starts
            if first_utc <= start < last_utc
        ]

    def reasons(self, zone: str | None, first: date, last: date) -> list[ZoneReason]:
        self._look()
        nights = [last - timedelta(days=back) for back in range((last - first).days + 1)]
        return [
            reason(
                zone or "north-lawn",
                "water" if n.day % 3 == 0 else "left dry",
                night=n,
                net_mm=9.6 if n.day % 3 == 0 else 0.0,
            )
            for n in nights
        ]

    def plan(self, window_date: date) -> list[RecordPlan]:
        self._look()
        return [
            RecordPlan(
                zone="north-lawn",
                source="refill",
                window_date=window_date,
                start_no=1,
                start=AT,
                seconds=960.0,
                gross_mm=9.9,
                state="done",
            )
        ]

    def alarms(self, open_only: bool) -> list[FakeAlarm]:
        self._look()
        return [] if open_only else [FakeAlarm()]


class Keeper:
    """Stands for the way from the board straight to the keeper."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.fault: OSError | None = None

    def stop_now(self, who: str) -> str:
        if self.fault is not None:
            raise self.fault
        self.told.append(who)
        return "Every valve is closed."


class Page(HTMLParser):
    """An HTML page taken apart: ids, addresses, forms, and whatever a strict reader would object to."""

    VOID = frozenset({"meta", "link", "input", "br", "img", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.forms: list[dict[str, Any]] = []
        self.faults: list[str] = []
        self.text = text
        self._open: list[str] = []
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag in self._open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.faults += [f"<{tag} {name}> is inline code" for name in found if name == "style" or name.startswith("on")]
        if tag == "style" or (tag == "script" and not found.get("src")):
            self.faults.append(f"<{tag}> is inline code")
        if "id" in found:
            self.ids.append(found["id"])
        self.addresses += [found[name] for name in ("href", "src") if name in found]
        if tag == "form":
            self.forms.append({"action": found["action"], "method": found["method"], "fields": {}})
        if tag in ("input", "button") and self.forms:
            self.forms[-1]["fields"][found.get("name", "")] = found

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")


class Browser:
    """An HTTP client in front of the application, with its own loop; keeps cookies, follows no redirect by itself."""

    def __init__(self, app: Any, people: People) -> None:
        self.app, self.people = app, people
        self._runner = asyncio.Runner()
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False, client=("127.0.0.1", 40000))
        self._client = httpx.AsyncClient(transport=transport, base_url=BASE)

    def __call__(self, method: str, path: str, **what: Any) -> httpx.Response:
        return self._runner.run(self._client.request(method, path, **what))

    def get(self, path: str, **what: Any) -> httpx.Response:
        return self("GET", path, **what)

    def post(self, path: str, **what: Any) -> httpx.Response:
        return self("POST", path, **what)

    def run(self, work: Any) -> Any:
        return self._runner.run(work)

    def sign_in(self) -> None:
        assert self.post("/sign-in", data={"code": self.people.code()}).status_code == 303

    @property
    def cookie(self) -> str:
        return self._client.cookies["dewpond_8377"]

    @property
    def token(self) -> str:
        """The form token of the session in the cookie jar."""
        person = self.people.person(self.cookie)
        assert person is not None
        return person.token

    def form(self, path: str, **fields: str) -> httpx.Response:
        return self.post(path, data={"token": self.token, **fields})

    def close(self) -> None:
        self._runner.run(self._client.aclose())
        self._runner.close()


@dataclass
class Board:
    """One board under test, with everything behind it within reach."""

    browser: Browser
    desk: FakeDesk
    history: FakeHistory
    keeper: Keeper
    clock: FakeClock
    people: People

    @property
    def room(self) -> Any:
        return self.browser.app.state.room

    def show(self, **changes: Any) -> SiteView:
        """Publish another picture of the site."""
        self.desk.shown = withy_hollow(**changes)
        return self.desk.shown

    def page(self, path: str, **what: Any) -> Page:
        """A page, taken apart."""
        return Page(self.browser.get(path, **what).text)


def build_board(state_dir: Path, **options: Any) -> Board:
    desk, history, keeper, clock = FakeDesk(), FakeHistory(), Keeper(), FakeClock()
    people = People(state_dir, clock.now)
    sources = Sources(desk=desk, history=history, stop_now=keeper.stop_now, people=people, now=clock.now)
    app = create_app(sources, BoardOptions(version="0.1.0", **options))
    return Board(Browser(app, people), desk, history, keeper, clock, people)


@pytest.fixture(scope="session")
def build() -> Callable[..., Board]:
    """Makes a board in a folder; whoever calls it closes its browser."""
    return build_board


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    """A board as a site runs it: reading needs a session too."""
    built = build_board(tmp_path)
    yield built
    built.browser.close()


@pytest.fixture
def boards(tmp_path: Path) -> Iterator[Callable[..., Board]]:
    """Boards with options of the test's own."""
    built: list[Board] = []

    def make(**options: Any) -> Board:
        built.append(build_board(tmp_path / str(len(built)), **options))
        return built[-1]

    yield make
    for one in built:
        one.browser.close()


@pytest.fixture
def open_board(tmp_path: Path) -> Iterator[Board]:
    """A board as the demo runs it: reading is open."""
    built = build_board(tmp_path, open_reading=True)
    yield built
    built.browser.close()
