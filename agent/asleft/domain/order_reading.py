"""Orders read back from their pages in the records: what was written to a station, by whose word, and what came of it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from asleft.domain.journal import unscalar
from asleft.domain.stations import StationId

__all__ = ["KeptWrite", "OrderPage", "Signed", "parse_order_page"]


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptWrite:
    """One write as its page tells it; `outcome` is `not begun` where it never was."""

    setting: str
    before: str
    after: str
    outcome: str
    read_back: str

    @property
    def begun(self) -> bool:
        """Whether anything was sent to the station, as far as the page knows."""
        return self.outcome != "not begun"


@dataclass(frozen=True, kw_only=True, slots=True)
class Signed:
    """One person's word in the life of an order: what it was, whose, when, and the reason given."""

    event: str
    at: str
    key: str
    name: str
    why: str

    @property
    def who(self) -> str:
        """The person as people read it."""
        return self.name or self.key


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderPage:
    """What a page in the records says of an order.

    Args:
        order: Its id.
        station: Which station.
        purpose: What it is for, in a word.
        state: Where it is in its life.
        outcome: What came of it; empty until it ended.
        ended: When it ended, UTC; None until then.
        writes: Its writes.
        words: What people said in its life, in order.
    """

    order: str
    station: StationId
    purpose: str
    state: str
    outcome: str
    ended: datetime | None
    writes: tuple[KeptWrite, ...]
    words: tuple[Signed, ...] = field(default=())

    @property
    def wrote(self) -> bool:
        """Whether it sent anything to the station."""
        return any(write.begun for write in self.writes)


def parse_order_page(data: bytes) -> OrderPage | None:
    """Read the page of an order; None where it is not one that this version can read."""
    try:
        return _parsed(data.decode())
    except ValueError:
        return None


def _parsed(text: str) -> OrderPage | None:
    top: dict[str, str] = {}
    lists: dict[str, list[dict[str, str]]] = {"life": [], "writes": []}
    within = ""
    for line in text.split("\n"):
        name, colon, said = line.strip().removeprefix("- ").partition(":")
        if line.startswith("#") or not colon:
            continue
        if not line.startswith(" "):
            within = name
            top[name] = unscalar(said.strip())
        elif within in lists:
            if line.startswith("  - "):
                lists[within].append({})
            if lists[within] and not line.startswith("      "):
                lists[within][-1][name] = unscalar(said.strip())
    station = StationId.parse(f"{top.get('site', '')}/{top.get('station', '')}")
    if station is None or "order" not in top:
        return None
    return OrderPage(
        order=top["order"],
        station=station,
        purpose=top.get("purpose", ""),
        state=top.get("state", ""),
        outcome=top.get("outcome", ""),
        ended=datetime.fromisoformat(top["ended"]) if top.get("ended") else None,
        writes=tuple(map(_write, lists["writes"])),
        words=tuple(_words(lists["life"])),
    )


def _write(row: dict[str, str]) -> KeptWrite:
    return KeptWrite(
        setting=row.get("setting", ""),
        before=row.get("from", ""),
        after=row.get("to", ""),
        outcome=row.get("outcome", ""),
        read_back=row.get("read-back", ""),
    )


def _words(rows: list[dict[str, str]]) -> Iterator[Signed]:
    for row in rows:
        if row.get("by"):
            yield Signed(
                event=row.get("event", ""),
                at=row.get("at", ""),
                key=row["by"],
                name=row.get("name", ""),
                why=row.get("why", ""),
            )
