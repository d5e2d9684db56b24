"""The door to stations: one suite for every way in. What a way cannot do is said by its world, and tested as well."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import SystemRandom
from typing import Any

import pytest

from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread, UnreadWhy
from asleft.ports.stations import NoAnswer, NotReached, StationError, Stations, WillNotNotify, WriteRefused
from asleft.simulator.manners import Manners
from asleft.simulator.station import Station
from devices.drop.dropped import ADDRESS, Site, snapshot
from domain.made import LEFT, as_left, profile

QUICK = Timings(connect_limit=2.0, command_limit=0.5, keepalive=0)
GAIN = ("Headphones", "Gain range")
SERIAL = "QS41-2107"


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What the station of a test is like."""

    strange_gain: bool = False
    """Its gain is `quiet`, a word that the profile does not have."""
    missing_gain: bool = False
    locked_gain: bool = False
    nonsense: bool = False
    """It is there, and nothing that it says can be understood."""


@dataclass(frozen=True, kw_only=True)
class World:
    """One station, reached in one way."""

    door: Callable[[], Stations]
    """Gives the door as the next round gets it."""
    address: str
    port: int
    nowhere: str
    """An address at which there is nobody."""
    writes: bool
    """Whether settings can be written this way."""
    notifies: bool
    """Whether changes are told as they happen."""
    change: Callable[[str, str], Any]
    """Changes a setting at the station itself, by its text."""
    vanish: Callable[[], Any]
    """Takes the station away."""
    profile: Profile = field(default_factory=profile)


MakeWorld = Callable[[Path, Wish], AbstractAsyncContextManager[World]]


class NothingKept:
    """Keeps no role maps."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give none."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Forget it."""


@asynccontextmanager
async def over_ocp1(_: Path, wish: Wish) -> AsyncIterator[World]:
    """Give a simulated station on a real socket."""
    chance = SystemRandom()
    host = f"127.{chance.randrange(32, 39)}.{chance.randrange(1, 250)}.{chance.randrange(2, 250)}"
    station = Station(
        profile=profile(),
        serial=SERIAL,
        firmware="2.4.1",
        address=host,
        port=0,
        values=LEFT,
        manners=Manners(
            silent=wish.nonsense,
            missing_paths=frozenset({GAIN} if wish.missing_gain else ()),
            locked_paths=frozenset({GAIN} if wish.locked_gain else ()),
        ),
        clock=lambda: 70.0,
        moves=False,
    )
    if wish.strange_gain:
        station.table.at(GAIN).put("PositionNames", ("quiet", "0 dB", "+12 dB"))
    stations = Ocp1Stations(NothingKept(), timings=QUICK)
    await station.switch_on()
    try:
        yield World(
            door=lambda: stations,
            address=host,
            port=station.port,
            nowhere="127.39.0.1",
            writes=True,
            notifies=True,
            change=station.meddle,
            vanish=station.switch_off,
        )
    finally:
        await station.switch_off()


@asynccontextmanager
async def from_files(folder: Path, wish: Wish) -> AsyncIterator[World]:
    """Give a snapshot in a real drop folder."""
    site = Site(root=folder)
    rows = profile().settings
    texts = {name: rows[name].show(value) for name, value in LEFT.items()}

    def put() -> None:
        unread = {"headphones.gain": "locked"} if wish.locked_gain else {}
        site.put("drums.yaml", snapshot(texts, readings={"service": {"uptime": "0 s"}}, unread=unread))

    async def change(name: str, text: str) -> None:
        texts[name] = text
        put()

    async def vanish() -> None:
        (site.folder / "drums.yaml").unlink()

    if wish.missing_gain or wish.locked_gain:
        del texts["headphones.gain"]
    if wish.strange_gain:
        texts["headphones.gain"] = "quiet"
    put()
    if wish.nonsense:
        site.put("drums.yaml", json.dumps(["?"]))
    yield World(
        door=site.door,
        address=ADDRESS,
        port=0,
        nowhere="127.20.1.12",
        writes=False,
        notifies=False,
        change=change,
        vanish=vanish,
    )


WAYS: Mapping[str, MakeWorld] = {"ocp1": over_ocp1, "drop": from_files}


@pytest.fixture(params=sorted(WAYS))
def make(request: pytest.FixtureRequest) -> MakeWorld:
    """Give one way in after the other."""
    return WAYS[request.param]


def well_said(error: StationError) -> None:
    """See that an error says what, where and what to do, each in one line."""
    assert all(text and "\n" not in text for text in (error.what, error.where, error.todo))


async def test_who_answers_is_known_from_opening(make: MakeWorld, tmp_path: Path) -> None:
    """Serial, model and firmware, as the station tells them."""
    async with make(tmp_path, Wish()) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        who = conversation.identity
        assert (who.serial, who.model, who.firmware) == (SERIAL, "stage-station", "2.4.1")
        await conversation.close()


async def test_settings_are_read_as_the_profile_types_them(make: MakeWorld, tmp_path: Path) -> None:
    """What was approved and is there reads equal to it, one by one and all at once; nothing asked is nothing told."""
    async with make(tmp_path, Wish()) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        sheet = await conversation.read(list(LEFT))
        assert (sheet.values, sheet.unread) == (LEFT, {})
        assert {type(value) for value in sheet.values.values()} == {str, float, bool, int}
        for name, value in LEFT.items():
            assert (await conversation.read([name])).values == {name: value}
        nothing = await conversation.read([])
        assert (nothing.values, nothing.unread) == ({}, {})
        await conversation.close()


async def test_readings_are_read_as_well(make: MakeWorld, tmp_path: Path) -> None:
    """What a station tells about itself is asked for by name like a setting; so is who it is."""
    async with make(tmp_path, Wish()) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        sheet = await conversation.read(["service.uptime", "unit.serial", "unit.model", "unit.firmware"])
        assert sheet.values == {
            "service.uptime": 0,
            "unit.serial": SERIAL,
            "unit.model": "stage-station",
            "unit.firmware": "2.4.1",
        }
        await conversation.close()


@pytest.mark.parametrize(
    "wish, why",
    [(Wish(missing_gain=True), UnreadWhy.MISSING), (Wish(locked_gain=True), UnreadWhy.LOCKED)],
    ids=["missing", "locked"],
)
async def test_what_cannot_be_read_has_a_reason(
    make: MakeWorld, tmp_path: Path, wish: Wish, why: UnreadWhy
) -> None:
    """It stands in `unread`, everything else in `values`, and no name in both or in neither."""
    async with make(tmp_path, wish) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        sheet = await conversation.read(list(LEFT))
        assert {name: unread.why for name, unread in sheet.unread.items()} == {"headphones.gain": why}
        assert sheet.values == {name: value for name, value in LEFT.items() if name != "headphones.gain"}
        await conversation.close()


async def test_a_value_that_the_profile_does_not_know_is_foreign(make: MakeWorld, tmp_path: Path) -> None:
    """It comes as it is, told apart from text, and the rest is read."""
    async with make(tmp_path, Wish(strange_gain=True)) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        sheet = await conversation.read(["headphones.gain", "label"])
        assert sheet.values == {"headphones.gain": Foreign("quiet"), "label": "Drums"}
        await conversation.close()


async def test_a_change_is_read_by_the_next_conversation(make: MakeWorld, tmp_path: Path) -> None:
    """Nothing that was read before is taken for what is there now."""
    async with make(tmp_path, Wish()) as world:
        first = await world.door().open(world.address, world.port, world.profile)
        assert (await first.read(["panel.menus"])).values == {"panel.menus": "locked"}
        await first.close()
        await world.change("panel.menus", "open")
        second = await world.door().open(world.address, world.port, world.profile)
        assert (await second.read(["panel.menus"])).values == {"panel.menus": "open"}
        await second.close()


async def test_a_serial_is_told_to_who_asks(make: MakeWorld, tmp_path: Path) -> None:
    """At its address, and at no other."""
    async with make(tmp_path, Wish()) as world:
        assert await world.door().serial_at(world.address, world.port) == SERIAL
        assert await world.door().serial_at(world.nowhere, world.port) is None


async def test_where_nobody_is_nobody_is_reached(make: MakeWorld, tmp_path: Path) -> None:
    """At an address of nobody, and at one whose station is gone."""
    async with make(tmp_path, Wish()) as world:
        with pytest.raises(NotReached) as told:
            await world.door().open(world.nowhere, world.port, world.profile)
        well_said(told.value)
        await world.vanish()
        with pytest.raises(NotReached) as told:
            await world.door().open(world.address, world.port, world.profile)
        well_said(told.value)
        assert await world.door().serial_at(world.address, world.port) is None


async def test_nonsense_is_no_answer(make: MakeWorld, tmp_path: Path) -> None:
    """Something is there that cannot be understood: unknown, and told apart from nobody."""
    async with make(tmp_path, Wish(nonsense=True)) as world:
        with pytest.raises(NoAnswer) as told:
            await world.door().open(world.address, world.port, world.profile)
        well_said(told.value)


async def test_a_conversation_that_was_closed_says_nothing(make: MakeWorld, tmp_path: Path) -> None:
    """To close it again is harmless; to ask it is no answer."""
    async with make(tmp_path, Wish()) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        await conversation.close()
        await conversation.close()
        with pytest.raises(NoAnswer):
            await conversation.read(["label"])


async def test_conversations_do_not_disturb_one_another(make: MakeWorld, tmp_path: Path) -> None:
    """Two at a time read the same, and the end of one is not the end of the other."""
    async with make(tmp_path, Wish()) as world:
        door = world.door()
        one, other = await asyncio.gather(
            *(door.open(world.address, world.port, world.profile) for _ in range(2))
        )
        sheets = await asyncio.gather(one.read(list(LEFT)), other.read(list(LEFT)))
        assert [sheet.values for sheet in sheets] == [LEFT, LEFT]
        await one.close()
        assert (await other.read(["label"])).values == {"label": "Drums"}
        await other.close()


@pytest.mark.parametrize("name, value", [("headphones.gain", 0.0), ("panel.menus", "open"), ("label", "Kit")])
async def test_a_write_is_taken_or_refused_in_words(
    make: MakeWorld, tmp_path: Path, name: str, value: Value
) -> None:
    """Where it can be written it reads as written; where not, the refusal says so and the value is as it was."""
    async with make(tmp_path, Wish()) as world:
        conversation = await world.door().open(world.address, world.port, world.profile)
        await conversation.learn_anew()
        if world.writes:
            await conversation.write(name, value)
        else:
            with pytest.raises(WriteRefused, match="this station is read from files only") as told:
                await conversation.write(name, value)
            well_said(told.value)
        await conversation.settle()
        now = (await conversation.read([name])).values[name]
        assert now == (value if world.writes else LEFT[name])
        await conversation.close()


async def test_a_station_is_followed_or_says_that_it_will_not_notify(make: MakeWorld, tmp_path: Path) -> None:
    """Where changes are told, the first reading comes with the conversation and a change is heard; else that it will not."""
    heard: asyncio.Queue[tuple[str, Found | Unread]] = asyncio.Queue()
    lost: list[StationError] = []

    async with make(tmp_path, Wish()) as world:
        following = world.door().follow(
            world.address,
            world.port,
            world.profile,
            ["headphones.gain", "label"],
            lambda name, value: heard.put_nowait((name, value)),
            lost.append,
        )
        if not world.notifies:
            with pytest.raises(WillNotNotify, match="will not notify") as told:
                await following
            well_said(told.value)
            return
        conversation, sheet = await following
        assert sheet.values == {"headphones.gain": -12.0, "label": "Drums"}
        await world.change("headphones.gain", "0 dB")
        assert await heard.get() == ("headphones.gain", 0.0)
        await conversation.close()
        assert lost == []


def test_the_suite_has_a_station_that_is_as_left() -> None:
    """The address and serial that the suite asks for are those of the station that the other tests approve."""
    assert (as_left().address, as_left().serial) == (ADDRESS, SERIAL)
