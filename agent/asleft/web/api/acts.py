"""What is done to alarms, and the lamp. The work asks the person's rights; the token's are asked here, before."""

import asyncio
from collections.abc import Iterable
from typing import Final

from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.estate import Estate, StationId
from asleft.domain.people import Right
from asleft.domain.profile import Concern
from asleft.web.api.alarm_shapes import (
    AboutAlarms,
    AlarmChanges,
    ServiceAct,
    ServiceReason,
    Shelve,
    changes_of,
)
from asleft.web.api.operations import Ask
from asleft.web.api.order_shapes import Cleared, ClearErrors, Identified, Identify, ReadBack
from asleft.web.carrying import CHANGED, fresh
from asleft.work.acts import Lit
from asleft.work.in_part import changes_seen

__all__ = [
    "acknowledge",
    "clear_errors",
    "identify",
    "in_service",
    "out_of_service",
    "shelve",
    "unshelve",
]

SEEN_WITHIN: Final = 2.0
"""Seconds for which an answer waits for the end of a lamp: what is refused mostly says so within them."""


def _may(ask: Ask, name: str, verb: str, estate: Estate | None = None) -> StationId:
    place = ask.place(estate or ask.parts.desk.estate_now(), name)
    ask.caller.check(place.site, Right.ACKNOWLEDGE, verb=verb)
    return place


def _by(ask: Ask) -> str:
    return ask.caller.person.key


async def acknowledge(ask: Ask) -> AlarmChanges:
    """Say that a person has seen alarms."""
    sent = ask.sent(AboutAlarms)
    _may(ask, sent.name, "acknowledge")
    return _changed(ask, ask.parts.desk.acknowledge(sent.name, sent.setting, _by(ask), sent.reason))


async def shelve(ask: Ask) -> AlarmChanges:
    """Put alarms off."""
    sent = ask.sent(Shelve)
    _may(ask, sent.name, "shelve")
    desk = ask.parts.desk
    return _changed(ask, desk.shelve(sent.name, sent.setting, _by(ask), sent.reason, sent.until))


async def unshelve(ask: Ask) -> AlarmChanges:
    """Take alarms from the shelf."""
    sent = ask.sent(AboutAlarms)
    _may(ask, sent.name, "unshelve")
    return _changed(ask, ask.parts.desk.unshelve(sent.name, sent.setting, _by(ask), sent.reason))


async def out_of_service(ask: Ask) -> AlarmChanges:
    """Take a station out of service."""
    sent = ask.sent(ServiceReason)
    _may(ask, sent.name, "take out of service")
    return _changed(ask, ask.parts.desk.out_of_service(sent.name, _by(ask), sent.reason))


async def in_service(ask: Ask) -> AlarmChanges:
    """Put a station back in service."""
    sent = ask.sent(ServiceAct)
    _may(ask, sent.name, "put back in service")
    return _changed(ask, ask.parts.desk.in_service(sent.name, _by(ask), sent.reason))


def _changed(ask: Ask, changes: Iterable[AlarmChange]) -> AlarmChanges:
    ask.parts.live.changed(CHANGED)
    return changes_of(changes_seen(changes, ask.in_part.withheld))


async def identify(ask: Ask) -> tuple[Identified, int]:
    """Light a lamp. The answer does not wait until it is off, but a refusal comes at once."""
    sent, house = ask.sent(Identify), ask.house
    station = _may(ask, sent.name, "light the lamp")
    lighting = asyncio.create_task(
        ask.parts.desk.doing.identify(sent.name, by=_by(ask), seconds=sent.seconds), name=f"lamp of {station}"
    )
    house.tasks.add(lighting)
    lighting.add_done_callback(lambda task: _ended(ask, station, task))
    done, _ = await asyncio.wait({lighting}, timeout=SEEN_WITHIN)
    if not done:
        return Identified(station=str(station), serial=None, seconds=sent.seconds, read_back=None), 202
    lit = lighting.result()
    on, off = lit.shown
    told = Identified(
        station=str(lit.station),
        serial=lit.serial,
        seconds=lit.seconds,
        read_back=ReadBack(while_on=on, afterwards=off),
    )
    return told, 200


def _ended(ask: Ask, station: StationId, task: asyncio.Task[Lit]) -> None:
    ask.house.tasks.discard(task)
    wrong = None if task.cancelled() else task.exception()
    if wrong is not None:
        ask.parts.log.warning("a lamp that a program asked for", station=str(station), why=str(wrong))


async def clear_errors(ask: Ask) -> Cleared:
    """Clear an error count, and read it."""
    sent, desk = ask.sent(ClearErrors), ask.parts.desk
    await fresh(ask.parts)
    caller, site = ask.again(), ask.place(desk.estate_now(), sent.name).site
    caller.check(site, Right.CONFIRM, verb="clear the error count")
    caller.check_concerns(site, [Concern.SERVICE])
    cleared = await desk.doing.clear_errors(sent.name, by=caller.person.key, reason=sent.reason)
    ask.parts.live.changed(CHANGED)
    return Cleared(
        station=str(cleared.station), serial=cleared.serial, before=cleared.before, after=cleared.after
    )
