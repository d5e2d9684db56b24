"""Refusals that are alike are gathered: none is lost, and no flood fills the log or the memory. Ids are of OWASP ASVS 5.0.0."""

from datetime import timedelta
from typing import Any

import pytest

from asleft.daemon.agent.paging import PageAttendant
from asleft.web.gathered import AT_ONCE_KNOWN, MANY, MOST_KEPT, PAUSE, Gathered
from estates import WREN
from stage import Time

EVENT = "the page refused something"
PEER = "192.0.2.7"
HERE: dict[str, Any] = {"peer": PEER, "why": "not-there"}


class Told:
    """Takes lines, and what is told them by a clock that stands still."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self.clock = Time()
        self.lines: list[dict[str, Any]] = []
        self.gathered = Gathered(self.say, self.clock, most=most)

    def say(self, event: str, **about: Any) -> None:
        """Take a line."""
        self.lines.append({"event": event, **about})

    def later(self, seconds: float) -> None:
        """Let time go by."""
        self.clock.now += timedelta(seconds=seconds)

    def all(self) -> list[dict[str, Any]]:
        """Give what was told since it was last asked."""
        lines, self.lines = self.lines, []
        return lines


@pytest.fixture
def told() -> Told:
    """Give somewhere to tell refusals."""
    return Told()


def test_the_first_is_a_line_and_the_rest_is_one_a_minute(told: Told) -> None:
    """16.3.3: at once, then once a minute with how many there were, from when to when, and what the last of them was."""
    for number in range(1000):
        told.gathered.refused(EVENT, path=f"/{number}", **HERE)
        told.later(0.05)
    assert told.all() == [{"event": EVENT, "path": "/0", "person": None, **HERE}]
    told.later(PAUSE.total_seconds() - 50)
    told.gathered.sweep()
    (line,) = told.all()
    assert (line["times"], line["path"], line["peer"], line["why"]) == (999, "/999", PEER, "not-there")
    assert (line["since"], line["until"]) == ("2026-06-10T12:00:00Z", "2026-06-10T12:00:49Z")
    for _ in range(3):
        told.gathered.refused(EVENT, path="/x", **HERE)
    assert told.all() == []
    told.later(PAUSE.total_seconds())
    told.gathered.refused(EVENT, path="/y", **HERE)
    assert [(line["times"], line["path"]) for line in told.all()] == [(3, "/x")]


def test_a_kind_that_has_ended_is_forgotten(told: Told) -> None:
    """A minute without another one, and the next is a line at once again; nothing is kept meanwhile."""
    told.gathered.refused(EVENT, **HERE)
    told.later(PAUSE.total_seconds())
    told.gathered.sweep()
    assert len(told.gathered) == 0
    told.gathered.refused(EVENT, **HERE)
    assert [line.get("times") for line in told.all()] == [None, None]


@pytest.mark.parametrize(
    "other",
    [
        {"event": "the door turned something away"},
        {"why": "may-not"},
        {"peer": "192.0.2.8"},
        {"person": WREN},
    ],
)
def test_what_is_not_alike_is_not_gathered(told: Told, other: dict[str, Any]) -> None:
    """16.3.2: another refusal, another reason, another address, somebody who is known: a line of its own, at once."""
    for given in ({"event": EVENT, **HERE}, {"event": EVENT, **HERE, **other}):
        told.gathered.refused(given.pop("event"), **given)
    assert len(told.all()) == 2


def test_a_network_is_one_peer(told: Told) -> None:
    """16.3.3: whoever has one IPv6 address has 2^64 of them (RFC 4291 §2.5.4); they count as one."""
    for number in range(1, 100):
        told.gathered.refused(EVENT, why="not-there", peer=f"2001:db8::{number:x}")
    told.gathered.refused(EVENT, why="not-there", peer="2001:db8:0:1::1")
    assert [line["peer"] for line in told.all()] == ["2001:db8::1", "2001:db8:0:1::1"]


def test_many_addresses_fill_neither_log_nor_memory(told: Told) -> None:
    """16.3.3: what comes from more addresses than are told apart is counted together; every one of 10,000 is in some line."""
    peers = [f"10.{number >> 8}.{number & 255}.1" for number in range(10_000)]
    for peer in peers:
        told.gathered.refused(EVENT, why="not-there", peer=peer)
    assert len(told.gathered) == MOST_KEPT + 1
    lines = told.all()
    assert len(lines) == MOST_KEPT + 1
    assert [line.get("peers") for line in lines] == [None] * MOST_KEPT + [MANY]
    told.later(PAUSE.total_seconds())
    told.gathered.sweep()
    (line,) = told.all()
    assert (line["times"], line["peer"], line["peers"]) == (10_000 - MOST_KEPT - 1, peers[-1], MANY)
    assert len(told.gathered) == 1


def test_a_crowd_hides_nobody_who_is_known(told: Told) -> None:
    """16.3.2: what a person tried is told with their name, however many addresses ask for nonsense meanwhile."""
    for number in range(2 * MOST_KEPT):
        told.gathered.refused(EVENT, why="may-not", peer=f"10.0.{number >> 8}.{number & 255}")
    told.all()
    told.gathered.refused(EVENT, why="may-not", peer="10.0.0.1", person=WREN, path="/people/sign-out")
    (line,) = told.all()
    assert (line["person"], line["path"], "peers" in line) == (WREN, "/people/sign-out", False)


def test_a_person_who_floods_is_gathered_too(told: Told) -> None:
    """16.3.2, 16.3.3: each of the first is a line, for who has a name is read line by line; then one a minute."""
    for number in range(AT_ONCE_KNOWN + 7):
        told.gathered.refused(EVENT, path=f"/{number}", person=WREN, **HERE)
    assert [line["path"] for line in told.all()] == [f"/{number}" for number in range(AT_ONCE_KNOWN)]
    told.later(PAUSE.total_seconds())
    told.gathered.sweep()
    assert [(line["times"], line["person"]) for line in told.all()] == [(7, WREN)]


def test_the_end_tells_all_and_leaves_nothing(told: Told) -> None:
    """16.3.3: what was gathered when the page ends is told then, once."""
    for number in range(5):
        told.gathered.refused(EVENT, **HERE)
        told.gathered.refused(EVENT, why="may-not", peer=f"192.0.2.{number}")
    told.all()
    told.gathered.end()
    told.gathered.end()
    assert [line["times"] for line in told.all()] == [4]
    assert len(told.gathered) == 0


@pytest.mark.parametrize("hours", [-5, 5])
def test_a_clock_that_is_set(told: Told, hours: int) -> None:
    """16.2.2: set back or ahead, it neither holds lines back for hours nor loses a count."""
    for _ in range(4):
        told.gathered.refused(EVENT, **HERE)
    told.later(3600 * hours)
    told.gathered.sweep()
    assert [line.get("times") for line in told.all()] == [None, 3]
    told.later(1)
    told.gathered.refused(EVENT, **HERE)
    told.later(PAUSE.total_seconds())
    told.gathered.sweep()
    assert [line["times"] for line in told.all()] == [1]


def test_what_is_kept_is_short_and_harmless(told: Told) -> None:
    """16.4.1: texts that somebody sent are cut and escaped before they are kept, in lists as well."""
    foreign = "\n\x1b[2J\u202eevil" + "x" * 10_000
    told.gathered.refused(EVENT, **HERE, origin=[foreign] * 50, what=foreign, status=403)
    (line,) = told.all()
    assert line["status"] == 403
    assert len(line["origin"]) == 5
    for text in (*line["origin"], line["what"]):
        assert text.startswith("\\n\\x1b[2J\\u202eevil")
        assert len(text) < 600
        assert text.isprintable()


async def test_the_agent_tells_what_is_due(told: Told) -> None:
    """16.3.3: a flood that has ended is told by the agent's tick, without another request."""

    class Accounts:
        def sweep(self) -> None:
            """Do nothing."""

    attendant = PageAttendant(Accounts())  # type: ignore[arg-type]  # only swept
    attendant.gathered = told.gathered
    for _ in range(3):
        told.gathered.refused(EVENT, **HERE)
    told.later(PAUSE.total_seconds() - 1)
    await attendant.tick(None)  # type: ignore[arg-type]  # not looked at
    assert [line.get("times") for line in told.all()] == [None]
    told.later(1)
    await attendant.tick(None)  # type: ignore[arg-type]  # not looked at
    assert [line.get("times") for line in told.all()] == [2]
