"""Which connections are closed where too many are open, as a matter of counting; over real ones in agent/test_crowds.py."""

import pytest

from asleft.daemon.unheard import Turned, Unheard

MOST = 4


def kept(
    *, most: int = 1000, of_one: int = 2, boundless: str = ""
) -> tuple[Unheard[str], list[tuple[Turned, str]]]:
    """Give who counts, and what is told."""
    told: list[tuple[Turned, str]] = []
    counting: Unheard[str] = Unheard(
        most=most,
        of_one=of_one,
        boundless=lambda peer: peer == boundless,
        told=lambda why, peer: told.append((why, peer)),
    )
    return counting, told


@pytest.mark.parametrize(
    "first, second, further, alike",
    [
        ("192.0.2.1", "192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.1", "192.0.2.2", False),
        ("2001:db8:0:1::1", "2001:db8:0:1:ffff::2", "2001:db8:0:1::3", True),
        ("2001:db8:0:1::1", "2001:db8:0:1::2", "2001:db8:0:2::1", False),
        ("192.0.2.1", "::ffff:192.0.2.1", "192.0.2.1", True),
    ],
)
def test_what_is_one_peer(first: str, second: str, further: str, *, alike: bool) -> None:
    """An IPv6 /64 (RFC 6177 §2) and an address in either way of writing it (RFC 4291 §2.5.5.2) are one."""
    counting, told = kept()
    assert counting.came("a", first, 1) == counting.came("b", second, 2) == []
    assert counting.came("c", further, 3) == (["c"] if alike else [])
    assert told == ([(Turned.SILENT, further)] if alike else [])


def test_who_has_no_limit_of_its_own() -> None:
    """Behind a proxy everybody is one address."""
    counting, told = kept(boundless="192.0.2.1")
    for number in range(50):
        assert counting.came(str(number), "192.0.2.1", number) == []
    assert told == []


def test_what_asked_counts_no_more() -> None:
    """Nor does what is gone, nor what was refused: each lets one more of its peer in, and nothing stays behind."""
    counting, _ = kept()
    for one in "ab":
        counting.came(one, "192.0.2.1", 1)
    counting.heard("a")
    assert counting.came("c", "192.0.2.1", 1) == []
    counting.rests("a", "192.0.2.1")  # it asked once, so it counts no more
    assert counting.came("d", "192.0.2.1", 1) == ["d"]
    counting.gone("d")
    counting.gone("b")
    assert counting.came("e", "192.0.2.1", 1) == []
    assert len(counting) == 3
    for one in "ace":
        counting.gone(one)
    assert len(counting) == len(counting._networks) == 0


def test_what_was_answered_before_it_was_whole_still_counts() -> None:
    """A head is answered while its body never comes."""
    counting, _ = kept(of_one=1)
    counting.came("a", "192.0.2.1", 1)
    counting.rests("a", "192.0.2.1")
    assert counting.came("b", "192.0.2.1", 2) == ["b"]


def test_the_oldest_makes_room() -> None:
    """First what never asked, the oldest first; then what rests between two requests, longest first; never what is at work."""
    counting, told = kept(most=MOST, of_one=100)
    for number, one in enumerate("abcd", start=1):
        counting.came(one, f"192.0.2.{number}", 0)
    for one in "abc":
        counting.heard(one)
    for one in "ba":
        counting.rests(one, "192.0.2.9")
    assert counting.came("e", "192.0.2.5", MOST) == ["d"]
    counting.heard("e")
    assert counting.came("f", "192.0.2.6", MOST) == ["b"]
    counting.heard("f")
    assert counting.came("g", "192.0.2.7", MOST) == ["a"]
    counting.heard("g")
    assert counting.came("h", "192.0.2.8", MOST) == []
    assert told == [(Turned.GAVE_WAY, peer) for peer in ("192.0.2.4", "192.0.2.9", "192.0.2.9")]
