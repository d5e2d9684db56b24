"""Gathering changes for the records, by the event loop's clock, of which only the order of things is held."""

import asyncio
from collections.abc import Collection

from asleft.domain.estate import StationId
from asleft.work.following.gathering import Gathering

DRUMS = StationId("quay", "drums")
KEYS = StationId("quay", "keys")


async def test_several_changes_of_a_station_are_handed_over_once() -> None:
    """A busy hand is one, and whoever changed meanwhile goes along or comes after; nobody is lost."""
    handed: asyncio.Queue[Collection[StationId]] = asyncio.Queue()
    gathering = Gathering(handed.put_nowait, 0.01)
    for _ in range(5):
        gathering.note([DRUMS])
    assert handed.empty()
    assert list(await handed.get()) == [DRUMS]
    gathering.note([KEYS])
    assert list(await handed.get()) == [KEYS]
    assert handed.empty()


async def test_an_end_hands_over_what_waits_and_no_more() -> None:
    """What an hour would have gathered is handed over at the end, once; ending again does nothing."""
    handed: list[list[StationId]] = []
    gathering = Gathering(lambda ready: handed.append(list(ready)), 3600)
    gathering.note([DRUMS, KEYS])
    gathering.note([DRUMS])
    gathering.end()
    gathering.end()
    assert handed == [[DRUMS, KEYS]]
