"""Lending: a setting changed for a stated time, and given back on time whatever becomes of the agent meanwhile.

A loan is an order that lends and that no other order has given back. Both go the way of every order, so that no state of a
loan can be lost; what is noted beside them says only when closing is tried again, and why it failed.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from asleft.domain.comparison import differing
from asleft.domain.drawing import Wish
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.kinds import NotAValue, Value
from asleft.domain.loans import LONGEST, SHORTEST, closing_freeze, free_before, harms, lent
from asleft.domain.names import harmless
from asleft.domain.orders import Purpose
from asleft.domain.profile import Keeper, Place, Setting
from asleft.ports.orders import KeptOrder
from asleft.work.giving_back import GivingBack
from asleft.work.guards import check_reason, frozen_words, person_of
from asleft.work.ordering import MayNot, NothingToRestore, look_in, order_for, see_unit, stations_of
from asleft.work.waiting import until_after_freeze

__all__ = ["Lending"]


class Lending(GivingBack):
    """Lends settings of stations, and gives them back."""

    async def lend(
        self, name: str, setting: str, text: str, *, lasting: timedelta, by: str, reason: str
    ) -> KeptOrder:
        """Draw up the order that lends a setting of a station; whoever confirms it confirms its end, too.

        Args:
            name: The station, as `site/station`.
            setting: Dotted name.
            text: Its value meanwhile.
            lasting: For how long, from now.
            by: Key of the person to whom it is lent.
            reason: Why.

        Raises:
            MayNot: It is not to be lent, or not for so long, or not until then.
            NothingToRestore: The station could not be read, is another unit, or has that value already.
            NoStation: There is no such station.
        """
        self._fetched()
        now = self._clock()
        estate = lent(self._base().at(now), self.loans())
        station = stations_of(estate, [name])[0]
        as_left = estate.stations[station]
        person_of(estate, by)
        check_reason(reason, str(station))
        value = self._value(as_left, setting, text)
        ends = (now + lasting).replace(microsecond=0)
        self._see_may_be_lent(estate, as_left, setting, value, lasting=lasting, ends=ends, now=now)
        aim = replace(as_left, values={**as_left.values, setting: value})
        look = look_in(await self.restores.look(estate, [station]), station)
        found = see_unit(as_left, look)
        row = as_left.profile.settings[setting]
        if setting not in found.values:
            why = found.unread[setting].why if setting in found.unread else "it was not read"
            raise NothingToRestore(
                f"{setting} could not be read: {why}", where=str(station), todo="try again later"
            )
        if not differing(as_left.profile, {setting: value}, {setting: found.values[setting]}):
            raise NothingToRestore(
                f"{setting} reads {row.show(value)} already, which nobody approved",
                where=str(station),
                todo=f"bring it back as left first, with asleft restore {station}",
            )
        wish = Wish(purpose=Purpose.LEND, by=by, only=frozenset({setting}), ends=ends)
        order = order_for(estate, aim, look, now=self._clock(), wish=wish)
        order = until_after_freeze(estate, order, self._clock())
        (kept,) = self.restores.book.draw_up(estate, [order], by=by, why=reason.strip())
        return kept

    def _value(self, as_left: AsLeft, setting: str, text: str) -> Value:
        row = as_left.profile.settings.get(setting)
        station = str(as_left.station)
        if row is None:
            raise MayNot(
                f"'{harmless(setting)}' is no setting of {station}",
                where=station,
                todo=as_left.profile.suggest(setting),
            )
        if row.keeper is not Keeper.ESTATE:
            keeper = "the player's own" if row.keeper is Keeper.PLAYER else "told by the station itself"
            raise MayNot(f"{row.meaning} is {keeper} and is not lent", where=station)
        if setting not in as_left.values:
            raise MayNot(
                f"no layer of the baseline names {setting}: nobody says to what it would go back",
                where=station,
                todo="have its value approved first",
            )
        try:
            return row.kind.parse(text)
        except NotAValue as wrong:
            raise MayNot(f"{setting}: {wrong.what}", where=station, todo=wrong.fix) from wrong

    def _see_may_be_lent(
        self,
        estate: Estate,
        as_left: AsLeft,
        setting: str,
        value: Value,
        *,
        lasting: timedelta,
        ends: datetime,
        now: datetime,
    ) -> None:
        station, row, left = as_left.station, as_left.profile.settings[setting], as_left.values[setting]
        if estate.sites[station.site].drop is not None:
            raise MayNot(
                "this station is read from files only, so nothing can be lent on it", where=str(station)
            )
        if not SHORTEST <= lasting <= LONGEST:
            raise MayNot(
                f"something is lent for {SHORTEST.seconds // 60} minute at least and {LONGEST.days} days at most",
                where=str(station),
                todo="what is wanted for longer is approved in the baseline: asleft concede, or asleft adopt",
            )
        other = next(
            (loan for loan in self.loans() if (loan.station, loan.setting) == (station, setting)), None
        )
        if other is not None:
            zone = estate.sites[station.site].time_zone
            raise MayNot(
                f"{setting} is {other.state} already: to {other.by} until {other.until(zone)}, order {other.id}",
                where=str(station),
                todo=f"wait, or end that one first with asleft give-back {station} {setting}"
                if other.is_open
                else f"confirm that one with asleft confirm {other.id}, or let it lapse",
            )
        if not differing(as_left.profile, {setting: left}, {setting: value}):
            raise MayNot(
                f"{setting} is left at {row.show(value)}: there is nothing to lend", where=str(station)
            )
        self._see_goes_back(row, value, left, str(station))
        if closing_freeze(estate, station, setting, ends) is not None:
            free = free_before(estate, station, setting, ends, after=now + SHORTEST)
            zone = estate.sites[station.site].time_zone
            at = (
                f"{_there(free, zone)} is the last time before that"
                if free
                else "there is no time before that"
            )
            freeze = closing_freeze(estate, station, setting, ends)
            raise MayNot(
                f"it would end while nothing may be written: {frozen_words(freeze, station.site, ends)}; {at}",
                where=str(station),
                todo="lend it for a time that ends before it" if free else "lend it after that",
            )

    def _see_goes_back(self, row: Setting, value: Value, left: Value, where: str) -> None:
        """See that it can be given back with nobody there."""
        if row.place is Place.ADDRESS:
            raise MayNot(
                f"{row.meaning} is not lent: a station that changes its address by itself can be lost",
                where=where,
                todo="have the address approved, and draw up a restore",
            )
        harm = harms(row, value, left)
        if harm:
            raise MayNot(
                f"it would be given back with nobody there to see to it, and {harm}",
                where=where,
                todo="change it by hand or have it approved, and restore it with somebody there",
            )


def _there(at: datetime, zone: str) -> str:
    return f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M %Z}"
