"""Pieces of evidence: commits of the baseline and of the records, what kind each is, and all of them as one time line."""

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from itertools import pairwise
from typing import Final

from asleft.domain.stations import StationId

__all__ = [
    "ENDED",
    "KINDS",
    "Change",
    "Kind",
    "Piece",
    "Source",
    "instant",
    "kind_of",
    "steadied",
    "steady",
    "weave",
]

_LAST: Final = 253_402_214_400
"""Seconds since 1970 of the last day that a datetime can hold in any zone; git takes later ones."""


class Source(StrEnum):
    """Which of the two repositories a piece is from."""

    BASELINE = "baseline"
    RECORDS = "records"


class Kind(StrEnum):
    """What a piece of evidence tells."""

    APPROVED = "approved"
    """A commit of the baseline that is, or comes before, a revision that the records name."""
    WRITTEN = "written"
    """A commit of the baseline's branch that no revision named in the records holds."""
    FOUND = "found"
    DRAWN_UP = "drawn up"
    CONFIRMED = "confirmed"
    TURNED_AWAY = "turned away"
    RESTORED = "restored"
    SET_UP = "set up"
    UNDONE = "undone"
    LENT = "lent"
    GIVEN_BACK = "given back"
    FACTORY = "factory state"
    REFUSED = "refused"
    LAPSED = "lapsed"
    HALTED = "halted"
    LOOKED_AT = "looked at"
    ADOPTED = "adopted"
    CONCEDED = "conceded"
    EXCHANGED = "exchanged"
    ENROLLED = "enrolled"
    CAPTURED = "captured"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "in service"
    DONE = "done at a station"
    OTHER = "other"


KINDS: Final[Mapping[Kind, str]] = {
    Kind.APPROVED: "a commit of the baseline that was in force, or stands below one that was",
    Kind.WRITTEN: "a commit of the baseline's branch that no record shows to have been in force",
    Kind.FOUND: "a station was found otherwise than before",
    Kind.DRAWN_UP: "an order was drawn up",
    Kind.CONFIRMED: "an order was confirmed",
    Kind.TURNED_AWAY: "a confirmation did not count",
    Kind.RESTORED: "an order brought a station back as left",
    Kind.SET_UP: "an order set a new unit up",
    Kind.UNDONE: "an order took back what another had written",
    Kind.LENT: "an order lent a setting until a time",
    Kind.GIVEN_BACK: "an order gave a setting back",
    Kind.FACTORY: "an order returned a unit to factory state",
    Kind.REFUSED: "an order was refused, or a person was",
    Kind.LAPSED: "an order was not confirmed in time",
    Kind.HALTED: "an order stopped half way: a person must look",
    Kind.LOOKED_AT: "a person has looked at the station of a halted order",
    Kind.ADOPTED: "what was found was proposed as approved; it holds once it is approved",
    Kind.CONCEDED: "a concession was proposed; it holds once it is approved",
    Kind.EXCHANGED: "another unit was proposed; it holds once it is approved",
    Kind.ENROLLED: "a new station was proposed; it holds once it is approved",
    Kind.CAPTURED: "a site as found was proposed; it holds once it is approved",
    Kind.ACKNOWLEDGED: "somebody has seen an alarm",
    Kind.SHELVED: "somebody put an alarm off",
    Kind.UNSHELVED: "somebody took an alarm from the shelf",
    Kind.OUT_OF_SERVICE: "a station was taken out of service",
    Kind.IN_SERVICE: "a station was put back in service",
    Kind.DONE: "something was done at a station beside its settings",
    Kind.OTHER: "anything else",
}
"""What each kind means, in words."""
ENDED: Final = {
    Kind.RESTORED: "restored",
    Kind.SET_UP: "set up",
    Kind.UNDONE: "undone",
    Kind.LENT: "lent",
    Kind.GIVEN_BACK: "given back",
    Kind.FACTORY: "returned to factory state",
}
"""How the records word the ends of orders that were carried out."""
_PROPOSED: Final = {
    "adopt": Kind.ADOPTED,
    "concede": Kind.CONCEDED,
    "exchange": Kind.EXCHANGED,
    "enrol": Kind.ENROLLED,
    "capture": Kind.CAPTURED,
}
_ACTS: Final = (
    ("acknowledged", Kind.ACKNOWLEDGED),
    ("shelved", Kind.SHELVED),
    ("unshelved", Kind.UNSHELVED),
    ("taken out of service", Kind.OUT_OF_SERVICE),
    ("put back in service", Kind.IN_SERVICE),
)
_PEOPLE: Final = frozenset({"By", "Confirmed-By"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One approved value that a revision made another; `before` or `after` is empty where there was, or is, none."""

    station: StationId
    setting: str
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.station}: {self.setting} {self.before or 'not set'} → {self.after or 'not set'}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """One commit of either repository, as evidence.

    Args:
        commit: Its id.
        source: Of which repository.
        kind: What it tells.
        at: When, as the commit says, UTC.
        when: When it is taken to have been: `at`, but where git's order contradicts that, the time of the commit before.
        subject: Its first line.
        body: More lines.
        trailers: Keys and values, in order.
        files: Paths that it touched, each with its blob; an empty one where the file was taken away.
        parents: The commits before it.
        author: Who wrote a commit of the baseline; empty in the records, where people stand in trailers.
        committer: Who put it there.
        changes: The approved values that a commit of the baseline changed, where they were looked up.
    """

    commit: str
    source: Source
    kind: Kind
    at: datetime
    when: datetime
    subject: str
    body: str
    trailers: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]
    parents: tuple[str, ...] = ()
    author: str = ""
    committer: str = ""
    changes: tuple[Change, ...] = field(default=())

    def values(self, key: str) -> list[str]:
        """Give the values of the trailers with a key."""
        return [value for one, value in self.trailers if one == key]

    @property
    def out_of_order(self) -> bool:
        """Whether its own time contradicts the order of the commits: a clock was put back."""
        return self.at != self.when

    @property
    def stations(self) -> tuple[str, ...]:
        """The stations that it is about, as `site/station`."""
        named = self.values("Station") if self.source is Source.RECORDS else []
        named += [found for path, _ in self.files if (found := _station_of(path))]
        return tuple(dict.fromkeys([*named, *(str(change.station) for change in self.changes)]))

    @property
    def sites(self) -> tuple[str, ...]:
        """The sites that it is about; none where it is about the whole estate."""
        named = self.values("Site") if self.source is Source.RECORDS else []
        named += [path.split("/")[1] for path, _ in self.files if path.startswith("sites/")]
        return tuple(dict.fromkeys([*named, *(station.partition("/")[0] for station in self.stations)]))

    @property
    def settings(self) -> tuple[str, ...]:
        """The settings that it is about, by dotted name."""
        named = self.values("Setting") if self.source is Source.RECORDS else []
        return tuple(dict.fromkeys([*named, *(change.setting for change in self.changes)]))

    @property
    def people(self) -> tuple[str, ...]:
        """Who had to do with it, as it names them."""
        if self.source is Source.BASELINE:
            return tuple(dict.fromkeys(one for one in (self.author, self.committer) if one))
        named = [value for key, value in self.trailers if key in _PEOPLE]
        # Whoever drew an order up stands in the subject alone.
        _, drawn, by = self.subject.rpartition("drawn up by ") if self.kind is Kind.DRAWN_UP else ("", "", "")
        return tuple(dict.fromkeys([*named, *([by] if drawn else [])]))

    @property
    def lines(self) -> tuple[str, ...]:
        """Its lines beside the subject, as people read them."""
        return tuple(line for line in self.body.split("\n") if line.strip())


def _station_of(path: str) -> str:
    parts = path.split("/")
    if path.startswith("as-found/") and len(parts) == 3:  # noqa: PLR2004 as-found / site / station.yaml
        return f"{parts[1]}/{parts[2].removesuffix('.yaml')}"
    if path.startswith("sites/") and len(parts) == 4 and parts[2] == "stations":  # noqa: PLR2004 sites / site / stations / it
        return f"{parts[1]}/{parts[3].removesuffix('.yaml')}"
    return ""


def instant(seconds: str) -> datetime:
    """Give the time that git says in seconds since 1970; one that no calendar holds becomes the first or last that does."""
    try:
        return datetime.fromtimestamp(min(max(int(seconds), 0), _LAST), UTC)
    except ValueError:
        return datetime.fromtimestamp(0, UTC)


def kind_of(subject: str, trailers: Sequence[tuple[str, str]], *, found: bool) -> Kind:
    """Say what a commit of the records tells.

    Trailers decide first, for the agent alone writes them; only then the agent's own words at the place where they stand:
    a text from a station never stands there.

    Args:
        subject: Its first line.
        trailers: Its trailers.
        found: Whether it touched a page of a station as found.
    """
    keys = {key for key, _ in trailers}
    _, _, did = subject.partition(": ")
    if did.startswith("refused to ") and "Order" not in keys:
        return Kind.REFUSED
    if "Order" in keys:
        return _order_kind(did, dict(trailers)["Order"])
    if "Proposal" in keys:
        branch = dict(trailers)["Proposal"].rpartition("/")[2]
        return _PROPOSED.get(branch.partition("-")[0], Kind.OTHER)
    if "Action" in keys:
        return Kind.DONE
    if "By" in keys:
        return next((kind for words, kind in _ACTS if did.startswith(words)), Kind.OTHER)
    return Kind.FOUND if found or "Station" in keys else Kind.OTHER


def _order_kind(did: str, order: str) -> Kind:
    for kind, words in ENDED.items():
        if did == words or did.startswith(f"{words} "):
            return kind
    _, named, state = did.partition(f"order {order} ")
    if not named:  # several orders at once
        _, _, state = did.partition(" orders ")
    for begins, kind in (
        ("drawn up", Kind.DRAWN_UP),
        ("confirmed", Kind.CONFIRMED),
        ("not confirmed", Kind.TURNED_AWAY),
        ("refused", Kind.REFUSED),
        ("lapsed", Kind.LAPSED),
        ("halted", Kind.HALTED),
        ("looked at", Kind.LOOKED_AT),
    ):
        if state.startswith(begins):
            return kind
    return Kind.OTHER


def steady(times: Sequence[datetime]) -> list[datetime]:
    """Give times that never go back, for times in an order that is certain.

    As many as possible are kept: those of a longest subsequence that never goes back. Each of the others becomes the kept
    one before it, or the first kept one. So one wrong clock moves its own commits and no others.

    Args:
        times: In their order, which git proves; their values, which only a clock told.
    """
    tails: list[datetime] = []
    ends: list[int] = []
    before: list[int] = []
    for at, time in enumerate(times):
        place = bisect_right(tails, time)
        before.append(ends[place - 1] if place else -1)
        if place == len(tails):
            tails.append(time)
            ends.append(at)
        else:
            tails[place], ends[place] = time, at
    kept = [False] * len(times)
    at = ends[-1] if ends else -1
    while at >= 0:
        kept[at] = True
        at = before[at]
    found: list[datetime] = []
    last = next((time for time, good in zip(times, kept, strict=True) if good), None)
    for time, good in zip(times, kept, strict=True):
        last = time if good or last is None else last
        found.append(last)
    return found


def steadied(pieces: Sequence[Piece]) -> list[Piece]:
    """Give pieces, newest first, with times that never go back; `steady` says how."""
    if all(older.at <= newer.at for newer, older in pairwise(pieces)):
        return [*pieces]
    times = steady([piece.at for piece in reversed(pieces)])[::-1]
    return [
        piece if piece.at == time else replace(piece, when=time)
        for piece, time in zip(pieces, times, strict=True)
    ]


def weave(records: Sequence[Piece], baseline: Sequence[Piece]) -> Iterator[Piece]:
    """Give the pieces of both repositories as one time line, newest first; what git orders stays in that order.

    At the same instant what was approved comes before what was found.

    Args:
        records: Newest first, steadied.
        baseline: Likewise.
    """
    at, other = 0, 0
    while at < len(records) and other < len(baseline):
        if records[at].when >= baseline[other].when:
            yield records[at]
            at += 1
        else:
            yield baseline[other]
            other += 1
    yield from records[at:]
    yield from baseline[other:]
