"""Stations followed over real sockets: every notified property becomes settings. Sources: aes70.md, sections as named."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from asleft.devices.ocp1.classes import Kind, Method, encode_value
from asleft.devices.ocp1.codec import PROPERTY_CHANGED, encode_notification
from asleft.devices.ocp1.datatypes import encode_element_id
from asleft.devices.ocp1.gateway import Ocp1Conversation, Ocp1Stations
from asleft.devices.ocp1.messages import Change, Command, Notification, Status
from asleft.devices.ocp1.session import Session, Timings
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread, UnreadWhy
from asleft.ports.stations import NoAnswer, NotReached, Sheet, StationError, WillNotNotify
from asleft.simulator.manners import EV2_AS_EV1, Manners
from asleft.simulator.server import DeviceSession
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

PROFILES = shipped_profiles()
PROFILE: Profile = PROFILES["stage-station"]
NAMES = [setting.name for setting in PROFILE.managed()]
GAIN = ("Headphones", "Gain range")
LIMITER_LEVEL = ("Headphones", "Limiter level")
PORT = ("Network", "Control port")
QUICK = Timings(connect_limit=2.0, command_limit=5.0, keepalive=0)
IMPATIENT = Timings(connect_limit=0.5, command_limit=0.3, keepalive=0)


class Kept:
    """Role maps in memory."""

    def __init__(self) -> None:
        self.maps: dict[tuple[str, str], str] = {}

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give what was kept."""
        return self.maps.get((serial, firmware))

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep it."""
        self.maps[serial, firmware] = packed


class Followed:
    """A followed station, and all that was heard of it."""

    def __init__(self) -> None:
        self.conversation: Ocp1Conversation
        self.sheet: Sheet
        self.heard: asyncio.Queue[tuple[str, Found | Unread]] = asyncio.Queue()
        self.lost: asyncio.Queue[StationError] = asyncio.Queue()

    async def begin(
        self, station: Station, *, kept: Kept | None = None, timings: Timings = QUICK
    ) -> "Followed":
        """Follow a station."""
        door = Ocp1Stations(kept or Kept(), timings=timings)
        self.conversation, self.sheet = await door.follow(
            station.address, station.port, station.profile, NAMES, self._hear, self.lost.put_nowait
        )
        return self

    def _hear(self, name: str, value: Found | Unread) -> None:
        self.heard.put_nowait((name, value))

    def all_heard(self) -> dict[str, Found | Unread]:
        """Give what was heard last of each setting so far."""
        found = {}
        while not self.heard.empty():
            name, value = self.heard.get_nowait()
            found[name] = value
        return found


@asynccontextmanager
async def a_station(manners: Manners | None = None, profile: Profile = PROFILE) -> AsyncIterator[Station]:
    """Switch a station on, at a free port, for as long as it is needed."""
    station = Station(
        profile=profile,
        serial="QS41-0001",
        firmware="2.4.1",
        address="127.0.0.1",
        port=0,
        values={},
        manners=manners,
        clock=lambda: 70.0,
        moves=False,
    )
    await station.switch_on()
    try:
        yield station
    finally:
        await station.switch_off()


@asynccontextmanager
async def following(
    manners: Manners | None = None, *, timings: Timings = QUICK
) -> AsyncIterator[tuple[Station, Followed]]:
    """Follow a new station."""
    async with a_station(manners) as station:
        followed = await Followed().begin(station, timings=timings)
        try:
            yield station, followed
        finally:
            await followed.conversation.close()


@pytest.mark.parametrize("name", sorted(PROFILES))
async def test_every_setting_that_changes_is_told_as_a_read_gives_it(name: str) -> None:
    """For every profile and every managed setting: what a notification says is what reading says afterwards."""
    profile = PROFILES[name]
    names = [setting.name for setting in profile.managed()]
    async with a_station(profile=profile) as station:
        heard: dict[str, Found | Unread] = {}
        door = Ocp1Stations(Kept(), timings=QUICK)
        conversation, sheet = await door.follow(
            station.address, station.port, profile, names, heard.__setitem__, lambda _: None
        )
        assert sheet.unread == {}
        for setting in profile.managed():
            for value in some_values(setting.kind, sheet.values[setting.name]):
                await station.meddle(setting.name, value)
                # One reading later whatever was notified before its answer has been heard.
                read = await conversation.read([setting.name])
                assert heard[setting.name] == read.values[setting.name] == value
        await conversation.close()


def some_values(kind: object, now: Found) -> list[Value]:
    """Give values of a kind, the present one last."""
    if hasattr(kind, "values"):
        others: list[Value] = list(kind.values)
    elif hasattr(kind, "lowest"):
        others = [kind.lowest, getattr(kind, "highest", 0)]
    elif hasattr(kind, "longest"):
        others = ["Stand 7 é中😀"]
    elif hasattr(kind, "prefixed"):
        others = ["127.31.7.9/24" if kind.prefixed else "127.31.7.1"]
    else:
        others = [True, False]
    return [value for value in others if value != now]


@pytest.mark.parametrize(
    "manners",
    [
        Manners(ev2="refused", unsupported_status=8),
        Manners(ev2="refused", unsupported_status=11),
        Manners(ev2="refused", unsupported_status=2),
        Manners(ev2=EV2_AS_EV1),
        Manners(header_version=4),
        Manners(one_pdu_per_response=True),
        Manners(omit_min_max=True),
        Manners(switch_base=1),
        Manners(switch_base=7),
    ],
    ids=[
        "EV1 by 8",
        "EV1 by 11",
        "EV1 by 2",
        "EV2 as EV1",
        "header 4",
        "singly",
        "no limits",
        "from 1",
        "from 7",
    ],
)
async def test_surprises_of_devices_change_nothing(manners: Manners) -> None:
    """Sections 4 and 12: whatever form events come in and wherever positions begin, the same word is heard."""
    async with following(manners) as (station, followed):
        await station.meddle("headphones.gain", 12.0)
        assert await followed.heard.get() == ("headphones.gain", 12.0)


async def test_settings_that_share_a_property_are_all_told() -> None:
    """TargetNetworkSettings holds three settings (section 6): one notification tells them all."""
    async with following() as (station, followed):
        await station.meddle("network.gateway", "127.0.0.254")
        told = [await followed.heard.get() for _ in range(3)]
        assert dict(told) == {
            "network.addressing": station.get("network.addressing"),
            "network.address": station.get("network.address"),
            "network.gateway": "127.0.0.254",
        }


async def test_a_change_of_the_names_of_positions_is_a_change_of_the_setting() -> None:
    """Position names are writable (section 12): the same position with another name is another value."""
    async with following() as (station, followed):
        station.table.at(GAIN).put("PositionNames", ("quiet", "plain", "loud"))
        assert await followed.heard.get() == ("headphones.gain", Foreign("plain"))


async def test_a_change_while_it_is_begun_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hand is at the panel between subscribing and reading, and at the very reading: the sheet has the last of it."""
    async with a_station() as station:
        true_subscribe, true_reply = DeviceSession.subscribe, DeviceSession._reply
        positions = iter([2, 0, 2, 0])

        def subscribe(self: DeviceSession, *args: object) -> int:
            station.table.at(LIMITER_LEVEL).put("Gain", -6.0)
            return true_subscribe(self, *args)  # type: ignore[arg-type]

        def reply(self: DeviceSession, responses: object) -> None:
            # After the answers were made and before they are sent: the answer is old, the event new.
            if (
                station.table.at(GAIN).ono in self._by_emitter
                and (next_one := next(positions, None)) is not None
            ):
                station.table.at(GAIN).put("Position", next_one)
            true_reply(self, responses)  # type: ignore[arg-type]

        monkeypatch.setattr(DeviceSession, "subscribe", subscribe)
        monkeypatch.setattr(DeviceSession, "_reply", reply)
        followed = await Followed().begin(station)
        present = {**followed.sheet.values, **followed.all_heard()}
        assert present["headphones.limiter-level"] == station.get("headphones.limiter-level") == -6.0
        assert present["headphones.gain"] == station.get("headphones.gain")
        await followed.conversation.close()


def event(station: Station, path: tuple[str, ...], data: bytes, *, exception: bool = False) -> None:
    """Send an event of an object to every session, whatever the object says itself."""
    pdu = encode_notification(
        Notification(
            emitter=station.table.at(path).ono,
            event=PROPERTY_CHANGED,
            data=data,
            version=2,
            exception=exception,
        )
    )
    for session in station._sessions:
        session._send(pdu)


def quietly(station: Station, path: tuple[str, ...], name: str, value: object) -> None:
    """Change a property without an event."""
    station.table.notifying = False
    station.table.at(path).put(name, value)
    station.table.notifying = True


@pytest.mark.parametrize(
    "data",
    [
        b"\0\4\0",
        encode_element_id((4, 1)) + bytes([Change.CURRENT]),
        encode_element_id((4, 1)) + b"\0\0\0" + bytes([Change.CURRENT]),
        encode_element_id((4, 1)) + encode_value(Kind.U16, 1) + bytes([Change.MIN]),
        encode_element_id((4, 2)) + b"" + bytes([Change.ITEM_CHANGED]),
    ],
    ids=["torn", "no value", "three bytes", "a limit", "an item"],
)
async def test_an_event_that_does_not_tell_the_value_is_a_reason_to_read(data: bytes) -> None:
    """Section 2: limits, items and nonsense say only that something is other; reading says what."""
    async with following() as (station, followed):
        quietly(station, GAIN, "Position", 2)
        event(station, GAIN, data)
        assert await followed.heard.get() == ("headphones.gain", 12.0)


async def test_an_event_of_an_unknown_property_is_passed_over() -> None:
    """Section 2: an unknown property is nothing to us; the next one is heard as ever."""
    async with following() as (station, followed):
        event(station, GAIN, encode_element_id((9, 9)) + b"\1" + bytes([Change.CURRENT]))
        await station.meddle("headphones.gain", 12.0)
        assert await followed.heard.get() == ("headphones.gain", 12.0)
        assert followed.heard.empty()


async def test_a_setting_that_was_locked_is_read_when_it_is_heard_of() -> None:
    """Status 3 is unknown (section 7); an event of the object says that it can be read again, and with its names."""
    async with a_station() as station:
        async with await Session.open(station.address, station.port, timings=QUICK) as other:
            ono = station.table.at(GAIN).ono
            (locked,) = await other.batch([Command(ono, Method.ROOT_LOCK_TOTAL)])
            assert locked.status == Status.OK
            followed = await Followed().begin(station)
            assert followed.sheet.unread["headphones.gain"].why is UnreadWhy.LOCKED
            await other.batch([Command(ono, Method.ROOT_UNLOCK)])
        await station.meddle("headphones.gain", 12.0)
        assert await followed.heard.get() == ("headphones.gain", 12.0)
        await followed.conversation.close()


@pytest.mark.parametrize("status", [8, 11, 15, 16])
async def test_a_station_that_refuses_every_subscription_says_so(
    status: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Section 4: whatever status it refuses with, it is one that will not notify, and its session is given back."""
    monkeypatch.setattr(DeviceSession, "subscribe", lambda *_: status)
    async with a_station(Manners(ev2="refused", unsupported_status=11)) as station:
        with pytest.raises(WillNotNotify, match=f"notifies of nothing.*{status}"):
            await Followed().begin(station)
        for session in tuple(station._sessions):
            await session.closed.wait()
        assert station.sessions == 0


async def test_an_object_that_refuses_is_read_and_the_others_are_followed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One refusal does not keep the rest from being followed; what refuses is at least in the sheet."""
    true = DeviceSession.subscribe
    async with a_station() as station:
        deaf = station.table.at(GAIN).ono

        def subscribe(self: DeviceSession, asked: object, context: bytes) -> int:
            refuses = getattr(asked, "emitter", 0) == deaf
            return Status.PROCESSING_FAILED if refuses else true(self, asked, context)  # type: ignore[arg-type]

        monkeypatch.setattr(DeviceSession, "subscribe", subscribe)
        followed = await Followed().begin(station)
        assert followed.sheet.values["headphones.gain"] == 0.0
        await station.meddle("headphones.gain", 12.0)
        await station.meddle("panel.menus", "locked")
        assert await followed.heard.get() == ("panel.menus", station.get("panel.menus"))
        await followed.conversation.close()


async def test_a_wrong_role_map_is_browsed_anew() -> None:
    """An object number that is not there (status 5) shows that the kept map is another unit's."""
    kept = Kept()
    async with a_station() as station:
        first = await Followed().begin(station, kept=kept)
        await first.conversation.close()
        ono = station.table.at(GAIN).ono
        kept.maps["QS41-0001", "2.4.1"] = kept.maps["QS41-0001", "2.4.1"].replace(f"{ono},", "999999,")
        followed = await Followed().begin(station, kept=kept)
        assert followed.sheet.unread == {}
        await station.meddle("headphones.gain", 12.0)
        assert await followed.heard.get() == ("headphones.gain", 12.0)
        assert followed.heard.empty()
        await followed.conversation.close()


async def test_a_station_that_goes_is_told_once() -> None:
    """Power gone: one word with the peer in it, in the work's terms."""
    async with following() as (station, followed):
        await station.switch_off()
        error = await followed.lost.get()
        assert isinstance(error, NoAnswer)
        assert str(station.port) in error.where
        with pytest.raises(NoAnswer):
            await followed.conversation.read(["headphones.gain"])
        assert followed.lost.empty()


async def test_a_station_that_falls_silent_is_told_after_three_periods() -> None:
    """Section 8: dead after three keep-alive periods without a byte, here of 20 ms."""
    timings = Timings(connect_limit=2.0, command_limit=5.0, keepalive=1, second=0.02)
    async with following(timings=timings) as (station, followed):
        for session in station._sessions:
            session.unanswering = True
            if session._beat is not None:
                session._beat.cancel()
        error = await followed.lost.get()
        assert "nothing was heard" in error.what


async def test_our_own_goodbye_is_no_loss() -> None:
    """`close` ends the conversation without a word."""
    async with following() as (_, followed):
        await followed.conversation.close()
        assert followed.lost.empty()


async def test_a_subscription_that_the_station_ends_ends_the_conversation() -> None:
    """Section 2, EV2 exception: half a station followed is worse than one begun anew."""
    async with following() as (station, followed):
        event(station, GAIN, b"\1\1\0\0", exception=True)
        error = await followed.lost.get()
        assert "ended the subscription" in error.what
        for session in tuple(station._sessions):
            await session.closed.wait()


async def test_nobody_and_somebody_silent_are_told_apart() -> None:
    """Following fails as opening does: not reached, or no answer; and `lost` is not called for it."""
    async with a_station(Manners(silent=True)) as station:
        followed = Followed()
        with pytest.raises(NoAnswer):
            await followed.begin(station, timings=IMPATIENT)
        assert followed.lost.empty()
    with pytest.raises(NotReached):
        await Followed().begin(station, timings=IMPATIENT)


async def test_a_fifth_session_is_no_answer() -> None:
    """Section 9: a station with four sessions takes the fifth connection and never answers it."""
    async with a_station(Manners(most_sessions=4)) as station:
        four = [await Followed().begin(station) for _ in range(4)]
        with pytest.raises(NoAnswer):
            await Followed().begin(station, timings=IMPATIENT)
        await station.meddle("headphones.gain", 12.0)
        assert [await one.heard.get() for one in four] == [("headphones.gain", 12.0)] * 4
        for one in four:
            await one.conversation.close()


async def test_units_of_one_make_share_what_they_answer() -> None:
    """Two followed units that say the same keep one copy of it, and each hears only of itself."""
    door = Ocp1Stations(Kept(), timings=QUICK)
    heard: list[tuple[int, str, Found | Unread]] = []
    async with a_station() as one, a_station() as other:
        conversations = [
            (
                await door.follow(
                    station.address,
                    station.port,
                    PROFILE,
                    NAMES,
                    lambda name, value, at=at: heard.append((at, name, value)),  # type: ignore[misc]
                    lambda _: None,
                )
            )[0]
            for at, station in enumerate((one, other))
        ]
        ((_, listening),) = door._listenings._kept.values()
        await other.meddle("headphones.gain", 12.0)
        for conversation in conversations:
            await conversation.read(["headphones.gain"])
        assert heard == [(1, "headphones.gain", 12.0)]
        assert listening.emitters
        for conversation in conversations:
            await conversation.close()
