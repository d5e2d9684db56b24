"""Snapshot files and drop folders for the tests."""

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from asleft.devices.drop.stations import DropSite, DropStations
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.kinds import Found
from asleft.domain.profile import Profile
from asleft.domain.reach import Drop
from asleft.domain.stations import StationId
from domain.made import COMMIT, DRUMS, LEFT, NOON, as_left, profile

__all__ = ["ADDRESS", "DROP", "SERIAL", "Site", "contents", "estate_of", "nested", "snapshot", "station"]

SERIAL = "QS41-2107"
ADDRESS = "127.20.1.11"
DROP = Drop(folder=("stations",))


def nested(texts: Mapping[str, str]) -> dict[str, Any]:
    """Give dotted names as a baseline nests them."""
    tree: dict[str, Any] = {}
    for name, text in texts.items():
        *groups, last = name.split(".")
        here = tree
        for group in groups:
            here = here.setdefault(group, {})
        here[last] = text
    return tree


def snapshot(
    values: Mapping[str, Found | str] = LEFT,
    *,
    serial: str = SERIAL,
    taken: datetime = NOON,
    model: Profile | None = None,
    **more: Any,
) -> str:
    """Give a snapshot file in the form of JSON, which YAML reads as well."""
    rows = (model or profile()).settings
    texts = {
        name: value if isinstance(value, str) else rows[name].show(value) for name, value in values.items()
    }
    return json.dumps(
        {
            "format": "asleft-snapshot-1",
            "serial": serial,
            "model": "stage-station",
            "firmware": "2.4.1",
            "taken": taken.isoformat(),
            "settings": nested(texts),
            **more,
        },
        ensure_ascii=False,
    )


def station(name: str, serial: str, last: int) -> AsLeft:
    """Give another station of the site as left."""
    made = as_left({**LEFT, "network.address": f"127.20.1.{last}/24"}, serial=serial)
    return AsLeft(
        station=StationId(DRUMS.site, name),
        serial=serial,
        role="",
        profile=made.profile,
        firmware=made.firmware,
        values=made.values,
        origins=made.origins,
        layers=(),
        file=f"sites/quay/stations/{name}.yaml",
    )


def estate_of(*stations: AsLeft) -> Estate:
    """Give an estate of some stations."""
    return Estate(
        name="Quay",
        commit=COMMIT,
        sites={},
        stations={one.station: one for one in stations},
        people={},
    )


def contents(folder: Path) -> list[bytes]:
    """Give what stands in all files below a folder but the reasons, sorted: what must never be lost."""
    return sorted(
        file.read_bytes()
        for file in folder.rglob("*")
        if file.is_file() and not file.name.endswith(".why.txt")
    )


@dataclass(kw_only=True)
class Site:
    """One site that is read from files: its folder, its door, the time there."""

    root: Path
    stations: tuple[AsLeft, ...] = ()
    drop: Drop = DROP
    now: datetime = NOON + timedelta(minutes=1)
    later: float = 60.0
    """Seconds by which the file system's clock is behind ours: that long nobody has touched a file."""
    told: list[str] = field(default_factory=list)
    pauses: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.doors = DropStations(
            self.root,
            clock=lambda: self.now,
            told=self.told.append,
            pause=self._pause,
            file_time=lambda: time.time() + self.later,
        )
        self.folder = self.doors.folder(DRUMS.site, self.drop)
        self.folder.mkdir(parents=True, exist_ok=True)

    async def _pause(self, seconds: float) -> None:
        self.pauses.append(seconds)
        self.later += seconds

    def door(self) -> DropSite:
        """Give the door as a round gets it: with a fresh look at the folder."""
        return self.doors.site(estate_of(*(self.stations or (as_left(),))), DRUMS.site, self.drop)

    def put(self, name: str, text: str | bytes) -> Path:
        """Put a file into the folder by renaming it into place."""
        temporary = self.folder / f".{name}.part"
        temporary.write_bytes(text if isinstance(text, bytes) else text.encode())
        return temporary.rename(self.folder / name)

    def aside(self) -> dict[str, str]:
        """Give the reason for each file that is set aside, by the name that it had."""
        folder = self.folder / "set-aside"
        if not folder.is_dir():
            return {}
        reasons = {file.name.removesuffix(".why.txt"): file for file in folder.glob("*.why.txt")}
        return {
            name.rpartition(".")[0].rpartition(".")[0]: file.read_text("utf-8")
            for name, file in reasons.items()
        }
