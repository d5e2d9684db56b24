"""As found through time: a station's page in the records, from one commit to the next."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.evidence.pieces import Piece
from asleft.domain.journal import as_found_path, unscalar
from asleft.domain.kinds import Foreign, Found, NotAValue
from asleft.domain.names import harmless
from asleft.domain.profile import Concern
from asleft.domain.snapshot import ReadState
from asleft.domain.stations import StationId

__all__ = ["NEVER", "UNIT", "Pages", "Sight", "beside", "page_blobs"]

NEVER = "never read"
"""The word for a station of which the records hold no page."""
UNIT: Mapping[str, Concern] = {
    "read": Concern.NETWORK,
    "answers at": Concern.NETWORK,
    "serial": Concern.NETWORK,
    "model": Concern.SERVICE,
    "firmware": Concern.SERVICE,
}
"""What a page tells of the unit itself, and why that matters."""
_NOT_READ = frozenset({ReadState.UNREACHABLE, ReadState.SILENT, ReadState.STALE})
_SECTIONS = {b"unit:": "unit", b"settings:": "settings", b"unread:": "unread"}


@dataclass(frozen=True, slots=True)
class Sight:
    """What one page says.

    Args:
        unit: What it tells of the unit.
        settings: What was found, by setting, as text.
        unread: Why a setting was not read, by setting.
    """

    unit: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    unread: Mapping[str, str] = field(default_factory=dict)

    @property
    def read(self) -> str:
        """How much was read, in the page's word."""
        return self.unit.get("read", NEVER)

    @property
    def known(self) -> bool:
        """Whether anything was read at that time; otherwise the rest is what was read last."""
        return self.read != NEVER and self.read not in _NOT_READ


class Pages:
    """Reads pages; lines that were seen before are not read again, for most of a page is what it was."""

    def __init__(self) -> None:
        self._known: dict[bytes, tuple[str, str] | None] = {}

    def read(self, data: bytes) -> Sight:
        """Give what a page says. What is no line of a page is passed over."""
        sections: dict[str, dict[str, str]] = {"unit": {}, "settings": {}, "unread": {}}
        current: dict[str, str] = {}
        known = self._known
        for line in data.split(b"\n"):
            if line.startswith(b"  "):
                pair = known[line] if line in known else self._pair(line)
                if pair is not None:
                    current[pair[0]] = pair[1]
            elif line and not line.startswith(b"#"):
                current = sections.get(_SECTIONS.get(line, ""), {})
        return Sight(**sections)

    def _pair(self, line: bytes) -> tuple[str, str] | None:
        name, colon, text = line.decode("utf-8", "replace").strip().partition(":")
        try:
            pair = (unscalar(name), unscalar(text.strip())) if colon else None
        except ValueError:
            pair = None
        self._known[line] = pair
        return pair


def page_blobs(records: Sequence[Piece], station: StationId) -> Iterator[tuple[Piece, str]]:
    """Give the commits that touched a station's page, in the order given, each with the page's blob."""
    path = as_found_path(station)
    for piece in records:
        for file, blob in piece.files:
            if file == path:
                yield piece, blob


def beside(as_left: AsLeft, name: str, sight: Sight) -> tuple[str, str, bool | None]:
    """Put one thing as left beside as found.

    Args:
        as_left: The approved settings.
        name: A setting, or `serial`, `firmware` or `read`.
        sight: What was found.

    Returns:
        As left and as found as text, and whether they are the same; None where that is not known. Where a whole station
        was not read, nothing but that is known.
    """
    if name == "read":
        read = sight.read
        return (
            "answers",
            read,
            False if read == ReadState.UNREACHABLE else (None if not sight.known else True),
        )
    if name in {"serial", "firmware"}:
        allowed = [as_left.serial] if name == "serial" else [*as_left.firmware]
        allowed = [harmless(one) for one in allowed if one]
        found = sight.unit.get(name, "")
        known = bool(allowed) and bool(found) and sight.known
        return " or ".join(allowed), found, (found in allowed) if known else None
    left = as_left.show(name)
    text = sight.settings.get(name)
    if text is None or name in sight.unread or not sight.known:
        return left, text or "", None
    return left, text, text == left or _close(as_left, name, text)


def _close(as_left: AsLeft, name: str, text: str) -> bool:
    setting = as_left.profile.settings[name]
    try:
        found: Found = setting.kind.parse(text)
    except NotAValue:
        found = Foreign(text)
    return not differing(as_left.profile, {name: as_left.values[name]}, {name: found})
