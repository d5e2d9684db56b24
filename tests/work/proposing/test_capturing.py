"""A whole site captured through the desk: who may, the branch, the record, and the same over the local socket."""

from pathlib import Path

import pytest

from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.proposal_calls import CapturedSent
from asleft.domain.names import harmless
from asleft.work.commissioning.choosing import Wish
from asleft.work.ordering import MayNot, NoStation
from estates import HALL
from work.proposing.bureau import WREN, a_bureau

NO_WISH = Wish(roles={}, names={})


async def test_a_captured_site_is_a_branch_and_a_record(tmp_path: Path) -> None:
    """A meddled gain is proposed on a branch that the remote has, and the records say who asked and why."""
    with a_bureau(tmp_path) as bureau:
        bureau.meddle(f"{HALL}/drums", headphones__gain="-12 dB")
        captured = await bureau.desk.capture(HALL, NO_WISH, by=WREN, reason="Set by ear")
        assert captured.branch in bureau.branches()
        assert captured.pushed
        file = f"sites/{HALL}/stations/drums.yaml"
        assert [path for path, _ in captured.files] == [file]
        assert "gain: -12 dB" in bureau.show(captured.branch, file)
        assert captured.approve.startswith(f"merge {captured.branch} into")
        record = bureau.records("%B")
        assert f"Proposal: {captured.branch}" in record
        assert "By: Wren Halloway (wren-halloway)" in record
        assert "Reason: Set by ear" in record
        sent = CapturedSent(captured=captured, notices=("one",))
        packed = adapter_of(CapturedSent).dump_python(sent, mode="json")
        assert adapter_of(CapturedSent).validate_python(packed) == sent


async def test_where_nothing_differs_nothing_is_proposed_or_recorded(tmp_path: Path) -> None:
    """The example's hall as left: no branch, no record."""
    with a_bureau(tmp_path) as bureau:
        before, branches = bureau.records("%H"), bureau.branches()
        captured = await bureau.desk.capture(HALL, NO_WISH, by=WREN, reason="See whether anything differs")
        assert (captured.branch, captured.files) == ("", ())
        assert (bureau.records("%H"), bureau.branches()) == (before, branches)


async def test_who_may_not_propose_may_not_capture(tmp_path: Path) -> None:
    """Pell may only look: refused and recorded. A site that is not there is told with the nearest one."""
    with a_bureau(tmp_path) as bureau:
        with pytest.raises(MayNot, match="Pell Osgood may not propose"):
            await bureau.desk.capture(HALL, NO_WISH, by="pell-osgood", reason="Why not")
        assert f"{HALL}: refused to propose: capture" in bureau.records("%s")
        with pytest.raises(NoStation, match=harmless("there is no site 'hall'")):
            await bureau.desk.capture("hall", NO_WISH, by=WREN, reason="Why not")
