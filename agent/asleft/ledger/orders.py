"""Orders in the ledger's file: as drawn up, what happened to each, and every step before it is taken."""

import json
from collections.abc import Hashable, Iterable, Mapping, Sequence
from datetime import datetime

from asleft.domain.alarms.times import Mended
from asleft.domain.groups import Group
from asleft.domain.orders import Event, Moved, Order, OrderState, Purpose
from asleft.domain.stations import StationId
from asleft.ledger.file import LedgerFile
from asleft.ledger.packing import GROUP, ORDER, pack
from asleft.ports.orders import KeptOrder, Step, StepState

__all__ = ["OrderTables"]

_COLUMNS = "id, body, state, outcome, ended, recorded, group_id, due"
# Times are kept to the second. Of one second, the beginnings of the lives tell which was drawn up first: they are numbered as
# they come, and none is ever taken out. Orders from before lives were kept have none, and then their ids keep them in place.
_AGE = (
    "{0}.drawn_up{1}",
    "coalesce((SELECT min(number) FROM order_move WHERE order_id = {0}.id), 0){1}",
    "{0}.id{1}",
)


def _age(table: str = "restore_order", way: str = "") -> str:
    return ", ".join(_AGE).format(table, way)


class OrderTables(LedgerFile):
    """Keeps orders."""

    def add_orders(self, orders: Sequence[Order], drawn: Moved, group: Group | None = None) -> None:
        """Keep new orders as drawn up, all of them or none; one that is there already stays as it is."""
        with self.change(survives_power_cut=True) as change:
            if group is not None:
                change.execute(
                    "INSERT OR IGNORE INTO order_group (id, drawn_up, body) VALUES (?, ?, ?)",
                    (group.id, group.drawn_up.isoformat(), pack(GROUP, group)),
                )
            for order in orders:
                done = change.execute(
                    "INSERT OR IGNORE INTO restore_order (id, drawn_up, body, state, group_id) VALUES (?, ?, ?, ?, ?)",
                    (
                        order.id,
                        order.drawn_up.isoformat(),
                        pack(ORDER, order),
                        OrderState.DRAWN_UP,
                        group.id if group else "",
                    ),
                )
                if done.rowcount:
                    change.execute(_ADD_MOVE, _row(order.id, drawn))

    def orders(self, *, states: Iterable[OrderState] | None = None) -> Sequence[KeptOrder]:
        """Give orders, oldest first, or those in some states."""
        wanted = tuple(OrderState if states is None else states)
        marks = ", ".join("?" * len(wanted))
        return self._kept(f"state IN ({marks})", wanted)

    def order_page(
        self,
        limit: int,
        *,
        before: str = "",
        sites: Iterable[str] | None = None,
        states: Iterable[OrderState] | None = None,
        groups_once: bool = False,
    ) -> Sequence[KeptOrder]:
        """Give some orders, the newest first; of a group, where that is asked for, its newest one alone."""
        # `+` keeps SQLite from taking the index of the states, for it would have to sort all that it finds there.
        right, values = _where("+{0}.state IN", states)
        there, more = _where("json_extract({0}.body, '$.station.site') IN", sites)
        where = [right.format("restore_order"), there.format("restore_order")]
        asked: list[object] = [*values, *more]
        if before:
            # The first line is there for the index of the ages, which knows times and no numbers.
            where.append("drawn_up <= (SELECT drawn_up FROM restore_order WHERE id = ?)")
            where.append(
                f"({_age()}) < (SELECT {_age('one')} FROM restore_order AS one WHERE one.id = ?)"  # noqa: S608 own words only
            )
            asked += [before, before]
        if groups_once:
            # The newest one alone, and only where none of the group is in another state. A group is drawn up at once, between
            # any two other orders, so that which of one second stands for it moves nothing: the index of the groups says.
            of_it = "FROM restore_order AS other WHERE other.group_id <> '' AND other.group_id = restore_order.group_id"
            newest = f"SELECT other.id {of_it} AND {there.format('other')} ORDER BY other.drawn_up DESC, other.id DESC LIMIT 1"
            unlike = f"SELECT 1 {of_it} AND NOT ({right.format('other')})"
            where.append(f"(group_id = '' OR (restore_order.id = ({newest}) AND NOT EXISTS ({unlike})))")
            asked += [*more, *values]
        return self._kept(
            " AND ".join(where),
            (*asked, limit),
            order=f"{_age(way=' DESC')} LIMIT ?",
        )

    def orders_in(self, group_id: str) -> Sequence[KeptOrder]:
        """Give the orders of a group, oldest first."""
        return self._kept("group_id <> '' AND group_id = ?", (group_id,))

    def lapsed(self, now: datetime) -> Sequence[KeptOrder]:
        """Give the orders that still wait for a confirmation although their time is over, oldest first."""
        # Asked every second: what has time left is not unpacked.
        over = "julianday(json_extract(body, '$.lapses')) < julianday(?)"
        return self._kept(f"state = ? AND {over}", (OrderState.DRAWN_UP, now.isoformat()))

    def mended(self, since: datetime, until: datetime) -> Sequence[Mended]:
        """Give the orders that were carried out and ended from one time to another, both included, without those that lent."""
        # Figures ask for this at each look: no body is unpacked.
        rows = self.rows(
            "SELECT json_extract(body, '$.station.site'), json_extract(body, '$.station.name'), ended,"
            " (SELECT json_group_array(json_extract(value, '$.setting')) FROM json_each(body, '$.writes'))"
            " FROM restore_order WHERE state = ? AND ended >= ? AND ended <= ?"
            " AND coalesce(json_extract(body, '$.purpose'), '') <> ? ORDER BY ended, id",
            (OrderState.RESTORED, since.replace(microsecond=0).isoformat(), until.isoformat(), Purpose.LEND),
        )
        return [
            Mended(
                station=StationId(site, name),
                settings=frozenset(json.loads(settings)),
                at=datetime.fromisoformat(ended),
            )
            for site, name, ended, settings in rows
        ]

    def orders_like(self, beginning: str) -> Sequence[KeptOrder]:
        """Give the orders whose id begins so, oldest first."""
        # Between it and the next text of its length: `LIKE` would take % and _ for more than themselves.
        return self._kept("id >= ? AND id < ?", (beginning, f"{beginning}\U0010ffff"))

    def unrecorded(self) -> Sequence[KeptOrder]:
        """Give the orders whose life goes further than the records tell, oldest first."""
        return self._kept("recorded = 0", ())

    def _kept(self, where: str, values: Sequence[object], *, order: str = "") -> Sequence[KeptOrder]:
        rows = self.rows(
            f"SELECT {_COLUMNS} FROM restore_order WHERE {where} ORDER BY {order or _age()}",  # noqa: S608 own words only
            values,
        )
        return tuple(
            KeptOrder(
                id=order_id,
                order=ORDER.validate_json(body),
                state=OrderState(state),
                outcome=outcome,
                ended=_time(ended),
                steps=self._steps(order_id),
                recorded=bool(recorded),
                life=self._life(order_id),
                group=group,
                due=_time(due),
            )
            for order_id, body, state, outcome, ended, recorded, group, due in rows
        )

    def halted(self) -> Sequence[KeptOrder]:
        """Give the halted orders of which nobody has said since that they looked at the station, oldest first."""
        return self._kept(_HALTED, (OrderState.HALTED, Event.LOOK))

    def restored_since(self, station: StationId, since: datetime) -> Sequence[KeptOrder]:
        """Give the orders for a station that were restored at a time or later, oldest first."""
        there = "json_extract(body, '$.station.site') = ? AND json_extract(body, '$.station.name') = ?"
        values = (OrderState.RESTORED, since.isoformat(), station.site, station.name)
        return self._kept(f"state = ? AND ended >= ? AND {there}", values)

    def halts_mark(self) -> Hashable:
        """Give what is the same as long as `halted` and `restored_since` give the same; no order is read for it."""
        rows = self.rows(f"SELECT id FROM restore_order WHERE {_HALTED}", (OrderState.HALTED, Event.LOOK))  # noqa: S608 own words only
        halted = tuple(order_id for (order_id,) in rows)
        if not halted:
            return halted
        last = "SELECT ended, count(*) FROM restore_order WHERE state = ? GROUP BY ended ORDER BY ended DESC LIMIT 1"
        return halted, tuple(self.rows(last, (OrderState.RESTORED,)))

    def count_orders(self) -> Mapping[OrderState, int]:
        """Count the orders in each state."""
        rows = self.rows("SELECT state, count(*) FROM restore_order GROUP BY state")
        return {OrderState(state): int(count) for state, count in rows}

    def group(self, group_id: str) -> Group | None:
        """Give a group by its id."""
        rows = self.rows("SELECT body FROM order_group WHERE id = ?", (group_id,))
        return GROUP.validate_json(rows[0][0]) if rows else None

    def _steps(self, order_id: str) -> tuple[Step, ...]:
        rows = self.rows(
            "SELECT setting, state, note FROM step WHERE order_id = ? ORDER BY rowid", (order_id,)
        )
        return tuple(
            Step(setting=setting, state=StepState(state), note=note) for setting, state, note in rows
        )

    def _life(self, order_id: str) -> tuple[Moved, ...]:
        rows = self.rows(
            "SELECT at, event, by, why, accepted, signed, proved, baseline, signature, over FROM order_move"
            " WHERE order_id = ? ORDER BY number",
            (order_id,),
        )
        return tuple(
            Moved(
                at=datetime.fromisoformat(at),
                event=Event(event),
                by=by,
                why=why,
                accepted=tuple(json.loads(accepted)),
                signed=signed,
                proved=proved,
                baseline=baseline,
                signature=signature,
                over=over,
            )
            for at, event, by, why, accepted, signed, proved, baseline, signature, over in rows
        )

    def move_order(
        self,
        order_id: str,
        state: OrderState,
        move: Moved | None = None,
        *,
        outcome: str | None = None,
        ended: datetime | None = None,
    ) -> None:
        """Set an order's state, add what happened to its life, and say what came of it."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "UPDATE restore_order SET state = ?, outcome = coalesce(?, outcome), ended = coalesce(?, ended),"
                " recorded = 0 WHERE id = ?",
                (state, outcome, ended.isoformat() if ended else None, order_id),
            )
            if move is not None:
                change.execute(_ADD_MOVE, _row(order_id, move))

    def set_recorded(self, order_ids: Iterable[str]) -> None:
        """Note that the records tell the life of orders so far."""
        with self.change(survives_power_cut=True) as change:
            change.executemany(
                "UPDATE restore_order SET recorded = 1 WHERE id = ?", [(one,) for one in order_ids]
            )

    def set_due(self, order_id: str, due: datetime | None) -> None:
        """Keep until when the station must be reached at its new address; None where it need not be."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "UPDATE restore_order SET due = ? WHERE id = ?", (due.isoformat() if due else "", order_id)
            )

    def set_step(self, order_id: str, step: Step) -> None:
        """Keep what is meant with, or came of, one write of an order; safe on disk when this returns."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT INTO step (order_id, setting, state, note) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (order_id, setting) DO UPDATE SET state = excluded.state, note = excluded.note",
                (order_id, step.setting, step.state, step.note),
            )


_HALTED = (
    "state = ? AND NOT EXISTS (SELECT 1 FROM order_move WHERE order_id = restore_order.id AND event = ?)"
)
_ADD_MOVE = (
    "INSERT INTO order_move (order_id, at, event, by, why, accepted, signed, proved, baseline, signature, over)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


def _row(order_id: str, move: Moved) -> tuple[str, ...]:
    accepted = json.dumps([*move.accepted])
    return (
        order_id,
        move.at.isoformat(),
        move.event,
        move.by,
        move.why,
        accepted,
        move.signed,
        move.proved,
        move.baseline,
        move.signature,
        move.over,
    )


def _where(column: str, wanted: Iterable[str] | None) -> tuple[str, tuple[str, ...]]:
    """Say that a column holds one of some texts, with a mark for each; anything where nothing is wanted of it."""
    if wanted is None:
        return "TRUE", ()
    texts = tuple(wanted)
    return f"{column} ({', '.join('?' * len(texts))})", texts


def _time(text: str) -> datetime | None:
    return datetime.fromisoformat(text) if text else None
