"""Answers about the past as data, under the names that `asleft … --json` and `/api` give them; times in UTC, lengths in seconds."""

from asleft.domain.evidence.account import Account, OrderEnd, Week
from asleft.domain.evidence.drifting import Drifted
from asleft.domain.evidence.instant import Instant, InstantRow
from asleft.domain.evidence.pieces import Change, Piece
from asleft.domain.evidence.stood import Stood
from asleft.domain.tables import stamp

__all__ = [
    "HEADINGS",
    "account_json",
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


def piece_cells(piece: Piece, *, most_lines: int | None = None) -> tuple[str, ...]:
    """Give a piece as the cells of a row, below `HEADINGS`.

    Args:
        piece: The piece.
        most_lines: At most so many lines of its text; what is cut is said in one more.
    """
    lines = [*piece.lines, *map(str, piece.changes)]
    if most_lines is not None and len(lines) > most_lines:
        lines = [*lines[:most_lines], f"and {len(lines) - most_lines} more lines"]
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
        "\n".join(lines),
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
        "ordered-at": piece.when,
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
            "named-first": force.since,
            "named-last": force.named,
            "another-named-first": force.until,
            "words": force.words(made.at),
        },
        "occasions": made.occasions,
        "read": made.read,
        "page": made.page.commit if made.page else None,
        "page-at": made.page.when if made.page else None,
        "rows": [_row_json(row) for row in made.rows],
        "notes": made.notes,
    }


def _row_json(row: InstantRow) -> dict[str, object]:
    return {
        "name": row.name,
        "meaning": row.meaning,
        "concern": row.concern,
        "as-left": row.as_left or None,
        "file": row.origin.file if row.origin else None,
        "line": row.origin.line if row.origin else None,
        "as-found": row.as_found or None,
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
        "approved-at": one.by.at,
        "subject": one.by.subject,
        "file": one.origin.file,
        "line": one.origin.line,
    }


def account_json(made: Account) -> dict[str, object]:
    """Give an account as JSON can hold it; times in UTC, lengths in seconds."""
    return {
        "since": made.since,
        "until": made.until,
        "zone": made.zone,
        "sites": made.sites,
        "days": [{"day": one.day, "commits": one.commits, "named-last": one.named} for one in made.days],
        "approved": [
            {
                "commit": one.piece.commit,
                "at": one.piece.at,
                "in-force-since": one.force.since,
                "not-before": one.force.after,
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
                "count": len(one.seconds),
                "median": one.median,
                "worst": one.longest,
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
                "days-left": one.days_left,
                "since": one.since,
                "commit": one.commit,
            }
            for one in made.concessions
        ],
        "not-read": [
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
        "as-left": one.as_left,
        "as-found": one.as_found,
        "cause": one.cause,
        "since": one.since,
        "record": one.record or None,
        "unseen-at-most": one.within.total_seconds() if one.within is not None else None,
        "until": one.until,
        "ended": one.ended or None,
        "ended-by": one.mended or None,
        "by-order": one.order,
    }


def _order_json(one: OrderEnd) -> dict[str, object]:
    return {
        "order": one.order,
        "at": one.at,
        "how": one.kind,
        "stations": one.stations,
        "settings": one.settings,
        "confirmed-by": one.confirmed_by,
        "reasons": one.reasons,
        "outcome": one.outcome or None,
        "record": one.commit,
    }


def _week_json(one: Week) -> dict[str, object]:
    share = one.share
    return {
        "from": one.since,
        "counted-at": one.at,
        "as-left": share.part if share else 0,
        "of": share.of if share else 0,
        "share": share.share if share else None,
        "interval": {"low": share.low, "high": share.high} if share else None,
    }
