"""Configuration status accounting: what was approved, what was found, and what became of the difference.

ISO 10007:2017 asks for records of what is approved, proposed and implemented (section 3.4 and the activities of clause 5);
see shared/reference. The words are our own.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from asleft.domain.concessions import Concession
from asleft.domain.estate import Estate
from asleft.domain.evidence.accounted import Approval, BaselineDay, ConcessionLine, OrderEnd, Week
from asleft.domain.evidence.drifting import Drifted, Gap, Swept
from asleft.domain.evidence.force import Force, force_at
from asleft.domain.evidence.pieces import ENDED, Kind, Piece
from asleft.domain.evidence.seeing import Scope
from asleft.domain.names import plural
from asleft.domain.statistics import Times, wilson

__all__ = [
    "Account",
    "Approval",
    "BaselineDay",
    "ConcessionLine",
    "Grounds",
    "OrderEnd",
    "Week",
    "account_of",
    "week_ends",
]

_UNFINISHED: Final = frozenset({Kind.REFUSED, Kind.LAPSED, Kind.HALTED})


@dataclass(frozen=True, kw_only=True, slots=True)
class Account:
    """The account of a time, from the two repositories alone.

    Args:
        since: Its beginning.
        until: Its end.
        zone: IANA name of the zone of its days and weeks.
        sites: The sites that it is of; all that the estate has, or had, where none was named.
        days: The baseline in force, day by day.
        approvals: What came into force, and by whom.
        drifts: Drift that stood at some time of it.
        detect: How long drift that was found in it can have stood unseen at most.
        restore: From a drift's find to the end of the order that mended it.
        ended: From a drift's find to its end, however it ended.
        restores: Orders that were carried out.
        unfinished: Orders that were refused, lapsed or halted.
        concessions: Concessions.
        gaps: Stations that were not read, and when.
        weeks: Stations as left, week by week.
        notes: Sentences that a reader should know.
        last: The newest commit of the records until its end; None where they hold nothing until then.
        estate: Name of the estate, as the last revision says that can be read; empty where none can.
        titles: What people call its sites, as far as revisions say.
        in_order: Whether the times of the records never go back.
    """

    since: datetime
    until: datetime
    zone: str
    sites: tuple[str, ...]
    days: tuple[BaselineDay, ...]
    approvals: tuple[Approval, ...]
    drifts: tuple[Drifted, ...]
    detect: Times
    restore: Times
    ended: Times
    restores: tuple[OrderEnd, ...]
    unfinished: tuple[OrderEnd, ...]
    concessions: tuple[ConcessionLine, ...]
    gaps: tuple[Gap, ...]
    weeks: tuple[Week, ...]
    notes: tuple[str, ...]
    last: Piece | None = None
    estate: str = ""
    titles: Mapping[str, str] = field(default_factory=dict)
    in_order: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Grounds:
    """What an account is made from.

    Args:
        since: Its beginning.
        until: Its end.
        zone: IANA name of the zone of its days and weeks.
        sites: The sites that it is of.
        named: Whether sites were named; what concerns the whole estate is told either way.
        records: Commits of the records until its end, oldest first.
        forces: The revisions in force until its end.
        brought: What each of them brought, with what each commit changed.
        signers: Who signed commits, by commit.
        estates: The estates in force during its time, each with the revision's time.
        swept: What the sweep of each site gave; its ticks are those of `week_ends`.
        scope: Of which sites may be told.
        astray: Revisions that were in force and are not on the followed branch of the baseline.
    """

    since: datetime
    until: datetime
    zone: str
    sites: tuple[str, ...]
    named: bool
    records: Sequence[Piece]
    forces: Sequence[Force]
    brought: Sequence[tuple[Force, Sequence[Piece]]]
    signers: Mapping[str, str]
    estates: Sequence[tuple[Force, Estate]]
    swept: Sequence[Swept]
    scope: Scope = field(default_factory=Scope)
    astray: frozenset[str] = frozenset()


def account_of(grounds: Grounds) -> Account:
    """Make the account; nothing but what is given has a say in it."""
    drifts = [
        one for swept in grounds.swept for one in swept.drifts if _within(grounds, one.since, one.until)
    ]
    drifts = sorted(drifts, key=lambda one: (one.since, one.station, one.name))
    gaps = [one for swept in grounds.swept for one in swept.gaps if _within(grounds, one.since, one.until)]
    over = [(one, (one.until - one.since).total_seconds()) for one in drifts if one.until is not None]
    ends = [one for one in map(_end, _mine(grounds)) if one is not None]
    return Account(
        since=grounds.since,
        until=grounds.until,
        zone=grounds.zone,
        sites=grounds.sites,
        days=tuple(_days(grounds)),
        approvals=tuple(_approvals(grounds)),
        drifts=tuple(drifts),
        detect=Times(seconds=_detected(drifts, grounds.since)),
        restore=Times(seconds=[took for one, took in over if one.order]),
        ended=Times(seconds=[took for _, took in over]),
        restores=tuple(one for one in ends if one.kind in ENDED),
        unfinished=tuple(one for one in ends if one.kind in _UNFINISHED),
        concessions=tuple(_concessions(grounds)),
        gaps=tuple(sorted(gaps, key=lambda one: (one.since, one.station))),
        weeks=tuple(_weeks(grounds)),
        notes=tuple(_notes(grounds)),
        last=grounds.records[-1] if grounds.records else None,
        estate=grounds.estates[-1][1].name if grounds.estates else "",
        titles={
            name: site.title
            for _, estate in grounds.estates
            for name, site in estate.sites.items()
            if name in grounds.sites
        },
        in_order=not any(piece.out_of_order for piece in grounds.records),
    )


def _detected(drifts: Iterable[Drifted], since: datetime) -> list[float]:
    return [
        one.within.total_seconds()
        for one in drifts
        if one.since >= since and one.cause == "found" and one.within is not None
    ]


def week_ends(since: datetime, until: datetime, zone: str) -> list[tuple[date, datetime]]:
    """Give the weeks of a time, from Monday on (ISO 8601): the first day of each, and the instant at which it is over.

    Args:
        since: Where it begins; so does the first week.
        until: Where it ends; so does the last week.
        zone: IANA name of the zone.
    """
    there = ZoneInfo(zone)
    day = since.astimezone(there).date()
    found: list[tuple[date, datetime]] = []
    while True:
        after = day + timedelta(days=7 - day.weekday())
        end = datetime.combine(after, time(), there)
        if end >= until:
            return [*found, (day, until)]
        found.append((day, end.astimezone(UTC)))
        day = after


def _within(grounds: Grounds, since: datetime, until: datetime | None) -> bool:
    return since < grounds.until and (until is None or until >= grounds.since)


def _mine(grounds: Grounds) -> Iterator[Piece]:
    sites = {*grounds.sites}
    for piece in grounds.records:
        if grounds.since <= piece.when < grounds.until and (
            not grounds.named or not sites.isdisjoint(piece.sites)
        ):
            seen = grounds.scope.see(piece)
            if seen is not None:
                yield seen


def _days(grounds: Grounds) -> Iterator[BaselineDay]:
    there = ZoneInfo(grounds.zone)
    mentions: dict[str, list[datetime]] = {}
    for piece in grounds.records:
        for commit in piece.values("Baseline"):
            mentions.setdefault(commit, []).append(piece.when)
    day = grounds.since.astimezone(there).date()
    last = (grounds.until - timedelta.resolution).astimezone(there).date()
    while day <= last:
        begins = max(datetime.combine(day, time(), there), grounds.since)
        ends = min(datetime.combine(day + timedelta(days=1), time(), there), grounds.until)
        on = [one for one in grounds.forces if one.since < ends and (one.until is None or one.until > begins)]
        said = mentions.get(on[-1].commit, []) if on else []
        place = bisect_left(said, ends)
        yield BaselineDay(
            day=day, commits=tuple(one.commit for one in on), named=said[place - 1] if place else None
        )
        day += timedelta(days=1)


def _approvals(grounds: Grounds) -> Iterator[Approval]:
    for force, pieces in grounds.brought:
        if not grounds.since <= force.since < grounds.until:
            continue
        for piece in pieces:
            # What names no site touches them all: the estate's own files, people, roles.
            if not grounds.named or not piece.sites or not set(grounds.sites).isdisjoint(piece.sites):
                seen = grounds.scope.see(piece)
                if seen is not None:
                    yield Approval(piece=seen, signer=grounds.signers.get(piece.commit, ""), force=force)


def _end(piece: Piece) -> OrderEnd | None:
    orders = piece.values("Order")
    if not orders or (piece.kind not in ENDED and piece.kind not in _UNFINISHED):
        return None
    return OrderEnd(
        at=piece.when,
        order=orders[-1],
        kind=piece.kind,
        stations=piece.stations,
        settings=piece.settings,
        confirmed_by=tuple(piece.values("Confirmed-By")),
        reasons=tuple(piece.values("Reason")),
        outcome=next(iter(piece.lines), ""),
        commit=piece.commit,
    )


def _concessions(grounds: Grounds) -> Iterator[ConcessionLine]:
    found: dict[str, ConcessionLine] = {}
    last = (grounds.until - timedelta.resolution).astimezone(ZoneInfo(grounds.zone)).date()
    for force, estate in grounds.estates:
        here = {one.key: one for one in estate.concessions if _of_ours(grounds, one)}
        for key in found.keys() - here.keys():
            found[key] = replace(found[key], state="taken away")
        for key, one in here.items():
            first = found.get(key)
            found[key] = ConcessionLine(
                concession=replace(one, where=frozenset(filter(_told_of(grounds), one.where))),
                state="lapsed" if one.ended(last) else "standing",
                days_left=one.days_left(last),
                since=first.since if first else force.since,
                commit=first.commit if first else force.commit,
            )
    yield from sorted(found.values(), key=lambda line: (line.concession.until, line.concession.key))


def _of_ours(grounds: Grounds, one: Concession) -> bool:
    return not grounds.named or any(
        one.covers_site(site) or any(place.startswith(f"{site}/") for place in one.where)
        for site in grounds.sites
    )


def _told_of(grounds: Grounds) -> Callable[[str], bool]:
    return lambda place: grounds.scope.holds(place.partition("/")[0])


def _weeks(grounds: Grounds) -> Iterator[Week]:
    for place, (day, at) in enumerate(week_ends(grounds.since, grounds.until, grounds.zone)):
        counts = [swept.counts[place] for swept in grounds.swept]
        share = wilson(sum(good for good, _ in counts), sum(known for _, known in counts))
        yield Week(since=day, at=at, share=share)


def _notes(grounds: Grounds) -> Iterator[str]:
    if not grounds.records:
        yield "the records hold nothing until the end of this time"
    first = force_at(grounds.forces, grounds.since)
    if first is None and grounds.forces:
        begins = grounds.forces[0].since
        yield f"the records name no revision in force before {begins:%Y-%m-%d %H:%M} UTC"
    moved = sum(piece.out_of_order for piece in grounds.records)
    if moved:
        yield (
            f"{plural(moved, 'commit')} of the records {'carries a time' if moved == 1 else 'carry times'} that the order "
            f"of the commits contradicts; {'it' if moved == 1 else 'each'} is taken to be of the time of the commit before it"
        )
    lost = sorted({one.commit for one in grounds.forces} - {force.commit for force, _ in grounds.estates})
    during = {one.commit for one in grounds.forces if _within(grounds, one.since, one.until)}
    for commit in sorted(grounds.astray & during):
        yield (
            f"revision {commit[:10]} was in force and is not on the branch of the baseline that is followed: what it "
            "brought is not among what was approved here"
        )
    for commit in lost:
        if commit in during:
            yield f"revision {commit[:10]} was in force and cannot be read from the baseline: what was approved by it is not known"
