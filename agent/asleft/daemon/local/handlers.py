"""What the agent does for the command line: the desk's changing work."""

from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import replace

from asleft.daemon.local.calls import AlarmAsked, AlarmsSent, RoundAsked, RoundSent, ZoneAsked, ZoneSent
from asleft.daemon.local.handling import Turn, handler_of
from asleft.daemon.local.in_part import alarms_seen, round_seen
from asleft.daemon.local.order_handlers import order_handlers
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Handler
from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.errors import AsleftError
from asleft.domain.snapshot import AsFound, NotRead
from asleft.domain.withheld import Withheld
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.desk import OwnerDesk
from asleft.work.rounds import RoundReport

__all__ = ["Turn", "alarm_handlers", "desk_handlers", "handler_of"]


def desk_handlers(
    desk: OwnerDesk,
    turn: Turn,
    *,
    fetch: Callable[[], Awaitable[object]] | None = None,
    done: Callable[[RoundReport], Awaitable[object]] | None = None,
) -> dict[str, Handler]:
    """Give what the agent does for the command line, and tells as far as who asks may look.

    Args:
        desk: The agent's desk.
        turn: Held while stations are read, by the agent's own rounds too: one thing at a time.
        fetch: Fetches the baseline beforehand, where the desk itself does not wait for the network; what it raises is told
            by the desk's notices.
        done: Takes what a round gave, as the agent's own rounds are taken, for alarms, alerts and metrics; it is this turn's.
    """
    sight = Sight(desk)

    async def fresh() -> None:
        if fetch is not None:
            with suppress(AsleftError):
                await fetch()

    async def do_round(asked: RoundAsked) -> RoundSent:
        report = await desk.round(sites=asked.sites)
        if done is not None:
            await done(report)
        return RoundSent(
            baseline=report.baseline,
            began=report.began,
            ended=report.ended,
            looks=tuple((station, _slim(look)) for station, look in report.looks.items()),
            standing=report.standing,
            gone=report.gone,
            commit=report.commit,
            notices=report.notices,
        )

    async def zone(asked: ZoneAsked) -> ZoneSent:
        site = desk.in_force().estate.sites.get(asked.site)
        return ZoneSent(zone=site.time_zone if site else None)

    def their_sites(asked: RoundAsked, withheld: Withheld) -> RoundAsked:
        for site in asked.sites:
            sight.site(site, withheld)
        return RoundAsked(sites=sight.meant(asked.sites, withheld))

    def their_zone(asked: ZoneAsked, withheld: Withheld) -> ZoneAsked:
        # A site that is none has no time zone; no name is empty.
        return asked if withheld.sees(asked.site) else ZoneAsked(site="")

    return {
        "zone": handler_of(turn, zone, ZoneAsked, ZoneSent, sight=sight, may=their_zone),
        "round": handler_of(
            turn,
            do_round,
            RoundAsked,
            RoundSent,
            before=fresh,
            sight=sight,
            may=their_sites,
            seen=round_seen,
        ),
        **order_handlers(desk, turn, sight, fresh),
    }


def alarm_handlers(desk: AlarmDesk, turn: Turn, sight: Sight) -> dict[str, Handler]:
    """Give what the agent does to alarms for the command line, and tells as far as who asks may look.

    Args:
        desk: Does it.
        turn: Held meanwhile.
        sight: Knows where who asks may look.
    """

    def doing(act: Callable[[AlarmAsked], Sequence[AlarmChange]]) -> Handler:
        async def do(asked: AlarmAsked) -> AlarmsSent:
            return AlarmsSent(changes=tuple(act(asked)))

        return handler_of(turn, do, AlarmAsked, AlarmsSent, sight=sight, may=sight.at, seen=alarms_seen)

    def shelve(asked: AlarmAsked) -> list[AlarmChange]:
        if asked.until is None:
            raise BadRequest("argument until: a shelf has an end")
        return desk.shelve(asked.name, asked.setting, asked.by, asked.reason, asked.until)

    return {
        "acknowledge": doing(lambda one: desk.acknowledge(one.name, one.setting, one.by, one.reason)),
        "shelve": doing(shelve),
        "unshelve": doing(lambda one: desk.unshelve(one.name, one.setting, one.by, one.reason)),
        "out-of-service": doing(lambda one: desk.out_of_service(one.name, one.by, one.reason)),
        "in-service": doing(lambda one: desk.in_service(one.name, one.by, one.reason)),
    }


def _slim(look: AsFound | NotRead) -> AsFound | NotRead:
    return replace(look, values={}, readings={}) if isinstance(look, AsFound) else look
