"""An account in words: its parts as tables that people read, and all of them as one text; times by the zone's clocks."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from asleft.domain.evidence.account import Account, Approval, BaselineDay, OrderEnd, Week
from asleft.domain.evidence.drifting import Drifted, Gap
from asleft.domain.names import harmless, plural
from asleft.domain.statistics import Times
from asleft.domain.tables import aligned

__all__ = ["Part", "account_lines", "account_parts", "local", "period"]

_LONGEST = 2000

_MINUTE, _HOUR, _DAY = 60, 3600, 86_400


def local(at: datetime, zone: str) -> str:
    """Give a time as the clocks of a zone show it, with its distance from UTC."""
    there = at.astimezone(ZoneInfo(zone))
    offset = f"{there:%z}"
    return f"{there:%Y-%m-%d %H:%M:%S} {offset[:3]}:{offset[3:5]}"


def period(seconds: float) -> str:
    """Give how long something took, in its two largest units."""
    whole = round(seconds)
    if whole < _MINUTE:
        return f"{whole} s"
    if whole < _HOUR:
        return f"{whole // _MINUTE} min {whole % _MINUTE} s"
    if whole < _DAY:
        return f"{whole // _HOUR} h {whole % _HOUR // _MINUTE} min"
    return f"{whole // _DAY} d {whole % _DAY // _HOUR} h"


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A part of an account, as people read it.

    Args:
        key: Names it in programs, as `drift`.
        title: What it is.
        heads: What stands over its columns.
        rows: Its rows, foreign text in them as it is.
    """

    key: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def account_parts(made: Account) -> tuple[Part, ...]:
    """Give the parts of an account, in their order."""
    zone = made.zone
    orders = ("ended", "order", "how", "stations", "confirmed by", "reason", "outcome")
    return (
        Part(
            key="baseline",
            title="Baseline in force",
            heads=("days", "revision", ""),
            rows=tuple(_day_rows(made.days, zone)),
        ),
        Part(
            key="approved",
            title="Approved",
            heads=("in force since", "commit", "by", "signed by", "what"),
            rows=tuple(_approval_cells(one, zone) for one in made.approvals),
        ),
        Part(
            key="drift",
            title="Drift found",
            heads=("since", "station", "what", "concern", "as left", "as found", "until", "ended"),
            rows=tuple(_drift_cells(one, zone) for one in made.drifts),
        ),
        Part(
            key="times",
            title="Times",
            heads=("", "of how many", "median", "worst"),
            rows=(
                ("unseen until found, at most", *_spread(made.detect)),
                ("from found to restored by an order", *_spread(made.restore)),
                ("from found to gone, however", *_spread(made.ended)),
            ),
        ),
        Part(
            key="restores",
            title="Orders carried out",
            heads=orders,
            rows=tuple(_order_cells(one, zone) for one in made.restores),
        ),
        Part(
            key="unfinished",
            title="Orders refused, lapsed, halted",
            heads=orders,
            rows=tuple(_order_cells(one, zone) for one in made.unfinished),
        ),
        Part(
            key="concessions",
            title="Concessions",
            heads=("", "setting", "value", "where", "holder", "until", "days left", "in commit", "reason"),
            rows=tuple(
                (
                    one.state,
                    one.concession.setting,
                    one.concession.value,
                    ", ".join(sorted(one.concession.where)) or "everywhere",
                    one.concession.holder,
                    f"{one.concession.until}",
                    f"{one.days_left}",
                    one.commit[:10],
                    one.concession.reason,
                )
                for one in made.concessions
            ),
        ),
        Part(
            key="gaps",
            title="Not read",
            heads=("station", "how", "since", "until", "for"),
            rows=tuple(_gap_cells(one, zone, made.until) for one in made.gaps),
        ),
        Part(
            key="weeks",
            title="Stations as left at the end of each week (95 % Wilson interval)",
            heads=("week from", "share", "interval", "of"),
            rows=tuple(map(_week_cells, made.weeks)),
        ),
    )


def account_lines(made: Account) -> Iterator[str]:
    """Give an account as the lines of a text that commands no terminal."""
    zone = made.zone
    yield f"Account of {', '.join(made.sites) or 'no site'} from {local(made.since, zone)} until {local(made.until, zone)}."
    yield f"From the two git repositories alone; times by the clocks of {zone}."
    for part in account_parts(made):
        yield from ("", part.title)
        yield from aligned([part.heads, *part.rows], indent="  ") if part.rows else ["  none"]
    if made.notes:
        yield ""
        yield from (harmless(note, longest=_LONGEST) for note in made.notes)


def _day_rows(days: Sequence[BaselineDay], zone: str) -> Iterator[tuple[str, ...]]:
    for commits, together in groupby(days, key=lambda one: one.commits):
        listed = [*together]
        first, last = listed[0], listed[-1]
        span = f"{first.day}" if len(listed) == 1 else f"{first.day} to {last.day}"
        named = f"named last at {local(last.named, zone)}" if last.named else "the records name none"
        yield span, ", then ".join(commit[:10] for commit in commits) or "not known", named


def _approval_cells(one: Approval, zone: str) -> tuple[str, ...]:
    count = len(one.piece.changes)
    words = f" ({plural(count, 'setting')} of stations)" if count else ""
    return (
        local(one.force.since, zone),
        one.piece.commit[:10],
        ", ".join(one.piece.people),
        one.signer or "nobody",
        f"{one.piece.subject}{words}",
    )


def _drift_cells(one: Drifted, zone: str) -> tuple[str, ...]:
    cause = "" if one.cause == "found" else f" ({one.cause})"
    return (
        f"{local(one.since, zone)}  {one.record[:10]}",
        f"{one.station}",
        f"{one.name}{cause}",
        one.concern,
        one.as_left,
        one.as_found,
        local(one.until, zone) if one.until else "stands",
        f"{one.ended}  {one.mended[:10]}".strip(),
    )


def _spread(one: Times) -> tuple[str, str, str]:
    if one.median is None or one.longest is None:
        return "0", "no data", "no data"
    return f"{len(one.seconds)}", period(one.median), period(one.longest)


def _order_cells(one: OrderEnd, zone: str) -> tuple[str, ...]:
    return (
        f"{local(one.at, zone)}  {one.commit[:10]}",
        one.order,
        one.kind,
        ", ".join(one.stations),
        " and ".join(one.confirmed_by) or "nobody",
        "; ".join(one.reasons),
        one.outcome,
    )


def _gap_cells(one: Gap, zone: str, end: datetime) -> tuple[str, ...]:
    return (
        f"{one.station}",
        one.why,
        f"{local(one.since, zone)}  {one.record[:10]}".rstrip(),
        local(one.until, zone) if one.until else "goes on",
        period(((one.until or end) - one.since).total_seconds()),
    )


def _week_cells(one: Week) -> tuple[str, ...]:
    if one.share is None:
        return f"{one.since}", "no data", "", "0"
    share = one.share
    return (
        f"{one.since}",
        share.percent,
        share.interval,
        f"{share.part} of {share.of}",
    )
