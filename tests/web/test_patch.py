"""The patch of a site: the drawing with its tables behind it, loops in words, streams by the arithmetic of AES67."""

from collections.abc import Mapping
from pathlib import Path

import pytest

from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.patching import Patch, Plug, Return
from asleft.domain.streams import Link, Network
from asleft.web.pages.patch import NORMAL, NOW, PatchView, view_of
from domain.made import COMMIT
from domain.patched import PATCH, stations, view
from estates import HALL
from web.page import Elements, a_page
from web.side_stage import plain


def an_estate(
    there: Mapping[str, AsLeft], *, patch: Patch | None = PATCH, network: Network | None = None
) -> Estate:
    """Give an estate of one site with a patch."""
    site = view(patch, there, network=network).site
    return Estate(
        name="Trust",
        commit=COMMIT,
        sites={"quay": site},
        stations={StationId("quay", name): one for name, one in there.items()},
        people={},
    )


def the_view(there: Mapping[str, AsLeft] | None = None, **more: object) -> PatchView:
    """Give the view of it."""
    estate = an_estate(stations() if there is None else there, **more)  # type: ignore[arg-type]
    return view_of(estate, estate, estate.sites["quay"], asked=NOW)


def test_tables_say_what_the_drawing_shows() -> None:
    """Mixes with who hears them, buses, returns with what they read, inputs with what is plugged in."""
    made = the_view()
    assert [(mix.name, mix.fed_by, mix.heard_at) for mix in made.mixes] == [
        ("Mix 1", ("Kick", "Vocals"), ("bass", "choir")),
        ("Mix 3", ("Vocals",), ("drums",)),
    ]
    assert [(bus.name, bus.fed_by) for bus in made.buses] == [("Vocals", ("Voice", "From drums"))]
    (back,) = made.returns
    assert (back.reads, back.sends, back.feeds) == ("network pair of drums", "local input", ("Vocals",))
    assert made.inputs == (("drums", "Kick"),)
    assert made.loops == ()
    assert made.drawing is not None


def test_a_loop_is_told_as_a_round() -> None:
    """The drummer's pair sends the mix that comes back to it: the way ends where it begins."""
    made = the_view(stations(drums={"outputs.network": "mix before fader"}))
    (loop,) = made.loops
    assert loop.points[0] == loop.points[-1] == "Mix 3"
    assert "return From drums" in loop.points
    assert made.drawing is not None
    assert "LOOP" in {one.text for one in made.drawing.parts}


def test_the_state_that_was_asked_for() -> None:
    """Now, the normal state, and nothing for an occasion that there is not."""
    normal = an_estate(stations())
    now = an_estate(stations(drums={"outputs.network": "mix before fader"}))
    site = normal.sites["quay"]
    assert view_of(normal, now, site, asked=NOW).loops
    assert not view_of(normal, now, site, asked=NORMAL).loops
    wrong = view_of(normal, now, site, asked="ball")
    assert wrong.wrong
    assert (wrong.chosen, bool(wrong.loops)) == (NOW, True)


def test_a_site_without_a_patch_says_what_its_stations_say() -> None:
    """The mixes that are heard are there, and are called not declared."""
    made = the_view(patch=None)
    assert not made.declared
    assert {(mix.name, mix.declared) for mix in made.mixes} == {("Mix 1", False), ("Mix 3", False)}


def test_streams_are_counted_each_way() -> None:
    """Two channels of 24 bits at 48 kHz in packets of a millisecond: 288 bytes of audio, 366 on the wire, 2.928 Mb/s.

    By hand from RFC 3550, RFC 768, RFC 791 and IEEE 802.3: 288 + 12 + 8 + 20 + 14 + 4 + 8 + 12 bytes, 1000 a second.
    """
    made = the_view(
        network=Network(links={"stage": Link(bits_per_second=10**9), "thin": Link(bits_per_second=10**6)})
    )
    assert made.streams.rate == "2.928 Mb/s"
    assert "288 bytes of audio" in made.streams.sizes
    down, up, thin, _ = made.streams.loads
    assert (down.streams, up.streams) == (2, 1)
    assert (down.share, down.allowed, down.fits) == ("0.6 %", "75 %", True)
    assert (thin.fits, thin.more) == (False, 0)


async def test_the_page(tmp_path: Path) -> None:
    """The drawing has a name and a description, scrolls in a box that a keyboard reaches, and has tables behind it."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        page.bench.approve(
            f"sites/{HALL}/site.yaml",
            "settings:\n",
            "patch:\n  sources: [Kick, '<b>Voice</b>']\n  mixes: {Mix 1: [Kick, '<b>Voice</b>']}\nsettings:\n  mix: {heard: Mix 1}\n",
        )
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await client.get(f"/patch/{HALL}")
    assert answer.status_code == 200
    shown, said = Elements(answer.text), plain(answer.text)
    (drawn,) = [one for one in shown.of("svg") if one.get("role") == "img"]
    ids = {one.get("id") for _, one in shown.all}
    assert drawn["aria-labelledby"] is not None
    assert set(drawn["aria-labelledby"].split()) <= ids
    (box,) = [one for one in shown.of("div") if one.get("class") == "scrolls"]
    assert (box["tabindex"], box["role"], bool(box["aria-label"])) == ("0", "region", True)
    assert "Mix 1 Kick, <b>Voice</b> bass, drums" in said
    assert "No signal comes back to where it was" in said
    assert not shown.of("b")


@pytest.mark.parametrize("asked", ["performance", "-", ""])
async def test_what_can_be_chosen(tmp_path: Path, asked: str) -> None:
    """Occasions of the estate, the normal state and now can be chosen, and the choice stays chosen."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            answer = await client.get(f"/patch/{HALL}", params={"occasion": asked})
    assert answer.status_code == 200
    (chosen,) = [one for one in Elements(answer.text).of("option") if "selected" in one]
    assert chosen["value"] == asked


async def test_an_occasion_that_is_none(tmp_path: Path) -> None:
    """It is said at the field, and what is shown is said, too."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            answer = await client.get(f"/patch/{HALL}", params={"occasion": "<script>"})
    assert answer.status_code == 400
    assert "There is no such occasion; shown is how it is now." in plain(answer.text)
    (field,) = Elements(answer.text).of("select")
    assert field["aria-describedby"] == "occasion-wrong"


def test_a_plug_that_takes_another_stations_pair() -> None:
    """It is told by pair and station, and so is a return that reads nothing."""
    patch = Patch(
        mixes={"Mix 1": ()},
        returns={"From bass": Return(station="bass", pair="network")},
        inputs={"drums": Plug(station="bass", pair="line")},
    )
    made = the_view(patch=patch)
    assert made.inputs == (("drums", "line pair of bass"),)
    assert (made.returns[0].sends, made.returns[0].channels, made.returns[0].feeds) == (
        "nothing",
        "not said",
        (),
    )
