"""What of the desk's answers may be told to somebody who may look at some sites alone; every face tells by it.

Only what is told goes through it. What is compared, signed or carried out is asked of the desk itself: an order's id is a digest
over all of the order. An order at a site that may be looked at stays as it is, and what became of it may have been said of another
station of its group; a drift may say whose unit it is that stands there.
"""

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace
from typing import Final, TypeVar

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmEvent, Mark
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.loans import Loan
from asleft.domain.names import harmless
from asleft.domain.occasions import Coming
from asleft.domain.orders import OrderState
from asleft.domain.snapshot import AsFound, NotRead
from asleft.domain.withheld import Withheld, drift_seen, may_see_person
from asleft.ports.ledger import Glance, Looked, Standing
from asleft.ports.orders import KeptOrder
from asleft.ports.records import Entry
from asleft.work.alarms.desk import Board
from asleft.work.answers import Desk
from asleft.work.order_desk import OrderView
from asleft.work.ordering import NoStation, NothingToRestore
from asleft.work.outlook import Outlook
from asleft.work.proposing.words import CannotPropose
from asleft.work.questions import StationView
from asleft.work.restores import DrawnUp

__all__ = [
    "BASELINE",
    "InPart",
    "changes_seen",
    "drawn_up_seen",
    "entry_seen",
    "look_seen",
    "order_seen",
    "orders_seen",
    "outlook_said",
    "see_holder",
    "see_role",
    "standing_seen",
]

_Key = TypeVar("_Key")
BASELINE: Final = "the baseline"
"""Where the work says that a place is not."""


def order_seen(kept: KeptOrder, withheld: Withheld) -> KeptOrder:
    """Give an order at a site that may be looked at: what became of it may have been said of another station of its group.

    The order itself stays, for its id is taken over all of it; whoever moved it on at this site is told, as on the page.
    """
    if withheld.everywhere:
        return kept
    life = tuple(replace(move, why=withheld.say(move.why)) for move in kept.life)
    return replace(kept, outcome=withheld.say(kept.outcome), life=life)


def orders_seen(kepts: Iterable[KeptOrder], withheld: Withheld) -> tuple[KeptOrder, ...]:
    """Give those of some orders that may be looked at."""
    return tuple(order_seen(kept, withheld) for kept in kepts if withheld.sees(kept.order.station.site))


def drawn_up_seen(drawn: Iterable[DrawnUp], withheld: Withheld) -> list[DrawnUp]:
    """Give what was drawn up, or why nothing was, where it may be looked at."""
    return [
        replace(
            one,
            order=None if one.order is None else order_seen(one.order, withheld),
            why_not=one.why_not and _why_not(one.why_not, withheld),
        )
        for one in drawn
        if withheld.sees(one.station.site)
    ]


def _why_not(why: NothingToRestore, withheld: Withheld) -> NothingToRestore:
    told = withheld.refusal(why)
    return NothingToRestore(told.what, where=told.where, todo=told.todo)


def outlook_said(outlook: Outlook, withheld: Withheld) -> Outlook:
    """Give how an order or a group goes on, in words about what may be looked at; all its orders are still in it, and the group.

    They are what is confirmed, or what keeps somebody from it. A face shows those that may be looked at, and counts the others.
    """
    if withheld.everywhere:
        return outlook
    kepts = tuple(order_seen(kept, withheld) for kept in outlook.kepts)
    waits = tuple(tuple(map(withheld.say, said)) for said in outlook.waits)
    sees = [withheld.sees(kept.order.station.site) for kept in kepts]
    # What all of them wait for may be an event at a site that may not be looked at.
    together = (
        outlook.together
        if all(sees)
        else [words for said, seen in zip(waits, sees, strict=True) if seen for words in said]
    )
    return replace(
        outlook,
        kepts=kepts,
        waits=waits,
        together=tuple(dict.fromkeys(map(withheld.say, together))),
        able=withheld.names(outlook.able),
    )


def look_seen(look: AsFound | NotRead, withheld: Withheld) -> AsFound | NotRead:
    """Give a look at a station, or why it was none."""
    return replace(look, why=withheld.say(look.why)) if isinstance(look, NotRead) else look


def standing_seen(standing: Iterable[Standing], withheld: Withheld) -> tuple[Standing, ...]:
    """Give what stands where it may be looked at."""
    return tuple(
        replace(one, drift=drift_seen(one.drift, withheld))
        for one in standing
        if withheld.sees(one.drift.key.station.site)
    )


def changes_seen(changes: Iterable[AlarmChange], withheld: Withheld) -> tuple[AlarmChange, ...]:
    """Give what became of alarms at sites that may be looked at."""
    return tuple(
        AlarmChange(
            before=None if one.before is None else _alarm(one.before, withheld),
            after=_alarm(one.after, withheld),
        )
        for one in changes
        if withheld.sees(one.after.drift.key.station.site)
    )


def _alarm(alarm: Alarm, withheld: Withheld) -> Alarm:
    shelf = alarm.shelf and replace(alarm.shelf, reason=withheld.say(alarm.shelf.reason))
    return replace(
        alarm,
        drift=drift_seen(alarm.drift, withheld),
        acknowledged=_mark(alarm.acknowledged, withheld),
        shelf=shelf,
        suppressed=withheld.say(alarm.suppressed),
        withdrawn=_mark(alarm.withdrawn, withheld),
    )


def _mark(mark: Mark | None, withheld: Withheld) -> Mark | None:
    return mark and replace(mark, reason=withheld.say(mark.reason))


def _board(board: Board, withheld: Withheld) -> Board:
    """Give the alarms at sites that may be looked at; the flood is over all, and says by itself what of it may be told."""
    told = {
        id(one): _alarm(one, withheld) for one in board.every if withheld.sees(one.drift.key.station.site)
    }

    def of(alarms: Iterable[Alarm]) -> tuple[Alarm, ...]:
        return tuple(told[id(one)] for one in alarms if id(one) in told)

    return replace(
        board,
        alarms=of(board.alarms),
        stale=of(board.stale),
        shelved=of(board.shelved),
        suppressed=of(board.suppressed),
        out_of_service=of(board.out_of_service),
        withdrawn={
            station: replace(mark, reason=withheld.say(mark.reason))
            for station, mark in board.withdrawn.items()
            if withheld.sees(station.site)
        },
        groups=tuple(
            replace(group, alarms=of(group.alarms)) for group in board.groups if withheld.sees(group.site)
        ),
    )


def entry_seen(entry: Entry, withheld: Withheld) -> Entry:
    """Give a commit of the records about a station that may be looked at."""
    if withheld.everywhere:
        return entry
    return replace(
        entry,
        subject=withheld.say(entry.subject),
        body=withheld.say(entry.body),
        trailers=tuple((key, withheld.say(value)) for key, value in entry.trailers),
    )


def see_role(estate: Estate, role: str, withheld: Withheld) -> None:
    """See that a station which may be looked at has a role.

    Raises:
        NoStation: None has.
    """
    if not any(one.role == role and withheld.sees(at.site) for at, one in estate.stations.items()):
        raise NoStation(f"no station has the role '{harmless(role)}'", where=BASELINE)


def see_holder(estate: Estate, key: str, withheld: Withheld) -> None:
    """See that a person may be named, who is to hold a concession.

    Raises:
        CannotPropose: They may not.
    """
    seen = [one.key for one in estate.people.values() if may_see_person(one, withheld.sees)]
    if not withheld.everywhere and key not in seen:
        raise CannotPropose(
            f"'{harmless(key)}' is not in people.yaml", where="people.yaml", todo=nearest(key, seen)
        )


class InPart:
    """What the desk answers, as far as it may be told to somebody.

    Alarms, drifts and looks are those of sites that may be looked at. Orders are all there are, in words that name no other site:
    what may be done with a group follows from all its orders, and a face shows those that may be looked at.

    Args:
        desk: Answers.
        withheld: Knows what may not be told.
    """

    def __init__(self, desk: Desk, withheld: Withheld) -> None:
        self._desk = desk
        self.withheld = withheld
        self._made: tuple[Board, Board] | None = None

    def estate_now(self) -> Estate:
        """Give the estate as it is now, whole: a page takes of it what it is about."""
        return self._desk.estate_now()

    def alarms(self) -> Board:
        """Give the alarms as they are now; of one board they are put together once."""
        whole = self._desk.alarms()
        if self.withheld.everywhere:
            return whole
        if self._made is None or self._made[0] is not whole:
            self._made = whole, _board(whole, self.withheld)
        return self._made[1]

    def alarm_life(
        self, station: StationId, limit: int, *, kind: DriftKind | None = None, setting: str = ""
    ) -> Sequence[AlarmEvent]:
        """Give what happened to a station's alarms, as `Desk.alarm_life`."""
        events = self._desk.alarm_life(station, limit, kind=kind, setting=setting)
        if self.withheld.everywhere:
            return events
        return [
            replace(event, drift=drift_seen(event.drift, self.withheld))
            for event in events
            if self.withheld.sees(event.drift.key.station.site)
        ]

    def drifts_in(self, site: str) -> Sequence[Standing]:
        """Give what stands at the stations of a site now."""
        standing = self._desk.drifts_in(site)
        return standing if self.withheld.everywhere else standing_seen(standing, self.withheld)

    def station(self, name: str) -> StationView:
        """Put as left beside as found for one station."""
        view = self._desk.station(name)
        if self.withheld.everywhere:
            return view
        return replace(
            view,
            looked=_looked(view.looked, self.withheld),
            standing=standing_seen(view.standing, self.withheld),
        )

    def glances(self, site: str) -> Mapping[str, Glance]:
        """Give the last look at every station of a site in short."""
        found = self._desk.glances(site)
        return found if self.withheld.everywhere else _glances(found, self.withheld)

    def not_read(self) -> Mapping[StationId, Glance]:
        """Give the last look at every station of which it read nothing."""
        found = self._desk.not_read()
        if self.withheld.everywhere:
            return found
        seen = {station: glance for station, glance in found.items() if self.withheld.sees(station.site)}
        return _glances(seen, self.withheld)

    def never_looked_at(self) -> AbstractSet[StationId]:
        """Give the stations that were never looked at."""
        return self._desk.never_looked_at()

    def coming(self, site: str) -> Coming:
        """Say what is on at a site, and what comes next."""
        return self._desk.coming(site)

    def comings(self, sites: Iterable[str]) -> Mapping[str, Coming]:
        """Say of some sites what `coming` says of one; other sites may be in it, too."""
        return self._desk.comings(sites)

    def loans(self) -> Sequence[Loan]:
        """Give what is asked for, lent or overdue, where it may be looked at, the overdue first."""
        loans = self._desk.loans()
        if self.withheld.everywhere:
            return loans
        say = self.withheld.say
        return [
            replace(loan, reason=say(loan.reason), why=say(loan.why))
            for loan in loans
            if self.withheld.sees(loan.station.site)
        ]

    def order_views(self) -> list[OrderView]:
        """Give the orders that need somebody or something, each with what it waits for."""
        views = self._desk.order_views()
        if self.withheld.everywhere:
            return views
        return [
            OrderView(
                kept=order_seen(view.kept, self.withheld), waits=tuple(map(self.withheld.say, view.waits))
            )
            for view in views
        ]

    def order_page(
        self,
        limit: int,
        *,
        before: str = "",
        sites: Iterable[str] | None = None,
        states: Iterable[OrderState] | None = None,
        groups_once: bool = False,
    ) -> Sequence[KeptOrder]:
        """Give some orders, the newest first, as `Desk.order_page`."""
        found = self._desk.order_page(
            limit, before=before, sites=sites, states=states, groups_once=groups_once
        )
        return [order_seen(kept, self.withheld) for kept in found]

    def orders_in(self, group_id: str) -> Sequence[KeptOrder]:
        """Give the orders of a group, oldest first."""
        return [order_seen(kept, self.withheld) for kept in self._desk.orders_in(group_id)]

    def outlook(self, name: str) -> Outlook:
        """Give how an order, or a group of them, goes on; see `outlook_said`."""
        return outlook_said(self._desk.outlook(name), self.withheld)


def _looked(looked: Looked | None, withheld: Withheld) -> Looked | None:
    return looked and replace(looked, last=look_seen(looked.last, withheld))


def _glances(glances: Mapping[_Key, Glance], withheld: Withheld) -> Mapping[_Key, Glance]:
    return {
        key: replace(glance, why=withheld.say(glance.why)) if glance.why else glance
        for key, glance in glances.items()
    }
