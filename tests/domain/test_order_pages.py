"""How orders are written down: pages that prove themselves, and the words of commits."""

import hashlib
from dataclasses import replace
from datetime import timedelta

import yaml

from asleft.domain.estate import StationId
from asleft.domain.kinds import Foreign
from asleft.domain.order_pages import (
    Story,
    WriteEnd,
    drawn_message,
    moved_message,
    order_message,
    order_page,
    order_path,
)
from asleft.domain.orders import Event, Moved, OrderState
from asleft.domain.snapshot import Unread, UnreadWhy
from domain.made import NOON, as_found, order
from domain.test_journal import GAIN, read_by_yaml

WREN, IDRIS = "wren-halloway", "idris-quill"
NAMES = {WREN: "Wren Halloway", IDRIS: "Idris Quill"}
DRAWN = Moved(at=NOON, event=Event.DRAW_UP, by=WREN)
AGREED = Moved(at=NOON, event=Event.AGREE, by=IDRIS, why="heard it, too")
CONFIRMED = Moved(
    at=NOON + timedelta(minutes=1),
    event=Event.CONFIRM,
    by=WREN,
    why="before the\nevening: #1",
    accepted=("hearing:headphones.limiter-level",),
    signed="wren@quay.example SHA256:abc",
)
STORY = Story(
    state=OrderState.RESTORED,
    life=(DRAWN, AGREED, CONFIRMED),
    names=NAMES,
    outcome="all 2 settings are as left",
    ended=NOON,
    writes=(WriteEnd(setting="headphones.limiter-level", outcome="written", read_back="-9 dB"),),
)


def test_the_digest_can_be_checked_from_the_page_alone() -> None:
    """The SHA-256 of the canonical text on an order's page is the digest on it, read by any YAML reader."""
    look = as_found(
        {"headphones.limiter-level": -12.0, "label": Foreign('\x85"\ufeff\\')},
        unread={"panel.menus": Unread(UnreadWhy.MISSING)},
    )
    drawn = order(look)
    for loader in (yaml.BaseLoader, yaml.SafeLoader):
        page = read_by_yaml(loader, order_page(drawn, STORY))
        assert hashlib.sha256(page["canonical"].encode()).hexdigest() == page["digest"] == drawn.digest
        assert page["order"] == drawn.id
        assert [move["event"] for move in page["life"]] == ["draw up", "agree", "confirm"]
        last = page["life"][-1]
        assert (last["by"], last["name"], last["why"]) == (WREN, "Wren Halloway", "before the\\nevening: #1")
        assert last["accepted"] == ["hearing:headphones.limiter-level"]
        assert last["signed"] == "wren@quay.example SHA256:abc"
        assert page["left-alone"] == {"panel.menus": "not offered by this station"}
        assert [(write["setting"], write["outcome"]) for write in page["writes"]] == [
            ("headphones.limiter-level", "written"),
            ("label", "not begun"),
        ]
        assert (page["drawn-up"], page["ended"]) == ("2026-03-01T12:00:00Z", "2026-03-01T12:00:00Z")


def test_names_that_yaml_reads_as_switches() -> None:
    """A site called `on` stays a text on an order's page."""
    drawn = replace(order(as_found({"label": "x"})), station=StationId("on", "y"))
    page = read_by_yaml(yaml.SafeLoader, order_page(drawn, replace(STORY, life=(DRAWN,), outcome="")))
    assert (page["site"], page["station"], page["outcome"]) == ("on", "y", "")


def test_hostile_words_stay_words() -> None:
    """What a person typed cannot become another line of the page."""
    nasty = replace(CONFIRMED, by="x\nstate: restored", why="y\r\n- event: confirm", accepted=("a\nb: c",))
    drawn = order(as_found({"label": "x"}))
    page = read_by_yaml(
        yaml.SafeLoader, order_page(drawn, replace(STORY, life=(nasty,), state=OrderState.LAPSED))
    )
    assert page["state"] == "lapsed"
    assert len(page["life"]) == 1


def test_the_words_of_an_order() -> None:
    """A restored order tells what it did; any other end tells which end it was."""
    drawn = order(as_found({"headphones.gain": 12.0}))
    done = order_message(drawn, STORY, [GAIN])
    assert done.subject == "quay/drums: restored headphones.gain +12 dB → -12 dB"
    assert done.body == (
        "all 2 settings are as left\n\nordered: headphones.gain +12 dB → -12 dB\n"
        "found: headphones.gain -12 dB → 0 dB"
    )
    assert [value for key, value in done.trailers if key == "Confirmed-By"] == [
        "Idris Quill (idris-quill)",
        "Wren Halloway (wren-halloway)",
    ]
    assert ("Order", drawn.id) in done.trailers
    two = order(as_found({"headphones.gain": 12.0, "label": "x"}))
    assert order_message(two, STORY, []).subject == "quay/drums: restored 2 settings"
    lapsed = order_message(drawn, replace(STORY, state=OrderState.LAPSED, life=(DRAWN,)), [])
    assert lapsed.subject == f"quay/drums: order {drawn.id} lapsed"
    assert {"Confirmed-By", "Reason"} & {key for key, _ in lapsed.trailers} == set()


def test_the_words_on_the_way() -> None:
    """Drawn up, half confirmed, turned away: each says who, and several orders are one commit."""
    one = order(as_found({"label": "x"}))
    other = replace(one, station=StationId("quay", "keys"))
    waiting = replace(STORY, state=OrderState.DRAWN_UP, life=(DRAWN,))
    assert (
        drawn_message([one], waiting).subject
        == f"quay/drums: order {one.id} drawn up by Wren Halloway ({WREN})"
    )
    assert (
        drawn_message([one, other], waiting).subject == f"quay: 2 orders drawn up by Wren Halloway ({WREN})"
    )
    agreed = moved_message([one], replace(waiting, life=(DRAWN, AGREED)))
    assert agreed.subject == f"quay/drums: order {one.id} confirmed by Idris Quill ({IDRIS}), one of two"
    assert ("Reason", "heard it, too") in agreed.trailers
    away = Moved(at=NOON, event=Event.TURN_AWAY, by="pell-osgood", why="Pell Osgood may not confirm at quay")
    turned = moved_message([one], replace(waiting, life=(DRAWN, away)))
    assert (
        turned.subject
        == f"quay/drums: order {one.id} not confirmed, for a confirmation by pell-osgood does not count"
    )
    assert turned.body.startswith("Pell Osgood may not confirm at quay\n")


def test_where_a_page_lies() -> None:
    """Orders lie by year."""
    drawn = order(as_found({"label": "x"}))
    assert order_path(drawn) == f"orders/2026/{drawn.id}.yaml"
