"""The page about hearing: levels against published tables, the caution beside each, and what is not known said as such."""

from dataclasses import replace
from pathlib import Path

import pytest

from asleft.domain.drift import Drift
from asleft.domain.estate import Estate, StationId
from asleft.domain.hearing import CAUTION, Limits, Worn
from asleft.domain.site import Site
from asleft.domain.snapshot import ReadState, Unread, UnreadWhy
from asleft.ports.ledger import Looked
from asleft.web.pages.hearing import HearingView, view_of
from domain.alarmed import gain
from domain.made import COMMIT, DRUMS, LEFT, as_found, as_left, not_read
from domain.patched import view as site_view
from estates import HALL
from stage import DRUMS as HALL_DRUMS
from web.page import a_page
from web.side_stage import plain

ONE_MILLIWATT = Worn(sensitivity_mw=100.0, impedance=32.0, voltage=0.032**0.5)
"""Headphones of 100 dB/mW at an amplifier that gives 1 mW at most at 0 dB: 100 dB."""
READ = {DRUMS: Looked(last=as_found(), found=None)}


def the_view(
    worn: Worn | None = ONE_MILLIWATT,
    *,
    limits: Limits | None = None,
    looks: dict[StationId, Looked] | None = None,
    drifts: tuple[Drift, ...] = (),
    **values: object,
) -> HearingView:
    """Give the view of a site with one station, whose limiter is off unless said otherwise."""
    site: Site = replace(site_view().site, worn=worn)
    settings = {**LEFT, "headphones.limiter": False, **{k.replace("__", "."): v for k, v in values.items()}}
    left = as_left(settings)  # type: ignore[arg-type]
    estate = Estate(
        name="Trust",
        commit=COMMIT,
        sites={"quay": site},
        stations={DRUMS: left},
        people={},
        limits=limits or Limits(),
    )
    return view_of(estate, site, on=(), looks=READ if looks is None else looks, drifts=drifts)


def test_levels_and_times_are_those_of_the_tables() -> None:
    """100 dBA: 15 minutes (NIOSH 98-126 table 1-1), 2 hours (29 CFR 1910.95 table G-16).

    An hour of it takes 4 Pa² against the 1.6 Pa²h of a week (WHO/ITU-T H.870, mode 1), by hand: (20 µPa · 10^5)² = 4.
    """
    (ears,) = the_view().ears
    at_0_db = next(one for one in ears.gains if one.gain == "0 dB")
    assert (at_0_db.level, at_0_db.by_3_db, at_0_db.by_5_db) == ("100.0 dB SPL", "15 min a day", "2 h a day")
    assert at_0_db.week == "2.5 weeks"


def test_the_approved_gain_is_marked() -> None:
    """It stands in words, too, with a true minus."""
    (ears,) = the_view().ears
    assert [one.gain for one in ears.gains if one.approved] == ["\N{MINUS SIGN}12 dB"]
    assert ears.approved == "Approved gain \N{MINUS SIGN}12 dB"
    assert [one.gain for one in ears.gains] == ["\N{MINUS SIGN}12 dB", "0 dB", "+12 dB"]


def test_a_limiter_that_is_on_is_counted() -> None:
    """Nine decibels below the highest lower each level by nine."""
    (ears,) = the_view(headphones__limiter=True).ears
    assert ears.held == "limiter counted, 9 dB below the highest"
    assert [one.level for one in ears.gains] == ["79.0 dB SPL", "91.0 dB SPL", "103.0 dB SPL"]


def test_without_headphones_no_level_is_made_up() -> None:
    """Only what one step does against another is said."""
    (ears,) = the_view(None).ears
    assert not ears.known
    assert {one.level for one in ears.gains} == {""}
    assert [one.ratio for one in ears.gains][1].startswith("4 times the sound pressure")


def test_more_than_the_estate_takes_as_safe() -> None:
    """Each gain over the limit says so; the group does where the approved one is."""
    (ears,) = the_view(limits=Limits(level=99.0)).ears
    assert [one.over for one in ears.gains] == ["", "over 99 dB SPL", "over 99 dB SPL"]
    assert not ears.loud
    (loud,) = the_view(limits=Limits(minutes=60.0), headphones__gain=0.0).ears
    assert [one.over for one in loud.gains] == ["", "under 1 h a day", "under 1 h a day"]
    assert loud.loud


@pytest.mark.parametrize(
    "looks, words",
    [
        ({}, "never looked at: how it is set is not known"),
        (
            {DRUMS: Looked(last=not_read(ReadState.UNREACHABLE), found=as_found())},
            "unreachable: how it is set is not known",
        ),
        (
            {
                DRUMS: Looked(
                    last=as_found(unread={"headphones.gain": Unread(why=UnreadWhy.LOCKED)}),
                    found=None,
                )
            },
            "headphones.gain could not be read",
        ),
    ],
)
def test_unknown_is_not_as_approved(looks: dict[StationId, Looked], words: str) -> None:
    """A station that was not read may be set to anything, and that is said."""
    (one,) = the_view(looks=looks).otherwise
    assert (one.unknown, one.what) == (True, words)


def test_what_was_found_otherwise_is_said() -> None:
    """A raised gain stands before the approved levels."""
    (one,) = the_view(drifts=(gain(),)).otherwise
    assert (one.unknown, one.what) == (False, gain().what)
    assert the_view().otherwise == ()


async def test_the_caution_stands_beside_every_table(tmp_path: Path) -> None:
    """Once at the top and once at each group of ears; the sources of the times are named."""
    with a_page(tmp_path, ("drums", "bass"), settings={"bass": "  headphones: {gain: -12 dB}\n"}) as page:
        page.bench.approve(
            f"sites/{HALL}/site.yaml",
            "settings:\n",
            "hearing: {sensitivity: 105 dB/mW, impedance: 32 ohm, voltage: 1 V}\nsettings:\n",
        )
        await page.desk.round()
        page.bench.meddle(HALL_DRUMS, "headphones.gain", "+12 dB")
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(f"/hearing/{HALL}")).text)
    assert said.count(CAUTION) == 3
    assert said.count("Approved gain") == 2
    assert "! found otherwise headphone gain range raised to +12 dB" in said
    assert "NIOSH 98-126" in said
    assert "dB SPL" in said


async def test_nothing_known_is_said_with_the_caution(tmp_path: Path) -> None:
    """Without headphones in the file each level is unknown, and the caution stands there all the same."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            said = plain((await client.get(f"/hearing/{HALL}")).text)
    assert "No level is known" in said
    assert "Unknown never looked at" in said
    assert said.count(CAUTION) == 2
    assert "dB SPL" not in said
