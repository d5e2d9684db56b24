"""Which revision of the baseline was in force when, as far as the records name it."""

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from asleft.domain.evidence.pieces import Kind, Piece

__all__ = ["Force", "approved", "brought", "force_at", "forces"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Force:
    """A time during which the records name one revision.

    It came into force somewhere after the last record that names the revision before it, and by the first that names it.

    Args:
        commit: The revision.
        since: When the first record names it.
        record: That record.
        after: When the last record names the one before it; None where it is the first.
        named: When a record names it last.
        until: When a record names another one; None where none does.
    """

    commit: str
    since: datetime
    record: str
    after: datetime | None
    named: datetime
    until: datetime | None = None

    def words(self, at: datetime, zone: str = "UTC") -> str:
        """Say how far the records go in saying that it was in force at a time.

        Args:
            at: The time.
            zone: The time zone in which times are told.
        """
        if at > self.named:
            named = f"{self.named.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"
            return f"named last by the records at {named}, and by nothing later until then"
        return "the records name it before and after that time"


def forces(records: Iterable[Piece]) -> list[Force]:
    """Give the revisions in force one after the other, from the `Baseline` trailers of records.

    An order names the revision that it was drawn up by, also when it lapses under another one; so from an order only a
    revision counts that no record has named before.

    Args:
        records: Oldest first.
    """
    found: list[Force] = []
    seen: set[str] = set()
    current, last = "", None
    for piece in records:
        named = piece.values("Baseline")
        if named and named != [current] and piece.values("Order"):
            # What stands is named again, or something new: an earlier one is only the order's own.
            named = [one for one in named if one not in seen or one == current]
        if not named:
            continue
        if named[-1] != current:
            if last is not None:
                found[-1] = replace(found[-1], named=last, until=piece.when)
            current = named[-1]
            seen.add(current)
            found.append(
                Force(commit=current, since=piece.when, record=piece.commit, after=last, named=piece.when)
            )
        last = piece.when
    if last is not None:
        found[-1] = replace(found[-1], named=last)
    return found


def force_at(listed: Sequence[Force], at: datetime) -> Force | None:
    """Give what was in force at a time; None before the records name anything."""
    place = bisect_right(listed, at, key=lambda one: one.since)
    return listed[place - 1] if place else None


def approved(baseline: Sequence[Piece], named: Collection[str]) -> list[Piece]:
    """Give commits of the baseline as what they are: approved where a revision that was in force is, or holds, them."""
    held = _held({piece.commit: piece for piece in baseline}, named)
    return [
        piece if piece.commit in held else replace(piece, kind=Kind.WRITTEN)
        for piece in (replace(one, kind=Kind.APPROVED) for one in baseline)
    ]


def brought(baseline: Sequence[Piece], listed: Sequence[Force]) -> Iterator[tuple[Force, list[Piece]]]:
    """Give the commits that each revision brought into force beyond those before it, oldest first.

    The first one brings all that it holds: the records do not say what was in force before them.
    """
    known = {piece.commit: piece for piece in baseline}
    held: set[str] = set()
    for one in listed:
        now = _held(known, [one.commit])
        yield one, [piece for piece in reversed(baseline) if piece.commit in now and piece.commit not in held]
        held |= now


def _held(known: Mapping[str, Piece], heads: Collection[str]) -> set[str]:
    found: set[str] = set()
    waiting = [*heads]
    while waiting:
        commit = waiting.pop()
        if commit not in found and commit in known:
            found.add(commit)
            waiting.extend(known[commit].parents)
    return found
