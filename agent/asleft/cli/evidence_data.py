"""What questions about the past give, as JSON and as rows of comma-separated values; times in UTC, lengths in seconds."""

from collections.abc import Iterator
from datetime import timedelta

from asleft.domain.evidence.account import Account, OrderEnd, Week
from asleft.domain.evidence.drifting import Drifted
from asleft.domain.evidence.instant import Instant, InstantRow
from asleft.domain.evidence.pieces import Change, Piece
from asleft.domain.evidence.stood import Stood
from asleft.domain.tables import stamp

__all__ = [
    "HEADINGS",
    "account_json",
    "account_rows",
    "instant_json",
    "piece_cells",
    "piece_json",
    "stood_json",
]

HEADINGS = (
    "commit",
    "time (UTC)",
    "repository",
    "kind",
    "subject",
    "sites",
    "stations",
    "settings",
    "people",
    "reasons",
    "orders",
    "text",
)


def piece_cells(piece: Piece) -> tuple[str, ...]:
    """Give a piece as the cells of a row, below `HEADINGS`."""
    return (
        piece.commit,
        stamp(piece.at),
        piece.source,
        piece.kind,
        piece.subject,
        "; ".join(piece.sites),
        "; ".join(piece.stations),
        "; ".join(piece.settings),
        "; ".join(piece.people),
        "; ".join(piece.values("Reason")),
        "; ".join(piece.values("Order")),
        "\n".join([*piece.lines, *map(str, piece.changes)]),
    )


def piece_json(piece: Piece) -> dict[str, object]:
    """Give a piece of evidence."""
    return {
        "commit": piece.commit,
        "at": piece.at,
        "subject": piece.subject,
        "body": piece.body,
        "trailers": [list(pair) for pair in piece.trailers],
        "files": [path for path, _ in piece.files],
        "repository": piece.source,
        "kind": piece.kind,
        "sites": piece.sites,
        "stations": piece.stations,
        "settings": piece.settings,
        "people": piece.people,
        "ordered_at": piece.when,
        "changes": [*map(_change_json, piece.changes)],
    }


def _change_json(change: Change) -> dict[str, object]:
    return {
        "station": change.station,
        "setting": change.setting,
        "before": change.before or None,
        "after": change.after or None,
    }


def instant_json(made: Instant) -> dict[str, object]:
    """Give how a station was at an instant."""
    force = made.force
    return {
        "station": made.station,
        "at": made.at,
        "zone": made.zone,
        "baseline": None
        if force is None
        else {
            "commit": force.commit,
            "named_first": force.since,
            "named_last": force.named,
            "another_named_first": force.until,
            "words": force.words(made.at),
        },
        "occasions": made.occasions,
        "read": made.read,
        "page": made.page.commit if made.page else None,
        "page_at": made.page.when if made.page else None,
        "rows": [_row_json(row) for row in made.rows],
        "notes": made.notes,
    }


def _row_json(row: InstantRow) -> dict[str, object]:
    return {
        "name": row.name,
        "meaning": row.meaning,
        "concern": row.concern,
        "as_left": row.as_left or None,
        "file": row.origin.file if row.origin else None,
        "line": row.origin.line if row.origin else None,
        "as_found": row.as_found or None,
        "state": row.state,
        "since": row.since,
        "record": row.record or None,
        "why": row.why or None,
    }


def stood_json(one: Stood) -> dict[str, object]:
    """Give a value that stood for a time."""
    return {
        "value": one.value,
        "occasion": one.occasion or None,
        "stations": one.stations,
        "since": one.since,
        "until": one.until,
        "seconds": round(one.lasted),
        "commit": one.by.commit,
        "author": one.by.author,
        "committer": one.by.committer or None,
        "signer": one.by.signer or None,
        "approved_at": one.by.at,
        "subject": one.by.subject,
        "file": one.origin.file,
        "line": one.origin.line,
    }


_COLUMNS = (
    "section",
    "since (UTC)",
    "until (UTC)",
    "seconds",
    "station",
    "setting",
    "concern",
    "as left",
    "as found",
    "state",
    "people",
    "reason",
    "commit",
    "order",
    "part",
    "of",
    "share",
    "low",
    "high",
    "text",
)


def account_rows(made: Account) -> list[tuple[str, ...]]:
    """Give an account as rows of one table, its headings first; a row has what its section has, and else nothing."""
    return [_COLUMNS, *(tuple(row.get(name, "") for name in _COLUMNS) for row in _rows(made))]


def _rows(made: Account) -> Iterator[dict[str, str]]:
    for day in made.days:
        yield {
            "section": "baseline",
            "since (UTC)": f"{day.day}",
            "commit": "; ".join(day.commits),
            "text": f"named last at {stamp(day.named)}" if day.named else "the records name none",
        }
    for one in made.approvals:
        yield {
            "section": "approved",
            "since (UTC)": stamp(one.force.since),
            "people": "; ".join([*one.piece.people, *([f"signed by {one.signer}"] if one.signer else [])]),
            "commit": one.piece.commit,
            "text": "\n".join([one.piece.subject, *map(str, one.piece.changes)]),
        }
    for drift in made.drifts:
        yield {
            "section": "drift",
            "since (UTC)": stamp(drift.since),
            "until (UTC)": stamp(drift.until),
            "seconds": _seconds(drift.until - drift.since if drift.until else None),
            "station": f"{drift.station}",
            "setting": drift.name,
            "concern": drift.concern,
            "as left": drift.as_left,
            "as found": drift.as_found,
            "state": drift.ended or "stands",
            "commit": drift.record,
            "text": f"{drift.cause}; {drift.mended}".rstrip("; "),
        }
    for name, spread in (("detect", made.detect), ("restore", made.restore), ("ended", made.ended)):
        for word, took in (("median", spread.median), ("worst", spread.worst)):
            yield {
                "section": f"time to {name}" if name != "ended" else "time until gone",
                "state": word,
                "seconds": _seconds(took),
                "of": f"{spread.count}",
                "text": "" if took is not None else "no data",
            }
    for order in (*made.restores, *made.unfinished):
        yield {
            "section": "order",
            "since (UTC)": stamp(order.at),
            "station": "; ".join(order.stations),
            "setting": "; ".join(order.settings),
            "state": order.kind,
            "people": "; ".join(order.confirmed_by),
            "reason": "; ".join(order.reasons),
            "commit": order.commit,
            "order": order.order,
            "text": order.outcome,
        }
    yield from _more_rows(made)


def _more_rows(made: Account) -> Iterator[dict[str, str]]:
    for line in made.concessions:
        yield {
            "section": "concession",
            "since (UTC)": stamp(line.since),
            "until (UTC)": f"{line.concession.until}",
            "station": "; ".join(sorted(line.concession.where)),
            "setting": line.concession.setting,
            "as left": line.concession.value,
            "state": line.state,
            "people": line.concession.holder,
            "reason": line.concession.reason,
            "commit": line.commit,
        }
    for gap in made.gaps:
        yield {
            "section": "not read",
            "since (UTC)": stamp(gap.since),
            "until (UTC)": stamp(gap.until),
            "seconds": _seconds((gap.until or made.until) - gap.since),
            "station": f"{gap.station}",
            "state": gap.why,
            "commit": gap.record,
        }
    for week in made.weeks:
        share = week.share
        yield {
            "section": "week",
            "since (UTC)": f"{week.since}",
            "until (UTC)": stamp(week.at),
            "part": f"{share.part}" if share else "0",
            "of": f"{share.of}" if share else "0",
            "share": f"{share.share:.6f}" if share else "",
            "low": f"{share.low:.6f}" if share else "",
            "high": f"{share.high:.6f}" if share else "",
            "text": "" if share else "no data",
        }
    for note in made.notes:
        yield {"section": "note", "text": note}


def _seconds(took: timedelta | None) -> str:
    return "" if took is None else f"{took.total_seconds():.0f}"


def account_json(made: Account) -> dict[str, object]:
    """Give an account as JSON can hold it; times in UTC, lengths in seconds."""
    return {
        "since": made.since,
        "until": made.until,
        "zone": made.zone,
        "sites": made.sites,
        "days": [{"day": one.day, "commits": one.commits, "named_last": one.named} for one in made.days],
        "approved": [
            {
                "commit": one.piece.commit,
                "at": one.piece.at,
                "in_force_since": one.force.since,
                "not_before": one.force.after,
                "author": one.piece.author,
                "committer": one.piece.committer,
                "signer": one.signer or None,
                "subject": one.piece.subject,
                "changes": [*map(_change_json, one.piece.changes)],
            }
            for one in made.approvals
        ],
        "drift": [_drift_json(one) for one in made.drifts],
        "times": {
            name: {
                "count": one.count,
                "median": one.median.total_seconds() if one.median is not None else None,
                "worst": one.worst.total_seconds() if one.worst is not None else None,
            }
            for name, one in (("detect", made.detect), ("restore", made.restore), ("ended", made.ended))
        },
        "orders": [_order_json(one) for one in (*made.restores, *made.unfinished)],
        "concessions": [
            {
                "concession": one.concession.key,
                "setting": one.concession.setting,
                "value": one.concession.value,
                "where": sorted(one.concession.where),
                "holder": one.concession.holder,
                "reason": one.concession.reason,
                "until": one.concession.until,
                "state": one.state,
                "days_left": one.days_left,
                "since": one.since,
                "commit": one.commit,
            }
            for one in made.concessions
        ],
        "not_read": [
            {
                "station": one.station,
                "how": one.why,
                "since": one.since,
                "until": one.until,
                "seconds": round(((one.until or made.until) - one.since).total_seconds()),
                "record": one.record or None,
            }
            for one in made.gaps
        ],
        "weeks": [_week_json(one) for one in made.weeks],
        "notes": made.notes,
    }


def _drift_json(one: Drifted) -> dict[str, object]:
    return {
        "station": one.station,
        "name": one.name,
        "concern": one.concern,
        "as_left": one.as_left,
        "as_found": one.as_found,
        "cause": one.cause,
        "since": one.since,
        "record": one.record or None,
        "unseen_at_most": one.within.total_seconds() if one.within is not None else None,
        "until": one.until,
        "ended": one.ended or None,
        "ended_by": one.mended or None,
        "by_order": one.order,
    }


def _order_json(one: OrderEnd) -> dict[str, object]:
    return {
        "order": one.order,
        "at": one.at,
        "how": one.kind,
        "stations": one.stations,
        "settings": one.settings,
        "confirmed_by": one.confirmed_by,
        "reasons": one.reasons,
        "outcome": one.outcome or None,
        "record": one.commit,
    }


def _week_json(one: Week) -> dict[str, object]:
    share = one.share
    return {
        "from": one.since,
        "counted_at": one.at,
        "as_left": share.part if share else 0,
        "of": share.of if share else 0,
        "share": share.share if share else None,
        "interval": {"low": share.low, "high": share.high} if share else None,
    }
