"""What the pages about alarms tell, put together from what the desk knows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.floods import exchanged_among
from asleft.domain.alarms.life import Move
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.hearing import CAUTION
from asleft.domain.orders import ENDS
from asleft.domain.profile import Priority
from asleft.domain.withheld import may_see_person
from asleft.drawn.life import Moment, TimeLine, Topic, life_of, time_line
from asleft.ports.ledger import Looked
from asleft.ports.records import Entry
from asleft.web.adopting import Adopting, layers_of
from asleft.web.alarm_causes import Cause, causes_of
from asleft.web.alarm_life import Became, became
from asleft.web.alarm_sheet import Done, Sheet, done_of, name_of, sheet_of
from asleft.web.alarm_shown import digest_of, shown_of
from asleft.web.asking import Choice, Frozen, May, Wrong, frozen_at, shelf_choices
from asleft.web.order_calls import halted_at
from asleft.web.sources import Source
from asleft.work.alarms.desk import Board
from asleft.work.order_desk import OrderView

__all__ = ["AlarmPage", "Done", "Given", "Sheet", "alarms_of", "kind_of", "view_of"]

_LINES: Final = {
    DriftKind.EXCHANGED: "serial",
    DriftKind.UNREACHABLE: "read",
    DriftKind.FIRMWARE: "firmware",
}
_WORST: Final = tuple(Priority)


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
    cause: str = ""


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
        sheets: The alarms, an exchanged unit first, then the worst; none where nothing stands.
        unseen: Those of them that nobody has seen yet, as `shown_of` names them; empty where there are none.
        shown: All of them that can be put off, likewise.
        causes: Of a site, those of its stations by their cause; the one that a link names comes first.
        over: Whether a link named a cause of which nothing stands any more.
        exchanged: Whether another unit stands at the station than the approved one.
        orders: Open orders there: the id, and what it waits for.
        withdrawn: Who took the station out of service.
        frozen: Why nothing is written there now.
        choices: Quick answers to until when it is put off.
        layers: Where what was found can be adopted into; none where that would be refused everywhere.
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
    unseen: str
    shown: str
    causes: tuple[Cause, ...]
    over: bool
    exchanged: bool
    orders: tuple[tuple[str, str], ...]
    halted: tuple[str, ...]
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
    def above(self) -> str:
        """A digest of `unseen`, by which a button that stands apart from the alarms knows that it is as new as they are."""
        return digest_of(self.unseen)

    @property
    def restores(self) -> bool:
        """Whether a cause has a button to restore it."""
        return self.may.acknowledge and any(one.restorable for one in self.causes)

    @property
    def acknowledges(self) -> bool:
        """Whether a cause has a button to acknowledge it."""
        return self.may.acknowledge and any(one.unseen for one in self.causes)

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
        """Whether this is one setting whose found value can be approved instead, in one of the layers at least."""
        return self.adopting in {Adopting.OPEN, Adopting.CONCEDED} and bool(self.layers)

    @property
    def adopting(self) -> Adopting | None:
        """Whether the found value of this setting can be approved; None where it is not one setting."""
        return self.sheets[0].adopting if self.setting and self.sheets else None

    @property
    def conceded(self) -> bool:
        """Whether the found value of this setting can only be conceded as the normal state."""
        return self.adopting is Adopting.CONCEDED

    @property
    def foreign(self) -> bool:
        """Whether its profile does not know the found value of this setting."""
        return self.adopting is Adopting.FOREIGN

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
    cause: str = "",
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
        cause: What a link to a site names as the cause of what it is about; empty where it names none.
    """
    site = estate.sites[target.site]
    as_left = estate.stations.get(target)
    exchanged = bool(target.name) and exchanged_among(board.every).get(target, False)
    alarms = alarms_of(board, target, setting)
    sheets = [sheet_of(alarm, estate, as_left, look, sources, exchanged=exchanged) for alarm in alarms]
    causes = () if target.name else causes_of(estate, board, target.site, cause)
    sheets.sort(key=lambda one: (one.name != DriftKind.EXCHANGED, not one.active, _WORST.index(one.priority)))
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
        unseen=shown_of(alarms, Move.ACKNOWLEDGE),
        shown=shown_of(alarms, Move.SHELVE),
        causes=causes,
        over=bool(cause) and not any(one.common == cause for one in causes),
        exchanged=exchanged,
        orders=tuple(
            (view.kept.id, "; ".join(view.waits) or str(view.kept.state))
            for view in orders
            if view.kept.order.station == target and view.kept.state not in ENDS
        ),
        halted=halted_at(orders, target),
        withdrawn=done_of(out, estate) if out else None,
        frozen=frozen_at(estate, target.site, now),
        choices=shelf_choices(estate, target.site, now),
        layers=layers_of(
            estate,
            as_left,
            setting,
            conceded=bool(setting) and any(one.adopting is Adopting.CONCEDED for one in sheets),
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
        caution=CAUTION if any(one.hearing for one in sheets) or any(one.hearing for one in causes) else "",
    )


def kind_of(setting: str) -> DriftKind | None:
    """Give the kind of drift that a path names; None where it names a setting."""
    return DriftKind(setting) if setting in set(DriftKind) - {DriftKind.SETTING} else None


def alarms_of(board: Board, target: StationId, setting: str) -> list[Alarm]:
    """Give the alarms that a page is about: those of a station, of a site, or one of them."""
    return [
        alarm
        for alarm in board.every
        if alarm.drift.key.station == target and setting in {"", name_of(alarm)}
    ]
