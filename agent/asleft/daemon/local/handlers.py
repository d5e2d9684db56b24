"""What the agent does for the command line: the desk's changing work, one thing at a time."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from dataclasses import replace
from typing import Any, TypeVar

from pydantic import ValidationError

from asleft.daemon.local.calls import (
    AlarmAsked,
    AlarmsSent,
    ConfirmAsked,
    ConfirmSent,
    DrawnSent,
    RestoreAsked,
    RestoreSent,
    RoundAsked,
    RoundSent,
    ZoneAsked,
    ZoneSent,
    adapter_of,
)
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.server import Caller, Handler
from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.domain.snapshot import AsFound, NotRead
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.desk import OwnerDesk
from asleft.work.restores import DrawnUp
from asleft.work.rounds import RoundReport

__all__ = ["Turn", "alarm_handlers", "desk_handlers", "handler_of"]

Turn = AbstractAsyncContextManager[None]
"""Held while something is done; it may be entered again and again."""

_Asked = TypeVar("_Asked")
_Sent = TypeVar("_Sent")


def desk_handlers(
    desk: OwnerDesk,
    turn: Turn,
    *,
    fetch: Callable[[], Awaitable[object]] | None = None,
    done: Callable[[RoundReport], Awaitable[object]] | None = None,
) -> dict[str, Handler]:
    """Give what the agent does for the command line.

    Args:
        desk: The agent's desk.
        turn: Held while something is done, by the agent's own rounds too: one thing at a time.
        fetch: Fetches the baseline beforehand, where the desk itself does not wait for the network; what it raises is told
            by the desk's notices.
        done: Takes what a round gave, as the agent's own rounds are taken, for alarms, alerts and metrics; it is this turn's.
    """

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

    async def restore(asked: RestoreAsked) -> RestoreSent:
        drawn = await desk.restore(asked.names)
        return RestoreSent(drawn=tuple(_sent(item) for item in drawn), notices=desk.notices)

    async def confirm(asked: ConfirmAsked) -> ConfirmSent:
        order = await desk.confirm(asked.order, by=asked.by, reason=asked.reason, accepted=asked.accepted)
        return ConfirmSent(order=order, notices=desk.notices)

    async def zone(asked: ZoneAsked) -> ZoneSent:
        site = desk.in_force().estate.sites.get(asked.site)
        return ZoneSent(zone=site.time_zone if site else None)

    return {
        "zone": handler_of(turn, zone, ZoneAsked, ZoneSent),
        "round": handler_of(turn, do_round, RoundAsked, RoundSent, before=fresh),
        "restore": handler_of(turn, restore, RestoreAsked, RestoreSent, before=fresh),
        "confirm": handler_of(turn, confirm, ConfirmAsked, ConfirmSent, before=fresh),
    }


def alarm_handlers(desk: AlarmDesk, turn: Turn) -> dict[str, Handler]:
    """Give what the agent does to alarms for the command line.

    Args:
        desk: Does it.
        turn: Held meanwhile.
    """

    def doing(act: Callable[[AlarmAsked], Sequence[AlarmChange]]) -> Handler:
        async def do(asked: AlarmAsked) -> AlarmsSent:
            return AlarmsSent(changes=tuple(act(asked)))

        return handler_of(turn, do, AlarmAsked, AlarmsSent)

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


def handler_of(
    turn: Turn,
    do: Callable[[_Asked], Awaitable[_Sent]],
    asked: type[_Asked],
    sent: type[_Sent],
    *,
    before: Callable[[], Awaitable[None]] | None = None,
) -> Handler:
    """Make a handler of what does a command.

    Args:
        turn: Held meanwhile.
        do: Does it.
        asked: Shape of its arguments; others are refused.
        sent: Shape of what it gives.
        before: Done beforehand, without the turn.
    """

    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del caller  # it was held against `by` already
        try:
            given = adapter_of(asked).validate_python(arguments)
        except ValidationError as wrong:
            first = wrong.errors(include_url=False, include_input=False)[0]
            key = harmless(".".join(str(step) for step in first["loc"]))
            raise BadRequest(f"argument {key}: {first['msg'].lower()}") from wrong
        if before is not None:
            await before()
        async with turn:
            done = await do(given)
        return adapter_of(sent).dump_python(done, mode="json")

    return handle


def _slim(look: AsFound | NotRead) -> AsFound | NotRead:
    return replace(look, values={}, readings={}) if isinstance(look, AsFound) else look


def _sent(item: DrawnUp) -> DrawnSent:
    why = item.why_not
    told = None if why is None else (why.what, why.where, why.todo)
    return DrawnSent(station=item.station, order=item.order, why_not=told)
