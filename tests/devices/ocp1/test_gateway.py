"""The door to stations over OCP.1: settings read and written on real sockets. Sources: aes70.md, sections as named."""

import pytest

from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.kinds import Foreign, Value
from asleft.domain.resolving import Typing
from asleft.domain.snapshot import UnreadWhy
from asleft.ports.stations import NoAnswer, NotReached, WriteRefused
from asleft.simulator.manners import Lie, Manners
from asleft.simulator.objects import Answer
from asleft.simulator.station import Station
from devices.ocp1.talking import PROFILE, PROFILES, QUICK, Kept, a_host, a_station, talk

GAIN = ("Headphones", "Gain range")
IMPATIENT = Timings(connect_limit=0.5, command_limit=0.3, keepalive=0)
NAMES = [setting.name for setting in PROFILE.managed()]


@pytest.mark.parametrize("name", sorted(PROFILES))
async def test_every_managed_setting_can_be_read_and_written(name: str) -> None:
    """For every profile: what is written in the profile's words is what the station has and what is read back."""
    profile = PROFILES[name]
    names = [setting.name for setting in profile.managed()]
    async with a_station(profile=profile) as station, talk(station) as conversation:
        sheet = await conversation.read(names)
        assert sheet.unread == {}
        assert {name: station.get(name) for name in names} == sheet.values
        for setting in profile.managed():
            if setting.name.startswith("network."):
                continue
            for value in another(setting.kind.allowed(), setting.kind, sheet.values[setting.name]):
                await conversation.write(setting.name, value)
                assert station.get(setting.name) == value
                assert (await conversation.read([setting.name])).values == {setting.name: value}


async def test_texts_as_found_are_the_objects_of_as_left() -> None:
    """Equal texts are one object, which comparing need not look into; two that differ are two."""
    named = {
        "label": "Stand " + str(7),
        "network.address": "127.31.1." + str(9) + "/24",
        "tone.preset": "flat",
    }
    typing = Typing()
    left = {name: typing.typed(PROFILE, PROFILE.settings[name], text) for name, text in named.items()}
    values = {name: value.encode().decode() for name, value in left.items() if isinstance(value, str)}
    assert values == left
    assert values["label"] is not left["label"]
    async with a_station(values=values) as station, talk(station) as conversation:
        found = (await conversation.read([*left])).values
        assert found["label"] is left["label"]
        assert found["tone.preset"] is left["tone.preset"]
        await conversation.write("label", "Stand 8")
        assert (await conversation.read(["label"])).values["label"] is not left["label"]


def another(allowed: str, kind: object, now: object) -> list[Value]:
    """Give values of a kind other than the present one."""
    values: list[Value]
    if hasattr(kind, "values"):
        values = list(kind.values)
    elif hasattr(kind, "lowest"):
        values = [kind.lowest, getattr(kind, "highest", 0)]
    elif hasattr(kind, "longest"):
        values = ["Stand 7"]
    else:
        values = [True, False]
    assert allowed
    return [value for value in values if value != now]


@pytest.mark.parametrize("name", sorted(PROFILES))
async def test_what_is_handed_over_is_as_the_station_tells_it(name: str) -> None:
    """Nothing while the session is closed, both while it is open; no setting of the profile, so that no reading has it."""
    session = "service.remote-session"
    async with a_station(profile=PROFILES[name]) as station, talk(station) as conversation:
        assert await conversation.hand_over(session) == {}
        await conversation.write(session, "open")
        handed = await conversation.hand_over(session)
        assert handed == station.handed(session)
        assert handed.keys() == {"id", "password"}
        assert await conversation.hand_over("panel.menus") == {}
        sheet = await conversation.read([*PROFILES[name].settings])
        assert not {*map(str, sheet.values.values())} & {*handed.values()}


@pytest.mark.parametrize("text", ["x" * 201, "\udcff"])
async def test_what_no_person_could_type_is_not_handed_over(text: str) -> None:
    """A text that is too long, and one that is no UTF-8 (RFC 3629), is left out, and the other half is still handed over."""
    async with a_station() as station, talk(station) as conversation:
        await conversation.write("service.remote-session", "open")
        thing = station.table.at(("Service", "Session id"))
        data = text.encode("utf-8", "surrogateescape")
        answer = Answer(1, len(text).to_bytes(2, "big") + data)
        thing.live[5, 1] = lambda: answer
        assert (await conversation.hand_over("service.remote-session")).keys() == {"password"}


async def test_who_answers_is_known_from_the_first_batch() -> None:
    """Serial, model and firmware come with opening, and a reading in the profile's terms."""
    async with a_station() as station, talk(station) as conversation:
        who = conversation.identity
        assert (who.serial, who.model, who.firmware) == ("QS41-0001", "stage-station", "2.4.1")
        assert (await conversation.read(["service.uptime"])).values == {"service.uptime": 0}


@pytest.mark.parametrize(
    "manners",
    [
        Manners(header_version=2),
        Manners(one_pdu_per_response=True),
        Manners(omit_min_max=True),
        Manners(switch_base=1),
        Manners(switch_base=7),
    ],
    ids=["header 2", "single PDUs", "no min max", "from 1", "from 7"],
)
async def test_surprises_change_nothing(manners: Manners) -> None:
    """Every trap of section 12: the same settings are read, and a switch is set to the right word."""
    async with a_station(manners, {"headphones.gain": 12.0}) as station, talk(station) as conversation:
        sheet = await conversation.read(NAMES)
        assert sheet.unread == {}
        assert sheet.values["headphones.gain"] == 12.0
        await conversation.write("headphones.gain", -12.0)
        assert station.get("headphones.gain") == -12.0


@pytest.mark.parametrize("status", [2, 8, 11])
async def test_not_supported_is_missing_whatever_the_status(status: int) -> None:
    """Devices say it as 2, 8 or 11 (section 4); an object that is not there is missing, too."""
    manners = Manners(unsupported_status=status, missing_paths=frozenset({GAIN}))
    async with a_station(manners) as station, talk(station) as conversation:
        sheet = await conversation.read(["headphones.gain", "panel.menus"])
        assert sheet.unread["headphones.gain"].why is UnreadWhy.MISSING
        assert set(sheet.values) == {"panel.menus"}
        with pytest.raises(WriteRefused, match="the station does not offer it"):
            await conversation.write("headphones.gain", 0.0)


async def test_a_lock_is_unknown_and_refuses_a_write() -> None:
    """Status 3 (section 4) says nothing about the value, and a write to it is a refusal in one sentence."""
    manners = Manners(locked_paths=frozenset({GAIN}))
    async with a_station(manners) as station, talk(station) as conversation:
        sheet = await conversation.read(["headphones.gain"])
        assert sheet.unread["headphones.gain"].why is UnreadWhy.LOCKED
        with pytest.raises(WriteRefused, match=r"headphones\.gain was not written"):
            await conversation.write("headphones.gain", 0.0)


async def test_a_role_map_is_browsed_once_a_serial_and_firmware() -> None:
    """The second conversation asks for no roles; one that has become wrong is browsed anew and read all the same."""
    kept = Kept()
    async with a_station() as station:
        for _ in range(2):
            async with talk(station, kept) as conversation:
                assert "headphones.gain" in (await conversation.read(NAMES)).values
        assert kept.browsed == 1
        ono = station.table.at(GAIN).ono
        kept.maps["QS41-0001", "2.4.1"] = kept.maps["QS41-0001", "2.4.1"].replace(f"{ono},", "999999,")
        async with talk(station, kept) as conversation:
            assert (await conversation.read(NAMES)).unread == {}
        assert kept.browsed == 2


async def test_a_word_that_the_profile_does_not_know_stays_as_it_came() -> None:
    """A switch position with a strange name is foreign and no failure."""
    async with a_station() as station, talk(station) as conversation:
        thing = station.table.at(GAIN)
        thing.put("PositionNames", ("-12 dB", "quiet", "+12 dB"))
        sheet = await conversation.read(["headphones.gain"])
        assert sheet.values == {"headphones.gain": Foreign("quiet")}
        with pytest.raises(WriteRefused, match="the station has no 0 dB to choose"):
            await conversation.write("headphones.gain", 0.0)


async def test_a_written_address_waits_until_it_is_settled() -> None:
    """The target changes at once, the station moves when the interface is told to apply it."""
    async with a_station(values={"network.address": f"{a_host()}/24"}) as station:
        before, there = station.address, a_host()
        async with talk(station) as conversation:
            await conversation.write("network.address", f"{there}/24")
            assert station.address == before
            await conversation.settle()
        async with talk(await moved(station, there)) as conversation:
            assert (await conversation.read(["network.address"])).values == {"network.address": f"{there}/24"}


async def moved(station: Station, address: str) -> Station:
    """Wait until a station that was told to move has done so."""
    for task in tuple(station._moving):
        await task
    assert (station.address, station.listening) == (address, True)
    return station


@pytest.mark.parametrize("lie", ["torn", "oversized", "bad sync", "lying count"])
async def test_nonsense_is_no_answer_in_one_sentence(lie: Lie) -> None:
    """Whatever is no OCP.1 ends the conversation with the peer named."""
    async with a_station(Manners(lies=lie)) as station:
        with pytest.raises(NoAnswer) as told:
            await Ocp1Stations(Kept(), timings=IMPATIENT).open(station.address, station.port, PROFILE)
        assert "\n" not in told.value.what
        assert station.address in told.value.where


async def test_silence_and_absence_are_told_apart() -> None:
    """Nobody there is not reached; somebody who says nothing is no answer; the search asks neither for long."""
    stations = Ocp1Stations(Kept(), timings=IMPATIENT)
    async with a_station(Manners(silent=True)) as station:
        with pytest.raises(NoAnswer):
            await stations.open(station.address, station.port, PROFILE)
        gone, port = station.address, station.port
    with pytest.raises(NotReached):
        await stations.open(gone, port, PROFILE)
    assert await stations.serial_at(gone, port) is None
    async with a_station() as station:
        assert await stations.serial_at(station.address, station.port) == "QS41-0001"


async def test_stand_ins_are_asked_in_the_place_of_approved_addresses() -> None:
    """Where stations have no addresses of their own, the approved one leads to another endpoint."""
    async with a_station() as station:
        stand_ins = {"192.0.2.7": (station.address, station.port)}
        stations = Ocp1Stations(Kept(), timings=QUICK, stand_ins=stand_ins)
        conversation = await stations.open("192.0.2.7", 7310, PROFILE)
        assert conversation.identity.serial == "QS41-0001"
        await conversation.close()
        assert await stations.serial_at("192.0.2.7", 7310) == "QS41-0001"
