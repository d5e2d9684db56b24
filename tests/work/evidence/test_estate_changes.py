"""Stations that were taken away or renamed, and two occasions at once, in every question about the past."""

from datetime import timedelta
from pathlib import Path

from asleft.daemon.evidence import open_evidence
from asleft.domain.evidence.asked import Asked
from estates import HALL, commit, git
from evidenced import dated, dated_stage
from stage import SOME_DAY, Time, calendar, performance

HOUR = timedelta(hours=1)
OCCASION = (
    "format: asleft-occasion-1\nmeaning: Somebody plays\nsettings: {{panel: {{display-dim: {dim} %}}}}\n"
)


async def test_a_station_that_was_renamed_or_taken_away_keeps_its_past(tmp_path: Path) -> None:
    """Its old name answers for its time, the new one for its own; an account closes what stood there."""
    clock = Time(SOME_DAY)
    with dated_stage(tmp_path, SOME_DAY - HOUR, ("bass", "drums", "keys")) as bench:
        with bench.desk(clock=clock, patience=clock.patience) as desk:
            await desk.round()
            clock.now += HOUR
            for name in ("bass", "keys"):
                bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
            await desk.round()
            clock.now += HOUR
            below = f"sites/{HALL}/stations"
            git(bench.repository, "mv", f"{below}/bass.yaml", f"{below}/upright.yaml")
            git(bench.repository, "rm", "--quiet", f"{below}/keys.yaml")
            with dated(clock.now):
                commit(bench.repository, "The bass has another name, and the keys are gone")
            await desk.round()
            clock.now += HOUR
            bench.meddle(f"{HALL}/drums", "panel.menus", "open")
            await desk.round()
            clock.now += HOUR
        old, new, gone = (f"{HALL}/{name}" for name in ("bass", "upright", "keys"))
        with open_evidence(bench.home, clock=clock) as asked:
            for name in (old, gone, "bass", "keys"):
                assert asked.history(Asked(station=name)).pieces, name
            (renamed,) = [piece for piece in asked.history(Asked(station=new)).pieces if piece.changes]
            assert {str(change.station) for change in renamed.changes} == {new}
            before, after = SOME_DAY + 1.5 * HOUR, clock.now
            for name in (old, gone):
                rows = {row.name: row for row in asked.instant(name, before).rows}
                assert (rows["panel.menus"].as_left, rows["panel.menus"].state) == ("locked", "drift")
                later = asked.instant(name, after)
                assert {row.as_left for row in later.rows} == {""}
                assert any("approves nothing for this station" in note for note in later.notes)
            rows = {row.name: row for row in asked.instant(new, after).rows}
            assert (rows["panel.menus"].as_left, rows["panel.menus"].as_found) == ("locked", "open")
            stood = {
                (str(station), one.until is None)
                for one in asked.who("panel.menus")
                for station in one.stations
            }
            assert stood == {(old, False), (gone, False), (new, True), (f"{HALL}/drums", True)}
            made = asked.account([HALL], SOME_DAY, after)
            ended = {str(one.station): one.ended for one in made.drifts if one.name == "panel.menus"}
            assert ended[old] == ended[gone] == "no station of the estate any more"
            assert ended[new] == ended[f"{HALL}/drums"] == ""


async def test_two_occasions_at_once_both_hold(tmp_path: Path) -> None:
    """Both are said, the stronger one's value holds, and a search by either finds what was recorded then."""
    clock = Time(SOME_DAY)
    with dated_stage(tmp_path, SOME_DAY - HOUR) as bench:
        spans = [
            tuple(f"{SOME_DAY + hours * HOUR:%Y%m%dT%H%M%S}" for hours in both)
            for both in ((9, 14), (10, 12))
        ]
        events = [
            performance(*spans[0], uid="long", zone="Etc/UTC").replace(":performance", ":rehearsal"),
            performance(*spans[1], uid="short", zone="Etc/UTC"),
        ]
        for name, dim in (("performance", 10), ("rehearsal", 20)):
            text = OCCASION.format(dim=dim) + ("performance: yes\n" if name == "performance" else "")
            (bench.repository / "occasions" / f"{name}.yaml").write_text(text, "utf-8")
        (bench.repository / "sites" / HALL / "calendar.ics").write_bytes(calendar(*events).encode())
        with dated(SOME_DAY - HOUR / 2):
            commit(bench.repository, "Say what is on, and what it changes")
        with bench.desk(clock=clock, patience=clock.patience) as desk:
            await desk.round()
            clock.now += 11 * HOUR
            bench.meddle(f"{HALL}/drums", "headphones.gain", "+12 dB")
            await desk.round()
            clock.now += 5 * HOUR
        with open_evidence(bench.home, clock=clock) as asked:
            both = asked.instant(f"{HALL}/drums", SOME_DAY + 11 * HOUR)
            assert set(both.occasions) == {"performance", "rehearsal"}
            dims = {"performance": "10 %", "rehearsal": "20 %"}
            (row,) = [row for row in both.rows if row.name == "panel.display-dim"]
            assert row.as_left == dims[both.occasions[0]]
            for name in both.occasions:
                (piece,) = asked.history(Asked(occasion=name, setting="headphones.gain")).pieces
                assert piece.when == SOME_DAY + 11 * HOUR
            values = {(one.value, one.occasion) for one in asked.who("panel.display-dim")}
            assert values == {("40 %", ""), *((dim, name) for name, dim in dims.items())}
            made = asked.account([HALL], SOME_DAY, clock.now)
            dimmed = [one for one in made.drifts if one.name == "panel.display-dim"]
            assert min(one.since for one in dimmed) == SOME_DAY + 9 * HOUR
            assert max(one.until or clock.now for one in dimmed) == SOME_DAY + 14 * HOUR
