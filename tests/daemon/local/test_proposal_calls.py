"""Proposals over the local socket: asked for as the command line asks, answered by the agent's handlers, value for value."""

import json
from collections.abc import Mapping
from contextlib import asynccontextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar, cast

import pytest

from asleft.cli.proposals import WITHHELD, _json, _lines
from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.proposal_calls import RemoteProposals
from asleft.daemon.local.proposal_handlers import proposal_handlers
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.seeing import withheld_by
from asleft.daemon.local.server import Caller
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.work.approved import InForce
from asleft.work.desk import OwnerDesk
from asleft.work.ordering import NoStation
from asleft.work.proposing.enrol import Wish
from asleft.work.proposing.words import CannotPropose, Proposed
from estates import HALL, IDRIS
from work.proposing.bureau import WREN, Bureau, a_bureau

DRUMS = f"{HALL}/drums"
NOTICES = ("the baseline could not be fetched",)
OWNER = Caller(account="asleft", person=None, trusted=True)
MEMBER = Caller(account="quill", person=IDRIS, trusted=False)
"""Somebody of two sites, who may not look at the third one."""
HIDDEN = "brackle"
_Value = TypeVar("_Value")


class Noted:
    """Stands for the agent's desk, which knows the notices and the estate in force."""

    def __init__(self, estate: Estate, notices: tuple[str, ...]) -> None:
        self.notices = notices
        self._estate = estate

    def in_force(self) -> InForce:
        """Give the estate in force."""
        return InForce(estate=self._estate, notices=self.notices)


class Line:
    """The way from the command line to the handlers, with all that goes over it as JSON text."""

    def __init__(self, bureau: Bureau, caller: Caller = OWNER, *, notices: tuple[str, ...] = NOTICES) -> None:
        self.turns = 0
        self.heard: tuple[str, ...] = ()
        self.sent = ""
        self.caller = caller
        desk = cast("OwnerDesk", Noted(bureau.estate, notices))
        self.handlers = proposal_handlers(desk, bureau.desk, self.turn)
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
        self.sent = json.dumps(await self.handlers[command](given, self.caller))
        return adapter_of(sent).validate_python(json.loads(self.sent))


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


async def test_who_may_look_at_some_sites_is_told_of_those_alone(tmp_path: Path) -> None:
    """As on the page: nothing that goes over the line names another site, whose stations are counted; no difference may either."""
    with a_bureau(tmp_path, clock=lambda: datetime(2026, 3, 2, 12, 0, tzinfo=UTC)) as bureau:
        bureau.meddle(DRUMS, headphones__gain="+12 dB")
        await bureau.look(HALL)
        line = Line(bureau, MEMBER, notices=(*NOTICES, f"{HIDDEN}-chapel/organ: its file has an error"))
        asked = {"layer": "estate", "by": IDRIS, "reason": "louder"}
        told = await line.remote.adopt(DRUMS, ["headphones.gain"], **asked)
        whole = await Line(bureau, OWNER).remote.adopt(DRUMS, ["headphones.gain"], **asked)
        sent = line.sent
        with pytest.raises(AsleftError) as no:
            await Line(bureau, MEMBER).remote.adopt(f"{HIDDEN}-chapel/organ", [], **asked)
        with pytest.raises(AsleftError) as none:
            await Line(bureau, MEMBER).remote.adopt("no-chapel/organ", [], **asked)
        with pytest.raises(AsleftError) as off:
            await Line(bureau, MEMBER).remote.exchange(
                DRUMS, _serial_at(bureau, HIDDEN), by=IDRIS, reason="it was there"
            )
    assert HIDDEN in repr(whole)
    assert HIDDEN not in sent
    assert line.heard[0] == NOTICES[0]
    assert (told.commit, told.in_part, whole.in_part) == (whole.commit, True, False)
    own = [one for one in whole.effect.groups[0].stations if not one.site.startswith(HIDDEN)]
    assert [*told.effect.groups[0].stations] == own
    assert 0 < told.effect.changed < whole.effect.changed == 21
    hidden = whole.effect.changed - told.effect.changed
    assert any(f"and {hidden} of other sites" in text for text in told.warnings)
    assert [file for file, _ in told.files] == [file for file, _ in whole.files] == ["estate.yaml"]
    assert (told.files[0][1], whole.files[0][1] != "") == ("", True)
    assert told.problems == ()
    assert whole.problems
    # What lies there is refused as what is not there; other refusals lose the name.
    assert type(no.value) is type(none.value) is NoStation
    assert str(no.value).replace(HIDDEN, "no") == str(none.value)
    assert HIDDEN not in str(off.value).lower()
    lines = "\n".join(_lines(told))
    assert HIDDEN not in lines
    assert (
        f"Once it is approved, {told.effect.changed} at the sites that you may look at, of 24 stations in all,"
        in lines
    )
    assert f"estate.yaml: {WITHHELD}" in lines
    assert (_json(told)["files"], HIDDEN in json.dumps(_json(told), default=str)) == (
        [{"file": "estate.yaml", "diff": None}],
        False,
    )


async def test_who_is_nobody_any_more_is_told_of_no_site(tmp_path: Path) -> None:
    """The settings may name somebody whom people.yaml has not: that is no reason to tell everything."""
    with a_bureau(tmp_path) as bureau:
        desk = cast("OwnerDesk", Noted(bureau.estate, NOTICES))
        gone = withheld_by(desk)(Caller(account="x", person="nobody-here", trusted=False))
        assert not gone.everywhere
        assert not any(map(gone.sees, bureau.estate.sites))
        assert gone.holds(DRUMS)
        owner = withheld_by(desk)(OWNER)
        assert (owner.everywhere, owner.holds(DRUMS)) == (True, False)


def _serial_at(bureau: Bureau, site: str) -> str:
    return next(
        one.serial
        for one in bureau.estate.stations.values()
        if one.station.site.startswith(site) and one.serial
    )


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
            await Line(bureau).handlers["concede"]({**asked, "until": "summer"}, OWNER)
        with pytest.raises(BadRequest, match="argument force"):
            await Line(bureau).handlers["concede"]({**asked, "until": "2099-01-01", "force": True}, OWNER)
