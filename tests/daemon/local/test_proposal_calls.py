"""Proposals over the local socket: asked for as the command line asks, answered by the agent's handlers, value for value."""

import json
from collections.abc import Mapping
from contextlib import asynccontextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar, cast

import pytest

from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.proposal_calls import RemoteProposals
from asleft.daemon.local.proposal_handlers import proposal_handlers
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.server import Caller
from asleft.work.desk import OwnerDesk
from asleft.work.proposing.enrol import Wish
from asleft.work.proposing.words import CannotPropose, Proposed
from estates import HALL
from work.proposing.bureau import WREN, Bureau, a_bureau

DRUMS = f"{HALL}/drums"
NOTICES = ("the baseline could not be fetched",)
_Value = TypeVar("_Value")


class Noted:
    """Stands for the agent's desk, which knows the notices."""

    notices = NOTICES


class Line:
    """The way from the command line to the handlers, with all that goes over it as JSON text."""

    def __init__(self, bureau: Bureau) -> None:
        self.turns = 0
        self.heard: tuple[str, ...] = ()
        self.handlers = proposal_handlers(cast("OwnerDesk", Noted()), bureau.desk, self.turn)
        self.remote = RemoteProposals(self.ask, self.noticed)

    @property
    def turn(self) -> Any:
        """Count how often the agent's turn was taken."""

        @asynccontextmanager
        async def taken() -> Any:
            self.turns += 1
            yield

        return taken()

    def noticed(self, notices: tuple[str, ...]) -> None:
        """Take notices."""
        self.heard = notices

    async def ask(self, command: str, arguments: Mapping[str, Any], sent: type[_Value], /) -> _Value:
        """Ask a handler."""
        given = json.loads(json.dumps(arguments))
        answer = await self.handlers[command](given, cast("Caller", None))
        return adapter_of(sent).validate_python(json.loads(json.dumps(answer)))


async def test_a_proposal_comes_over_as_it_is(tmp_path: Path) -> None:
    """All of it: the effect on other stations with hazards, what the check says, the differences, the notices."""
    with a_bureau(tmp_path, clock=lambda: datetime(2026, 3, 2, 12, 0, tzinfo=UTC)) as bureau:
        bureau.meddle(DRUMS, headphones__gain="+12 dB")
        await bureau.look(HALL)
        line = Line(bureau)
        over = await line.remote.adopt(DRUMS, ["headphones.gain"], layer="estate", by=WREN, reason="louder")
        here = await bureau.desk.adopt(DRUMS, ["headphones.gain"], layer="estate", by=WREN, reason="louder")
        assert line.heard == NOTICES
        assert line.turns == 1
        assert isinstance(over, Proposed)
        assert here.branch == f"{over.branch}-2"
        # The same change at the same time by the same person is the same commit.
        assert over.commit == here.commit
        for part in ("station", "subject", "base", "made", "files", "effect", "problems", "warnings"):
            assert getattr(over, part) == getattr(here, part)
        assert over.effect.changed == 21
        assert over.problems


async def test_each_command_has_its_handler(tmp_path: Path) -> None:
    """Concession, exchange and enrolment are asked for with every argument they take; refusals come through."""
    with a_bureau(tmp_path, clock=lambda: datetime(2026, 3, 2, 12, 0, tzinfo=UTC)) as bureau:

        def line() -> RemoteProposals:
            return Line(bureau).remote

        made = await line().concede(
            DRUMS,
            "panel.menus",
            "open",
            holder="idris-quill",
            until=date(2026, 9, 1),
            by=WREN,
            reason="mixes",
        )
        assert made.subject.endswith("a concession for panel.menus open until 2026-09-01")
        made = await line().exchange(DRUMS, "QS41-9999", by=WREN, reason="broken")
        assert made.then == f"asleft set-up {DRUMS}"
        wish = Wish(site=HALL, address="192.0.2.5", name="riser", role="drums", serial="X", as_role=True)
        with pytest.raises(CannotPropose, match="is not in the station range"):
            await line().enrol(wish, by=WREN, reason="hired")


async def test_arguments_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    """A day that is none, and a word that nobody knows."""
    with a_bureau(tmp_path) as bureau:
        asked = {"name": DRUMS, "setting": "panel.menus", "holder": WREN, "by": WREN, "reason": "x"}
        with pytest.raises(BadRequest, match="argument until"):
            await Line(bureau).handlers["concede"]({**asked, "until": "summer"}, cast("Caller", None))
        with pytest.raises(BadRequest, match="argument force"):
            await Line(bureau).handlers["concede"](
                {**asked, "until": "2099-01-01", "force": True}, cast("Caller", None)
            )
