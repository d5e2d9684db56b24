"""What of a piece of evidence somebody is told who may look at some sites alone."""

from dataclasses import replace

from asleft.domain.evidence.pieces import Change
from asleft.domain.evidence.seeing import Scope
from asleft.domain.stations import StationId
from domain.evidencing import approval, record

QUAY = Scope(frozenset({"quay"}))
REASON = "the organ"


def at(*stations: str) -> list[tuple[str, str]]:
    """Give the trailers of something at some stations."""
    return [
        *(("Site", one.partition("/")[0]) for one in stations),
        *(("Station", one) for one in stations),
        ("Setting", "panel.menus"),
        ("Reason", REASON),
    ]


def test_who_may_look_everywhere_is_told_all() -> None:
    """Also what concerns no site."""
    for piece in (
        record(0, "records: made", files=()),
        record(1, "both", *at("quay/drums", "yard/organ")),
        approval(2, "c" * 40),
    ):
        assert Scope().see(piece) is piece


def test_what_is_about_another_site_or_about_none_is_not_told() -> None:
    """A commit without a site may name any of them in its text."""
    for piece in (
        record(0, "yard/organ: moved", *at("yard/organ"), files=[("as-found/yard/organ.yaml", "b" * 40)]),
        record(1, "records: made", files=()),
        approval(2, "c" * 40, files=["people.yaml"]),
        approval(3, "c" * 40, files=["sites/yard/site.yaml"]),
    ):
        assert QUAY.see(piece) is None


def test_of_a_record_of_several_sites_the_own_part_is_told() -> None:
    """Lines, files and stations of the other ones are left out, and so is what could be about either."""
    both = record(
        0,
        "round at quay, yard: 2 moved",
        *at("quay/drums", "yard/organ"),
        files=[("as-found/quay/drums.yaml", "b" * 40), ("as-found/yard/organ.yaml", "b" * 40)],
        body="quay/drums: panel.menus locked → open\nyard/organ: panel.menus locked → open",
    )
    seen = QUAY.see(both)
    assert seen is not None
    assert "yard" not in repr(seen)
    assert REASON not in repr(seen)
    assert seen.settings == ()  # else a search could find out where it moved
    assert (seen.commit, seen.kind, seen.stations) == (both.commit, both.kind, ("quay/drums",))
    assert seen.lines == ("quay/drums: panel.menus locked → open",)
    own = record(1, "quay/drums: moved", *at("quay/drums"))
    assert QUAY.see(own) is own


def test_of_a_commit_of_the_baseline_the_own_part_is_told() -> None:
    """A file of the whole estate may name any site; what it changed at the own stations is told, and who wrote it."""
    whole = replace(
        approval(0, "c" * 40, files=["roles/drums.yaml"]),
        subject="Drums at the yard and the quay",
        changes=tuple(
            Change(station=StationId(site, "drums"), setting="room.lift", before="0 dB", after="1 dB")
            for site in ("quay", "yard")
        ),
    )
    seen = QUAY.see(whole)
    assert seen is not None
    assert "yard" not in repr(seen)
    assert (seen.people, seen.files) == (whole.people, ())
    assert [str(one) for one in seen.changes] == ["quay/drums: room.lift 0 dB → 1 dB"]
    own = approval(1, "c" * 40, files=["sites/quay/stations/drums.yaml"])
    assert QUAY.see(own) is own
    shared = approval(2, "c" * 40, files=["sites/quay/site.yaml", "people.yaml"])
    assert QUAY.see(shared) not in {None, shared}
