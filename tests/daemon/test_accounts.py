"""Accounts of a home, and what the log says about them."""

import io
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from asleft.daemon.accounts import log_event, own_accounts, this_account
from asleft.daemon.assembly import make_home
from asleft.daemon.home import HomeInUse
from asleft.daemon.logs import logging_to
from asleft.daemon.redaction import Redactor
from asleft.daemon.settings.settings import LogForm, LogLevel
from asleft.domain.accounts import AccountEvent, AccountMove, Whence
from estates import WREN, plant

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def test_a_home_s_accounts_are_its_owner_s(tmp_path: Path) -> None:
    """People and the estate's name come from the baseline in force, state from the ledger; one process at a time has it."""
    plant(tmp_path / "estate")
    make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")})
    events: list[AccountEvent] = []
    with own_accounts(tmp_path / "home", "a test", events.append) as desk:
        desk.make_link(WREN, Whence("command line"), by=this_account())
        with pytest.raises(HomeInUse), own_accounts(tmp_path / "home", "another", events.append):
            pass
    with own_accounts(tmp_path / "home", "a test", events.append) as desk:
        assert {view.person for view in desk.views() if view.has_account} == {WREN}
    assert [(event.move, event.by) for event in events] == [(AccountMove.LINK_MADE, this_account())]


def test_an_event_is_a_line_of_the_log() -> None:
    """ASVS 16.2.1, 16.3.1, 16.4.1: when, who, what, from where; refusals weigh more; foreign text is encoded."""
    stream = io.StringIO()
    events = [
        AccountEvent(
            at=NOON,
            move=move,
            person=WREN,
            by=WREN,
            whence=Whence("192.0.2.7", 'x"\n{"event": "forged"}'),
            detail="by a link",
        )
        for move in (AccountMove.SIGNED_IN, AccountMove.SIGN_IN_REFUSED)
    ]
    with logging_to(stream, form=LogForm.JSON, level=LogLevel.INFO, redactor=Redactor(), environment={}):
        for event in events:
            log_event(event)
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [(line["event"], line["level"]) for line in lines] == [
        ("signed in", "info"),
        ("sign-in refused", "warning"),
    ]
    for line in lines:
        assert (line["person"], line["by"], line["address"], line["detail"]) == (
            WREN,
            WREN,
            "192.0.2.7",
            "by a link",
        )
