"""The door to the work on foot, by name of operation: plain JSON in and out, for terminal and pages alike.

``UpkeepDesk.do`` checks a form, keeps what it means as entries of the store, and answers with what a screen shows.
Nothing here opens a valve or changes a zone's numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import EntryRefused, UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import account_desk, audit_desk, register, register_csv, tasks, walk, walk_look, walk_show
from dewpond.upkeep.accounts.records import ReadRecords, nothing_kept
from dewpond.upkeep.care.desk import CareDesk
from dewpond.upkeep.commissioning.desk import CommissionDesk
from dewpond.upkeep.forms import legible, read_form
from dewpond.upkeep.handover.emergency import EmergencyDesk
from dewpond.upkeep.handover.record import HandoverDesk
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.technician.desk import TechnicianDesk
from dewpond.upkeep.walk import Walk
from dewpond.upkeep.walk_steps import STEPS, Step

Plain = dict[str, Any]
Usual = Callable[[str], UsualFlow | None]
Status = Callable[[], Mapping[str, Any] | None]
_NEVER = datetime.min.replace(tzinfo=UTC)  # of reading, which happens at no time
READING = frozenset(
    {
        "walk-show",
        "walks",
        "tasks",
        "register",
        "register-export",
        "audit-plan",
        "audits",
        "design-review",
        "technician-show",
        "technician-list",
        "commission-show",
        "handover-show",
        "emergency-show",
        "report",
        "week",
        "accounts",
        "care-calendar",
        "care-devices",
        "care-log",
        "care-show",
    }
)  # these change nothing


def no_usual(_zone: str) -> UsualFlow | None:
    """The usual flows of a site nobody has watched."""
    return None


def no_status() -> Mapping[str, Any] | None:
    """The picture where no daemon answers."""
    return None


class UpkeepDesk:
    """Register, walks and tasks of one site. ``usual`` gives a zone's usual flow, ``program`` the findings of (g).

    ``status`` is the daemon's picture as plain JSON, None where none answers; ``records`` is what the site did in a
    span of dates.
    """

    def __init__(
        self,
        site: Site,
        book: UpkeepBook,
        *,
        usual: Usual = no_usual,
        program: walk_look.Program | None = None,
        status: Status = no_status,
        records: ReadRecords = nothing_kept,
    ) -> None:
        self.site = site
        self.book = book
        self._usual = usual
        self._program = program
        self._zone = ZoneInfo(site.timezone)
        care = self.care = CareDesk(site, book)
        self._ops: Mapping[str, Callable[[Plain, str, datetime], Plain]] = {
            **self._trade(usual, status),
            "walk-begin": self._begin,
            "walk-show": self._show,
            "walk-tick": self._tick,
            "walk-look": self._look,
            "walk-leave-out": self._leave_out,
            "walk-end": self._end,
            "walks": self._walks,
            "tasks": self._tasks,
            "task-move": self._move,
            "register": self._register,
            "register-set": self._set,
            "register-export": self._export,
            "register-import": self._import,
            "audit-plan": lambda form, _who, _at: audit_desk.plan(self._named(form["zone"]), form),
            "audit-cups": lambda form, who, at: audit_desk.keep_cups(
                self.book, self._named(form["zone"]), form, who, at
            ),
            "audit-drip": lambda form, who, at: audit_desk.keep_drip(
                self.book, self._named(form["zone"]), form, who, at
            ),
            "audits": lambda form, _who, _at: audit_desk.history(self.book, self._named(form["zone"])),
            "report": lambda form, _who, at: account_desk.report(self.site, self.book, records, form, at),
            "week": lambda form, _who, at: account_desk.week(self.site, self._named(form["zone"]), records, form, at),
            "accounts": lambda _form, _who, _at: account_desk.entered(self.book),
            "tariff-set": lambda form, who, at: account_desk.keep_tariff(self.site, self.book, form, who, at),
            "bill-set": lambda form, who, at: account_desk.keep_bill(self.site, self.book, form, who, at),
            "bill-withdraw": lambda form, who, at: account_desk.withdraw_bill(self.book, form, who, at),
            "allowance-set": lambda form, who, at: account_desk.keep_allowance(self.site, self.book, form, who, at),
            "design-review": lambda form, _who, _at: audit_desk.review(self.site, form),
            "care-calendar": care.calendar,
            "care-climate": care.climate,
            "care-devices": care.devices,
            "care-device": care.device,
            "care-done": care.done,
            "care-log": care.log,
            "care-begin": care.begin,
            "care-show": care.show,
            "care-tick": care.tick,
            "care-report": care.report,
            "care-leave-out": care.leave_out,
            "care-end": care.end,
        }

    def _trade(self, usual: Usual, status: Status) -> Mapping[str, Callable[[Plain, str, datetime], Plain]]:
        """Technician's check, commissioning and handing over."""
        checks = TechnicianDesk(self.site, self.book, lambda zone: self.card(zone).heads, usual)
        proofs = CommissionDesk(self.site, self.book, usual)
        card = EmergencyDesk(self.site, self.book)
        handover = HandoverDesk(
            self.site,
            self.book,
            status,
            tasks=lambda: self._tasks({}, "", _NEVER)["tasks"],
            cards=lambda: self._register({}, "", _NEVER)["zones"],
            faults=checks.standing,
        )
        return {
            "technician-begin": checks.begin,
            "technician-show": checks.show,
            "technician-list": checks.list,
            "technician-tick": checks.tick,
            "technician-note": checks.note,
            "technician-end": checks.end,
            "commission-begin": proofs.begin,
            "commission-show": proofs.show,
            "commission-tick": proofs.tick,
            "commission-note": proofs.note,
            "commission-leave-out": proofs.leave_out,
            "commission-sign": proofs.sign,
            "handover-show": handover.show,
            "handover-keep": handover.keep,
            "emergency-show": card.show,
            "emergency-set": card.set,
        }

    def do(self, op: str, plain: Mapping[str, Any], *, who: str, at: datetime) -> Plain:
        """Carry out one operation at ``at`` (aware). Raises Refused, and Overtaken when somebody else was first."""
        form = read_form(op, plain)
        if not who.strip() and op not in READING:
            raise Refused(f"{op}: nobody is named; who did it goes into the record")
        if not legible(who):
            raise Refused(f"{op}: the name has characters that no page can show; type it anew")
        try:
            return self._ops[op](form, who.strip(), at)
        except EntryRefused as refused:
            raise Refused(str(refused)) from refused

    def current(self, name: str | None = None) -> Walk:
        """The walk of this name, or the newest one that has not ended. Raises Refused where there is none."""
        if name:
            entry = self.book.newest(walk.KIND, name)
            if entry is None:
                raise Refused(f"no walk {name!r} here; `dewpond walk list` names them")
            return self._whole(entry)
        entries = [entry for entry in self._by_time() if not entry.body["ended"]]
        if not entries:
            raise Refused("no walk is on; begin one with `dewpond walk begin`")
        return self._whole(entries[-1])

    def card(self, zone: Zone) -> register.ZoneCard:
        """A zone's card of the register."""
        return register.card_of(zone, self.book.newest(register.KIND, zone.id))

    def cards(self) -> dict[str, register.ZoneCard]:
        """Every zone's card, by zone id."""
        return {card.zone: card for card in register.cards(self.site, self.book.all_newest(register.KIND))}

    def _by_time(self) -> list[UpkeepEntry]:
        """Every walk, oldest first, by its first entry's time."""
        entries = self.book.all_newest(walk.KIND)
        return sorted(entries, key=lambda entry: entry.body["began"])

    def _whole(self, entry: UpkeepEntry) -> Walk:
        looks = self.book.all_newest(walk.LOOK, f"{entry.subject}/")
        return walk.walk_from(entry, looks, self.book.all_newest(walk.TICKS, f"{entry.subject}/"))

    def _begin(self, form: Plain, who: str, at: datetime) -> Plain:
        open_now = [entry.subject for entry in self._by_time() if not entry.body["ended"]]
        if open_now:
            raise Refused(f"the walk {open_now[-1]} is still on; go on with it, or end it first")
        before = [entry.subject for entry in self._by_time()]
        day = f"{at.astimezone(self._zone):%Y-%m-%d}"
        entry = walk.begun(self.site, before, form.get("zones", ()), day=day, who=who, at=at)
        self.book.keep(entry)
        return self._shown(self._whole(entry))

    def _show(self, form: Plain, _who: str, _at: datetime) -> Plain:
        return self._shown(self.current(form.get("walk")))

    def _tick(self, form: Plain, who: str, at: datetime) -> Plain:
        now = self.current(form.get("walk"))
        self.book.keep(walk.ticks(self.site, now, _step(form), form["keys"], who=who, at=at))
        return self._shown(self.current(now.id))

    def _look(self, form: Plain, who: str, at: datetime) -> Plain:
        now, step, place = self.current(form.get("walk")), _step(form), form["place"]
        fault = walk.report_fault(self.site, now, step, place)
        if fault:
            raise Refused(fault)
        zone, supply = walk.zone_and_supply(self.site, place)
        card = self.card(zone) if zone is not None else None
        usual = self._usual(zone.id) if zone is not None and step.key == "run" else None
        given = walk_look.Given(
            step=step, place=place, zone=zone, supply=supply, card=card, usual=usual, program=self._program
        )
        result = walk_look.result_of(given, form)
        entry = walk.look(now, step, place, result, who=who, at=at, made_from=form.get("version"))
        changed = walk_look.tasks_of(now, entry, self.book.all_newest(tasks.KIND, f"{place}/"), who=who, at=at)
        self.book.keep(entry, *changed)
        shown = self._shown(self.current(now.id))
        touched = [one.subject for one in changed]
        return {**shown, "look": dict(entry.body), "version": entry.version, "touched": touched}

    def _leave_out(self, form: Plain, who: str, at: datetime) -> Plain:
        now, step, place = self.current(form.get("walk")), _step(form), form["place"]
        if (step.key, place) not in [(one.key, where) for one, where in walk.order(self.site, now)]:
            raise Refused(walk.report_fault(self.site, now, step, place))
        result = {"result": walk.LEFT_OUT, "why": form["why"]}
        entry = walk.look(now, step, place, result, who=who, at=at, made_from=form.get("version"))
        self.book.keep(entry)
        return self._shown(self.current(now.id))

    def _end(self, form: Plain, who: str, at: datetime) -> Plain:
        now = self.current(form.get("walk"))
        self.book.keep(walk.ended(self.site, now, form.get("note", ""), who=who, at=at))
        return self._shown(self.current(now.id))

    def _walks(self, _form: Plain, _who: str, _at: datetime) -> Plain:
        return {"walks": [walk_show.summary(self.site, self._whole(entry)) for entry in self._by_time()]}

    def _shown(self, now: Walk) -> Plain:
        earlier = [entry for entry in self._by_time() if entry.body["began"] < now.entry.body["began"]]
        before = self._whole(earlier[-1]) if earlier else None
        return walk_show.shown(self.site, now, before, self.cards(), self.book.all_newest(tasks.KIND))

    def _tasks(self, form: Plain, _who: str, _at: datetime) -> Plain:
        found = tasks.by_urgency(list(self.book.all_newest(tasks.KIND)))
        wanted = [one for one in found if form.get("all") or one.body["state"] in tasks.STANDING]
        return {"tasks": self._told(wanted)}

    def _told(self, found: Sequence[UpkeepEntry]) -> list[Plain]:
        """Tasks with the causes that the walk each was last seen on speaks for."""
        names = {one.body["seen"][-1]["walk"] for one in found if one.body["seen"]}
        walks = {name: self.current(name) for name in names}
        cards = self.cards()
        told = []
        for one in found:
            seen, place = one.body["seen"], one.body["place"]
            last = walks[seen[-1]["walk"]] if seen else None
            told.append(walk_show.task_shown(one, last, walk.zone_and_supply(self.site, place)[0], cards.get(place)))
        return told

    def _move(self, form: Plain, who: str, at: datetime) -> Plain:
        task = self.book.newest(tasks.KIND, form["task"])
        if task is None:
            raise Refused(f"no task {form['task']!r} here; `dewpond tasks` names them")
        entry = tasks.moved(task, form["state"], form.get("why", ""), who=who, at=at, made_from=form.get("version"))
        self.book.keep(entry)
        return self._told([entry])[0]

    def _register(self, form: Plain, _who: str, _at: datetime) -> Plain:
        name, cards = form.get("zone"), self.cards()
        chosen = [self._named(name)] if name else list(self.site.zones)
        return {"site": self.site.name, "zones": [walk_show.card_shown(cards[zone.id], zone) for zone in chosen]}

    def _set(self, form: Plain, who: str, at: datetime) -> Plain:
        zone = self._named(form["zone"])
        card = register.changed(self.card(zone), self.site, form["changes"])
        self._keep_cards([card], form.get("version", card.version), who, at)
        return walk_show.card_shown(self.card(zone), zone)

    def _export(self, _form: Plain, _who: str, _at: datetime) -> Plain:
        return {"csv": register_csv.write_csv(list(self.cards().values()), self.site)}

    def _import(self, form: Plain, who: str, at: datetime) -> Plain:
        cards = register_csv.read_csv(form["csv"], list(self.cards().values()), self.site, self._as_it_was)
        self._keep_cards(cards, None, who, at)
        return {"changed": [card.zone for card in cards]}

    def _as_it_was(self, zone: str, version: int) -> register.ZoneCard | None:
        if version == 0:
            return register.card_of(self._named(zone))
        entries = self.book.history(register.KIND, zone)
        return register.card_of(self._named(zone), entries[version - 1]) if version <= len(entries) else None

    def _keep_cards(self, cards: list[register.ZoneCard], version: int | None, who: str, at: datetime) -> None:
        self.book.keep(
            *(
                next_entry(
                    register.KIND,
                    card.zone,
                    register.body_of(card),
                    who=who,
                    at=at,
                    made_from=card.version if version is None else version,
                )
                for card in cards
            )
        )

    def _named(self, name: str) -> Zone:
        for zone in self.site.zones:
            if zone.id == name:
                return zone
        raise Refused(f"no zone {name!r} here; zones are {', '.join(zone.id for zone in self.site.zones)}")


def _step(form: Plain) -> Step:
    step = STEPS.get(form["step"])
    if step is None:
        raise Refused(f"no step {form['step']!r}; steps are {', '.join(STEPS)}")
    return step
