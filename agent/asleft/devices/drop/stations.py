"""The door to stations that are read from snapshot files: the same words as for stations on the wire, without writing."""

import asyncio
import time
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Final

from asleft.devices.drop.folder import QUIET, SET_ASIDE, DropFolder, Look
from asleft.devices.drop.form import Snapshot, found_in
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.kinds import Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Profile
from asleft.domain.reach import Drop
from asleft.domain.snapshot import Unread
from asleft.ports.clock import Clock
from asleft.ports.stations import (
    Conversation,
    Identity,
    NoAnswer,
    NotReached,
    Sheet,
    Stale,
    StationError,
    WillNotNotify,
    WriteRefused,
)

__all__ = ["AHEAD", "DropConversation", "DropSite", "DropStations"]

AHEAD: Final = timedelta(minutes=5)
"""How far the clock of whoever takes a snapshot may be ahead of ours (common practice, no source)."""

_LOOK_LASTS: Final = 1.0  # seconds: a round over many stations looks at the folder once
_MOST_TOLD: Final = 1000
_READ_ONLY: Final = "this station is read from files only"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Expected:
    """A station that a snapshot may be for."""

    name: str
    serial: str


@dataclass(frozen=True, kw_only=True, slots=True)
class _Sorted:
    """A look at a folder, sorted by station."""

    look: Look
    claims: Mapping[str, tuple[str, ...]]
    """Files that are for a station, by its name; or that claim to be the unit which one of these claims to be."""
    names: frozenset[str]
    """The site's stations."""


class DropConversation:
    """One snapshot, asked as if it were the station."""

    def __init__(self, file: str, snapshot: Snapshot, profile: Profile) -> None:
        self._file = file
        self._snapshot = snapshot
        self._profile = profile
        self._open = True

    @property
    def identity(self) -> Identity:
        """Who the station is, as the file says."""
        return self._snapshot.identity

    async def read(self, names: Collection[str]) -> Sheet:
        """Give what the file says of settings by name."""
        self._check_open()
        values: dict[str, Found] = {}
        unread: dict[str, Unread] = {}
        for name in names:
            found = found_in(self._snapshot, self._profile, name)
            if isinstance(found, Unread):
                unread[name] = found
            else:
                values[name] = found
        return Sheet(values=values, unread=unread, taken=self._snapshot.taken)

    async def write(self, name: str, value: Value) -> None:  # noqa: ARG002 whatever the value
        """Refuse: a file is what was told, not the station."""
        self._check_open()
        raise WriteRefused(
            f"{harmless(name)} was not written: {_READ_ONLY}",
            where=self._file,
            todo="set it at the station itself, then put a new snapshot there",
        )

    async def learn_anew(self) -> None:
        """Do nothing: a file has no objects."""
        self._check_open()

    async def hold(self, names: Collection[str]) -> None:  # noqa: ARG002 whatever they are
        """Hold nothing: a file has no locks."""
        self._check_open()

    async def let_go(self) -> None:
        """Do nothing: nothing is held."""

    async def do(self, action: str, *, on: bool = True) -> None:  # noqa: ARG002 whatever it is
        """Refuse: a file does nothing."""
        self._check_open()
        raise WriteRefused(
            f"{harmless(action)} was not done: {_READ_ONLY}",
            where=self._file,
            todo="do it at the station itself",
        )

    async def is_on(self, action: str) -> bool | None:  # noqa: ARG002 whatever it is
        """Know nothing: a file has no lamp."""
        self._check_open()
        return None

    async def hand_over(self, name: str) -> Mapping[str, str]:  # noqa: ARG002 whatever it is
        """Hand over nothing: what lets people in does not lie in files."""
        self._check_open()
        return {}

    async def settle(self) -> None:
        """Do nothing: no address was ever written."""

    async def close(self) -> None:
        """End the conversation."""
        self._open = False

    def _check_open(self) -> None:
        if not self._open:
            raise NoAnswer("the conversation has ended", where=self._file, todo="begin another one")


class DropSite:
    """The door to the stations of one site that is read from files.

    A file is for the station that it is named after; a file with another name is for the station whose approved serial
    it states. A station is found here by its approved address, as on the wire; the port says nothing.

    Args:
        folder: Where the files are.
        stations: The site's stations as left.
        fresh_for: A snapshot that was taken longer ago says nothing about now.
        clock: Gives the time that the age of a snapshot is taken from.
        told: Called with a sentence for everything that a person should know about the folder.
        pause: Waits for some seconds.
        ticks: Seconds that only ever grow.
    """

    def __init__(
        self,
        folder: DropFolder,
        stations: Iterable[AsLeft],
        *,
        fresh_for: timedelta,
        clock: Clock,
        told: Callable[[str], None],
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder = folder
        self._expected = {
            one.address: _Expected(name=one.station.name, serial=one.serial)
            for one in stations
            if one.profile.reached_at in one.values
        }
        self._names = frozenset(one.name for one in self._expected.values())
        self._by_serial = {one.serial: one.name for one in self._expected.values() if one.serial}
        self._fresh_for = fresh_for
        self._clock = clock
        self._told = told
        self._pause = pause
        self._ticks = ticks
        self._looking = asyncio.Lock()
        self._last: tuple[float, _Sorted] | None = None

    async def open(self, address: str, port: int, profile: Profile) -> DropConversation:  # noqa: ARG002 files have no port
        """Find the snapshot that is for the station at an approved address.

        Raises:
            NotReached: No file is for it.
            NoAnswer: What is there cannot be used, or not yet.
            Stale: It was taken too long ago.
        """
        expected = self._expected.get(address)
        if expected is None:
            raise NotReached(
                f"no station of the site is at {harmless(address)}",
                where=str(self._folder.path),
                todo="see which address the baseline gives it",
            )
        file, snapshot = self._choose(expected, await self._settled(expected))
        where = str(self._folder.path / harmless(file))
        self._check_age(snapshot, where)
        return DropConversation(where, snapshot, profile)

    async def serial_at(self, address: str, port: int) -> str | None:
        """Give the serial in the snapshot that is for the station at an approved address; None where none is good."""
        expected = self._expected.get(address)
        if expected is None:
            return None
        try:
            file, snapshot = self._choose(expected, await self._look(self._ticks() - _LOOK_LASTS))
            self._check_age(snapshot, file)
        except StationError:
            return None
        del port
        return snapshot.identity.serial

    async def follow(
        self,
        address: str,
        port: int,  # noqa: ARG002 the port's signature, as below
        profile: Profile,  # noqa: ARG002
        names: Collection[str],  # noqa: ARG002
        heard: Callable[[str, Found | Unread], None],  # noqa: ARG002
        lost: Callable[[StationError], None],  # noqa: ARG002
    ) -> tuple[Conversation, Sheet]:
        """Refuse: a file notifies nobody; the rounds read it."""
        raise WillNotNotify(
            f"{harmless(address)} will not notify: {_READ_ONLY}",
            where=str(self._folder.path),
            todo="leave it to the rounds",
        )

    async def _settled(self, expected: _Expected) -> _Sorted:
        """Look at the folder; where what is wanted may still be on its way, wait once until it must be there."""
        sorted_ = await self._look(self._ticks() - _LOOK_LASTS)
        if _on_their_way(expected, sorted_):
            await self._pause(QUIET)
            sorted_ = await self._look(self._ticks())
        return sorted_

    async def _look(self, since: float) -> _Sorted:
        """Give a look that was begun since a time: one for all who ask meanwhile."""
        async with self._looking:
            if self._last is None or self._last[0] < since:
                began = self._ticks()
                self._last = (began, self._sort(await asyncio.to_thread(self._folder.look)))
            return self._last[1]

    def _sort(self, look: Look) -> _Sorted:
        owners: dict[str, list[str]] = {}
        units: dict[str, list[str]] = {}
        for file, snapshot in sorted(look.snapshots.items()):
            serial = snapshot.identity.serial
            name = _stem(file) if _stem(file) in self._names else self._by_serial.get(serial)
            if name is None:
                shown, unit = harmless(file, longest=80), harmless(serial)
                self._told(
                    f"{self._folder.path}: {shown} is for no station of the site: nobody has serial {unit}"
                )
                continue
            owners.setdefault(name, []).append(file)
            units.setdefault(serial, []).append(file)
        for sentence in look.bad.values():
            self._told(f"{self._folder.path}: {sentence}")
        claims = {
            name: tuple(
                sorted(
                    {one for file in files for one in units[look.snapshots[file].identity.serial]}
                    | set(files)
                )
            )
            for name, files in owners.items()
        }
        for files in {files for files in claims.values() if len(files) > 1}:
            self._told(f"{self._folder.path}: {_clash(files)}")
        return _Sorted(look=look, claims=claims, names=self._names)

    def _choose(self, expected: _Expected, sorted_: _Sorted) -> tuple[str, Snapshot]:
        """Give the one file that is for a station."""
        look, where = sorted_.look, str(self._folder.path)
        if look.problem:
            raise NotReached(look.problem, where=where, todo="see that the agent may read and write there")
        for file, why in look.bad.items():
            if _stem(file) == expected.name:
                raise NoAnswer(why, where=where, todo="put a good snapshot there")
        files = sorted_.claims.get(expected.name, ())
        for file in _on_their_way(expected, sorted_):
            raise NoAnswer(
                f"{harmless(file, longest=80)} is still being written",
                where=where,
                todo="write it under another name and rename it into place",
            )
        if len(files) > 1:
            raise NoAnswer(_clash(files), where=where, todo="leave the one that is true")
        if not files:
            serial = f", or states serial {harmless(expected.serial)}," if expected.serial else ""
            raise NotReached(
                f"no file that is named {expected.name}.yaml or {expected.name}.json{serial} is in its drop folder",
                where=where,
                todo=f"put one there; what could not be read is in {SET_ASIDE}, with the reason beside it",
            )
        return files[0], look.snapshots[files[0]]

    def _check_age(self, snapshot: Snapshot, where: str) -> None:
        age = self._clock() - snapshot.taken
        taken = f"the snapshot was taken at {snapshot.taken:%Y-%m-%d %H:%M:%S} UTC"
        if age > self._fresh_for:
            what = f"{taken}, which is longer ago than {_span(self._fresh_for)}"
            raise Stale(what, where=where, todo="put a new one there")
        if age < -AHEAD:
            raise NoAnswer(
                f"{taken}, which is yet to come", where=where, todo="set the clock that it was taken by"
            )


def _on_their_way(expected: _Expected, sorted_: _Sorted) -> list[str]:
    """Name the files in the making that are, or may be, for a station."""
    missing = expected.name not in sorted_.claims
    return [
        file
        for file in sorted_.look.writing
        if _stem(file) == expected.name or (missing and _stem(file) not in sorted_.names)
    ]


def _stem(file: str) -> str:
    return file.rpartition(".")[0]


def _clash(files: Collection[str]) -> str:
    listed = " and ".join(harmless(file, longest=80) for file in files)
    return f"{listed} speak for one station or are of one serial, and only one of them can be true"


def _span(span: timedelta) -> str:
    minutes = round(span.total_seconds() / 60)
    return f"{minutes // 60} h" if minutes % 60 == 0 else f"{minutes} min"


class DropStations:
    """All drop folders of one agent.

    Args:
        root: The folder below which every site has its own.
        clock: Gives the time.
        told: Called with a sentence, once for each, for everything that a person should know about the folders.
        pause: Waits for some seconds.
        file_time: Seconds since 1970 by the clock that the file system stamps changes with.
    """

    def __init__(
        self,
        root: Path,
        *,
        clock: Clock,
        told: Callable[[str], None],
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
        file_time: Callable[[], float] = time.time,
    ) -> None:
        self._root = root
        self._clock = clock
        self._tell = told
        self._pause = pause
        self._file_time = file_time
        self._folders: dict[Path, DropFolder] = {}
        self._said: set[str] = set()

    def site(self, estate: Estate, name: str, drop: Drop) -> DropSite:
        """Give the door to the stations of one site, as they are left in one estate.

        Args:
            estate: The estate.
            name: Name of the site.
            drop: How the site is read.
        """
        path = self.folder(name, drop)
        folder = self._folders.get(path)
        if folder is None:
            folder = DropFolder(
                self._root, (name, *drop.folder), clock=self._clock, file_time=self._file_time
            )
            self._folders[path] = folder
        return DropSite(
            folder,
            (as_left for station, as_left in estate.stations.items() if station.site == name),
            fresh_for=drop.fresh_for,
            clock=self._clock,
            told=self._once,
            pause=self._pause,
        )

    def folder(self, site: str, drop: Drop) -> Path:
        """Give the path of a site's drop folder, to be watched; it may not be there yet."""
        return self._root.joinpath(site, *drop.folder)

    def _once(self, sentence: str) -> None:
        if sentence in self._said:
            return
        if len(self._said) >= _MOST_TOLD:
            self._said.clear()
        self._said.add(sentence)
        self._tell(sentence)
