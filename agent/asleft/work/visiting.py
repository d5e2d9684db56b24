"""A visit to a site as the records tell it: each station as found on arrival, what was done, as left on leaving."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from asleft.domain.estate import StationId
from asleft.domain.journal import Move, Page, as_found_path, moves, parse_page
from asleft.domain.order_reading import OrderPage, parse_order_page
from asleft.ports.records import Entry, Records

__all__ = ["Moved", "Span", "StationVisit", "Stood", "Visit", "last_day", "visit_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """The time of a visit, from `since` until before `until`; both aware."""

    since: datetime
    until: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Stood:
    """How a station stood as of one commit of the records: what was read last until then.

    Args:
        page: Its as-found page.
        commit: The commit of the records.
        at: When that was made.
    """

    page: Page
    commit: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """What was found otherwise than before, and no order had written it.

    Args:
        at: When that was recorded.
        moves: What moved.
    """

    at: datetime
    moves: tuple[Move, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class StationVisit:
    """One station in a visit.

    Args:
        station: Which station.
        arrival: How it stood on arrival: before the first order that wrote to it. Where none did, as it was first found
            during the visit to have moved; where it was not, as it stood when the visit began. None where it was
            never read until then.
        leaving: How it stood at the end; None where it was never read.
        acts: Orders over it that ended during the visit, and what was found otherwise without one, as recorded.
    """

    station: StationId
    arrival: Stood | None
    leaving: Stood | None
    acts: tuple[OrderPage | Moved, ...] = ()

    @property
    def wrote(self) -> bool:
        """Whether any order wrote to it."""
        return any(isinstance(act, OrderPage) and act.wrote for act in self.acts)

    @property
    def moved(self) -> bool:
        """Whether anything was found otherwise without an order that wrote."""
        return any(isinstance(act, Moved) for act in self.acts)


@dataclass(frozen=True, kw_only=True, slots=True)
class Visit:
    """A visit to a site.

    Args:
        site: Name of the site.
        span: Its time.
        baseline: The revision of the baseline that the records name last until its end; empty where they name none.
        commit: The newest commit of the records that it goes by; empty where there is none so early.
        at: When that was made; the beginning of the visit where there is none.
        stations: The stations, by name.
    """

    site: str
    span: Span
    baseline: str
    commit: str
    at: datetime
    stations: tuple[StationVisit, ...]


def last_day(records: Records, site: str, zone: str) -> Span | None:
    """Give the last day, by a site's clock, on which an order over one of its stations ended or was moved on.

    Where there never was one, it is the last day on which anything was recorded of the site; None where nothing was.
    """
    newest: datetime | None = None
    for entry in records.history():
        if ("Site", site) not in entry.trailers:
            continue
        newest = newest or entry.at
        if any(key == "Order" for key, _ in entry.trailers):
            newest = entry.at
            break
    if newest is None:
        return None
    midnight = newest.astimezone(ZoneInfo(zone)).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    return Span(since=midnight, until=midnight + timedelta(days=1))  # by the clock on the wall


def visit_of(records: Records, stations: Iterable[StationId], site: str, span: Span) -> Visit:
    """Put a visit together from the records alone.

    Args:
        records: The records repository.
        stations: The site's stations.
        site: Name of the site.
        span: The time of the visit.
    """
    entries, before = _entries(records, span)
    last = entries[-1] if entries else before
    paths = {station: as_found_path(station) for station in sorted(stations)}
    first = _pages(records, paths, before)
    now = _pages(records, paths, last)
    lives = _lives(records, paths, entries, before)
    return Visit(
        site=site,
        span=span,
        baseline=_baseline(records, last),
        commit=last.commit if last else "",
        at=last.at if last else span.since,
        stations=tuple(
            _station(station, lives.get(station, []), first.get(station), now.get(station))
            for station in paths
        ),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Beat:
    """One commit of a visit that is about a station: how it stood before, and after; an order that ended with it."""

    before: Stood | None
    after: Stood | None
    order: OrderPage | None


def _entries(records: Records, span: Span) -> tuple[list[Entry], Entry | None]:
    """Give the commits of a time, oldest first, and the one before them."""
    found: list[Entry] = []
    for entry in records.history():
        if entry.at < span.since:
            return found[::-1], entry
        if entry.at < span.until:
            found.append(entry)
    return found[::-1], None


def _baseline(records: Records, last: Entry | None) -> str:
    if last is None:
        return ""
    for entry in records.history(newest=last.commit):
        named = [value for key, value in entry.trailers if key == "Baseline"]
        if named:
            return named[-1]
    return ""


def _pages(records: Records, paths: Mapping[StationId, str], entry: Entry | None) -> dict[StationId, Stood]:
    if entry is None:
        return {}
    kept = records.read_many([*paths.values()], entry.commit)
    return {
        station: Stood(page=parse_page(kept[path]), commit=entry.commit, at=entry.at)
        for station, path in paths.items()
        if path in kept
    }


def _lives(
    records: Records, paths: Mapping[StationId, str], entries: Sequence[Entry], before: Entry | None
) -> dict[StationId, list[_Beat]]:
    lives: dict[StationId, list[_Beat]] = {}
    for earlier, entry in pairwise((before, *entries)):
        if entry is None:
            continue
        orders = {order.station: order for order in _ended(records, entry)}
        about = {station: path for station, path in paths.items() if path in entry.files or station in orders}
        if not about:
            continue
        stood, stands = _pages(records, about, earlier), _pages(records, about, entry)
        for station in about:
            beat = _Beat(before=stood.get(station), after=stands.get(station), order=orders.get(station))
            lives.setdefault(station, []).append(beat)
    return lives


def _ended(records: Records, entry: Entry) -> Iterator[OrderPage]:
    """Give the orders that ended with a commit."""
    pages = [path for path in entry.files if path.startswith("orders/")]
    for data in records.read_many(pages, entry.commit).values():
        order = parse_order_page(data)
        if order is not None and order.ended is not None:
            yield order


def _station(
    station: StationId, life: Sequence[_Beat], first: Stood | None, leaving: Stood | None
) -> StationVisit:
    wrote = next((beat for beat in life if beat.order and beat.order.wrote), None)
    touched = next((beat for beat in life if beat.after and beat.after.page != _page(beat.before)), None)
    if wrote is not None and wrote.order is not None:
        arrival = _as_ordered(wrote.before or first, wrote.order)
    else:
        arrival = touched.after if touched else first
    return StationVisit(
        station=station,
        arrival=arrival,
        leaving=leaving,
        acts=tuple(act for beat in life for act in _acts(beat)),
    )


def _acts(beat: _Beat) -> Iterator[OrderPage | Moved]:
    """Give what one commit tells: what was found moved came before the order that ended with it."""
    wrote = beat.order is not None and beat.order.wrote
    if beat.after is not None and not wrote:
        moved = moves(_page(beat.before), beat.after.page)
        if moved:
            yield Moved(at=beat.after.at, moves=moved)
    if beat.order is not None:
        yield beat.order


def _page(stood: Stood | None) -> Page | None:
    return stood.page if stood else None


def _as_ordered(stood: Stood | None, order: OrderPage) -> Stood | None:
    """Give how a station stood before an order: what it read right before it wrote is newer than any page."""
    if stood is None:
        return None
    found = {write.setting: write.before for write in order.writes if write.begun}
    return replace(stood, page=replace(stood.page, settings={**stood.page.settings, **found}))
