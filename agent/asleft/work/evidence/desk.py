"""The auditor's questions: what happened, how a station was, who approved a value, and the account of a time."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.evidence.account import Account, Grounds, account_of, week_ends
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.drifting import Look, Swept, sweep
from asleft.domain.evidence.force import Force, brought, force_at
from asleft.domain.evidence.found import Sight, page_blobs
from asleft.domain.evidence.instant import Instant, instant_of
from asleft.domain.evidence.left import Span, at_instant, laid_over, spans_of
from asleft.domain.evidence.pieces import Piece
from asleft.domain.evidence.seeing import Scope
from asleft.domain.evidence.stood import Approver, Held, Stood, gathered, held_in
from asleft.domain.kinds import nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless, is_name
from asleft.domain.stations import StationId
from asleft.ports.clock import Clock
from asleft.ports.evidence import BaselineEvidence, RecordsEvidence
from asleft.work.evidence.bounds import Bounds, NoEvidence
from asleft.work.evidence.grounds import NEWEST, Read
from asleft.work.evidence.knowing import noted
from asleft.work.evidence.leafing import Place, Timeline, leaf
from asleft.work.ordering import NoStation

__all__ = ["EvidenceDesk", "NoEvidence", "Timeline"]

_SECOND: Final = timedelta(seconds=1)
"""What git tells apart."""
_NO_BOUNDS: Final = Bounds()
_EVERYWHERE: Final = Scope()
_Lines = dict[tuple[str, int], Approver]
"""Whose a line is, by file and number, at one revision."""


class EvidenceDesk:
    """Answers from the two repositories alone.

    Args:
        records: The records.
        baseline: The baseline.
        clock: Gives the time.
        bounds: How much one question may read.
    """

    def __init__(
        self,
        *,
        records: RecordsEvidence,
        baseline: BaselineEvidence,
        clock: Clock,
        bounds: Bounds = _NO_BOUNDS,
    ) -> None:
        self._records = records
        self._baseline = baseline
        self._clock = clock
        self._bounds = bounds

    def zone(self, sites: Sequence[str]) -> str:
        """Give the time zone that some sites share, or all of them where none is named; UTC where they share none."""
        # Only the newest revision in force is asked, and the newest commits name it.
        read = self._read(limit=NEWEST)
        return read.zone_of_all(tuple(sites) or _sites(read.newest))

    def history(
        self,
        asked: Asked,
        *,
        limit: int | None = None,
        place: Place | None = None,
        scope: Scope = _EVERYWHERE,
    ) -> Timeline:
        """Give the commits of both repositories that are asked for, as one time line, newest first.

        Args:
            asked: What is asked.
            limit: At most so many.
            place: Where to begin, as a question before this one gave it; None for the newest.
            scope: Of which sites may be told.

        Raises:
            NoEvidence: There is no such place.
        """
        everything = limit is not None and asked.everything and scope.everywhere
        few = limit + 1 if limit is not None and everything else self._most
        read = self._read(limit=few, newest=place.records if place else "")
        found = leaf(read, asked, limit=limit, place=place, scope=scope, bounds=self._bounds)
        return noted(found, read, asked, scope=scope, bounds=self._bounds)

    def piece(self, commit: str) -> Piece | None:
        """Give a commit of the baseline with what it changed; None where the followed branch holds none such."""
        read = self._read(limit=NEWEST)
        found = read.known.get(commit)
        return read.told(found) if found else None

    def written(self, commits: Collection[str]) -> dict[str, Piece]:
        """Give commits of the baseline by id, without what they changed; those that the followed branch does not hold are left out."""
        known = self._read(limit=NEWEST).known
        return {commit: known[commit] for commit in commits if commit in known}

    def instant(self, name: str, at: datetime) -> Instant:
        """Say how a station was as left and as found at an instant of the past.

        Args:
            name: The station as `site/station`; one that is long gone may be named, too.
            at: When; aware.

        Raises:
            NoStation: That is not how a station is named.
            NoEvidence: The time has not come yet.
        """
        station = StationId.parse(name)
        if station is None:
            raise NoStation(f"'{harmless(name)}' is not a station", todo="write it as site/station")
        read = self._whole()
        if at > read.now:
            raise NoEvidence("that time has not come yet", todo="name one that is past")
        pages = self._pages(read, station, at)
        force = force_at(read.forces, at)
        estate = read.estate(force.commit) if force else None
        on, here = at_instant(estate, station.site, at) if estate else (None, {})
        as_left = here.get(station)
        if as_left is not None:
            lent = [one for one in read.lent(at + timedelta.resolution) if one.station == station]
            as_left = laid_over(as_left, lent, at)
        if as_left is None and not pages and not self._ever(read, station):
            raise NoStation(
                f"{station} is in no record, and not in the estate of that time",
                todo="write it as site/station, as it was named then",
            )
        site = estate.sites.get(station.site) if estate else None
        return instant_of(
            station,
            at,
            zone=site.time_zone if site else read.zone(station.site),
            force=force,
            occasions=on,
            as_left=as_left,
            pages=pages,
        )

    def who(self, setting: str, sites: Sequence[str] = (), *, scope: Scope = _EVERYWHERE) -> list[Stood]:
        """Give each value that a setting ever had as left, on which stations, who approved it and how long it stood.

        Args:
            setting: Dotted name.
            sites: Names of sites; all where there is none.
            scope: Of which sites may be told.

        Raises:
            NoEvidence: No revision that was in force names the setting there.
            TooMuch: It would have to read more than it may.
        """
        read = self._whole()
        self._bounds.see("revisions", len(read.forces))
        named = bool(sites)
        sites = tuple(filter(scope.holds, sites)) if sites else tuple(sorted(scope.sites))
        lines: _Lines = {}
        held: list[tuple[Force, list[Held]]] = []
        before: Force | None = None
        for force in read.forces:
            estate = read.estate(force.commit)
            if estate is None:
                continue
            moved = self._baseline.differing(before.commit, force.commit) if before else frozenset()
            lines = {key: whose for key, whose in lines.items() if key[0] not in moved}
            trusted = before.commit if before else force.commit
            rows = [
                Held(
                    station=station,
                    value=value,
                    occasion=occasion,
                    origin=origin,
                    by=read.as_told(self._whose(read, force.commit, origin, trusted, lines), scope),
                )
                for station, value, occasion, origin in held_in(estate, setting, sites)
            ]
            held.append((force, rows))
            before = force
        found = gathered(held, read.now)
        if not found and not held:
            raise NoEvidence(
                "no revision that was in force can be read from the baseline"
                if read.forces
                else "the records name no revision in force yet",
                todo="compare the baseline with a clone of it" if read.forces else "make a round first",
            )
        if not found:
            _see_that_they_are(sites, {*filter(scope.holds, _all_sites(read, read.forces))}, named=named)
            names = {
                name
                for as_left in (read.newest.stations.values() if read.newest else ())
                for name in as_left.values
            }
            raise NoEvidence(
                f"no revision that was in force says '{harmless(setting)}' of any station asked for",
                todo=nearest(setting, sorted(names)) if names else "make a round first",
            )
        return found

    def account(
        self,
        sites: Sequence[str],
        since: datetime | None,
        until: datetime | None,
        *,
        scope: Scope = _EVERYWHERE,
    ) -> Account:
        """Give the account of a time.

        Args:
            sites: Names of sites; all where there is none.
            since: Its beginning; the oldest commit of the records where None.
            until: Its end; what has not come yet is left out. Right after the newest commit of the records where None, so
                that the same records give the same account whenever they are asked.
            scope: Of which sites may be told.

        Raises:
            NoEvidence: The time is none, or there was never such a site.
            TooMuch: It would have to read more than it may.
        """
        read = self._whole()
        ends = [piece.when for piece in (*read.records[:1], *read.records[-1:])] or [read.now]
        since = since or ends[-1]
        until = min(until, read.now) if until else ends[0] + _SECOND
        if since >= until:
            raise NoEvidence("the time ends before it begins", todo="give an earlier --from or a later --to")
        self._bounds.see_time(until - since)
        forces = [
            replace(
                one, until=one.until if one.until and one.until < until else None, named=min(one.named, until)
            )
            for one in read.forces
            if one.since < until
        ]
        during = [one for one in forces if one.until is None or one.until >= since]
        self._bounds.see("revisions", len(forces))
        known = tuple(sites) or tuple(filter(scope.holds, _all_sites(read, during)))
        spans, estates = _spans(read, forces, known, until)
        _see_that_they_are(known, {name for one in estates for name in one[1].sites}, named=bool(sites))
        zone = read.zone_of_all(known)
        records = [piece for piece in reversed(read.records) if piece.when < until]
        ticks = [at for _, at in week_ends(since, until, zone)]
        fresh = [
            (one, pieces if one.since >= since else []) for one, pieces in brought(read.baseline, forces)
        ]
        self._bounds.see("revisions", sum(len(pieces) for _, pieces in fresh))
        parts = [(one, [*map(read.told, pieces)]) for one, pieces in fresh]
        return account_of(
            Grounds(
                since=since,
                until=until,
                zone=zone,
                sites=known,
                named=bool(sites) or not scope.everywhere,
                records=records,
                forces=forces,
                brought=parts,
                signers=self._signers(parts),
                estates=[(force, estate) for force, estate in estates if force in during],
                swept=self._sweeps(read, records, spans, until, ticks),
                scope=scope,
                astray=frozenset({one.commit for one in forces} - read.known.keys()),
            )
        )

    @property
    def _most(self) -> int | None:
        """One more than may be read: so it shows whether there is more."""
        return None if self._bounds.commits is None else self._bounds.commits + 1

    def _read(self, *, limit: int | None = None, newest: str = "") -> Read:
        return Read(self._records, self._baseline, self._clock, limit=limit, newest=newest, most=self._most)

    def _whole(self) -> Read:
        """Read both repositories to their ends."""
        read = self._read(limit=self._most)
        self._bounds.see("commits", len(read.records))
        return read

    def _ever(self, read: Read, station: StationId) -> bool:
        return any(str(station) in piece.stations for piece in (*read.records, *read.baseline))

    def _pages(self, read: Read, station: StationId, at: datetime) -> list[tuple[Piece, Sight]]:
        listed = [
            (piece, blob)
            for piece, blob in page_blobs([*reversed(read.records)], station)
            if piece.when <= at
        ]
        sights = read.sights(blob for _, blob in listed if blob)
        return [(piece, sights.get(blob, Sight())) for piece, blob in listed]

    def _whose(self, read: Read, commit: str, origin: Origin, trusted: str, lines: _Lines) -> Approver:
        key = (origin.file, origin.line)
        if key not in lines:
            touch = self._baseline.touched(commit, *key)
            piece = read.known.get(touch.commit)
            same = next((one for one in lines.values() if one.commit == touch.commit), None)
            self._bounds.see("lines", len(lines) + 1)
            lines[key] = same or Approver(
                commit=touch.commit,
                author=piece.author if piece else harmless(touch.author),
                committer=piece.committer if piece else "",
                signer=self._baseline.signer(touch.commit, trusted),
                at=touch.at.astimezone(UTC),
                subject=harmless(touch.subject),
            )
        return lines[key]

    def _signers(self, parts: Sequence[tuple[Force, Sequence[Piece]]]) -> dict[str, str]:
        found: dict[str, str] = {}
        before = ""
        for force, pieces in parts:
            for piece in pieces:
                # What an approver signed counts by what was in force before; the first revision is judged by itself.
                found[piece.commit] = self._baseline.signer(piece.commit, before or force.commit)
            before = force.commit
        return found

    def _sweeps(
        self,
        read: Read,
        records: Sequence[Piece],
        spans: dict[str, list[Span]],
        until: datetime,
        ticks: Sequence[datetime],
    ) -> list[Swept]:
        listed = [one for piece in records for one in _looks(piece, spans)]
        self._bounds.see("pages", len(listed))
        sights = read.sights(blob for _, _, blob in listed if blob)
        looks: dict[str, list[Look]] = {site: [] for site in spans}
        for piece, station, blob in listed:
            looks[station.site].append(Look(piece=piece, station=station, sight=sights.get(blob)))
        lent = read.lent(until)
        return [
            sweep(here, looks[site], [one for one in lent if one.station.site == site], ticks)
            for site, here in spans.items()
        ]


def _looks(piece: Piece, sites: Iterable[str]) -> Iterator[tuple[Piece, StationId, str]]:
    for path, blob in piece.files:
        folder, _, rest = path.partition("/")
        if folder == "as-found":
            station = StationId.parse(rest.removesuffix(".yaml"))
            if station is not None and station.site in sites:
                yield piece, station, blob


def _spans(
    read: Read, forces: Sequence[Force], sites: Sequence[str], until: datetime
) -> tuple[dict[str, list[Span]], list[tuple[Force, Estate]]]:
    """Give what was approved at sites through time, revision by revision, so that each is read once."""
    spans: dict[str, list[Span]] = {site: [] for site in sites}
    estates: list[tuple[Force, Estate]] = []
    for force in forces:
        estate = read.estate(force.commit)
        if estate is not None:
            estates.append((force, estate))
        known = {force.commit: estate}
        for site in sites:
            spans[site].extend(spans_of(site, [force], known.get, until))
    return spans, estates


def _sites(estate: Estate | None) -> tuple[str, ...]:
    return tuple(sorted(estate.sites)) if estate else ()


def _all_sites(read: Read, during: Sequence[Force]) -> tuple[str, ...]:
    found: set[str] = set()
    for force in during:
        found.update(_sites(read.estate(force.commit)))
    return tuple(sorted(found))


def _see_that_they_are(sites: Sequence[str], known: set[str], *, named: bool) -> None:
    for site in sites if named else ():
        if site not in known:
            raise NoEvidence(
                f"'{harmless(site)}' was no site of any revision in force"
                if is_name(site)
                else f"'{harmless(site)}' cannot be the name of a site",
                todo=nearest(site, sorted(known)) if known else "make a round first",
            )
