"""One station at one instant of the past: as left with what was on, and as found; unknown where nothing was read."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.estate import AsLeft
from asleft.domain.evidence.force import Force
from asleft.domain.evidence.found import NEVER, UNIT, Sight, beside
from asleft.domain.evidence.pieces import Piece
from asleft.domain.layers import Origin
from asleft.domain.profile import Concern
from asleft.domain.stations import StationId

__all__ = ["Instant", "InstantRow", "instant_of"]

_AS = {True: "as left", False: "drift", None: "unknown"}


@dataclass(frozen=True, kw_only=True, slots=True)
class InstantRow:
    """One setting, or one thing about the unit, at an instant.

    Args:
        name: The setting, or `read`, `serial` or `firmware`.
        meaning: What it is, in words.
        concern: Why it matters.
        as_left: What was approved, as text; empty where anything was.
        origin: The line that said so; None where no line does.
        as_found: What was found, as text; empty where that was never read.
        state: `as left`, `drift` or `unknown`.
        since: Since when the records have it so: the value, or that it is not known.
        record: The commit that recorded it so; empty where none did.
        why: Why it is unknown; empty where it is not.
    """

    name: str
    meaning: str
    concern: Concern
    as_left: str
    origin: Origin | None
    as_found: str
    state: str
    since: datetime | None
    record: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Instant:
    """A station at an instant.

    Args:
        station: Which station.
        at: When.
        zone: The site's time zone; UTC where the estate of the time does not say.
        force: The revision in force; None where the records name none so early.
        occasions: What was on, the strongest first; empty, too, where `on_known` is not.
        read: How much had been read, in the page's word.
        page: The commit that holds the page as found; None where there was none.
        rows: The rows; as found alone where nothing was approved for the station then.
        notes: Sentences that a reader should know.
        on_known: Whether the records and the baseline say what was on.
    """

    station: StationId
    at: datetime
    zone: str
    force: Force | None
    occasions: tuple[str, ...]
    read: str
    page: Piece | None
    rows: tuple[InstantRow, ...]
    notes: tuple[str, ...]
    on_known: bool = True


def instant_of(
    station: StationId,
    at: datetime,
    *,
    zone: str,
    force: Force | None,
    occasions: Sequence[str] | None,
    as_left: AsLeft | None,
    pages: Sequence[tuple[Piece, Sight]],
) -> Instant:
    """Put as left beside as found at an instant.

    Args:
        station: Which station.
        at: When.
        zone: The site's time zone.
        force: The revision in force then.
        occasions: What was on; None where that is not known, for no revision is, or it cannot be read.
        as_left: What was approved, with what was on and what was lent; None where nothing was.
        pages: The commits that touched its page until then, oldest first, each with what the page said.
    """
    page, sight = pages[-1] if pages else (None, Sight())
    names = (
        ["read", "serial", "firmware", *(name for name in as_left.profile.settings if name in as_left.values)]
        if as_left
        else ["read", *sorted(sight.settings)]
    )
    return Instant(
        station=station,
        at=at,
        zone=zone,
        force=force,
        occasions=tuple(occasions or ()),
        on_known=occasions is not None,
        read=sight.read,
        page=page,
        rows=tuple(_row(as_left, name, pages, readable=occasions is not None) for name in names),
        notes=tuple(_notes(at, force, as_left, page, readable=occasions is not None)),
    )


def _row(
    as_left: AsLeft | None, name: str, pages: Sequence[tuple[Piece, Sight]], *, readable: bool
) -> InstantRow:
    sight = pages[-1][1] if pages else Sight()
    since, record = _since(name, pages)
    setting = as_left.profile.settings.get(name) if as_left else None
    left, found, same = beside(as_left, name, sight) if as_left else ("", _text(name, sight), None)
    return InstantRow(
        name=name,
        meaning=setting.meaning if setting else name,
        concern=setting.concern if setting else UNIT.get(name, Concern.SERVICE),
        as_left=left,
        origin=as_left.origins.get(name) if as_left else None,
        as_found=found,
        state=_AS[same],
        since=since,
        record=record,
        why=_why(as_left, name, sight, readable=readable) if same is None else "",
    )


def _why(as_left: AsLeft | None, name: str, sight: Sight, *, readable: bool) -> str:
    if sight.read == NEVER:
        return "nothing had been read by then"
    if not sight.known:
        return f"the station was {sight.read}; what stands here was read last"
    if name in sight.unread:
        return sight.unread[name]
    if as_left is None:
        return "nothing was approved for it then" if readable else "what was approved then is not known"
    if name in UNIT:
        return "nothing is approved" if not beside(as_left, name, sight)[0] else "it was not told"
    return "it was not read"


def _text(name: str, sight: Sight) -> str:
    return sight.unit.get(name, "") if name in UNIT else sight.settings.get(name, "")


def _standing(name: str, sight: Sight) -> tuple[str, str]:
    """Give what has to stay the same for a thing to stand as it does: its text, and why it is not known."""
    if name == "read":
        return sight.read, ""
    if not sight.known:
        return "", sight.read
    return _text(name, sight), sight.unread.get(name, "")


def _since(name: str, pages: Sequence[tuple[Piece, Sight]]) -> tuple[datetime | None, str]:
    if not pages:
        return None, ""
    now, first = _standing(name, pages[-1][1]), pages[-1][0]
    for piece, sight in reversed(pages):
        if _standing(name, sight) != now:
            break
        first = piece
    return first.when, first.commit


def _notes(
    at: datetime, force: Force | None, as_left: AsLeft | None, page: Piece | None, *, readable: bool
) -> Iterator[str]:
    if force is None:
        yield "the records name no revision in force by then: what was approved, and what was on, is not known"
    elif not readable:
        yield (
            f"revision {force.commit[:10]}, in force then, cannot be read from the baseline: what was approved, and what "
            "was on, is not known"
        )
    elif as_left is None:
        yield f"revision {force.commit[:10]}, in force then, approves nothing for this station"
    if page is None:
        yield "the records hold no page of this station by then"
    elif page.out_of_order:
        yield "the time of the commit that holds the page contradicts the order of the records; it stands where git has it"
    if force is not None and at > force.named:
        yield f"the revision in force: {force.words(at)}"
