"""A reading planned once for all units of one make: which commands ask, and what their answers mean.

Nearly every station of an estate answers nearly every read with the same bytes. What such bytes mean is worked out once
and remembered, and the commands are encoded once.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from asleft.devices.ocp1.classes import class_named
from asleft.devices.ocp1.codec import PreparedBatch
from asleft.devices.ocp1.directory import Directory, unpack
from asleft.devices.ocp1.messages import Answer, Command, Response, Status
from asleft.devices.ocp1.translation import MANAGERS, Row, row_of
from asleft.domain.kinds import Found
from asleft.domain.profile import Point, Profile
from asleft.domain.snapshot import Unread, UnreadWhy

__all__ = ["Plan", "Plans", "object_at", "object_of"]

_MEANINGS: Final = 256
"""Answers remembered for one setting; one more makes all be forgotten, so a lying station cannot fill the memory."""
_BAD_ONO: Final = int(Status.BAD_ONO)
_PLANS: Final = 64
_DIRECTORIES: Final = 64


def object_of(row: Row, directory: Directory) -> int | None:
    """Give the object of a setting, as `object_at` does."""
    return object_at(row.setting.point, directory)


def object_at(point: Point, directory: Directory) -> int | None:
    """Give the object that a point means: a manager's fixed number, or the one at its role path if its class fits."""
    fixed = MANAGERS.get(point.class_name)
    if fixed is not None:
        return int(fixed)
    place = directory.get(point.path)
    if place is None:
        return None
    wanted = class_named(point.class_name).class_id
    return place.ono if place.class_id[: len(wanted)] == wanted else None


class Plan:
    """How to read some settings of a unit with a given directory; a command that serves several is sent once."""

    def __init__(self, rows: Mapping[str, Row], names: Collection[str], directory: Directory) -> None:
        commands: dict[Command, int] = {}
        self._asked: list[tuple[str, Row, tuple[int, ...], dict[Any, Found | Unread]]] = []
        self._missing: dict[str, Unread] = {}
        for name in names:
            row = rows[name]
            ono = object_of(row, directory)
            if ono is None:
                self._missing[name] = Unread(UnreadWhy.MISSING, "no object has its role path and class")
                continue
            places = tuple(commands.setdefault(command, len(commands)) for command in row.reads(ono))
            self._asked.append((name, row, places, {}))
        self.batch = PreparedBatch(commands)

    def understand(self, answers: Sequence[Answer]) -> tuple[dict[str, Found], dict[str, Unread]]:
        """Say what the answers to `batch` mean: what was read, and what was not."""
        values: dict[str, Found] = {}
        unread = dict(self._missing)
        bare = [answer[1:] for answer in answers]  # all but the handle, which differs every time
        for name, row, places, meanings in self._asked:
            key = bare[places[0]] if len(places) == 1 else tuple([bare[place] for place in places])
            meant = meanings.get(key)
            if meant is None:
                if len(meanings) >= _MEANINGS:
                    meanings.clear()
                meant = meanings[key] = row.understand([Response(*answers[place]) for place in places])
            if isinstance(meant, Unread):
                unread[name] = meant
            else:
                values[name] = meant
        return values, unread

    @staticmethod
    def lost_an_object(answers: Sequence[Answer]) -> bool:
        """Tell whether an object that was asked is not there: then the directory is another unit's."""
        return any(status == _BAD_ONO for _, status, _, _ in answers)


class Plans:
    """Keeps rows, directories and plans, each made once and bounded in number."""

    def __init__(self) -> None:
        self._rows: dict[int, tuple[Profile, Mapping[str, Row]]] = {}
        self._directories: dict[str, Directory] = {}
        self._plans: dict[tuple[int, str, tuple[str, ...]], tuple[Mapping[str, Row], Plan]] = {}

    def rows_of(self, profile: Profile) -> Mapping[str, Row]:
        """Give a profile's settings ready to be asked for; a profile never changes."""
        kept = self._rows.get(id(profile))
        if kept is None or kept[0] is not profile:
            kept = (profile, {setting.name: row_of(setting) for setting in profile.settings.values()})
            self._rows[id(profile)] = kept
        return kept[1]

    def directory(self, packed: str) -> Directory:
        """Give a directory as it was packed."""
        found = self._directories.get(packed)
        if found is None:
            if len(self._directories) >= _DIRECTORIES:
                self._directories.clear()
            found = self._directories[packed] = unpack(packed)
        return found

    def plan(self, rows: Mapping[str, Row], packed: str, names: Collection[str]) -> Plan:
        """Give the plan for reading some settings of a unit with a packed directory."""
        key = (id(rows), packed, tuple(names))
        kept = self._plans.get(key)
        if kept is None or kept[0] is not rows:
            if len(self._plans) >= _PLANS:
                self._plans.clear()
            kept = self._plans[key] = (rows, Plan(rows, names, self.directory(packed)))
        return kept[1]
