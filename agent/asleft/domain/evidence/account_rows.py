"""An account as rows of comma-separated values; times in UTC, lengths in seconds."""

from collections.abc import Iterator
from datetime import timedelta

from asleft.domain.evidence.account import Account
from asleft.domain.tables import stamp

__all__ = ["account_rows"]

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
    for name, times in (("detect", made.detect), ("restore", made.restore), ("ended", made.ended)):
        for word, took in (("median", times.median), ("worst", times.longest)):
            yield {
                "section": f"time to {name}" if name != "ended" else "time until gone",
                "state": word,
                "seconds": "" if took is None else f"{took:.0f}",
                "of": f"{len(times.seconds)}",
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
