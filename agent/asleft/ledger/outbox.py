"""The outbox in the ledger's SQLite file: alerts on their way, and those that were told and not yet cleared."""

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from asleft.domain.alerts.alert import Alert
from asleft.domain.profile import Priority
from asleft.ledger.store import SqliteLedger
from asleft.ports.alerts import Fate, Waiting

__all__ = ["SqliteOutbox"]

_CLEARS = frozenset({"all clear", "reached again", "agent well again", "digest", "trial", "sign-in"})
"""Events of an alert's data that end a cause for its receiver, or begin none (asleft-alert, version 1)."""
# What a receiver was told of a cause and has not had an all-clear for since.
_OPEN = """clears = 0 AND NOT EXISTS (
    SELECT 1 FROM outbox AS later
    WHERE later.cause = outbox.cause AND later.receiver = outbox.receiver
    AND later.number > outbox.number AND later.clears = 1)"""


class SqliteOutbox:
    """Keeps alerts in tables of the ledger. Each call is one transaction, safe on disk when it returns.

    Args:
        ledger: The open ledger; whoever opened it closes it.
    """

    def __init__(self, ledger: SqliteLedger) -> None:
        self._ledger = ledger
        self._read: dict[str, Alert] = {}
        """Those that waited when it was last asked, so that they are not read again every second."""

    def put(self, alerts: Iterable[Alert]) -> None:
        """Keep alerts for delivery; one whose id was ever put before is not put again."""
        rows = [
            (
                alert.id,
                alert.receiver,
                alert.cause,
                int(alert.data.get("event") in _CLEARS),
                _packed(alert),
                _text(alert.created),
            )
            for alert in alerts
        ]
        if not rows:
            return
        with self._ledger.change(survives_power_cut=True) as change:
            for row in rows:
                if change.execute("INSERT OR IGNORE INTO outbox_id (id) VALUES (?)", row[:1]).rowcount:
                    change.execute(
                        "INSERT INTO outbox (id, receiver, cause, clears, body, next_try) VALUES (?, ?, ?, ?, ?, ?)",
                        row,
                    )

    def waiting(self) -> Sequence[Waiting]:
        """Give what waits, by receiver, each receiver's oldest first."""
        rows = self._ledger.rows(
            "SELECT id, tries, first_tried, next_try, why FROM outbox WHERE ended = '' ORDER BY receiver, number"
        )
        known = self._read
        self._read = {row[0]: known.get(row[0]) or self._body(row[0]) for row in rows}
        return tuple(
            Waiting(
                alert=self._read[alert_id],
                tries=int(tries),
                first_tried=_time(first_tried) if first_tried else None,
                next_try=_time(next_try),
                why=why,
            )
            for alert_id, tries, first_tried, next_try, why in rows
        )

    def _body(self, alert_id: str) -> Alert:
        ((body,),) = self._ledger.rows("SELECT body FROM outbox WHERE id = ?", (alert_id,))
        return _unpacked(body)

    def delivered(self, alert_id: str, *, at: datetime) -> None:
        """Note that an alert reached its receiver."""
        with self._ledger.change(survives_power_cut=True) as change:
            change.execute(
                "UPDATE outbox SET ended = ?, tries = tries + 1, first_tried = coalesce(nullif(first_tried, ''), ?)"
                " WHERE id = ? AND ended = ''",
                (_text(at), _text(at), alert_id),
            )

    def failed(self, alert_id: str, *, at: datetime, next_try: datetime | None, why: str) -> None:
        """Note that a try failed; with no next try it is given up."""
        with self._ledger.change(survives_power_cut=True) as change:
            change.execute(
                "UPDATE outbox SET tries = tries + 1, first_tried = coalesce(nullif(first_tried, ''), ?),"
                " next_try = coalesce(?, next_try), why = ?, ended = ?, given_up = ? WHERE id = ? AND ended = ''",
                (
                    _text(at),
                    None if next_try is None else _text(next_try),
                    why.encode("utf-8", "backslashreplace").decode(),
                    _text(at) if next_try is None else "",
                    int(next_try is None),
                    alert_id,
                ),
            )

    def fate(self, alert_id: str) -> Fate | None:
        """Say what became of an alert; None where it is not known."""
        rows = self._ledger.rows("SELECT ended, given_up, tries, why FROM outbox WHERE id = ?", (alert_id,))
        for ended, given_up, tries, why in rows:
            return Fate(ended=bool(ended), delivered=bool(ended) and not given_up, tries=int(tries), why=why)
        return None

    def told(self, cause: str) -> Sequence[Alert]:
        """Give the alerts about a cause that were put since the last all-clear to their receiver, oldest first."""
        rows = self._ledger.rows(
            f"SELECT body FROM outbox WHERE cause = ? AND {_OPEN} ORDER BY number",  # noqa: S608 a fixed text
            (cause,),
        )
        return tuple(_unpacked(body) for (body,) in rows)

    def open_causes(self) -> Sequence[str]:
        """Give the causes of which somebody was told and has had no all-clear since."""
        rows = self._ledger.rows(f"SELECT DISTINCT cause FROM outbox WHERE {_OPEN} ORDER BY cause")  # noqa: S608 a fixed text
        return tuple(cause for (cause,) in rows)

    def forget(self, before: datetime) -> None:
        """Forget what was delivered or given up before a time, but for what an all-clear is still to come for.

        Ids are kept: what was told once is not told again.
        """
        with self._ledger.change() as change:
            change.execute(
                f"DELETE FROM outbox WHERE ended != '' AND ended < ? AND clears = 0 AND NOT ({_OPEN})",  # noqa: S608 a fixed text
                (_text(before),),
            )
            # An all-clear goes after what it clears: as long as that is there, it is what says that it is cleared.
            change.execute(
                "DELETE FROM outbox WHERE ended != '' AND ended < ? AND clears = 1 AND NOT EXISTS ("
                "SELECT 1 FROM outbox AS earlier WHERE earlier.cause = outbox.cause"
                " AND earlier.receiver = outbox.receiver AND earlier.number < outbox.number AND earlier.clears = 0)",
                (_text(before),),
            )


def _packed(alert: Alert) -> str:
    return json.dumps(
        {
            "id": alert.id,
            "receiver": alert.receiver,
            "channel": alert.channel,
            "address": alert.address,
            "subject": alert.subject,
            "text": alert.text,
            "data": dict(alert.data),
            "priority": alert.priority,
            "created": _text(alert.created),
            "cause": alert.cause,
        }
    )


def _unpacked(body: str) -> Alert:
    row = json.loads(body)
    return Alert(**{**row, "priority": Priority(row["priority"]), "created": _time(row["created"])})


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
