"""Which file speaks for which station, when it is too old, and that what is unclear is told and never taken."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.devices.drop.stations import AHEAD
from asleft.domain.comparison import compare
from asleft.domain.drift import DriftKind
from asleft.domain.kinds import Foreign
from asleft.domain.reach import Drop
from asleft.domain.snapshot import AsFound
from asleft.ports.stations import NoAnswer, NotReached, Stale, StationError
from devices.drop.dropped import ADDRESS, SERIAL, Site, snapshot, station
from domain.made import LEFT, NOON, as_left, profile

BASS = station("bass", "QS41-2108", 12)
PLANNED = station("choir", "", 13)
STATIONS = (as_left(), BASS, PLANNED)


def a_site(folder: Path) -> Site:
    return Site(root=folder, stations=STATIONS)


async def serials(site: Site) -> list[str | None]:
    """Give who answers at each station's address."""
    door = site.door()
    return [await door.serial_at(one.address, 0) for one in STATIONS]


@pytest.mark.parametrize("name", ["drums.yaml", "drums.json", "QS41-2107.yaml", "2026-03-01 evening.json"])
async def test_a_file_is_for_the_station_that_it_is_named_after_or_whose_serial_it_states(
    tmp_path: Path, name: str
) -> None:
    """By the station's name, or under any other name by its serial."""
    site = a_site(tmp_path)
    site.put(name, snapshot())
    assert await serials(site) == [SERIAL, None, None]
    assert site.told == []


async def test_a_planned_station_is_found_by_name_alone(tmp_path: Path) -> None:
    """Where the baseline knows no serial yet, the file's name says whose it is."""
    site = a_site(tmp_path)
    site.put("choir.yaml", snapshot(serial="QS41-7777"))
    assert await serials(site) == [None, None, "QS41-7777"]


async def test_another_unit_in_a_stations_file_is_an_exchanged_unit(tmp_path: Path) -> None:
    """The name says where, the serial says who: compared, it is told as exchanged, and whose unit it is."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot(serial=BASS.serial))
    conversation = await site.door().open(ADDRESS, 0, profile())
    who = conversation.identity
    look = AsFound(
        at=NOON,
        address=ADDRESS,
        serial=who.serial,
        model=who.model,
        firmware=who.firmware,
        values=(await conversation.read(list(LEFT))).values,
        unread={},
        readings={},
    )
    (drift,) = compare(as_left(), look, others={BASS.serial: BASS.station})
    assert drift.key.kind is DriftKind.EXCHANGED
    assert "the unit of quay/bass" in drift.what


async def test_a_file_for_nobody_is_told_and_left_alone(tmp_path: Path) -> None:
    """It may be of a station that is about to be added."""
    site = a_site(tmp_path)
    file = site.put("spare.yaml", snapshot(serial="QS41-\u00e9"))
    assert await serials(site) == [None, None, None]
    assert site.told == [
        f"{site.folder}: spare.yaml is for no station of the site: nobody has serial QS41-é",
    ]
    assert file.is_file()


@pytest.mark.parametrize(
    "first, second",
    [
        ("drums.yaml", "drums.json"),
        ("drums.yaml", "QS41-2107.json"),
        ("a.yaml", "b.yaml"),
    ],
)
async def test_two_files_for_one_station_are_a_conflict(tmp_path: Path, first: str, second: str) -> None:
    """Neither is read, however new one of them is; the state names both, and both stay."""
    site = a_site(tmp_path)
    site.put(first, snapshot())
    site.put(second, snapshot(taken=NOON - timedelta(hours=1)))
    with pytest.raises(NoAnswer) as told:
        await site.door().open(ADDRESS, 0, profile())
    assert first in told.value.what
    assert second in told.value.what
    assert told.value.todo == "leave the one that is true"
    assert len(site.told) == 1
    assert {file.name for file in site.folder.iterdir()} == {first, second}


async def test_one_serial_in_two_stations_files_is_a_conflict_for_both(tmp_path: Path) -> None:
    """A unit cannot be in two places; a station beside them is read all the same."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot())
    site.put("bass.yaml", snapshot())
    site.put("choir.yaml", snapshot(serial="QS41-7777"))
    door = site.door()
    for one in (as_left(), BASS):
        with pytest.raises(NoAnswer, match=r"bass\.yaml and drums\.yaml"):
            await door.open(one.address, 0, profile())
    assert await serials(site) == [None, None, "QS41-7777"]


async def test_the_same_is_told_once(tmp_path: Path) -> None:
    """Round after round, one sentence."""
    site = a_site(tmp_path)
    site.put("spare.yaml", snapshot(serial="QS41-9999"))
    for _ in range(3):
        await serials(site)
    assert len(site.told) == 1


async def test_no_file_is_not_reached(tmp_path: Path) -> None:
    """The words say what is missing, and what to do."""
    with pytest.raises(NotReached) as told:
        await a_site(tmp_path).door().open(ADDRESS, 0, profile())
    assert told.value.what == (
        "no file that is named drums.yaml or drums.json, or states serial QS41-2107, is in its drop folder"
    )


@pytest.mark.parametrize("fresh_for", [timedelta(hours=24), timedelta(minutes=90)])
async def test_an_old_snapshot_is_stale_and_not_drift(tmp_path: Path, fresh_for: timedelta) -> None:
    """To the second of its age it is read; a second later it says nothing about now."""
    site = Site(root=tmp_path, drop=Drop(folder=("stations",), fresh_for=fresh_for))
    site.put("drums.yaml", snapshot())
    site.now = NOON + fresh_for
    assert (await site.door().open(ADDRESS, 0, profile())).identity.serial == SERIAL
    site.now += timedelta(seconds=1)
    with pytest.raises(Stale) as told:
        await site.door().open(ADDRESS, 0, profile())
    span = "24 h" if fresh_for == timedelta(hours=24) else "90 min"
    assert (
        told.value.what
        == f"the snapshot was taken at 2026-03-01 12:00:00 UTC, which is longer ago than {span}"
    )
    assert await site.door().serial_at(ADDRESS, 0) is None


async def test_a_snapshot_from_the_future_is_not_used(tmp_path: Path) -> None:
    """Else it would stay fresh for as long as its clock is wrong; a little is allowed."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot(taken=site.now + AHEAD))
    assert (await site.door().open(ADDRESS, 0, profile())).identity.serial == SERIAL
    site.put("drums.yaml", snapshot(taken=site.now + AHEAD + timedelta(seconds=1)))
    with pytest.raises(NoAnswer, match="which is yet to come"):
        await site.door().open(ADDRESS, 0, profile())


async def test_a_name_that_the_station_does_not_have_is_missing(tmp_path: Path) -> None:
    """What the file does not name is unknown; what it names and the profile does not know disturbs nobody."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot({"label": "Kit", "panel.menus": "ajar"}, readings={"no.such": "1"}))
    conversation = await site.door().open(ADDRESS, 0, profile())
    sheet = await conversation.read(["label", "panel.menus", "headphones.gain", "no.such"])
    assert sheet.values == {"label": "Kit", "panel.menus": Foreign("ajar")}
    assert set(sheet.unread) == {"headphones.gain", "no.such"}


async def test_a_round_looks_at_the_folder_once(tmp_path: Path) -> None:
    """However many stations are asked for at the same time, one look serves them all."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot())
    site.put("bass.yaml", snapshot(serial=BASS.serial))
    door = site.door()
    looks = 0
    real = door._folder.look

    def counted() -> object:
        nonlocal looks
        looks += 1
        return real()

    door._folder.look = counted  # type: ignore[method-assign, assignment]  # counted on the way
    met = await asyncio.gather(*(door.open(one.address, 0, profile()) for one in (as_left(), BASS)))
    assert [one.identity.serial for one in met] == [SERIAL, BASS.serial]
    assert looks == 1


async def test_an_unnamed_file_in_the_making_may_be_anybodys(tmp_path: Path) -> None:
    """A station without a file waits for one whose serial is not known yet; a station with a file does not."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot())
    await serials(site)
    site.later = 0.0
    site.put("QS41-2108.yaml", snapshot(serial=BASS.serial))
    door = site.door()
    assert (await door.open(ADDRESS, 0, profile())).identity.serial == SERIAL
    assert site.pauses == []
    assert (await door.open(BASS.address, 0, profile())).identity.serial == BASS.serial
    assert site.pauses == [2.0]


async def test_an_address_of_nobody_is_not_reached(tmp_path: Path) -> None:
    """Only stations of the site can be asked for."""
    site = a_site(tmp_path)
    site.put("drums.yaml", snapshot())
    with pytest.raises(StationError, match=r"no station of the site is at 127\.20\.1\.99"):
        await site.door().open("127.20.1.99", 0, profile())
    assert await site.door().serial_at("127.20.1.99", 0) is None
