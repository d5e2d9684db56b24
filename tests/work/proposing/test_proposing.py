"""Proposals from end to end: stations on sockets, drift, and branches in real git that people may approve."""

import asyncio
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, cast

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.hearing import CAUTION
from asleft.domain.kinds import Foreign
from asleft.ports.proposals import Proposal, Trials
from asleft.ports.stations import NotReached
from asleft.simulator.manners import Manners, RolePath
from asleft.source.profiles import shipped_profiles
from asleft.work.ordering import MayNot, NoStation
from asleft.work.proposing.enrol import Wish
from asleft.work.proposing.words import CannotPropose, text_of
from estates import HALL, git
from work.proposing.bureau import WREN, Bureau, a_bureau

DRUMS = f"{HALL}/drums"
FILE = f"sites/{DRUMS.replace('/', '/stations/')}.yaml"
GAIN: RolePath = ("Headphones", "Gain range")
WHY = "the drummer asked for it"
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def at_noon() -> datetime:
    """Give a time at which nothing is on."""
    return NOON


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bureau]:
    """Give a bureau for all that is refused: whatever is asked of it, nothing of it changes but the records."""
    with a_bureau(tmp_path_factory.mktemp("shared"), clock=at_noon, stations=with_a_stranger) as bureau:
        yield bureau
        assert bureau.branches() == ["main"]


async def test_what_was_found_becomes_what_is_left(tmp_path: Path) -> None:
    """All that drifts, in the station's own file; once it is merged, the next round finds nothing."""
    with a_bureau(tmp_path) as bureau:
        bureau.meddle(DRUMS, tone__preset="flat", panel__display_dim="70 %")
        await bureau.look(HALL)
        made = await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        assert made.pushed
        assert bureau.branches() == [made.branch, "main"]
        assert made.branch.startswith("asleft/adopt-quillfen-hall-drums-")
        ((path, diff),) = made.files
        assert path == FILE
        assert [line for line in diff.splitlines()[2:] if line[0] in "+-"] == [
            "+  tone: {preset: flat}",
            "+  panel: {display-dim: 70 %}",
        ]
        assert made.effect.changed == 1
        git(bureau.author, "pull", "--quiet", str(bureau.remote), made.branch)
        merged = bureau.author / FILE
        assert "preset: flat" in merged.read_text()
        assert bureau.records("%s") == f"{DRUMS}: proposed 2 settings as found as left"
        assert bureau.records("%(trailers:only,unfold)").splitlines() == [
            f"Site: {HALL}",
            f"Station: {DRUMS}",
            "Setting: tone.preset",
            "Setting: panel.display-dim",
            f"Proposal: {made.branch}",
            f"By: Wren Halloway ({WREN})",
            f"Reason: {WHY}",
            f"Baseline: {made.base}",
        ]
        shown = git(bureau.remote, "log", "-1", "--format=%an <%ae>%n%(trailers:only,unfold)", made.branch)
        assert shown.splitlines()[0] == f"Wren Halloway <{WREN}@asleft.invalid>"
        assert f"Reason: {WHY}" in shown


async def test_a_line_that_only_repeats_goes(tmp_path: Path) -> None:
    """Where the layers below give what was found, the station's own line is taken out with its group."""
    own = {FILE: lambda text: f"{text}  tone: {{preset: flat}}  # for the tour\n"}
    with a_bureau(tmp_path, changes=own) as bureau:
        bureau.meddle(DRUMS, tone__preset="deep")
        await bureau.look(HALL)
        made = await bureau.desk.adopt(DRUMS, ["tone.preset"], by=WREN, reason=WHY)
        ((_, diff),) = made.files
        assert [line for line in diff.splitlines()[2:] if line[0] in "+-"] == [
            "-  tone: {preset: flat}  # for the tour"
        ]
        assert made.effect.groups[0].changes[0].after == "deep"


async def test_louder_is_told_with_its_caution(tmp_path: Path) -> None:
    """The ratio by the 3 dB rule (ISO 1999's equal energy) and what to do stand in the warnings; quieter says nothing."""
    with a_bureau(tmp_path) as bureau:
        bureau.meddle(DRUMS, headphones__gain="+12 dB")
        bureau.meddle(f"{HALL}/bass", headphones__gain="-12 dB")
        await bureau.look(HALL)
        louder = await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        (warning,) = louder.warnings
        assert "+12 dB, a sixteenth of the allowed time by the 3 dB rule" in warning
        assert CAUTION in warning
        assert any(one.rule.startswith("hearing.") for one in louder.problems)
        quieter = await bureau.desk.adopt(f"{HALL}/bass", [], by=WREN, reason=WHY)
        assert quieter.warnings == ()


@pytest.mark.parametrize(
    "layer,file,others",
    [("role", "roles/drums.yaml", 2), ("site", f"sites/{HALL}/site.yaml", 8), ("estate", "estate.yaml", 20)],
)
async def test_a_higher_layer_tells_whom_else_it_changes(
    tmp_path: Path, layer: str, file: str, others: int
) -> None:
    """The value stands in that layer's file; the other stations that change are counted and named."""
    with a_bureau(tmp_path) as bureau:
        bureau.meddle(DRUMS, headphones__gain="+12 dB")
        await bureau.look(HALL)
        made = await bureau.desk.adopt(DRUMS, ["headphones.gain"], layer=layer, by=WREN, reason=WHY)
        assert [path for path, _ in made.files] == [file]
        assert made.effect.changed == others + 1
        assert any(one.startswith(f"{others} other stations change, too: ") for one in made.warnings)
        assert any(warning.startswith("it can get louder at the ear there") for warning in made.warnings)


async def test_a_stronger_layer_is_named_with_its_line(tmp_path: Path) -> None:
    """A value that role or site would say in vain is refused, and there is no branch."""
    own = {f"sites/{HALL}/site.yaml": lambda text: f"{text}  tone: {{preset: flat}}\n"}
    with a_bureau(tmp_path, changes=own) as bureau:
        line = len((bureau.author / f"sites/{HALL}/site.yaml").read_text().splitlines())
        bureau.meddle(DRUMS, tone__preset="warm")
        await bureau.look(HALL)
        with pytest.raises(CannotPropose) as refused:
            await bureau.desk.adopt(DRUMS, ["tone.preset"], layer="role", by=WREN, reason=WHY)
        assert f"sites/{HALL}/site.yaml:{line} (site {HALL}) wins, and says flat" in refused.value.what
        assert bureau.branches() == ["main"]


CALENDAR = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillfen//EN\r\nBEGIN:VEVENT\r\nUID:1@quillfen.example\r\n"
    "DTSTAMP:20260101T000000Z\r\nDTSTART:20260302T110000Z\r\nDTEND:20260302T130000Z\r\nSUMMARY:Run\r\n"
    "CATEGORIES:rehearsal\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
)


async def test_what_is_on_goes_before_everything_and_can_be_adopted_into(tmp_path: Path) -> None:
    """During a rehearsal its dimming hides the station's; with --layer occasion it is the rehearsal that changes."""
    own: dict[str, Callable[[str], str]] = {f"sites/{HALL}/calendar.ics": lambda _: CALENDAR}
    with a_bureau(tmp_path, clock=at_noon, changes=own) as bureau:
        bureau.meddle(DRUMS, panel__display_dim="70 %")
        await bureau.look(HALL)
        with pytest.raises(CannotPropose) as refused:
            await bureau.desk.adopt(DRUMS, ["panel.display-dim"], by=WREN, reason=WHY)
        assert "occasions/rehearsal.yaml:4 (occasion rehearsal) wins, and says 50 %" in refused.value.what
        assert "--layer occasion" in refused.value.todo
        made = await bureau.desk.adopt(DRUMS, ["panel.display-dim"], layer="occasion", by=WREN, reason=WHY)
        assert [path for path, _ in made.files] == ["occasions/rehearsal.yaml"]
        assert "display-dim: 70 %" in bureau.show(made.branch, "occasions/rehearsal.yaml")
        assert made.effect.changed == 0
        assert [during.occasion for during in made.effect.during] == ["rehearsal"]
        assert (
            "23 other stations change, too" in made.warnings[0]
            or "other stations change, too" in made.warnings[0]
        )


@pytest.mark.parametrize(
    "settings,layer,said",
    [
        (["tone.preset"], "station", "tone.preset is as left"),
        ([], "station", "every setting that was read is as left"),
        (["tone.presets"], "station", "there is no setting 'tone.presets'"),
        (["headphones.volume"], "station", "the player's own"),
        (["unit.serial"], "station", "told by the station itself"),
        (["input.gain"], "station", "no layer names it"),
        (["tone.preset"], "occasion", "no occasion is on|is as left"),
        (["tone.preset"], "roof", "'roof' is no layer"),
    ],
)
async def test_what_cannot_be_adopted_is_refused(
    shared: Bureau, settings: list[str], layer: str, said: str
) -> None:
    """In words, and without a branch."""
    await shared.look(HALL)
    with pytest.raises(CannotPropose, match=said):
        await shared.desk.adopt(DRUMS, settings, layer=layer, by=WREN, reason=WHY)
    assert shared.branches() == ["main"]


async def test_what_is_not_known_is_not_adopted(tmp_path: Path) -> None:
    """A station that nobody looked at, and one that does not answer."""

    def without_drums(estate: Estate) -> Estate:
        return replace(
            estate, stations={name: one for name, one in estate.stations.items() if str(name) != DRUMS}
        )

    with a_bureau(tmp_path, stations=without_drums) as bureau:
        with pytest.raises(CannotPropose, match="it was never looked at"):
            await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        await bureau.look(HALL)
        with pytest.raises(CannotPropose, match="it was not read at the last look"):
            await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)


@pytest.mark.parametrize(
    "manners,said",
    [
        (Manners(locked_paths=frozenset({GAIN})), "locked by another controller"),
        (Manners(missing_paths=frozenset({GAIN})), "not offered by this station"),
    ],
    ids=["locked", "missing"],
)
async def test_what_could_not_be_read_is_not_adopted(tmp_path: Path, manners: Manners, said: str) -> None:
    """Whoever asks for it by name is told why; all that drifts is adopted without it."""
    with a_bureau(tmp_path, manners={DRUMS: manners}) as bureau:
        bureau.meddle(DRUMS, tone__preset="flat")
        await bureau.look(HALL)
        with pytest.raises(CannotPropose, match=rf"headphones\.gain could not be read: {said}"):
            await bureau.desk.adopt(DRUMS, ["headphones.gain"], by=WREN, reason=WHY)
        made = await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        assert made.subject == f"{DRUMS}: proposed tone.preset deep → flat as left"


def test_a_foreign_value_has_no_text() -> None:
    """What the profile does not know, and a number between two steps, can stand in no file."""
    profile = shipped_profiles()["stage-station"]
    with pytest.raises(
        CannotPropose, match=r"'17' \(not known to the profile\): what the profile does not know"
    ):
        text_of(profile.settings["tone.preset"], Foreign("17"))
    with pytest.raises(
        CannotPropose, match=r"room\.lift is \+?3\.3 dB, which cannot be approved: .*between two steps"
    ):
        text_of(profile.settings["room.lift"], 3.3)
    assert text_of(profile.settings["room.lift"], 3.5) == "3.5 dB"


async def test_another_units_settings_are_not_adopted(tmp_path: Path) -> None:
    """What an exchanged unit was found with says nothing about the approved one."""

    def exchanged(estate: Estate) -> Estate:
        drums = StationId(HALL, "drums")
        units = {**estate.stations, drums: replace(estate.stations[drums], serial="QS41-9999")}
        return replace(estate, stations=units)

    with a_bureau(tmp_path, stations=exchanged) as bureau:
        bureau.meddle(DRUMS, tone__preset="flat")
        await bureau.look(HALL)
        with pytest.raises(CannotPropose, match="another unit answers, serial QS41-9999"):
            await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        made = await bureau.desk.exchange(DRUMS, "QS41-9999", by=WREN, reason="the old one is broken")
        assert made.effect.groups[0].facts[0].after == "QS41-9999"
        assert len(made.warnings) == 1  # the caution; the unit that answers is the one that is meant


@pytest.mark.parametrize(
    "by,reason,said",
    [
        ("wren-haloway", WHY, "is not in people.yaml"),
        ("pell-osgood", WHY, "Pell Osgood may not propose changes at quillfen-hall"),
        ("maud-tarrant", WHY, "Maud Tarrant may not propose changes at quillfen-hall"),
        (WREN, " ", "a proposal needs a reason"),
        (WREN, "x" * 501, "the reason has 501 characters"),
    ],
    ids=["unknown", "no right", "other site", "no reason", "long reason"],
)
async def test_not_everybody_may_propose(shared: Bureau, by: str, reason: str, said: str) -> None:
    """A refusal is recorded, and there is no branch."""
    with pytest.raises(MayNot, match=said):
        await shared.desk.exchange(DRUMS, "QS41-9999", by=by, reason=reason)
    assert shared.records("%s") == f"{HALL}: refused to propose: exchange"
    assert shared.branches() == ["main"]


async def test_a_station_that_is_not_there_is_told(shared: Bureau) -> None:
    """The nearest name is suggested."""
    with pytest.raises(NoStation, match=f"there is no station '{HALL}/drum'"):
        await shared.desk.exchange(f"{HALL}/drum", "QS41-9999", by=WREN, reason=WHY)


async def test_an_opened_panel_needs_a_concession(tmp_path: Path) -> None:
    """It cannot be adopted; conceded as found, file and station change together, and the check is content."""
    with a_bureau(tmp_path, clock=at_noon) as bureau:
        bureau.meddle(DRUMS, panel__menus="open")
        await bureau.look(HALL)
        with pytest.raises(CannotPropose, match=r"panel\.menus open needs a concession"):
            await bureau.desk.adopt(DRUMS, [], by=WREN, reason=WHY)
        made = await bureau.desk.concede(
            DRUMS, "panel.menus", None, holder="idris-quill", until=date(2026, 9, 1), by=WREN, reason=WHY
        )
        assert [path for path, _ in made.files] == ["concessions.yaml", FILE]
        assert made.problems == ()
        assert any(warning.startswith("opened:panel.menus") for warning in made.warnings)
        text = bureau.show(made.branch, "concessions.yaml")
        assert "  panel-menus-drums:\n    setting: panel.menus\n    value: open\n" in text
        assert f"    where: [{DRUMS}]\n    holder: idris-quill\n" in text


CONCEDED = """\
format: asleft-concessions-1
concessions:
  # since the spring tour
  panel-menus-drums:
    setting: panel.menus
    value: open
    where: [quillfen-hall/drums]
    holder: wren-halloway
    reason: tour  # in short
    until: 2099-03-20
"""


async def test_a_concession_is_renewed_where_it_stands(tmp_path: Path) -> None:
    """Holder, reason and end are new; its name, its comments and the station's file stay."""
    own: dict[str, Callable[[str], str]] = {
        "concessions.yaml": lambda _: CONCEDED,
        FILE: lambda text: f"{text}  panel: {{menus: open}}\n",
    }
    with a_bureau(tmp_path, clock=at_noon, changes=own) as bureau:
        made = await bureau.desk.concede(
            DRUMS,
            "panel.menus",
            "open",
            holder="idris-quill",
            until=date(2099, 9, 1),
            by=WREN,
            reason="longer",
        )
        assert [path for path, _ in made.files] == ["concessions.yaml"]
        assert bureau.show(made.branch, "concessions.yaml") == CONCEDED.replace(
            "wren-halloway", "idris-quill"
        ).replace("reason: tour ", "reason: longer ").replace("2099-03-20", "2099-09-01")


@pytest.mark.parametrize(
    "setting,value,holder,until,said",
    [
        ("panel.menus", "open", "nobody", date(2026, 9, 1), "'nobody' is not in people.yaml"),
        ("panel.menus", "open", WREN, date(2026, 3, 1), "2026-03-01 is past: today is 2026-03-02 there"),
        ("panel.menus", "locked", WREN, date(2026, 9, 1), "panel.menus locked needs no concession"),
        ("panel.menus", "ajar", WREN, date(2026, 9, 1), "'ajar' is not one of"),
        ("panel.pages", "all", WREN, date(2026, 9, 1), "panel.pages needs no concession"),
        ("panel.menu", "open", WREN, date(2026, 9, 1), "there is no setting 'panel.menu'"),
    ],
)
async def test_what_cannot_be_conceded_is_refused(
    shared: Bureau, setting: str, value: str | None, holder: str, until: date, said: str
) -> None:
    """In words, and without a branch. The last day is the site's own: at noon UTC it is the same day in Berlin."""
    with pytest.raises(CannotPropose, match=said):
        await shared.desk.concede(DRUMS, setting, value, holder=holder, until=until, by=WREN, reason=WHY)
    assert shared.branches() == ["main"]


@pytest.mark.parametrize(
    "serial,said",
    [
        ("QS41-2107", "is the one that is approved already"),
        (" ", "is empty"),
        ("x" * 65, "more than 64"),
        ("QS\u202e41", r"holds U\+202E"),
    ],
)
async def test_a_serial_that_cannot_be_is_refused(shared: Bureau, serial: str, said: str) -> None:
    """In words, and without a branch."""
    with pytest.raises(CannotPropose, match=said):
        await shared.desk.exchange(DRUMS, serial, by=WREN, reason=WHY)
    assert shared.branches() == ["main"]


async def test_a_unit_of_another_station_is_named(shared: Bureau) -> None:
    """One serial stands for one station."""
    serial = shared.estate.stations[StationId(HALL, "bass")].serial
    with pytest.raises(CannotPropose, match=f"is the unit of {HALL}/bass"):
        await shared.desk.exchange(DRUMS, serial, by=WREN, reason=WHY)


async def test_an_exchange_says_what_comes_next(tmp_path: Path) -> None:
    """One line of the file changes; a unit that is not there yet, and the caution about strange gains, are told."""
    with a_bureau(tmp_path) as bureau:
        await bureau.look(HALL)
        made = await bureau.desk.exchange(DRUMS, "QS41-9999", by=WREN, reason="broken")
        assert made.then == f"asleft set-up {DRUMS}"
        ((_, diff),) = made.files
        assert [line for line in diff.splitlines()[2:] if line[0] in "+-"] == [
            "-serial: QS41-2107",
            "+serial: QS41-9999",
        ]
        assert "Take the earphones out" in made.warnings[0]
        assert "serial QS41-2107 answered" in made.warnings[1]


def with_a_stranger(estate: Estate) -> Estate:
    """Put a unit on the network that stands in no file: the drummer's settings, an address and serial of its own."""
    drums = estate.stations[StationId(HALL, "drums")]
    head = drums.address.rpartition(".")[0]
    values = {
        **drums.values,
        "network.address": f"{head}.57/24",
        "label": "Loud: #1",
        "tone.preset": "flat",
        "headphones.gain": 12.0,
        "panel.menus": "open",
    }
    new = StationId(HALL, "stranger")
    unit = replace(drums, station=new, serial="QS41-7777", values=values)
    return replace(estate, stations={**estate.stations, new: unit})


def there(bureau: Bureau, last: int = 57) -> str:
    """Give an address in the hall's subnet."""
    return f"{bureau.estate.stations[StationId(HALL, 'drums')].address.rpartition('.')[0]}.{last}"


async def test_a_unit_that_answers_is_enrolled_as_it_was_found(tmp_path: Path) -> None:
    """What its role does not say goes into its file; what is open does not, and loudness is told with its caution."""
    with a_bureau(tmp_path, stations=with_a_stranger) as bureau:
        wish = Wish(site=HALL, address=there(bureau), name="riser", role="drums")
        made = await bureau.desk.enrol(wish, by=WREN, reason="hired for the week")
        ((path, _),) = made.files
        assert path == f"sites/{HALL}/stations/riser.yaml"
        (planned,) = made.effect.added
        assert (planned.serial, planned.role, planned.address) == ("QS41-7777", "drums", there(bureau))
        text = bureau.show(made.branch, path)
        assert 'label: "Loud: #1"' in text
        assert "preset: flat" in text
        assert "gain: +12 dB" in text
        assert "menus" not in text
        assert "profile:" not in text
        assert any(
            "needs a concession; it stays as its layers leave it, locked" in one for one in made.warnings
        )
        assert any(CAUTION in one for one in made.warnings)
        assert made.then == f"asleft round --site {HALL}"
        git(bureau.author, "pull", "--quiet", str(bureau.remote), made.branch)
        assert bureau.branches() == [made.branch, "main"]


async def test_a_unit_is_enrolled_as_its_role_says(tmp_path: Path) -> None:
    """Only its address is its own; what it was found with otherwise is told, and set-up comes next."""
    with a_bureau(tmp_path, stations=with_a_stranger) as bureau:
        wish = Wish(site=HALL, address=there(bureau), name="riser", role="drums", as_role=True)
        made = await bureau.desk.enrol(wish, by=WREN, reason="hired")
        text = bureau.show(made.branch, f"sites/{HALL}/stations/riser.yaml")
        assert text.rstrip().endswith(f"settings:\n  network: {{address: {there(bureau)}/24}}")
        assert any(
            "it drifts until it is set up" in one and "headphones.gain" in one for one in made.warnings
        )
        assert made.then == f"asleft set-up {HALL}/riser"


@pytest.mark.parametrize(
    "changes,error,said",
    [
        ({"site": "nowhere"}, NoStation, "there is no site 'nowhere'"),
        ({"name": "drums"}, CannotPropose, "there is a station quillfen-hall/drums already"),
        ({"name": "Riser"}, CannotPropose, "is no name"),
        ({"address": "localhost"}, CannotPropose, "is not an IPv4 address"),
        ({"address": "192.0.2.5"}, CannotPropose, "is not in the station range of quillfen-hall"),
        ({"role": "dancers"}, AsleftError, "there is no role 'dancers'"),
        ({"serial": "QS41-0001"}, CannotPropose, "serial QS41-7777 answers at"),
    ],
)
async def test_what_cannot_be_enrolled_is_refused(
    shared: Bureau, changes: dict[str, str], error: type[AsleftError], said: str
) -> None:
    """In words, and without a branch."""
    wish = Wish(**{"site": HALL, "address": there(shared), "name": "riser", **changes})  # type: ignore[arg-type]  # texts, all of them
    with pytest.raises(error, match=said):
        await shared.desk.enrol(wish, by=WREN, reason="hired")
    assert shared.branches() == ["main"]


async def test_only_what_answers_and_is_new_is_enrolled(tmp_path: Path) -> None:
    """An address that a station has, one where nothing answers, and a unit that is approved elsewhere."""

    def moved(estate: Estate) -> Estate:
        strange = with_a_stranger(estate)
        new, bass = StationId(HALL, "stranger"), estate.stations[StationId(HALL, "bass")]
        return replace(
            strange, stations={**strange.stations, new: replace(strange.stations[new], serial=bass.serial)}
        )

    with a_bureau(tmp_path, stations=moved) as bureau:
        drums = bureau.estate.stations[StationId(HALL, "drums")].address
        with pytest.raises(CannotPropose, match=f"is the address of {DRUMS}"):
            await bureau.desk.enrol(Wish(site=HALL, address=drums, name="riser"), by=WREN, reason="hired")
        with pytest.raises(NotReached):
            await bureau.desk.enrol(
                Wish(site=HALL, address=there(bureau, 58), name="riser"), by=WREN, reason="x"
            )
        with pytest.raises(CannotPropose, match=f"is the unit of {HALL}/bass"):
            await bureau.desk.enrol(Wish(site=HALL, address=there(bureau), name="riser"), by=WREN, reason="x")
        assert bureau.branches() == ["main"]


async def test_a_model_that_no_profile_has_is_not_enrolled(tmp_path: Path) -> None:
    """What it says of itself is told."""

    def unknown(estate: Estate) -> Estate:
        strange = with_a_stranger(estate)
        new = StationId(HALL, "stranger")
        unit = strange.stations[new]
        other = replace(unit, profile=replace(unit.profile, model="lamp-dimmer"))
        return replace(strange, stations={**strange.stations, new: other})

    with (
        a_bureau(tmp_path, stations=unknown) as bureau,
        pytest.raises(CannotPropose, match="says that it is a 'lamp-dimmer'"),
    ):
        await bureau.desk.enrol(Wish(site=HALL, address=there(bureau), name="riser"), by=WREN, reason="x")


async def test_another_model_is_named_in_its_file(tmp_path: Path) -> None:
    """A distributor among stations: the file says which model it is, for the estate's own is another."""

    def distributor(estate: Estate) -> Estate:
        gallery = estate.stations[StationId(HALL, "gallery")]
        new = StationId(HALL, "stranger")
        values = {**gallery.values, "network.address": f"{gallery.address.rpartition('.')[0]}.57/24"}
        unit = replace(gallery, station=new, serial="QD12-7777", values=values)
        return replace(estate, stations={**estate.stations, new: unit})

    with a_bureau(tmp_path, stations=distributor) as bureau:
        wish = Wish(site=HALL, address=there(bureau), name="foyer", role="listeners")
        made = await bureau.desk.enrol(wish, by=WREN, reason="hired")
        (planned,) = made.effect.added
        assert planned.model == "headphone-distributor"
        assert "profile: headphone-distributor" in bureau.show(
            made.branch, f"sites/{HALL}/stations/foyer.yaml"
        )


class Slow:
    """Proposals that wait for a word before the first of them is made.

    Args:
        trials: Makes them.
    """

    def __init__(self, trials: Trials) -> None:
        self._trials = trials
        self.began, self.go_on = threading.Event(), threading.Event()

    def propose(self, *args: Any, **more: Any) -> Proposal:
        """Make one."""
        self.began.set()
        assert self.go_on.wait(timeout=60)
        return self._trials.propose(*args, **more)


async def test_a_proposal_is_recorded_though_nobody_waits_for_it(tmp_path: Path) -> None:
    """Whoever asked goes while git is at work: the branch and its record come about all the same, and belong together."""
    with a_bureau(tmp_path) as bureau:
        slow = Slow(bureau.desk._trials)
        bureau.desk._trials = cast("Trials", slow)
        asked = asyncio.create_task(bureau.desk.exchange(DRUMS, "QS41-9999", by=WREN, reason="broken"))
        await asyncio.to_thread(slow.began.wait, 60)
        asked.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asked
        assert bureau.branches() == ["main"]
        making = [*bureau.desk._making]
        slow.go_on.set()
        (made,) = await asyncio.gather(*making)
        assert bureau.branches() == [made.branch, "main"]
        assert bureau.records("%(trailers:key=Proposal,valueonly)") == made.branch
