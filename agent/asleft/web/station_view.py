"""What the pages about a station tell, put together from what the desk knows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.concessions import local_day
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.hearing import CAUTION
from asleft.domain.loans import Loan, LoanState
from asleft.domain.orders import ENDS
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.drawn.life import Moment, TimeLine, life_of, time_line
from asleft.drawn.scale import Scale, scale_of
from asleft.ports.records import Entry
from asleft.web.adopting import Adopting, adopting_of, layers_of
from asleft.web.alarm_marks import mark_of
from asleft.web.asking import Frozen, May, Wrong, frozen_at
from asleft.web.exchanged import Exchanged, exchanged_at
from asleft.web.order_calls import halted_at
from asleft.web.sources import Source
from asleft.work.acts import IDENTIFY
from asleft.work.alarms.desk import Board
from asleft.work.order_desk import OrderView
from asleft.work.questions import Row, RowState, StationView, WhyView

__all__ = ["Difference", "Given", "SettingPage", "StationPage", "view_of"]

_LAMP: Final = (10, 30, 60)
"""Seconds for which the lamp may be asked for here."""
_WORST: Final = tuple(Priority)


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """One thing that is not as left.

    Args:
        name: Dotted name of the setting, or the kind of drift.
        meaning: What it is.
        as_left: The approved value.
        as_found: The found value.
        what: What drifted, in words.
        since: Since when.
        priority: How soon somebody should act.
        mark: What it is shown as: its priority, or `shelved` where its alarm calls nobody.
        words: Words beside that in place of the usual ones.
        state: State of its alarm, where its mark does not say that; `no alarm yet` where it is none.
        to: Path of its alarm; empty where it is none yet.
        scale: A drawing of it; None where there are no numbers.
        source: Where the approved value comes from; None where no layer says it.
        concern: Why it matters, in one word.
        is_setting: Whether it is a setting.
        adopting: Whether its found value can be approved; None where nothing is known of it.
    """

    name: str
    meaning: str
    as_left: str
    as_found: str
    what: str
    since: datetime
    priority: Priority
    mark: str
    words: str
    state: str
    to: str
    scale: Scale | None
    source: Source | None
    concern: Concern
    is_setting: bool
    adopting: Adopting | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """A concession for this station."""

    key: str
    setting: str
    value: str
    holder: str
    reason: str
    until: date
    ended: bool
    where: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Lent:
    """Something lent here, or asked for."""

    id: str
    meaning: str
    shown: str
    to: str
    ends: datetime
    overdue: bool
    asked: bool
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Given:
    """What was typed into a form that was not taken.

    Args:
        reason: The reason.
        layer: The layer.
        settings: The settings that were ticked; None where none were asked.
        cannot_wait: Why it cannot wait.
        serial: Serial of a new unit.
    """

    reason: str = ""
    layer: str = "station"
    settings: tuple[str, ...] | None = None
    cannot_wait: str = ""
    serial: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class StationPage:
    """All that the page tells of a station.

    Args:
        site: Its site.
        name: Its name there.
        title: The site as a person reads it.
        zone: The site's time zone.
        role: Its role; empty where it has none.
        model: What its model is.
        serial: Approved serial; empty where none is.
        address: Approved address.
        found: What was read last, and when; None where nothing ever was.
        mark: `unknown` where how it is now is not known; else empty.
        words: How it was found, in a word.
        why: Why it could not be read; else empty.
        looked: When it was last looked at; None where it never was.
        differences: What is not as left, an exchanged unit first, then the worst.
        exchanged: The unit in the place of the approved one; None where none is known.
        unknown: Settings of which nothing is known now.
        rows: All settings.
        touched: By setting, the commit of its line and who made it, where that is known already.
        readings: What it tells about itself, as name and text.
        concessions: For it.
        loans: On it.
        orders: Open orders for it: the id, and what it waits for.
        halted: Ids of orders that were halted there, and nobody has looked since.
        withdrawn: Who took it out of service and why; empty where nobody did.
        withdrawn_at: When.
        moments: Its life, the newest first.
        line: The same as a drawing; None where there is none.
        has_more: Whether its life goes back further than what is shown.
        frozen: Why nothing is written there now.
        lamp: Seconds for which its lamp may be lit; empty where it has none.
        layers: Where a value can be adopted into, with words.
        may: What the viewer may ask for.
        given: What was typed.
        wrong: Why something was not done.
        caution: What to do before a level is raised; empty where none is.
    """

    site: str
    name: str
    title: str
    zone: str
    role: str
    model: str
    serial: str
    address: str
    found: AsFound | None
    mark: str
    words: str
    why: str
    looked: datetime | None
    differences: tuple[Difference, ...]
    exchanged: Exchanged | None
    unknown: tuple[Row, ...]
    rows: tuple[Row, ...]
    touched: Mapping[str, Source]
    readings: tuple[tuple[str, str], ...]
    concessions: tuple[Held, ...]
    loans: tuple[Lent, ...]
    orders: tuple[tuple[str, str], ...]
    halted: tuple[str, ...]
    withdrawn: str
    withdrawn_at: datetime | None
    moments: tuple[Moment, ...]
    line: TimeLine | None
    has_more: bool
    frozen: Frozen | None
    lamp: tuple[int, ...]
    layers: tuple[tuple[str, str], ...]
    may: May
    given: Given = field(default_factory=Given)
    wrong: Wrong | None = None
    caution: str = ""

    @property
    def adoptable(self) -> tuple[Difference, ...]:
        """Settings that could be approved as they were found: none of a unit that is not approved, nor what would be refused."""
        return self._found(Adopting.OPEN)

    @property
    def concedable(self) -> tuple[Difference, ...]:
        """Settings whose found value can be conceded for a time, and not approved as the normal state."""
        return self._found(Adopting.CONCEDED)

    @property
    def foreign(self) -> tuple[Difference, ...]:
        """Settings whose found value their profile does not know."""
        return self._found(Adopting.FOREIGN)

    def _found(self, adopting: Adopting) -> tuple[Difference, ...]:
        return () if self.exchanged else tuple(one for one in self.differences if one.adopting is adopting)

    @property
    def restorable(self) -> bool:
        """Whether a restore can mend something: not that it does not answer, nor which unit it is, nor what came with that."""
        return self.exchanged is None and any(difference.is_setting for difference in self.differences)

    @property
    def forms(self) -> frozenset[str]:
        """The acts whose forms have room for what is wrong; what is wrong with any other is told on top."""
        if not self.may.propose:
            return frozenset()
        new_one = self.exchanged is not None and not self.exchanged.elsewhere
        return frozenset({"exchange"} if new_one else {"adopt"} if self.adoptable else ())


@dataclass(frozen=True, kw_only=True, slots=True)
class SettingPage:
    """Why one setting of a station has its approved value; `ways` gives the pages of commits that may be seen."""

    site: str
    name: str
    zone: str
    row: Row | None
    why: WhyView
    ways: Mapping[str, str]
    moments: tuple[Moment, ...]


def view_of(
    estate: Estate,
    station: StationId,
    *,
    now: datetime,
    stand: StationView,
    board: Board,
    orders: Sequence[OrderView],
    loans: Sequence[Loan],
    sources: Mapping[str, Source | None],
    touched: Mapping[str, Source] | None = None,
    entries: Sequence[Entry],
    has_more: bool = False,
    may: May,
    given: Given | None = None,
    wrong: Wrong | None = None,
) -> StationPage:
    """Put together what is known of one station."""
    site, as_left = estate.sites[station.site], stand.as_left
    looked = stand.looked
    mark, words, why = _how(looked.last if looked else None)
    alarms = {alarm.drift.key: alarm for alarm in board.every if alarm.drift.key.station == station}
    differences = sorted(
        (_difference(stand, at, alarms, sources, estate) for at in range(len(stand.standing))),
        key=lambda one: (one.name != DriftKind.EXCHANGED, _WORST.index(one.priority)),
    )
    moments = life_of(station, entries, as_left)
    out = board.withdrawn.get(station)
    day = local_day(now, site.time_zone)
    return StationPage(
        site=station.site,
        name=station.name,
        title=site.title,
        zone=site.time_zone,
        role=as_left.role,
        model=as_left.profile.title,
        serial=as_left.serial,
        address=as_left.address,
        found=looked.found if looked else None,
        mark=mark,
        words=words,
        why=why,
        looked=looked.last.at if looked else None,
        differences=tuple(differences),
        exchanged=exchanged_at(estate, stand),
        unknown=tuple(row for row in stand.rows if row.state is RowState.UNKNOWN),
        rows=stand.rows,
        touched=touched or {},
        readings=stand.readings,
        concessions=tuple(
            Held(
                key=one.key,
                setting=one.setting,
                value=one.value,
                holder=_name(estate, one.holder),
                reason=one.reason,
                until=one.until,
                ended=one.ended(day),
                where=str(one.origin),
            )
            for one in estate.concessions
            if one.setting in as_left.profile.settings and one.covers(station, one.setting, one.value)
        ),
        loans=tuple(_lent(loan, estate, stand) for loan in loans if loan.station == station),
        orders=tuple(
            (view.kept.id, "; ".join(view.waits) or str(view.kept.state))
            for view in orders
            if view.kept.order.station == station and view.kept.state not in ENDS
        ),
        halted=halted_at(orders, station),
        withdrawn=f"{_name(estate, out.by)}: {out.reason}" if out else "",
        withdrawn_at=out.at if out else None,
        moments=moments,
        line=time_line(moments, now),
        has_more=has_more,
        frozen=frozen_at(estate, station.site, now),
        lamp=_LAMP if IDENTIFY in as_left.profile.actions and site.drop is None else (),
        layers=layers_of(estate, as_left),
        may=may,
        given=given or Given(),
        wrong=wrong,
        caution=CAUTION if any(one.concern is Concern.HEARING for one in differences) else "",
    )


def _how(last: AsFound | NotRead | None) -> tuple[str, str, str]:
    if last is None:
        return "unknown", "Unknown: never looked at", ""
    if isinstance(last, NotRead):
        return "unknown", f"Unknown: {last.state}", last.why
    if last.state is not ReadState.COMPLETE:
        return "unknown", f"Partly unknown: {last.state}", ""
    return "", "read completely", ""


def _difference(
    stand: StationView,
    at: int,
    alarms: Mapping[DriftKey, Alarm],
    sources: Mapping[str, Source | None],
    estate: Estate,
) -> Difference:
    item = stand.standing[at]
    drift, key = item.drift, item.drift.key
    alarm, found = alarms.get(key), stand.looked.found if stand.looked else None
    setting = stand.as_left.profile.settings.get(key.setting) if key.setting else None
    scale = None
    if setting and found and key.setting in found.values and key.setting in stand.as_left.values:
        scale = scale_of(setting, stand.as_left.values[key.setting], found.values[key.setting])
    name = key.setting if key.kind is DriftKind.SETTING else key.kind.value
    mark, words, state = mark_of(alarm) if alarm else (str(drift.priority), "", "no alarm yet")
    return Difference(
        name=name,
        meaning=setting.meaning if setting else str(key.kind),
        as_left=drift.as_left,
        as_found=drift.as_found,
        what=drift.what,
        since=alarm.since if alarm else item.since,
        priority=alarm.drift.priority if alarm else drift.priority,
        mark=mark,
        words=words,
        state=state,
        to=f"/alarms/{key.station}/{name}" if alarm else "",
        scale=scale,
        source=sources.get(key.setting),
        concern=drift.concern,
        is_setting=key.kind is DriftKind.SETTING,
        adopting=adopting_of(estate, key.station, setting, found),
    )


def _lent(loan: Loan, estate: Estate, stand: StationView) -> Lent:
    row = stand.as_left.profile.settings.get(loan.setting)
    return Lent(
        id=loan.id,
        meaning=row.meaning if row else loan.setting,
        shown=loan.shown,
        to=_name(estate, loan.by),
        ends=loan.ends,
        overdue=loan.state is LoanState.OVERDUE,
        asked=loan.state is LoanState.ASKED,
        reason=loan.reason,
    )


def _name(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return person.name if person else key
