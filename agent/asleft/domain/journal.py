"""How findings are written down: as-found pages, and the words of their commits."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from asleft.domain.estate import AsLeft, StationId
from asleft.domain.names import harmless
from asleft.domain.snapshot import AsFound, NotRead

__all__ = [
    "Message",
    "Move",
    "Page",
    "as_found_page",
    "as_found_path",
    "moves",
    "parse_page",
    "quoted",
    "round_message",
    "scalar",
    "trailers",
    "unscalar",
]

_PLAIN = re.compile(r"(?:[A-Za-z0-9+]|-(?=[0-9]))[A-Za-z0-9+./%() _-]*(?<! )\Z")
_NOT_TEXT_TO_YAML = re.compile(
    r"(?i:y|n|yes|no|on|off|true|false|null|[+-]?0[xob][0-9a-f_]*|[+-]?\.[0-9a-z_]*|[+-]?[0-9][0-9_.:e+-]*)\Z"
)
_UNIT = frozenset({"read", "answers at", "serial", "model", "firmware"})
"""Lines of a page that tell of the unit itself, and are no settings."""
# What YAML 1.2 section 5.1 does not count as printable, its line breaks beyond LF, and surrogates, which UTF-8 cannot hold.
_ESCAPED = re.compile("[\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]")


def scalar(text: str) -> str:
    """Write a text so that any YAML reader gives it back as that text."""
    return text if _PLAIN.match(text) and not _NOT_TEXT_TO_YAML.match(text) else quoted(text)


def quoted(text: str) -> str:
    """Write a text between quotes, in a form that JSON and YAML read alike."""
    return _ESCAPED.sub(lambda found: f"\\u{ord(found[0]):04x}", json.dumps(text, ensure_ascii=False))


def unscalar(text: str) -> str:
    """Give back the text that `scalar` wrote.

    Raises:
        ValueError: It begins a quoted text and is none.
    """
    return str(json.loads(text)) if text.startswith('"') else text


@dataclass(frozen=True, kw_only=True, slots=True)
class Page:
    """One station's as-found page: sections of names and texts."""

    unit: Mapping[str, str]
    settings: Mapping[str, str]
    unread: Mapping[str, str]

    def text(self, station: StationId) -> bytes:
        """Give the page as its file: sorted, one setting a line, so that its history reads as the station's life."""
        lines = [
            f"# {station} as found. asleft alone writes this page; its commits are the station's life.",
            "# Where read is silent, stale or unreachable, the rest is what was read last.",
        ]
        for title, section in (("unit", self.unit), ("settings", self.settings), ("unread", self.unread)):
            if section:
                lines.append(f"{title}:")
                lines.extend(f"  {scalar(name)}: {scalar(text)}" for name, text in sorted(section.items()))
        return ("\n".join(lines) + "\n").encode()


def parse_page(data: bytes) -> Page:
    """Read a page back."""
    sections: dict[str, dict[str, str]] = {"unit": {}, "settings": {}, "unread": {}}
    current: dict[str, str] = {}
    for line in data.decode().split("\n"):
        name, colon, text = line.strip().partition(":")
        if line.startswith("#") or not colon:
            continue
        if line.startswith("  "):
            current[unscalar(name)] = unscalar(text.strip())
        else:
            current = sections.get(name, {})
    return Page(**sections)


def as_found_path(station: StationId) -> str:
    """Give the path of a station's page in the records."""
    return f"as-found/{station.site}/{station.name}.yaml"


def as_found_page(as_left: AsLeft, last: AsFound | NotRead, found: AsFound | None) -> Page:
    """Make a station's page from the last look and the last one that read something."""
    state = last.state
    if found is None:
        return Page(unit={"read": str(state)}, settings={}, unread={})
    settings = as_left.profile.settings
    return Page(
        unit={
            "read": str(state),
            "answers at": found.address,
            "serial": harmless(found.serial),
            "model": harmless(found.model),
            "firmware": harmless(found.firmware),
        },
        settings={
            name: settings[name].show(value) for name, value in found.values.items() if name in settings
        },
        unread={name: str(unread.why) for name, unread in found.unread.items()},
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """One line of a page that moved; `before` or `after` is empty where the line was not there."""

    name: str
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.name} {self.before or 'not known'} → {self.after or 'not known'}"


def moves(before: Page | None, after: Page) -> tuple[Move, ...]:
    """Say what moved from one page to the next; nothing where there was no page before."""
    if before is None:
        return ()
    found: list[Move] = []
    for old, new in (
        (before.unit, after.unit),
        (before.settings, after.settings),
        (before.unread, after.unread),
    ):
        if old != new:
            moved = sorted(name for name in {*old, *new} if old.get(name) != new.get(name))
            found.extend(Move(name=name, before=old.get(name, ""), after=new.get(name, "")) for name in moved)
    return tuple(found)


@dataclass(frozen=True, kw_only=True, slots=True)
class Message:
    """The words of one commit of the records."""

    subject: str
    body: str
    trailers: tuple[tuple[str, str], ...]


def round_message(changes: Mapping[StationId, Sequence[Move]], *, baseline: str) -> Message:
    """Say what a round found moved; a station without moves is one that was read for the first time."""
    first = [station for station, moved in changes.items() if not moved]
    lines = [f"{station}: {move}" for station, moved in changes.items() for move in moved]
    lines += [f"{station}: read for the first time" for station in first]
    if len(lines) == 1:
        subject, body = lines[0], ""
    elif len(changes) == 1:
        (station,) = changes
        subject, body = f"{station}: {len(lines)} settings moved", "\n".join(lines)
    else:
        sites = sorted({station.site for station in changes})
        moved_count = len(lines) - len(first)
        counts = [f"{moved_count} moved"] if moved_count else []
        counts += [f"{len(first)} stations read for the first time"] if first else []
        subject, body = f"round at {', '.join(sites[:4])}: {', '.join(counts)}", "\n".join(lines)
    settings = sorted({move.name for moved in changes.values() for move in moved} - _UNIT)
    return Message(subject=subject, body=body, trailers=trailers(changes, settings, ("Baseline", baseline)))


def trailers(
    stations: Iterable[StationId], settings: Iterable[str], *more: tuple[str, str]
) -> tuple[tuple[str, str], ...]:
    """Give the trailers of a commit: where, what, and whatever else."""
    listed = sorted(stations)
    return (
        *(("Site", site) for site in sorted({station.site for station in listed})),
        *(("Station", str(station)) for station in listed),
        *(("Setting", setting) for setting in settings),
        *more,
    )
