"""The form of a snapshot file, `asleft-snapshot-1`: who the station is, when it was read, and what was read."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from asleft.devices.drop.trees import NotATree, Tree, read_json, read_yaml, text_of
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Foreign, Found, NotAValue, Reading, nearest
from asleft.domain.names import harmless, unprintable
from asleft.domain.profile import Profile, Setting
from asleft.domain.snapshot import Unread, UnreadWhy
from asleft.ports.stations import Identity

__all__ = [
    "ENDINGS",
    "FORMAT",
    "MAX_BYTES",
    "BadSnapshot",
    "Snapshot",
    "found_in",
    "read_snapshot",
    "rfc3339",
    "too_large",
]

FORMAT: Final = "asleft-snapshot-1"
"""The first key of every snapshot, and its version."""
MAX_BYTES: Final = 256 * 1024
"""A larger file is not read."""
ENDINGS: Final = (".yaml", ".json")
"""What the name of a snapshot ends in."""

_LONGEST_IDENTITY: Final = 64
_LONGEST_DETAIL: Final = 200
_NEEDED: Final = ("format", "serial", "taken", "settings")
_KEYS: Final = (*_NEEDED, "model", "firmware", "readings", "unread")
_SECTIONS: Final = frozenset({"settings", "readings", "unread"})
_REASONS: Final[Mapping[str, UnreadWhy]] = {why.name.lower(): why for why in UnreadWhy}
_NAME = re.compile(r"[^\s.]+(?:\.[^\s.]+)*\Z")
_LONGEST_NAME: Final = 100
# RFC 3339 section 5.6: T and Z may be small, and a space may stand for T. An offset must be there.
_MOMENT = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]{1,12}))?"
    r"(?:[Zz]|([+-])([0-9]{2}):([0-9]{2}))\Z"
)
_NUMBER = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?\Z")
_LEAP_SECOND: Final = 60
_HOURS, _MINUTES = 24, 60


class BadSnapshot(AsleftError):
    """A file is no snapshot: what is wrong, in which file and line, what to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Snapshot:
    """What one file says about one station. All of it is foreign text.

    Args:
        identity: Who the station is.
        taken: When it was read, UTC.
        settings: Text of each setting by dotted name, as a baseline writes it.
        readings: Text of what the station tells about itself besides, by dotted name.
        unread: What could not be read, by dotted name.
    """

    identity: Identity
    taken: datetime
    settings: Mapping[str, str]
    readings: Mapping[str, str]
    unread: Mapping[str, Unread]


def read_snapshot(name: str, data: bytes) -> Snapshot:
    """Read a snapshot file; its name's ending says whether it is YAML or JSON.

    Raises:
        BadSnapshot: It is none.
    """
    shown = harmless(name, longest=80)
    if len(data) > MAX_BYTES:
        raise too_large(name, len(data))
    try:
        text = text_of(data)
        return _snapshot(read_json(text) if name.lower().endswith(".json") else read_yaml(text))
    except NotATree as wrong:
        where = f"{shown}:{wrong.line}" if wrong.line else shown
        raise BadSnapshot(wrong.what, where=where, todo=wrong.todo) from None


def too_large(name: str, size: int) -> BadSnapshot:
    """Say that a file is larger than anybody reads."""
    what = f"the file has {size} bytes; {MAX_BYTES // 1024} KiB is the most that is read"
    return BadSnapshot(what, where=harmless(name, longest=80), todo="keep one station a file")


def _snapshot(tree: Tree) -> Snapshot:
    form = tree.get("format")
    if form != FORMAT:
        said = (
            f"its format is '{harmless(form, longest=40)}'" if isinstance(form, str) else "it names no format"
        )
        raise NotATree(said, f"write format: {FORMAT}")
    for key in tree:
        if key not in _KEYS:
            raise NotATree(f"'{harmless(key, longest=60)}' is no key of a snapshot", nearest(key, _KEYS))
    for key in _NEEDED:
        if key not in tree:
            raise NotATree(f"the key '{key}' is missing", f"write a line '{key}: …'")
    settings, readings, reasons = (
        _flat(key, tree.get(key, {})) for key in ("settings", "readings", "unread")
    )
    for name in settings:
        if name in reasons:
            raise NotATree(f"{harmless(name)} stands in settings and in unread", "keep one of them")
    return Snapshot(
        identity=Identity(
            serial=_word(tree, "serial", needed=True),
            model=_word(tree, "model"),
            firmware=_word(tree, "firmware"),
        ),
        taken=_taken(tree["taken"]),
        settings=settings,
        readings=readings,
        unread={name: _unread(name, reason) for name, reason in reasons.items()},
    )


def _word(tree: Tree, key: str, *, needed: bool = False) -> str:
    text = tree.get(key, "")
    if not isinstance(text, str):
        raise NotATree(f"{key} is a group of values", f"write one text: {key}: …")
    bad = unprintable(text)
    if bad:
        raise NotATree(f"{key} holds {bad}, which would not show", "take that character out")
    if len(text) > _LONGEST_IDENTITY or (needed and not text.strip()):
        what = f"{key} has {len(text)} characters" if text else f"{key} is empty"
        raise NotATree(
            what, f"write the {key} as the station tells it, at most {_LONGEST_IDENTITY} characters"
        )
    return text


def _flat(section: str, tree: "str | Tree") -> dict[str, str]:
    """Give the dotted names of a nested mapping, and their texts."""
    if isinstance(tree, str):
        raise NotATree(f"{section} is a text", f"write the names below {section}:, indented")
    found: dict[str, str] = {}
    for path, text in _leaves(tree):
        name = ".".join(path)
        if len(name) > _LONGEST_NAME or not _NAME.match(name) or unprintable(name):
            raise NotATree(
                f"'{harmless(name, longest=60)}' is no name of a setting", "write it as the profile does"
            )
        if name in found:
            raise NotATree(f"{name} stands twice in {section}", "keep one of them")
        found[name] = text
    return found


def _leaves(tree: Tree) -> Iterator[tuple[tuple[str, ...], str]]:
    # The depth of a tree is bounded where it is read.
    for key, value in tree.items():
        if isinstance(value, str):
            yield (key,), value
        else:
            for path, text in _leaves(value):
                yield (key, *path), text


def _unread(name: str, reason: str) -> Unread:
    """Read `locked`, or `locked` with words of why."""
    word, _, detail = reason.strip().partition(" ")
    why = _REASONS.get(word)
    if why is None:
        what = f"why {name} is unread is '{harmless(word, longest=40)}'"
        raise NotATree(what, f"begin with {nearest(word, list(_REASONS))}")
    return Unread(why, harmless(detail.strip(), longest=_LONGEST_DETAIL))


def _taken(text: "str | Tree") -> datetime:
    moment = rfc3339(text) if isinstance(text, str) else None
    if moment is None:
        raise NotATree(
            "taken is no time with its offset",
            "write it as 2026-03-01T12:00:00+01:00 (RFC 3339), or with Z for UTC",
        )
    return moment


def rfc3339(text: str) -> datetime | None:
    """Read a date and time with its offset (RFC 3339 section 5.6), as UTC; None where it is none.

    A leap second is the first second of the next minute, and what is finer than a microsecond is dropped.
    """
    found = _MOMENT.match(text)
    if found is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in found.groups()[:6])
    fraction, sign, hours, minutes = found.groups()[6:]
    ahead = timedelta(hours=int(hours or 0), minutes=int(minutes or 0))
    leap = second == _LEAP_SECOND
    if int(hours or 0) >= _HOURS or int(minutes or 0) >= _MINUTES:
        return None
    try:
        told = datetime(
            year,
            month,
            day,
            hour,
            minute,
            second - leap,
            int((fraction or "0")[:6].ljust(6, "0")),
            tzinfo=UTC,
        )
        return told + timedelta(seconds=int(leap)) + (ahead if sign == "-" else -ahead)
    except (ValueError, OverflowError):
        return None


def found_in(snapshot: Snapshot, profile: Profile, name: str) -> Found | Unread:
    """Say what a snapshot tells of one setting: its value, a foreign one, or why there is none."""
    who, keys = snapshot.identity, profile.identity
    own = {keys.serial: who.serial, keys.model: who.model, keys.firmware: who.firmware}.get(name, "")
    if own:
        return own
    if name in snapshot.unread:
        return snapshot.unread[name]
    setting = profile.settings.get(name)
    text = snapshot.settings.get(name, snapshot.readings.get(name))
    if setting is None or text is None:
        return Unread(UnreadWhy.MISSING, "its file does not name it")
    return _typed(setting, text)


def _typed(setting: Setting, text: str) -> Found:
    kind = setting.kind
    if isinstance(kind, Reading):
        bare = text.removesuffix(kind.unit).rstrip() if kind.unit else text
        number = _NUMBER.match(bare)
        return kind.settle((float(bare) if number[1] else int(bare)) if number else text)
    try:
        return kind.parse(text)
    except NotAValue:
        return Foreign(text)
