"""What the pages about alarms tell, put together from what the desk knows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, AlarmState, Mark
from asleft.domain.drift import DriftKind
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.hearing import CAUTION
from asleft.domain.orders import ENDS
from asleft.domain.profile import Concern, Priority
from asleft.drawn.life import Moment, TimeLine, Topic, life_of, time_line
from asleft.drawn.scale import Scale, scale_of
from asleft.ports.ledger import Looked
from asleft.ports.records import Entry
from asleft.web.alarm_life import Became, became
from asleft.web.asking import (
    LAYER_WORDS,
    Choice,
    Frozen,
    May,
    Wrong,
    frozen_at,
    shelf_choices,
)
from asleft.web.sources import Source
from asleft.web.withheld import may_see_person
from asleft.work.alarms.desk import Board
from asleft.work.order_desk import OrderView

__all__ = ["AlarmPage", "Done", "Given", "Sheet", "alarms_of", "kind_of", "view_of"]

_LINES: Final = {
    DriftKind.EXCHANGED: "serial",
    DriftKind.UNREACHABLE: "read",
    DriftKind.FIRMWARE: "firmware",
}
_CONCERNS: Final = {
    Concern.HEARING: "hearing: how loud it can get at the ear",
    Concern.ACCESS: "access: who can change or hear what they should not",
    Concern.NETWORK: "network: whether it is reached, and is the unit it should be",
    Concern.PROGRAMME: "programme: what players and audience hear",
    Concern.COMFORT: "comfort: how the player gets on with it",
    Concern.SERVICE: "service: how it is looked after",
}
_RESTORABLE: Final = frozenset({DriftKind.SETTING, DriftKind.CHANGEOVER, DriftKind.OVERDUE})
_WORST: Final = tuple(Priority)


@dataclass(frozen=True, kw_only=True, slots=True)
class Done:
    """What somebody did: who, when, why, and until when where it ends."""

    who: str
    at: datetime
    why: str
    until: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One alarm in full.

    Args:
        name: Dotted name of its setting, or its kind.
        to: Path of its own page.
        meaning: What it is about.
        priority: How soon somebody should act.
        state: Where it is in its life.
        mark: What it is shown as: its priority, or `shelved`.
        words: Words beside that in place of the usual ones.
        what: What drifted.
        matters: What it does to people.
        concern: Why it matters.
        hearing: Whether it is about how loud it can get.
        as_left: The approved value.
        as_found: The found value.
        found_at: When that was read; None where it was not.
        scale: A drawing of both; None where there are no numbers.
        source: Where the approved value comes from.
        active: Whether it stands.
        since: When it began to stand this time.
        ended: When it ceased to; None while it stands.
        count: How often it came since it was last calm.
        onsets: When it came, lately, the newest first.
        chattering: Whether it comes and goes too fast to be told each time.
        acknowledged: Who has seen it.
        shelf: Who put it off.
        suppressed: By what it is suppressed by design.
        needs: The value that can be conceded; empty where none can.
        adoptable: Whether what was found can be approved instead.
        restorable: Whether a restore can mend it.
    """

    name: str
    to: str
    meaning: str
    priority: Priority
    state: str
    mark: str
    words: str
    what: str
    matters: str
    concern: str
    hearing: bool
    as_left: str
    as_found: str
    found_at: datetime | None
    scale: Scale | None
    source: Source | None
    active: bool
    since: datetime
    ended: datetime | None
    count: int
    onsets: tuple[datetime, ...]
    chattering: bool
    acknowledged: Done | None
    shelf: Done | None
    suppressed: str
    needs: str
    adoptable: bool
    restorable: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Given:
    """What was typed into a form that was not taken."""

    reason: str = ""
    until: str = ""
    time: str = ""
    layer: str = "station"
    holder: str = ""
    day: str = ""
    cannot_wait: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmPage:
    """All that the page tells.

    Args:
        path: Its own path, to which its forms go.
        site: The site.
        title: The site as a person reads it.
        station: Name of the station there; empty where it is about the site.
        setting: Dotted name of the setting, or the kind; empty for all alarms of the station.
        meaning: What that is, in words; empty for all.
        zone: The site's time zone.
        sheets: The alarms, worst first; none where nothing stands.
        orders: Open orders there: the id, and what it waits for.
        withdrawn: Who took the station out of service.
        frozen: Why nothing is written there now.
        choices: Quick answers to until when it is put off.
        layers: Where a value can be adopted into.
        people: Who could answer for a concession: key and name.
        moments: What the records say of it, the newest first.
        line: The same as a drawing.
        became: What became of the alarms, move by move, the newest first.
        may: What the viewer may ask for.
        given: What was typed.
        wrong: Why something was not done.
        caution: What to do before a level is raised; empty where none is.
    """

    path: str
    site: str
    title: str
    station: str
    setting: str
    meaning: str
    zone: str
    sheets: tuple[Sheet, ...]
    orders: tuple[tuple[str, str], ...]
    withdrawn: Done | None
    frozen: Frozen | None
    choices: tuple[Choice, ...]
    layers: tuple[tuple[str, str], ...]
    people: tuple[tuple[str, str], ...]
    moments: tuple[Moment, ...]
    line: TimeLine | None
    became: tuple[Became, ...]
    may: May
    given: Given = field(default_factory=Given)
    wrong: Wrong | None = None
    caution: str = ""

    @property
    def unseen(self) -> bool:
        """Whether there is something to acknowledge."""
        states = {str(AlarmState.UNACKNOWLEDGED), str(AlarmState.RETURNED)}
        return any(sheet.state in states for sheet in self.sheets)

    @property
    def shelved(self) -> bool:
        """Whether something is put off."""
        return any(sheet.shelf is not None for sheet in self.sheets)

    @property
    def restorable(self) -> bool:
        """Whether a restore can mend something."""
        return any(sheet.restorable for sheet in self.sheets)

    @property
    def adoptable(self) -> bool:
        """Whether this is one setting whose found value can be approved instead."""
        return bool(self.setting) and any(sheet.adoptable for sheet in self.sheets)

    @property
    def forms(self) -> frozenset[str]:
        """The acts whose forms are on the page; what is wrong with any other is told on top."""
        if not (self.may.acknowledge and self.sheets):
            return frozenset()
        there = {
            "shelve": True,
            "adopt": self.adoptable and self.may.propose,
            "concede": bool(self.needs) and self.may.propose,
            "out-of-service": bool(self.station) and self.withdrawn is None,
        }
        return frozenset(act for act, is_there in there.items() if is_there)

    @property
    def needs(self) -> str:
        """The value of this setting that can be conceded; empty where none can."""
        return self.sheets[0].needs if self.setting and self.sheets else ""


def view_of(
    estate: Estate,
    target: StationId,
    setting: str,
    *,
    now: datetime,
    board: Board,
    look: Looked | None,
    orders: Sequence[OrderView],
    sources: Mapping[str, Source | None],
    entries: Sequence[Entry],
    events: Sequence[AlarmEvent] = (),
    may: May,
    given: Given | None = None,
    wrong: Wrong | None = None,
) -> AlarmPage:
    """Put together what is known of the alarms of a station, of one of them, or of those about a site.

    Args:
        estate: As it is now.
        target: The station; the site where its name is empty.
        setting: Dotted name of a setting, or a kind of drift; empty for all.
        now: The time.
        board: The alarms.
        look: The last look at the station.
        orders: Orders that have not ended.
        sources: Where approved values come from, by setting.
        entries: The records about the station, the newest first.
        events: What happened to the alarms, the newest first.
        may: What the viewer may ask for.
        given: What was typed.
        wrong: Why something was not done.
    """
    site = estate.sites[target.site]
    as_left = estate.stations.get(target)
    sheets = [_sheet(alarm, estate, as_left, look, sources) for alarm in alarms_of(board, target, setting)]
    sheets.sort(key=lambda sheet: (not sheet.active, _WORST.index(sheet.priority)))
    kind = kind_of(setting)
    row = as_left.profile.settings.get(setting) if as_left else None
    meaning = row.meaning if row else kind.value if kind else ""
    topic = None
    if setting:
        topic = Topic(setting="" if kind else setting, line=_LINES.get(kind, "") if kind else setting)
    moments = life_of(target, entries, as_left, topic)
    out = board.withdrawn.get(target)
    path = "/".join(("/alarms", target.site, *filter(None, (target.name, setting))))
    return AlarmPage(
        path=path,
        site=target.site,
        title=site.title,
        station=target.name,
        setting=setting,
        meaning=meaning,
        zone=site.time_zone,
        sheets=tuple(sheets),
        orders=tuple(
            (view.kept.order.id, "; ".join(view.waits) or str(view.kept.state))
            for view in orders
            if view.kept.order.station == target and view.kept.state not in ENDS
        ),
        withdrawn=_done(out, estate) if out else None,
        frozen=frozen_at(estate, target.site, now),
        choices=shelf_choices(estate, target.site, now),
        layers=tuple(
            (word, words)
            for word, words in LAYER_WORDS
            if as_left
            and (word != "role" or as_left.role)
            and (word != "occasion" or any(one.file.startswith("occasions/") for one in as_left.layers))
        ),
        people=tuple(
            (person.key, person.name)
            for person in estate.people.values()
            if may_see_person(person, lambda name: name == target.site)
        ),
        moments=moments,
        line=time_line(moments, now),
        became=became(events, estate.people),
        may=may,
        given=given or Given(),
        wrong=wrong,
        caution=CAUTION if any(sheet.hearing for sheet in sheets) else "",
    )


def kind_of(setting: str) -> DriftKind | None:
    """Give the kind of drift that a path names; None where it names a setting."""
    return DriftKind(setting) if setting in set(DriftKind) - {DriftKind.SETTING} else None


def alarms_of(board: Board, target: StationId, setting: str) -> list[Alarm]:
    """Give the alarms that a page is about: those of a station, of a site, or one of them."""
    return [
        alarm
        for alarm in board.every
        if alarm.drift.key.station == target and setting in {"", _name_of(alarm)}
    ]


def _name_of(alarm: Alarm) -> str:
    key = alarm.drift.key
    return key.setting if key.kind is DriftKind.SETTING else key.kind.value


def _sheet(
    alarm: Alarm,
    estate: Estate,
    as_left: AsLeft | None,
    look: Looked | None,
    sources: Mapping[str, Source | None],
) -> Sheet:
    drift, key = alarm.drift, alarm.drift.key
    row = as_left.profile.settings.get(key.setting) if as_left and key.setting else None
    found = look.found if look else None
    value = found.values.get(key.setting) if found else None
    scale = None
    if row and as_left and value is not None and key.setting in as_left.values:
        scale = scale_of(row, as_left.values[key.setting], value)
    is_setting = key.kind is DriftKind.SETTING
    held = alarm.state in {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}
    words = {
        AlarmState.SUPPRESSED: "Suppressed by design",
        AlarmState.OUT_OF_SERVICE: "Out of service",
    }
    place = str(key.station) if key.station.name else key.station.site
    return Sheet(
        name=_name_of(alarm),
        to=f"/alarms/{place}/{_name_of(alarm)}" if key.station.name else f"/alarms/{place}",
        meaning=row.meaning if row else str(key.kind),
        priority=drift.priority,
        state=str(alarm.state),
        mark="shelved" if held else str(drift.priority),
        words=words.get(alarm.state, ""),
        what=drift.what,
        matters=drift.matters,
        concern=_CONCERNS[drift.concern],
        hearing=drift.concern is Concern.HEARING,
        as_left=drift.as_left,
        as_found=drift.as_found,
        found_at=found.at if found else None,
        scale=scale,
        source=sources.get(key.setting),
        active=alarm.active,
        since=alarm.since,
        ended=alarm.ended,
        count=alarm.count,
        onsets=tuple(reversed(alarm.onsets)),
        chattering=alarm.chattering,
        acknowledged=_done(alarm.acknowledged, estate) if alarm.acknowledged else None,
        shelf=Done(
            who=_person(estate, alarm.shelf.by),
            at=alarm.shelf.at,
            why=alarm.shelf.reason,
            until=alarm.shelf.until,
        )
        if alarm.shelf
        else None,
        suppressed=alarm.suppressed,
        needs=row.concede if row and is_setting and row.concede == drift.as_found else "",
        adoptable=is_setting and alarm.active,
        restorable=key.kind in _RESTORABLE and alarm.active,
    )


def _done(mark: Mark, estate: Estate) -> Done:
    return Done(who=_person(estate, mark.by), at=mark.at, why=mark.reason)


def _person(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return person.name if person else key
