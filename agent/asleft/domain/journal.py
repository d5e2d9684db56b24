"""How findings and acts are written down: as-found pages, order pages, and the words of their commits."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.domain.canonical import canonical
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.names import harmless
from asleft.domain.orders import Order, OrderState
from asleft.domain.snapshot import AsFound, NotRead

__all__ = [
    "Message",
    "Move",
    "OrderEnd",
    "Page",
    "WriteEnd",
    "as_found_page",
    "as_found_path",
    "moves",
    "order_message",
    "order_page",
    "order_path",
    "parse_page",
    "round_message",
]

_PLAIN = re.compile(r"(?:[A-Za-z0-9+]|-(?=[0-9]))[A-Za-z0-9+./%() _-]*(?<! )\Z")
_NOT_TEXT_TO_YAML = re.compile(
    r"(?i:y|n|yes|no|on|off|true|false|null|[+-]?0[xob][0-9a-f_]*|[+-]?\.[0-9a-z_]*|[+-]?[0-9][0-9_.:e+-]*)\Z"
)
# What YAML 1.2 section 5.1 does not count as printable, its line breaks beyond LF, and surrogates, which UTF-8 cannot hold.
_ESCAPED = re.compile("[\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]")


def _scalar(text: str) -> str:
    """Write a text so that any YAML reader gives it back as that text."""
    return text if _PLAIN.match(text) and not _NOT_TEXT_TO_YAML.match(text) else _quoted(text)


def _quoted(text: str) -> str:
    """Write a text between quotes, in a form that JSON and YAML read alike."""
    return _ESCAPED.sub(lambda found: f"\\u{ord(found[0]):04x}", json.dumps(text, ensure_ascii=False))


def _unscalar(text: str) -> str:
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
                lines.extend(f"  {_scalar(name)}: {_scalar(text)}" for name, text in sorted(section.items()))
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
            current[_unscalar(name)] = _unscalar(text.strip())
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
        found.extend(
            Move(name=name, before=old.get(name, ""), after=new.get(name, ""))
            for name in sorted({*old, *new})
            if old.get(name) != new.get(name)
        )
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
    settings = sorted({move.name for moved in changes.values() for move in moved if "." in move.name})
    return Message(subject=subject, body=body, trailers=_trailers(changes, settings, ("Baseline", baseline)))


def _trailers(
    stations: Iterable[StationId], settings: Iterable[str], *more: tuple[str, str]
) -> tuple[tuple[str, str], ...]:
    listed = sorted(stations)
    return (
        *(("Site", site) for site in sorted({station.site for station in listed})),
        *(("Station", str(station)) for station in listed),
        *(("Setting", setting) for setting in settings),
        *more,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class WriteEnd:
    """What became of one write: a word, and what the station holds now."""

    setting: str
    outcome: str
    read_back: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderEnd:
    """What became of an order."""

    state: OrderState
    at: datetime
    by: str
    name: str
    reason: str
    accepted: tuple[str, ...]
    outcome: str
    writes: tuple[WriteEnd, ...]


def order_path(order: Order) -> str:
    """Give the path of an order's page in the records."""
    return f"orders/{order.drawn_up:%Y}/{order.id}.yaml"


def order_page(order: Order, end: OrderEnd) -> bytes:
    """Write an order down with all that became of it; its digest can be checked from the page alone."""
    ends = {write.setting: write for write in end.writes}
    lines = [
        f"# Restore order {order.id}. The digest is the SHA-256 of the text in canonical (RFC 8785).",
        f"order: {_scalar(order.id)}",
        f"digest: {order.digest}",
        f"state: {end.state}",
        f"outcome: {_scalar(end.outcome)}",
        f"site: {_scalar(order.station.site)}",
        f"station: {_scalar(order.station.name)}",
        f"serial: {_scalar(harmless(order.serial))}",
        f"baseline: {_scalar(order.baseline)}",
        f"drawn-up: {_scalar(_stamp(order.drawn_up))}",
        f"ended: {_scalar(_stamp(end.at))}",
        f"confirmed-by: {_scalar(end.by)}",
        f"name: {_scalar(end.name)}",
        f"reason: {_scalar(harmless(end.reason, longest=500))}",
        "accepted:" if end.accepted else "accepted: []",
        *(f"  - {_scalar(hazard)}" for hazard in end.accepted),
        "writes:",
    ]
    for write in order.writes:
        became = ends.get(write.setting)
        before, after = write.shown
        lines += [
            f"  - setting: {write.setting}",
            f"    from: {_scalar(before)}",
            f"    to: {_scalar(after)}",
            f"    outcome: {_scalar(became.outcome if became else 'not begun')}",
            f"    read-back: {_scalar(became.read_back if became else '')}",
        ]
    if order.left_alone:
        lines.append("left-alone:")
        lines += [f"  {_scalar(name)}: {_scalar(why)}" for name, why in order.left_alone]
    lines.append(f"canonical: {_quoted(canonical(order.body()).decode())}")
    return ("\n".join(lines) + "\n").encode()


def order_message(order: Order, end: OrderEnd, moved: Sequence[Move]) -> Message:
    """Say what an order did."""
    done = [f"{write.setting} {write.shown[0]} → {write.shown[1]}" for write in order.writes]
    if end.state is OrderState.RESTORED:
        what = done[0] if len(done) == 1 else f"{len(done)} settings"
        subject = f"{order.station}: restored {what}"
    else:
        subject = f"{order.station}: order {order.id} {end.state}"
    body = "\n".join(
        [end.outcome, "", *(f"ordered: {line}" for line in done), *(f"found: {move}" for move in moved)]
    )
    more = [("Order", order.id)]
    more += [("Confirmed-By", f"{end.name} ({end.by})")] if end.by else []
    more += [("Reason", end.reason)] if end.reason else []
    more.append(("Baseline", order.baseline))
    return Message(
        subject=subject,
        body=body,
        trailers=_trailers([order.station], [write.setting for write in order.writes], *more),
    )


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
