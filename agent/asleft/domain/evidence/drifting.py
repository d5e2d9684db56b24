"""Drift through time at one site: as left against as found, from one instant of the two repositories to the next."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.estate import AsLeft
from asleft.domain.evidence.found import NEVER, UNIT, Sight, beside
from asleft.domain.evidence.left import Lent, Span, laid_over
from asleft.domain.evidence.pieces import ENDED, Kind, Piece
from asleft.domain.profile import Concern
from asleft.domain.snapshot import ReadState
from asleft.domain.stations import StationId

__all__ = ["Drifted", "Gap", "Look", "Swept", "sweep"]

_UNITS: Final = ("read", "serial", "firmware")
_BY_HAND: Final = "found as left again, without an order"
_TICK, _LEFT, _LOAN, _PAGE = range(4)
"""What comes first of what happens at the same instant."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Drifted:
    """One drift, from when a commit shows it until when one shows that it is gone.

    Args:
        station: Which station.
        name: The setting, or `read`, `serial` or `firmware`.
        concern: Why it matters.
        as_left: What was approved, as text.
        as_found: What was found last while it stood, as text.
        since: When it is shown first.
        record: The commit of the records that shows it; empty where not the station moved but what was approved.
        cause: `found`, or what else made it drift: `approved`, `occasion`, `lent`, `loan over`.
        within: The longest that it can have stood unseen: since the station was last recorded as left in this. None where
            that is not known. Rounds that find nothing moved leave no commit, so it may have been far shorter.
        until: When it is shown to be gone; None where it stands.
        ended: How it ended; empty where it stands.
        mended: The commit that shows its end; empty where none does.
        order: Whether an order ended it.
    """

    station: StationId
    name: str
    concern: Concern
    as_left: str
    as_found: str
    since: datetime
    record: str
    cause: str
    within: timedelta | None = None
    until: datetime | None = None
    ended: str = ""
    mended: str = ""
    order: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Gap:
    """A time during which a station was not read; `until` is None where that goes on."""

    station: StationId
    why: str
    since: datetime
    until: datetime | None = None
    record: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """One commit at one station's page; `sight` is None where the page was taken away."""

    piece: Piece
    station: StationId
    sight: Sight | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Swept:
    """What a sweep gave.

    Args:
        drifts: By when they are shown.
        gaps: Times during which stations were not read, likewise.
        counts: At each tick, how many stations were as left, and of how many that was known.
    """

    drifts: tuple[Drifted, ...]
    gaps: tuple[Gap, ...]
    counts: tuple[tuple[int, int], ...]


def sweep(
    spans: Iterable[Span], looks: Iterable[Look], lent: Sequence[Lent], ticks: Sequence[datetime]
) -> Swept:
    """Go through the life of a site and note every drift and every gap.

    What could not be read is unknown: a drift that stood there goes on standing, and none begins.

    Args:
        spans: What was approved, oldest first.
        looks: Commits at the pages of its stations, oldest first.
        lent: What orders lent there.
        ticks: Times at which the stations as left are counted.
    """
    life = _Life(lent)
    happened = [
        *((one.since, _LEFT, at, one) for at, one in enumerate(spans)),
        *((one.piece.when, _PAGE, at, one) for at, one in enumerate(looks)),
        *((at, _LOAN, 0, loan.station) for loan in lent for at in (loan.since, loan.until)),
        *((at, _TICK, place, None) for place, at in enumerate(ticks)),
    ]
    counts: list[tuple[int, int]] = []
    for at, what, _, thing in sorted(happened, key=lambda one: one[:3]):
        if what == _TICK:
            counts.append(life.count())
        elif isinstance(thing, Span):
            life.approve(thing)
        elif isinstance(thing, Look):
            life.look(thing)
        elif isinstance(thing, StationId):
            life.lend(thing, at)
    over = [one for one in life.over if not _passing(one)]
    drifts = sorted([*over, *life.open.values()], key=lambda one: (one.since, one.station, one.name))
    # A station that is approved and read by the same commit was no gap.
    closed = [one for one in life.closed if one.since != one.until]
    gaps = sorted([*closed, *life.gaps.values()], key=lambda one: (one.since, one.station))
    return Swept(drifts=tuple(drifts), gaps=tuple(gaps), counts=tuple(counts))


def _passing(one: Drifted) -> bool:
    """Tell whether a drift is none, for one commit changed both what is approved and what is found."""
    return one.since == one.until and not (one.record and one.mended)


class _Life:
    """What is so by now."""

    def __init__(self, lent: Sequence[Lent]) -> None:
        self.open: dict[tuple[StationId, str], Drifted] = {}
        self.over: list[Drifted] = []
        self.gaps: dict[StationId, Gap] = {}
        self.closed: list[Gap] = []
        self._base: Mapping[StationId, AsLeft] = {}
        self._commit = ""
        self._left: dict[StationId, AsLeft] = {}
        self._sights: dict[StationId, Sight] = {}
        self._seen: dict[StationId, Piece] = {}
        """The last commit that tells of a reading, by station."""
        self._lent: dict[StationId, list[Lent]] = {}
        for loan in lent:
            self._lent.setdefault(loan.station, []).append(loan)

    def approve(self, span: Span) -> None:
        """Take what is approved from now on; a revision that cannot be read leaves what was."""
        if not span.readable:
            return
        before, self._base = self._base, span.stations
        cause = "occasion" if span.force.commit == self._commit else "approved"
        self._commit = span.force.commit
        for station in before.keys() - span.stations.keys():
            self._gone(station, span.since)
        for station, as_left in span.stations.items():
            if before.get(station) is not as_left:
                self._take(station, as_left, span.since, cause)
            if station not in self._sights and station not in self.gaps:
                self.gaps[station] = Gap(station=station, why=NEVER, since=span.since)

    def lend(self, station: StationId, at: datetime) -> None:
        """Take that a loan begins or ends at a station."""
        if station in self._base:
            begins = any(loan.since == at for loan in self._lent[station])
            self._take(station, self._base[station], at, "lent" if begins else "loan over")

    def look(self, look: Look) -> None:
        """Take what a commit tells of a station."""
        before, sight = self._sights.get(look.station), look.sight or Sight()
        self._sights[look.station] = sight
        self._mind_the_gap(look, sight)
        as_left = self._left.get(look.station)
        if as_left is not None:
            whole = before is None or before.read != sight.read
            names = _names(as_left) if whole or before is None else _moved(before, sight, as_left)
            self._judge(as_left, names, look.piece.when, "found", look.piece, before)
        if sight.known:
            self._seen[look.station] = look.piece

    def count(self) -> tuple[int, int]:
        """Give how many stations are as left, and of how many that is known."""
        drifted = {station for station, _ in self.open}
        good = known = 0
        for station in self._left:
            sight = self._sights.get(station)
            if sight is None or not sight.known:
                continue
            if station in drifted:
                known += 1
            elif sight.read == ReadState.COMPLETE:
                good, known = good + 1, known + 1
        return good, known

    def _take(self, station: StationId, base: AsLeft, at: datetime, cause: str) -> None:
        before = self._left.get(station)
        as_left = laid_over(base, self._lent[station], at) if station in self._lent else base
        self._left[station] = as_left
        if before is not None and _same(before, as_left):
            return
        for name in [name for one, name in self.open if one == station]:
            if name not in UNIT and name not in as_left.values:
                self._close((station, name), at, _word(cause), None)
        self._judge(as_left, _names(as_left), at, cause, None, None)

    def _gone(self, station: StationId, at: datetime) -> None:
        self._left.pop(station, None)
        for key in [key for key in self.open if key[0] == station]:
            self._close(key, at, "no station of the estate any more", None)
        if station in self.gaps:
            self.closed.append(replace(self.gaps.pop(station), until=at))

    def _mind_the_gap(self, look: Look, sight: Sight) -> None:
        gap = self.gaps.get(look.station)
        why = "" if sight.known else sight.read
        if gap is not None and gap.why != why:
            self.closed.append(replace(self.gaps.pop(look.station), until=look.piece.when))
            gap = None
        if why and gap is None and look.station in self._left:
            self.gaps[look.station] = Gap(
                station=look.station, why=why, since=look.piece.when, record=look.piece.commit
            )

    def _judge(
        self,
        as_left: AsLeft,
        names: Iterable[str],
        at: datetime,
        cause: str,
        piece: Piece | None,
        before: Sight | None,
    ) -> None:
        sight = self._sights.get(as_left.station)
        if sight is None:
            return
        for name in names:
            key = (as_left.station, name)
            left, found, same = beside(as_left, name, sight)
            if same is False:
                standing = self.open.get(key)
                if standing is not None:
                    self.open[key] = replace(standing, as_left=left, as_found=found)
                    continue
                self.open[key] = Drifted(
                    station=as_left.station,
                    name=name,
                    concern=UNIT[name] if name in UNIT else as_left.profile.settings[name].concern,
                    as_left=left,
                    as_found=found,
                    since=at,
                    record=piece.commit if piece else "",
                    cause=cause,
                    within=self._within(as_left, name, at, before) if piece else timedelta(0),
                )
            elif key in self.open and (same or name == "read"):
                self._close(key, at, _how(piece) if piece else _word(cause), piece)

    def _within(self, as_left: AsLeft, name: str, at: datetime, before: Sight | None) -> timedelta | None:
        seen = self._seen.get(as_left.station)
        if seen is None or before is None or (name != "read" and not beside(as_left, name, before)[2]):
            return None
        return at - seen.when

    def _close(self, key: tuple[StationId, str], at: datetime, how: str, piece: Piece | None) -> None:
        ended = replace(
            self.open.pop(key),
            until=at,
            ended=how,
            mended=piece.commit if piece else "",
            order=piece is not None and piece.kind in ENDED,
        )
        self.over.append(ended)


def _names(as_left: AsLeft) -> Iterator[str]:
    yield from _UNITS
    yield from as_left.values


def _moved(before: Sight, sight: Sight, as_left: AsLeft) -> list[str]:
    """Name what a page says otherwise than the one before it."""
    found = {name for name in ("serial", "firmware") if before.unit.get(name) != sight.unit.get(name)}
    for old, new in ((before.settings, sight.settings), (before.unread, sight.unread)):
        if old != new:
            found.update(name for name, _ in old.items() ^ new.items() if name in as_left.values)
    return sorted(found)


def _same(one: AsLeft, other: AsLeft) -> bool:
    return (
        one.values == other.values
        and one.serial == other.serial
        and one.firmware == other.firmware
        and one.profile is other.profile
    )


def _how(piece: Piece) -> str:
    if piece.kind in ENDED:
        return str(piece.kind)
    return _BY_HAND if piece.kind is Kind.FOUND else f"{_BY_HAND} ({piece.kind})"


def _word(cause: str) -> str:
    return {
        "approved": "what was found was approved",
        "occasion": "what is on at the site changed what is approved",
        "lent": "lent",
        "loan over": "the loan is over",
    }[cause]
