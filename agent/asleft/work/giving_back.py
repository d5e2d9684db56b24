"""Giving back what was lent: on time by the agent, as was agreed, or before that by a person."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.comparison import differing
from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId, under
from asleft.domain.freezing import Freeze, frozen_for
from asleft.domain.hazards import hazards_of
from asleft.domain.kinds import nearest
from asleft.domain.loans import Loan, LoanState, closing_freeze, harms, lent
from asleft.domain.names import harmless
from asleft.domain.occasions import on_at
from asleft.domain.orders import Event, Moved, Order, OrderState, Purpose
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.approved import IN_FORCE
from asleft.work.guards import Confirming, check_reason, frozen_words, longest, person_of
from asleft.work.loans import loans_of, note_failed
from asleft.work.order_desk import Held
from asleft.work.ordering import MayNot, order_for
from asleft.work.restores import Interrupted, Restores

__all__ = ["GivingBack", "NoLoan"]

_BY_HAND: Final = "nothing was written: it was found as left already, so somebody had set it back"
_JUDGED_FOR: Final = timedelta(seconds=60)
"""What was judged is judged again after this: another occasion may be on by now."""


class NoLoan(AsleftError):
    """Nothing is lent there, or not that."""


class _CannotClose(Exception):
    """A loan cannot be closed now, for this reason.

    Args:
        why: One sentence.
        freeze: The freeze that is the reason.
        gone: Whether what it was lent on is no longer there, so that only a person can say that it is over.
    """

    def __init__(self, why: str, *, freeze: Freeze | None = None, gone: bool = False) -> None:
        super().__init__(why)
        self.why = why
        self.freeze = freeze
        self.gone = gone


class GivingBack:
    """Gives back what was lent on stations.

    Args:
        restores: Draws up, carries out and records orders.
        ledger: Keeps orders.
        fetched: Fetches the baseline, where the desk does that; called before something new is lent.
        base: Gives the estate in force, without the occasions that are on.
        ended: Called with each order that ended, for what follows from it.
        held: Keeps what stations tell from being recorded meanwhile.
        clock: Gives the time.
    """

    def __init__(
        self,
        restores: Restores,
        ledger: Ledger,
        *,
        fetched: Callable[[], object],
        base: Callable[[], Estate],
        ended: Callable[[KeptOrder], None],
        held: Held,
        clock: Clock,
    ) -> None:
        self.restores = restores
        self._ledger = ledger
        self._fetched = fetched
        self._base = base
        self._ended = ended
        self._held = held
        self._clock = clock
        self._judged: dict[str, tuple[tuple[datetime, str | None], datetime]] = {}
        """By loan the look and the revision that were judged last, and when."""

    def loans(self) -> tuple[Loan, ...]:
        """Give the loans that are asked for, lent or overdue, the overdue ones first."""
        return loans_of(self._ledger, self._clock())

    # Giving back on time.

    def due(self) -> tuple[Loan, ...]:
        """Give the loans that are to be looked at now: those that are overdue, and those that seem to be closed already."""
        now = self._clock()
        return tuple(
            loan
            for loan in self.loans()
            if loan.is_open
            and loan.station not in self.restores.busy
            and (
                loan.again is None or now >= loan.again
                if loan.state is LoanState.OVERDUE
                else self._seems_back(loan, now)
            )
        )

    def _seems_back(self, loan: Loan, now: datetime) -> bool:
        """Tell whether the last look found a setting as left that is lent; judged anew only where something is new."""
        looked = self._ledger.looks_at([loan.station]).get(loan.station)
        if looked is None or not isinstance(looked.last, AsFound):
            return False
        if loan.opened is None or looked.last.at < loan.opened:
            return False
        seen = (looked.last.at, self._ledger.note(IN_FORCE))
        before = self._judged.get(loan.id)
        if before is not None and before[0] == seen and timedelta() <= now - before[1] < _JUDGED_FOR:
            return False
        self._judged[loan.id] = (seen, now)
        return _is_back(_only(self._base(), loan.station, now), loan, looked.last)

    async def close_due(self, *, sites: Sequence[str] = ()) -> list[KeptOrder]:
        """Give back what is due, and end what somebody gave back by hand; the orders that ended by it are given.

        Nothing is raised for a loan that cannot be closed: it is overdue, which is an alarm, and is tried again.

        Args:
            sites: Only at these sites; everywhere where none is named.
        """
        ended: list[KeptOrder] = []
        for loan in self.due():
            if not sites or loan.station.site in sites:
                kept = await self._close(loan)
                ended += [kept] if kept is not None else []
        return ended

    async def _close(self, loan: Loan) -> KeptOrder | None:
        """Close one loan as it was agreed; None where it stays open."""
        now = self._clock()
        consent = tuple(self._agreed(loan))
        try:
            async with self._held([loan.station]):
                kept = await self._try_to_close(loan, now, consent)
        except _CannotClose as problem:
            self._failed(loan, problem.why, problem.freeze)
            return None
        except Interrupted as problem:
            self._failed(loan, problem.what)
            raise
        except AsleftError as problem:
            self._failed(loan, problem.what)
            return None
        if kept is None:
            return None
        self._ended(kept)
        if kept.state is not OrderState.RESTORED:
            self._failed(loan, kept.outcome)
        return kept

    async def _try_to_close(self, loan: Loan, now: datetime, consent: Sequence[Moved]) -> KeptOrder | None:
        without, as_left = self._aim(loan, now)
        freeze = closing_freeze(without, loan.station, loan.setting, now)
        if freeze is not None and loan.state is LoanState.OVERDUE:
            raise _CannotClose(frozen_words(freeze, loan.station.site, now), freeze=freeze)
        look = await self._look(loan, as_left)
        if _is_back(as_left, loan, look):
            return await self._end_unwritten(without, loan, look, consent, _BY_HAND)
        if loan.state is not LoanState.OVERDUE:
            return None  # it was set again since
        row = as_left.profile.settings[loan.setting]
        harm = harms(row, look.values[loan.setting], as_left.values[loan.setting])
        if harm:
            raise _CannotClose(f"it reads {row.show(look.values[loan.setting])}, and {harm}")
        heard = {
            hazard.id for hazard in hazards_of(row, look.values[loan.setting], as_left.values[loan.setting])
        }
        if not heard <= set(loan.accepted):
            raise _CannotClose("giving it back is heard, and nobody accepted that")
        order = self._order(without, as_left, look, loan, by="")
        freeze = frozen_for(without, order, now, ahead=longest(without.orders, order))
        if freeze is not None:
            raise _CannotClose(frozen_words(freeze, loan.station.site, now), freeze=freeze)
        kept = self._confirmed(without, order, consent)
        return await self.restores.carry_out(without, kept)

    def _aim(self, loan: Loan, now: datetime) -> tuple[Estate, AsLeft]:
        """Give what holds without a loan, and what its station goes back to.

        Raises:
            _CannotClose: Nobody says to what it goes back.
        """
        without = self._without(loan, now)
        as_left = without.stations.get(loan.station)
        if as_left is None:
            raise _CannotClose("the station is no longer in the baseline", gone=True)
        if as_left.serial != loan.serial:
            raise _CannotClose(
                f"it was lent on unit {harmless(loan.serial)}, and another unit is approved there now: close it where"
                " that unit is",
                gone=True,
            )
        if loan.setting not in as_left.values:
            raise _CannotClose(
                "no layer of the baseline names it any more: nobody says what it goes back to", gone=True
            )
        if without.sites[loan.station.site].drop is not None:
            raise _CannotClose("the station is read from files only by now", gone=True)
        return without, as_left

    async def _look(self, loan: Loan, as_left: AsLeft) -> AsFound:
        # As it is with the loan: while that holds, what it opened is no drift.
        here = lent(self._base().at(self._clock()), self.loans())
        look = (await self.restores.look(here, [loan.station])).get(loan.station)
        if look is None:
            raise _CannotClose("an order is being carried out at the station")
        if isinstance(look, NotRead):
            raise _CannotClose(f"the station could not be read: {harmless(look.why)}")
        if look.serial != as_left.serial:
            raise _CannotClose(f"another unit answers there, serial {harmless(look.serial)}")
        if loan.setting not in look.values:
            why = look.unread[loan.setting].why if loan.setting in look.unread else "not offered"
            raise _CannotClose(f"the setting could not be read: {why}")
        return look

    def _without(self, loan: Loan, now: datetime) -> Estate:
        """Give the estate as it is now, without one loan."""
        return lent(self._base().at(now), [other for other in self.loans() if other.id != loan.id])

    def _order(self, without: Estate, as_left: AsLeft, look: AsFound, loan: Loan, *, by: str) -> Order:
        wish = Wish(purpose=Purpose.GIVE_BACK, by=by, only=frozenset({loan.setting}), undoes=loan.id)
        return order_for(without, as_left, look, now=self._clock(), wish=wish)

    def _agreed(self, loan: Loan) -> Sequence[Moved]:
        """Give the confirmations of a loan as those of its end."""
        at, said = self._clock().replace(microsecond=0), f"agreed with when it was lent, order {loan.id}: "
        return [
            replace(move, at=at, why=said + move.why, signed="", proved="", signature="", over="")
            for move in self.restores.book.kept(loan.id).confirmed
        ]

    def _confirmed(self, without: Estate, order: Order, consent: Sequence[Moved]) -> KeptOrder:
        """Keep an order that was agreed with beforehand, and say by whom."""
        (kept,) = self.restores.book.draw_up(without, [order], by=order.by, why="a loan ends")
        try:
            for number, move in enumerate(consent, 1):
                event = Event.CONFIRM if number == len(consent) else Event.AGREE
                (kept,) = self.restores.book.move(without, [kept], replace(move, event=event))
        except AsleftError:
            # What is not in the records is not written: the order ends here, as far as the ledger takes it.
            with suppress(AsleftError):
                current = self.restores.book.kept(order.id)
                why = "nothing was written: the confirmation could not be recorded"
                self.restores.book.end(without, current, Event.REFUSE, why, None)
            raise
        return kept

    async def _end_unwritten(
        self, without: Estate, loan: Loan, look: AsFound | None, consent: Sequence[Moved], outcome: str
    ) -> KeptOrder:
        """End a loan without a write."""
        opening = self.restores.book.kept(loan.id).order
        drawn_up = self._clock().replace(microsecond=0)
        order = Order(
            station=loan.station,
            serial=loan.serial,
            address=look.address if look is not None else opening.address,
            profile=opening.profile,
            baseline=without.commit,
            drawn_up=drawn_up,
            lapses=drawn_up + without.orders.lapse,
            writes=(),
            hazards=(),
            found=dict(look.values) if look is not None else {},
            left_alone=(),
            purpose=Purpose.GIVE_BACK,
            undoes=loan.id,
        )
        kept = self.restores.book.begin(self._confirmed(without, order, consent))
        return self.restores.book.end(without, kept, Event.FINISH, outcome, look)

    def _failed(self, loan: Loan, why: str, freeze: Freeze | None = None) -> None:
        if loan.state is not LoanState.OVERDUE:
            return  # it is not to be closed yet
        open_ones = [other.id for other in self.loans()]
        note_failed(self._ledger, loan, why, now=self._clock(), open_ones=open_ones, freeze=freeze)

    # Giving back by a person.

    async def give_back(
        self,
        name: str,
        setting: str = "",
        *,
        by: str,
        reason: str,
        accepted: Sequence[str] = (),
        gone: bool = False,
    ) -> KeptOrder:
        """Give back what is lent, before its end or after it, as a named person who may confirm.

        The order is given as it ended, or as it waits for a second person where one is asked for.

        Args:
            name: The station, as `site/station`.
            setting: Which setting; empty where only one is lent there.
            by: Key of the person.
            reason: Why.
            accepted: Hazards that the person takes on.
            gone: Say that what it was lent on is no longer there, so that nobody can close it from here.

        Raises:
            NoLoan: Nothing is lent there.
            MayNot: The person may not, or not now.
        """
        self._fetched()
        now = self._clock()
        base = self._base()
        loan = self._open_loan(name, setting)
        person = person_of(base, by)
        as_left = base.stations.get(loan.station)
        row = as_left.profile.settings.get(loan.setting) if as_left is not None else None
        if not person.may_confirm(loan.station.site, [row.concern] if row is not None else []):
            raise MayNot(f"{person.name} may not confirm that at {loan.station.site}", where="people.yaml")
        check_reason(reason, str(loan.station))
        at, why = now.replace(microsecond=0), reason.strip()
        own = [Moved(at=at, event=Event.CONFIRM, by=by, why=why, baseline=base.commit)]
        async with self._held([loan.station]):
            try:
                kept = await self._give_back(
                    loan, now, own, Confirming(by=by, reason=reason, accepted=tuple(accepted))
                )
            except _CannotClose as problem:
                if not gone or not problem.gone:
                    raise MayNot(
                        f"it cannot be given back: {problem.why}",
                        where=str(loan.station),
                        todo="close it where the unit is, then say so with --gone"
                        if problem.gone
                        else "try again later",
                    ) from None
                outcome = f"nothing was written: {problem.why}; {person.name} says that it is over"
                kept = await self._end_unwritten(self._without(loan, now), loan, None, own, outcome)
        self._ended(kept)
        return kept

    async def _give_back(
        self, loan: Loan, now: datetime, own: Sequence[Moved], confirming: Confirming
    ) -> KeptOrder:
        without, as_left = self._aim(loan, now)
        look = await self._look(loan, as_left)
        if _is_back(as_left, loan, look):
            return await self._end_unwritten(without, loan, look, own, _BY_HAND)
        order = self._order(without, as_left, look, loan, by=confirming.by)
        (kept,) = self.restores.book.draw_up(without, [order], by=confirming.by, why=confirming.reason)
        return await self.restores.confirm(without, kept.id, confirming)

    def _open_loan(self, name: str, setting: str) -> Loan:
        station = StationId.parse(name)
        there = [loan for loan in self.loans() if loan.station == station and loan.is_open]
        chosen = [loan for loan in there if setting in {"", loan.setting}]
        if len(chosen) == 1:
            return chosen[0]
        names = [loan.setting for loan in there]
        if not there:
            raise NoLoan("nothing is lent there", where=harmless(name), todo="see asleft lent")
        if setting:
            raise NoLoan(
                f"'{harmless(setting)}' is not lent there", where=harmless(name), todo=nearest(setting, names)
            )
        raise NoLoan(
            f"{len(there)} settings are lent there: {', '.join(names)}", where=harmless(name), todo="name one"
        )


def _only(estate: Estate, station: StationId, now: datetime) -> AsLeft | None:
    """Give one station as left now: laying occasions over a whole site costs more than over one station of it."""
    as_left, site = estate.stations.get(station), estate.sites.get(station.site)
    if as_left is None or site is None or site.calendar is None:
        return as_left
    named = {occasion.name: occasion for occasion in estate.occasions}
    on = on_at(site.calendar, list(named), now)
    return under({station: as_left}, [named[one] for one in on])[station]


def _is_back(as_left: AsLeft | None, loan: Loan, look: AsFound) -> bool:
    """Tell whether a setting that is lent was found as left."""
    if as_left is None or look.serial != loan.serial or as_left.serial != loan.serial:
        return False
    value, left = look.values.get(loan.setting), as_left.values.get(loan.setting)
    if value is None or left is None:
        return False
    return value == left or not differing(as_left.profile, {loan.setting: left}, {loan.setting: value})
