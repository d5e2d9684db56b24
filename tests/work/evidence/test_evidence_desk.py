"""The desk of the auditor's questions: what was on, what was lent, and what only the estate of the time can say."""

from datetime import timedelta
from pathlib import Path

from asleft.daemon.evidence import open_evidence
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.pieces import Kind
from asleft.domain.profile import Concern
from estates import HALL, IDRIS, WREN, commit, git
from evidenced import dated, dated_stage
from stage import DRUMS, SOME_DAY, Time, calendar, performance

HOUR = timedelta(hours=1)


def on_stage(first: int, last: int) -> str:
    """Give a performance from so many hours after noon until so many."""
    starts, ends = (f"{SOME_DAY + hours * HOUR:%Y%m%dT%H%M%S}" for hours in (first, last))
    return performance(starts, ends, zone="Etc/UTC")


async def test_what_was_on_and_what_was_lent_counts_as_left(tmp_path: Path) -> None:
    """While a setting is lent it is no drift; after its end it is, until it is given back. What was on is said."""
    clock = Time(SOME_DAY)
    with dated_stage(tmp_path, SOME_DAY - HOUR) as bench:
        with dated(SOME_DAY - HOUR):
            (bench.repository / "occasions" / "performance.yaml").write_text(
                "format: asleft-occasion-1\nmeaning: The audience is in\nperformance: yes\n"
                "settings: {panel: {display-dim: 10 %}}\n",
                "utf-8",
            )
            (bench.repository / "sites" / HALL / "calendar.ics").write_bytes(
                calendar(on_stage(30, 33)).encode()
            )
            commit(bench.repository, "Put the performance into the calendar")
        with bench.desk(clock=clock, patience=clock.patience) as desk:
            await desk.round()
            clock.now += HOUR
            kept = await desk.lending.lend(
                DRUMS, "panel.menus", "open", lasting=2 * HOUR, by=IDRIS, reason="the drummer sets up"
            )
            for by in (WREN, IDRIS):
                accepted = [hazard.id for hazard in kept.order.hazards]
                kept = await desk.confirm(kept.id, by=by, reason="agreed", accepted=accepted)
                if kept.ended:
                    break
            clock.now += HOUR
            await desk.lending.give_back(DRUMS, "panel.menus", by=IDRIS, reason="done")
            clock.now += timedelta(days=3)
            bench.meddle(DRUMS, "panel.display-dim", "50 %")
            await desk.round()
        with open_evidence(bench.home, clock=clock) as asked:
            kinds = [
                piece.kind for piece in asked.history(Asked(station=DRUMS, setting="panel.menus")).pieces
            ]
            assert kinds[0] is Kind.GIVEN_BACK
            assert Kind.LENT in kinds
            rows = {row.name: row for row in asked.instant(DRUMS, SOME_DAY + 1.5 * HOUR).rows}
            assert (rows["panel.menus"].as_left, rows["panel.menus"].as_found) == ("open", "open")
            assert rows["panel.menus"].state == "as left"
            assert kept.id in str(rows["panel.menus"].origin and rows["panel.menus"].origin.layer)
            rows = {row.name: row for row in asked.instant(DRUMS, SOME_DAY + 3 * HOUR).rows}
            assert (rows["panel.menus"].as_left, rows["panel.menus"].state) == ("locked", "as left")
            during = asked.instant(DRUMS, SOME_DAY + 31 * HOUR)
            assert during.occasions == ("performance",)
            dim = next(row for row in during.rows if row.name == "panel.display-dim")
            assert (dim.as_left, dim.as_found, dim.state) == ("10 %", "40 %", "drift")
            assert dim.origin is not None
            assert dim.origin.file == "occasions/performance.yaml"
            made = asked.account([HALL], SOME_DAY - HOUR, clock.now)
            assert [(one.name, one.cause, one.ended) for one in made.drifts] == [
                ("panel.display-dim", "occasion", "what is on at the site changed what is approved"),
            ]
            assert made.drifts[0].since == SOME_DAY + 30 * HOUR
            assert made.drifts[0].until == SOME_DAY + 33 * HOUR
            assert {one.kind for one in made.restores} == {Kind.LENT, Kind.GIVEN_BACK}
            # The find was at the very end of the account; a moment later it is in it.
            clock.now += timedelta(seconds=1)
            (found,) = [
                one for one in asked.account([HALL], SOME_DAY, clock.now).drifts if one.cause == "found"
            ]
            assert (found.name, found.as_found, found.until) == ("panel.display-dim", "50 %", None)
            values = {(one.value, one.occasion) for one in asked.who("panel.display-dim")}
            assert values == {("40 %", ""), ("10 %", "performance")}


async def test_a_role_and_an_occasion_are_those_of_the_time(tmp_path: Path) -> None:
    """A station that has another role today was found in the one it had then; what was on is what the calendar said."""
    clock = Time(SOME_DAY)
    with dated_stage(tmp_path, SOME_DAY - HOUR, settings={"drums": ""}, events=[on_stage(10, 12)]) as bench:
        file = f"sites/{HALL}/stations/drums.yaml"
        roles = bench.repository / "roles"
        roles.mkdir()
        for name, after in (("front-line", 0), ("drums", 24)):
            (roles / f"{name}.yaml").write_text(
                "format: asleft-role-1\nmeaning: Somebody\nsettings: {room: {lift: 0 dB}}\n", "utf-8"
            )
            text = (bench.repository / file).read_text("utf-8")
            lines = [line for line in text.splitlines() if not line.startswith("role:")]
            (bench.repository / file).write_text("\n".join([*lines, f"role: {name}", ""]), "utf-8")
            with dated(SOME_DAY + after * HOUR - HOUR / 2):
                commit(bench.repository, f"It is {name} now")
            with bench.desk(clock=clock, patience=clock.patience) as desk:
                clock.now = SOME_DAY + after * HOUR
                await desk.round()
                clock.now += 11 * HOUR
                bench.meddle(DRUMS, "headphones.gain", "+12 dB" if not after else "0 dB")
                await desk.round()
        with open_evidence(bench.home, clock=clock) as asked:

            def found(ask: Asked) -> list[float]:
                return [(piece.when - SOME_DAY) / HOUR for piece in asked.history(ask).pieces]

            just = frozenset({Kind.FOUND})
            assert found(Asked(role="front-line", kinds=just)) == [11, 0]
            assert found(Asked(role="drums", kinds=just)) == [35]
            assert found(Asked(occasion="performance", kinds=just)) == [11]
            assert found(Asked(concern=Concern.HEARING, kinds=just)) == [35, 11]
            assert len(found(Asked())) == len(
                git(bench.home / "records", "rev-list", "main").split()
                + git(bench.home / "baseline", "rev-list", "main").split()
            )
            newest = asked.history(Asked(), limit=3).pieces
            assert newest == asked.history(Asked()).pieces[:3]
