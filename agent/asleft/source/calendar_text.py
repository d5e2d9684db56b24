"""A calendar file is cut into its events: bytes to unfolded lines, each with its number (RFC 5545 sections 3.1 and 3.4)."""

import re
from collections.abc import Iterator

from asleft.domain.names import harmless

__all__ = ["MAX_BYTES", "MAX_EVENTS", "Block", "Uncut", "cut"]

MAX_BYTES = 256 * 1024
"""A file larger than this is not read."""
MAX_EVENTS = 1000
"""A file with more events than this is not read."""
_LONGEST_LINE = 64 * 1024
_DEEPEST = 8
_AGAIN = "export the calendar again (RFC 5545, .ics)"
_EVENT = ["VCALENDAR", "VEVENT"]

_HEAD = re.compile(r"([A-Za-z0-9-]+)[;:]")
_WANTED = frozenset(
    {
        "DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID",
        "CATEGORIES", "SUMMARY", "STATUS", "UID", "SEQUENCE",
    }
)  # fmt: skip


class Uncut(ValueError):
    """The file as a whole cannot be read: which rule it breaks, where, and what would be right."""

    def __init__(self, rule: str, line: int, what: str, fix: str = _AGAIN) -> None:
        super().__init__(what)
        self.rule, self.line, self.what, self.fix = rule, line, what, fix


class Block:
    """The lines of one VEVENT that say when it is and what it is called, unfolded.

    Args:
        line: Line of its BEGIN, counted from 1.
    """

    __slots__ = ("line", "lines")

    def __init__(self, line: int) -> None:
        self.line = line
        self.lines: list[tuple[int, str, str]] = []

    def line_of(self, name: str) -> int:
        """Give the line of the first property of a name, or the event's own."""
        return next((line for line, known, _ in self.lines if known == name), self.line)

    def text_of(self, name: str) -> str:
        """Give the first property of a name as it is written; empty where there is none."""
        return next((text for _, known, text in self.lines if known == name), "")

    def text(self) -> str:
        """Give the event as a component of its own."""
        return "\r\n".join(["BEGIN:VEVENT", *(text for _, _, text in self.lines), "END:VEVENT", ""])


def cut(data: bytes) -> list[Block]:
    """Give the events of a calendar file.

    Raises:
        Uncut: The file is too large, no text, or no calendar.
    """
    if len(data) > MAX_BYTES:
        what = f"the file has {len(data)} bytes; {MAX_BYTES // 1024} KiB is the most that is read"
        raise Uncut("calendar.too-large", 1, what, "take out what is over, and attachments")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = data.count(b"\n", 0, wrong.start) + 1
        what = f"byte 0x{data[wrong.start]:02x} on this line is not UTF-8 text"
        raise Uncut("calendar.syntax", line, what, "save the file as UTF-8") from None
    return _Cutter().blocks_of(_unfold(text))


def _unfold(text: str) -> Iterator[tuple[int, str]]:
    parts: list[str] = []
    begun = 1
    for number, raw in enumerate(text.split("\n"), 1):
        line = raw.removesuffix("\r")
        if line[:1] in {" ", "\t"} and parts:
            parts.append(line[1:])
            continue
        if parts:
            yield begun, "".join(parts)
        parts, begun = ([line], number) if line.strip() else ([], number)
    if parts:
        yield begun, "".join(parts)


class _Cutter:
    """Follows BEGIN and END through a file and keeps the events of its top level."""

    def __init__(self) -> None:
        self.blocks: list[Block] = []
        self.within: list[str] = []

    def blocks_of(self, lines: Iterator[tuple[int, str]]) -> list[Block]:
        number = 0
        for number, line in lines:
            if len(line) > _LONGEST_LINE:
                raise Uncut("calendar.too-large", number, "this line is too long", "take out attachments")
            head = _HEAD.match(line)
            if head is None or (not self.within and head[1].upper() != "BEGIN"):
                raise Uncut("calendar.syntax", number, "this line is no line of a calendar")
            self.take(number, head[1].upper(), line[head.end() :].strip().upper(), line)
        if not number:
            raise Uncut("calendar.syntax", 1, "nothing stands in this file")
        if self.within:
            raise Uncut("calendar.syntax", number, "the calendar has no end")
        return self.blocks

    def take(self, number: int, name: str, value: str, line: str) -> None:
        if name == "BEGIN":
            self.begin(number, value)
        elif name == "END":
            if self.within.pop() != value:
                what = f"'{harmless(value, longest=40)}' ends here and has not begun"
                raise Uncut("calendar.syntax", number, what)
        elif self.within == _EVENT and name in _WANTED:
            self.blocks[-1].lines.append((number, name, line))
        elif self.within == ["VCALENDAR"] and name == "CALSCALE" and value != "GREGORIAN":
            what = f"the calendar counts days by '{harmless(value, longest=40)}'"
            raise Uncut("calendar.syntax", number, what, "write CALSCALE:GREGORIAN")

    def begin(self, number: int, value: str) -> None:
        self.within.append(value)
        if self.within[0] != "VCALENDAR" or len(self.within) > _DEEPEST:
            what = f"'{harmless(value, longest=40)}' begins where it cannot"
            raise Uncut("calendar.syntax", number, what, "begin the file with BEGIN:VCALENDAR")
        if self.within == _EVENT:
            self.blocks.append(Block(number))
            if len(self.blocks) > MAX_EVENTS:
                what = f"more than {MAX_EVENTS} events stand in this file"
                raise Uncut("calendar.too-large", number, what, "take out those that are over")
