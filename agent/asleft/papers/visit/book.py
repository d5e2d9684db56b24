"""The sheet of a visit: as found on arrival, what was done, as left on leaving, in the two columns of a certificate."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.hearing import CAUTION
from asleft.domain.journal import Page
from asleft.domain.kinds import Foreign, Found, NotAValue
from asleft.domain.order_reading import OrderPage
from asleft.domain.profile import Concern, Profile
from asleft.papers.choices import Sheet
from asleft.papers.given import Given, Visited
from asleft.papers.paper import Frame, Table, clock, short, true_minus
from asleft.work.visiting import Moved, StationVisit, Stood, Visit

__all__ = ["FOUND_LEFT", "Certificate", "Line", "VisitBook", "book", "certificates_table"]

FOUND_LEFT: Final = "found-left"
"""What calibration certificates say where nothing had to be touched: the data as found are the data as left."""
_NOT_READ: Final = "not read"


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One setting: approved, as found on arrival, as left on leaving.

    Args:
        meaning: What it is.
        setting: Its dotted name.
        approved: The approved value.
        found: As found.
        left: As left.
        off_found: Whether it was found otherwise than approved, by more than its tolerance.
        off_left: Whether it was left otherwise.
        changed: Whether it was left otherwise than found.
        hearing: Whether it is about hearing.
    """

    meaning: str
    setting: str
    approved: str
    found: str
    left: str
    off_found: bool
    off_left: bool
    changed: bool
    hearing: bool

    @property
    def verdict(self) -> str:
        """What became of it, in a word or two."""
        if _NOT_READ in (self.found, self.left):
            return _NOT_READ
        if self.off_left:
            return "left, not as approved"
        if self.off_found:
            return "put right"
        return "changed" if self.changed else "as approved"


@dataclass(frozen=True, kw_only=True, slots=True)
class Certificate:
    """One station's two columns.

    Args:
        name: The station's name.
        facts: Serial, model, firmware, address: as approved, and as the station told it.
        state: `found-left`, `adjusted`, `changed, nothing written`, or that it was not read.
        found_left: Whether nothing had to be touched.
        found_at: When, and by which commit of the records, it was found so; empty where it never was.
        left_at: When, and by which commit, it was left so.
        lines: The settings.
        done: What was done, in the order in which it was.
        off: How many settings were left otherwise than approved.
    """

    name: str
    facts: tuple[tuple[str, str], ...]
    state: str
    found_left: bool
    found_at: str
    left_at: str
    lines: tuple[Line, ...]
    done: tuple[str, ...]
    off: int


@dataclass(frozen=True, kw_only=True, slots=True)
class VisitBook:
    """What the sheet of a visit says.

    Args:
        frame: What stands on every page.
        cover: What it is about, in pairs of a word and what is said.
        summary: A row a station.
        caution: What to do before a level is raised, where something about hearing was left otherwise than approved.
        stations: The certificates, those that were touched first.
    """

    frame: Frame
    cover: tuple[tuple[str, str], ...]
    summary: Table
    caution: str
    stations: tuple[Certificate, ...]


def book(given: Given, visited: Visited, sheet: Sheet = Sheet.A4) -> VisitBook:
    """Put the sheet of a visit together.

    Args:
        given: The site.
        visited: The visit.
        sheet: The paper it is printed on.
    """
    visit, zone = visited.visit, given.site.time_zone
    approved = visited.estate.stations
    made = [
        _certificate(approved[one.station], one, zone) for one in visit.stations if one.station in approved
    ]
    made.sort(key=lambda one: (one.found_left, one.name))
    return VisitBook(
        frame=given.frame("Visit sheet", sheet, visited.revision),
        cover=_cover(given, visited, made),
        summary=Table(
            name="Summary",
            heads=("station", "serial", "state", "found otherwise", "left otherwise"),
            rows=tuple(
                (
                    one.name,
                    dict(one.facts)["serial"],
                    one.state,
                    sum(line.off_found for line in one.lines),
                    one.off,
                )
                for one in made
            ),
        ),
        caution=CAUTION if any(line.hearing and line.off_left for one in made for line in one.lines) else "",
        stations=tuple(made),
    )


def certificates_table(made: VisitBook) -> Table:
    """Give the lines of all certificates as one table."""
    return Table(
        name="As found and as left",
        heads=("station", "setting", "name in the files", "approved", "as found", "as left", "verdict"),
        rows=tuple(
            (one.name, line.meaning, line.setting, line.approved, line.found, line.left, line.verdict)
            for one in made.stations
            for line in one.lines
        ),
    )


def _cover(given: Given, visited: Visited, made: list[Certificate]) -> tuple[tuple[str, str], ...]:
    zone, visit, revision = given.site.time_zone, visited.visit, visited.revision
    untouched = sum(one.found_left for one in made)
    return (
        ("site", f"{given.site.title} ({given.site.name})"),
        ("from", clock(visit.span.since, zone)),
        ("to", clock(visit.span.until, zone)),
        ("records commit", f"{visit.commit or 'none so early'} of {clock(visit.at, zone)}"),
        (
            "held against",
            f"baseline {revision.commit} of {clock(revision.committed_at, zone)}, {_whence(visit, revision.commit)}",
        ),
        ("what was on at its end", " over ".join(visited.on) or "no occasion"),
        ("stations", f"{len(made)}, {untouched} of them {FOUND_LEFT}"),
    )


def _whence(visit: Visit, commit: str) -> str:
    named = visit.baseline == commit
    return "which the records name last until then" if named else "which is in force now"


def _certificate(left: AsLeft, visit: StationVisit, zone: str) -> Certificate:
    lines = tuple(_lines(left, visit))
    known = visit.arrival is not None and visit.leaving is not None
    same = not any(line.changed for line in lines) and not visit.moved
    found_left = known and not visit.wrote and same
    state = (
        FOUND_LEFT if found_left else "adjusted" if visit.wrote else "changed, nothing written by an order"
    )
    return Certificate(
        name=left.station.name,
        facts=_facts(left, visit.leaving),
        state=state if known else "never read",
        found_left=found_left,
        found_at=_stood(visit.arrival, zone),
        left_at=_stood(visit.leaving, zone),
        lines=lines,
        done=tuple(_done_words(act, zone) for act in visit.acts),
        off=sum(line.off_left for line in lines),
    )


def _stood(stood: Stood | None, zone: str) -> str:
    if stood is None:
        return ""
    read = stood.page.unit.get("read", "")
    said = f"records {short(stood.commit)} of {clock(stood.at, zone)}"
    return said if read in {"", "complete"} else f"{said}; read: {read}"


def _facts(left: AsLeft, stood: Stood | None) -> tuple[tuple[str, str], ...]:
    unit: Mapping[str, str] = stood.page.unit if stood else {}
    address = left.address if left.profile.reached_at in left.values else ""
    rows = (
        ("serial", left.serial or "planned", unit.get("serial", "")),
        ("model", left.profile.model, unit.get("model", "")),
        ("firmware", " or ".join(left.firmware) or "any", unit.get("firmware", "")),
        ("address", address or "none yet", unit.get("answers at", "")),
    )
    return tuple((word, _both(approved, told)) for word, approved, told in rows)


def _both(approved: str, told: str) -> str:
    return approved if told in {"", approved} else f"{approved} approved, {told} told"


def _lines(left: AsLeft, visit: StationVisit) -> Iterator[Line]:
    profile = left.profile
    found = visit.arrival.page if visit.arrival else None
    gone = visit.leaving.page if visit.leaving else None
    off_found, off_left = _off(left, found), _off(left, gone)
    for setting in profile.settings.values():
        if setting.name not in left.values:
            continue
        before, after = _said(found, setting.name), _said(gone, setting.name)
        yield Line(
            meaning=setting.meaning,
            setting=setting.name,
            approved=true_minus(left.show(setting.name)),
            found=true_minus(before),
            left=true_minus(after),
            off_found=setting.name in off_found,
            off_left=setting.name in off_left,
            changed=before != after,
            hearing=setting.concern is Concern.HEARING,
        )


def _said(page: Page | None, setting: str) -> str:
    return page.settings.get(setting, _NOT_READ) if page else _NOT_READ


def _off(left: AsLeft, page: Page | None) -> frozenset[str]:
    """Name the settings that stood otherwise than approved, by more than their tolerance."""
    if page is None:
        return frozenset()
    found = {
        name: _typed(left.profile, name, text)
        for name, text in page.settings.items()
        if name in left.profile.settings
    }
    return frozenset(differing(left.profile, left.values, found))


def _typed(profile: Profile, name: str, text: str) -> Found:
    try:
        return profile.settings[name].kind.parse(text)
    except NotAValue:
        return Foreign(text)


def _done_words(act: OrderPage | Moved, zone: str) -> str:
    if isinstance(act, OrderPage):
        return f"{clock(act.ended, zone) if act.ended else ''}: {_order_words(act)}"
    listed = "; ".join(
        f"{move.name} {move.before or 'not known'} → {move.after or 'not known'}" for move in act.moves
    )
    return f"{clock(act.at, zone)}: found moved, not by an order: {listed}"


def _order_words(order: OrderPage) -> str:
    people = [one for one in order.words if one.event in {"agree", "confirm"}]
    by = ", ".join(dict.fromkeys(one.who for one in people)) or "nobody"
    reasons = "; ".join(dict.fromkeys(one.why for one in people if one.why))
    writes = "; ".join(
        f"{write.setting} {write.before} → {write.after} ({write.outcome}"
        + (f", read back {write.read_back})" if write.read_back else ")")
        for write in order.writes
    )
    because = f", because: {reasons}" if reasons else ""
    outcome = f" Outcome: {order.outcome}." if order.outcome else ""
    return (
        f"order {order.order} ({order.purpose}) {order.state}, confirmed by {by}{because}. "
        f"Writes: {writes or 'none'}.{outcome}"
    )
