"""What questions about the past give, for people to read; and times as people at a site read them."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from asleft.cli.output import paint, safe, say, table
from asleft.domain.evidence.account import Account, Approval, BaselineDay, OrderEnd, Spread, Week
from asleft.domain.evidence.drifting import Drifted, Gap
from asleft.domain.evidence.instant import Instant
from asleft.domain.evidence.stood import Stood
from asleft.work.evidence.desk import Timeline

__all__ = ["local", "period", "tell_account", "tell_history", "tell_instant", "tell_stood"]

_SHOWN = 6
"""So many lines of one entry are shown to people; all of them are in the JSON."""

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


def tell_history(found: Timeline, *, everything: bool) -> None:
    """Say the time line, one entry a few lines."""
    for piece in found.pieces:
        mark = "  (its clock contradicts the order of the commits)" if piece.out_of_order else ""
        when = local(piece.at, found.zone(piece))
        say(f"{paint(piece.commit[:10], 'dim')}  {when}  {piece.kind}  {safe(piece.subject)}{mark}")
        people = [
            f"{key}: {value}"
            for key, value in piece.trailers
            if key in {"Confirmed-By", "By", "Reason", "Order"}
        ]
        if piece.source == "baseline":
            people = [f"by {', '.join(piece.people)}"]
        lines = [str(change) for change in piece.changes] or [*piece.lines]
        if people:
            say(f"            {safe('; '.join(people))}")
        say(*(f"            {safe(line)}" for line in lines[:_SHOWN]))
        if len(lines) > _SHOWN:
            say(f"            and {len(lines) - _SHOWN} more lines")
    if not found.pieces:
        say("Nothing is recorded yet." if everything else "Nothing that is asked for is recorded.")


def tell_instant(made: Instant) -> None:
    """Say how a station was at an instant."""
    say(f"{made.station} at {local(made.at, made.zone)}")
    force = made.force
    if force is not None:
        say(f"As left:  revision {safe(force.commit[:10])}; {force.words(made.at)}")
    say(f"On then:  {safe(', '.join(made.occasions) or 'nothing')}")
    if made.page is not None:
        say(
            f"As found: {safe(made.read)}; the page of {made.page.commit[:10]}, {local(made.page.when, made.zone)}; "
            "nothing else was recorded until then"
        )
    rows = [("", "setting", "as left", "as found", "", "recorded so since", "")]
    rows += [
        (
            "" if row.state == "as left" else {"drift": "!", "unknown": "?"}[row.state],
            row.name,
            row.as_left,
            row.as_found,
            row.state,
            f"{local(row.since, made.zone)}  {row.record[:10]}" if row.since else "",
            row.why,
        )
        for row in made.rows
    ]
    say("", *table(rows, indent="  "))
    if made.notes:
        say("", *(safe(note) for note in made.notes))


def tell_stood(found: Sequence[Stood], zone: str) -> None:
    """Say the values that a setting had, the newest first."""
    for one in found:
        while_ = f" while {one.occasion} is on" if one.occasion else ""
        stands = "stands" if one.until is None else f"until {local(one.until, zone)}"
        lasted = f"{period(one.lasted)}{' so far' if one.until is None else ''}"
        say(
            f"{paint(safe(one.value), 'strong')}{while_}  since {local(one.since, zone)}, {stands} ({lasted})"
        )
        by = (
            f"{one.by.author}"
            if one.by.author == one.by.committer
            else f"{one.by.author}, put there by {one.by.committer}"
        )
        signed = f"signed by {one.by.signer}" if one.by.signer else "no signature that holds"
        say(f"    approved in {one.by.commit[:10]} by {safe(by)}; {safe(signed)}")
        say(f"    {local(one.by.at, zone)}  {safe(one.by.subject)}  ({safe(str(one.origin))})")
        names = [str(station) for station in one.stations]
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        count = "1 station" if len(names) == 1 else f"{len(names)} stations"
        say(f"    on {count}: {', '.join(names[:_SHOWN])}{more}")


def tell_account(made: Account) -> None:
    """Say an account."""
    zone = made.zone
    say(
        f"Account of {', '.join(made.sites) or 'no site'} from {local(made.since, zone)} until {local(made.until, zone)}.",
        "From the two git repositories alone; times by the clocks of " + zone + ".",
    )
    _section("Baseline in force", ("days", "revision", ""), list(_day_rows(made.days, zone)))
    _section(
        "Approved",
        ("in force since", "commit", "by", "signed by", "what"),
        [_approval_cells(one, zone) for one in made.approvals],
    )
    _section(
        "Drift found",
        ("since", "station", "what", "concern", "as left", "as found", "until", "ended"),
        [_drift_cells(one, zone) for one in made.drifts],
    )
    say("", "Times")
    say(
        *table(
            [
                ("", "of how many", "median", "worst"),
                ("unseen until found, at most", *_spread(made.detect)),
                ("from found to restored by an order", *_spread(made.restore)),
                ("from found to gone, however", *_spread(made.ended)),
            ],
            indent="  ",
        )
    )
    orders = ("ended", "order", "how", "stations", "confirmed by", "reason", "outcome")
    _section("Orders carried out", orders, [_order_cells(one, zone) for one in made.restores])
    _section("Orders refused, lapsed, halted", orders, [_order_cells(one, zone) for one in made.unfinished])
    _section(
        "Concessions",
        ("", "setting", "value", "where", "holder", "until", "days left", "reason"),
        [
            (
                one.state,
                one.concession.setting,
                one.concession.value,
                ", ".join(sorted(one.concession.where)) or "everywhere",
                one.concession.holder,
                f"{one.concession.until}",
                f"{one.days_left}",
                one.concession.reason,
            )
            for one in made.concessions
        ],
    )
    _section(
        "Not read",
        ("station", "how", "since", "until", "for"),
        [_gap_cells(one, zone, made.until) for one in made.gaps],
    )
    _section(
        "Stations as left at the end of each week (95 % Wilson interval)",
        ("week from", "share", "interval", "of"),
        [_week_cells(one) for one in made.weeks],
    )
    if made.notes:
        say("", *(safe(note) for note in made.notes))


def _section(title: str, headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    say("", title)
    say(*(table([headings, *rows], indent="  ") if rows else ["  none"]))


def _day_rows(days: Sequence[BaselineDay], zone: str) -> Iterator[tuple[str, ...]]:
    for commits, together in groupby(days, key=lambda one: one.commits):
        listed = [*together]
        first, last = listed[0], listed[-1]
        span = f"{first.day}" if len(listed) == 1 else f"{first.day} to {last.day}"
        named = f"named last at {local(last.named, zone)}" if last.named else "the records name none"
        yield span, ", then ".join(commit[:10] for commit in commits) or "not known", named


def _approval_cells(one: Approval, zone: str) -> tuple[str, ...]:
    count = len(one.piece.changes)
    words = f" ({count} settings of stations)" if count else ""
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


def _spread(one: Spread) -> tuple[str, str, str]:
    if one.median is None or one.worst is None:
        return f"{one.count}", "no data", "no data"
    return f"{one.count}", period(one.median.total_seconds()), period(one.worst.total_seconds())


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
        local(one.since, zone),
        local(one.until, zone) if one.until else "goes on",
        period(((one.until or end) - one.since).total_seconds()),
    )


def _week_cells(one: Week) -> tuple[str, ...]:
    if one.share is None:
        return f"{one.since}", "no data", "", "0"
    share = one.share
    return (
        f"{one.since}",
        f"{share.share:.1%}",
        f"{share.low:.1%} to {share.high:.1%}",
        f"{share.part} of {share.of}",
    )
