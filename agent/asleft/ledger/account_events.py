"""Events of accounts in the ledger's SQLite file: what happened to a person's sign-in, and what of it they have seen."""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from typing import Any

from asleft.domain.account_events import KeptEvent
from asleft.domain.accounts import AccountEvent, AccountMove, Mark, Whence
from asleft.ledger.file import LedgerFile

__all__ = ["SqliteAccountEvents"]

_COLUMNS = "person, at, since, move, by, address, agent, detail, marks, session, count, elsewhere, matters"
_EVENT = f"SELECT number, {_COLUMNS} FROM account_event"  # noqa: S608 a fixed text
_UNSEEN = (
    f"{_EVENT} WHERE person = ? AND matters = 1 AND number >"  # noqa: S608 a fixed text
    " coalesce((SELECT number FROM account_event_seen WHERE person = ?), 0) ORDER BY number DESC"
)


class SqliteAccountEvents:
    """Keeps events of accounts in tables of the ledger. Each call is one transaction, safe on disk when it returns.

    Args:
        ledger: The open ledger; whoever opened it closes it.
    """

    def __init__(self, ledger: LedgerFile) -> None:
        self._ledger = ledger

    def last(self, person: str) -> KeptEvent | None:
        """Give what was kept last of a person."""
        rows = self._ledger.rows(f"{_EVENT} WHERE person = ? ORDER BY number DESC LIMIT 1", (person,))
        return _kept(rows[0]) if rows else None

    def keep(self, kept: KeptEvent, *, most: int) -> None:
        """Keep an event: a new one where it has no number, else in its place; the oldest beyond a number go."""
        row = (kept.number or None, *_row(kept))
        marks = ", ".join("?" * len(row))
        with self._ledger.change(survives_power_cut=True) as change:
            change.execute(
                f"INSERT OR REPLACE INTO account_event (number, {_COLUMNS}) VALUES ({marks})",  # noqa: S608 a fixed text
                row,
            )
            change.execute(
                "DELETE FROM account_event WHERE number IN (SELECT number FROM account_event"
                " WHERE person = ? AND matters = ? ORDER BY number DESC LIMIT -1 OFFSET ?)",
                (kept.event.person, int(kept.matters), most),
            )

    def events(self, person: str) -> Sequence[KeptEvent]:
        """Give what is kept of a person, the newest first."""
        rows = self._ledger.rows(f"{_EVENT} WHERE person = ? ORDER BY number DESC", (person,))
        return tuple(map(_kept, rows))

    def unseen(self, person: str) -> Sequence[KeptEvent]:
        """Give what matters and the person has not seen yet, the newest first."""
        rows = self._ledger.rows(_UNSEEN, (person, person))
        return tuple(map(_kept, rows))

    def seen(self, person: str) -> int:
        """Give the number up to which a person has seen them; 0 before the first time."""
        rows = self._ledger.rows("SELECT number FROM account_event_seen WHERE person = ?", (person,))
        return int(rows[0][0]) if rows else 0

    def see(self, person: str, number: int) -> None:
        """Note that a person has seen them up to a number; never fewer than before, nor more than there are."""
        with self._ledger.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT INTO account_event_seen (person, number) SELECT ?1, min(?2, max(number))"
                " FROM account_event WHERE person = ?1 HAVING count(*) > 0"
                " ON CONFLICT (person) DO UPDATE SET number = max(number, excluded.number)",
                (person, number),
            )

    def forget(self, before: datetime, *, people: Collection[str]) -> None:
        """Forget what was before a time, and all of whoever is not among the people."""
        old = self._ledger.rows("SELECT 1 FROM account_event WHERE at < ? LIMIT 1", (_text(before),))
        kept = self._ledger.rows(
            "SELECT person FROM account_event UNION SELECT person FROM account_event_seen"
        )
        gone = [person for (person,) in kept if person not in people]
        if not old and not gone:  # asked every minute: nothing is written where there is nothing to forget
            return
        with self._ledger.change(survives_power_cut=True) as change:
            change.execute("DELETE FROM account_event WHERE at < ?", (_text(before),))
            for table in ("account_event", "account_event_seen"):
                change.executemany(
                    f"DELETE FROM {table} WHERE person = ?",  # noqa: S608 one of two fixed names
                    [(person,) for person in gone],
                )


def _row(kept: KeptEvent) -> tuple[str | int, ...]:
    event = kept.event
    return (
        event.person, _text(event.at), _text(kept.since), event.move, event.by, event.whence.address,
        event.whence.agent, event.detail, ", ".join(sorted(event.marks)), event.session, kept.count,
        int(kept.elsewhere), int(kept.matters),
    )  # fmt: skip


def _kept(row: Sequence[Any]) -> KeptEvent:
    number, person, at, since, move, by, address, agent, detail, marks, session, count, elsewhere, told = row
    return KeptEvent(
        number=int(number),
        event=AccountEvent(
            at=_time(at),
            move=AccountMove(move),
            person=person,
            by=by,
            whence=Whence(address, agent),
            detail=detail,
            marks=frozenset(map(Mark, marks.split(", "))) if marks else frozenset(),
            session=session,
        ),
        count=int(count),
        since=_time(since),
        elsewhere=bool(elsewhere),
        matters=bool(told),
    )


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
