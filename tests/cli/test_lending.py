"""The commands about loans from end to end: stations on sockets, a home, and what a person types."""

import asyncio
import json
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.daemon.assembly import now
from asleft.devices.ocp1.datatypes import encode_string
from daemon.agent.process import an_agent
from estates import HALL, WREN, Bench, Told, a_bench, asleft
from leftovers import kept_at

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
WHO = ("--by", "pell-osgood", "--reason", "the maker looks")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with a_bench(tmp_path) as made:
        yield made


def run(bench: Bench, command: str, *args: object) -> Told:
    return asleft(command, *args, "--home", bench.home)


def test_a_loan_on_the_command_line(bench: Bench) -> None:
    """Asked for, confirmed, listed on every face with its end, and given back before it."""
    assert run(bench, "lent").out == "Nothing is lent.\n"
    asked = run(bench, "lend", DRUMS, SESSION, "open", "--for", "45 min", *WHO)
    assert (asked.code, asked.err) == (0, "")
    assert "It goes back by itself at " in asked.out
    found = re.search(r"asleft confirm (\w+) ", asked.out)
    assert found is not None
    assert run(bench, "lent").out.startswith(f"asked  {DRUMS}  {SESSION} open  to pell-osgood until ")
    confirm = (found[1], "--by", WREN, "--reason", "agreed", "--accept", f"opened:{SESSION}")
    done = run(bench, "confirm", *confirm)
    assert (done.code, done.err) == (0, "")
    assert "Lent until " in done.out
    pair = bench.station(DRUMS).handed(SESSION)
    assert "Shown this once, and kept nowhere. Hand it only to whom it is lent:" in done.out
    assert re.search(
        rf"^ +id +{re.escape(pair['id'])}\n +password +{re.escape(pair['password'])}$", done.out, re.MULTILINE
    )
    assert bench.station(DRUMS).get(SESSION) == "open"
    for command in (["lent"], ["round", "--site", HALL], ["drifts"], ["alarms"], ["station", DRUMS]):
        told = run(bench, *command)
        assert told.code == 0, told
        assert re.search(rf"lent +{DRUMS} +{SESSION} open +to pell-osgood until ", told.out), command
    why = run(bench, "why", DRUMS, SESSION)
    assert "lent to pell-osgood until" in why.out
    assert "records: orders/" in why.out
    (loan,) = json.loads(run(bench, "lent", HALL, "--json").out)["loans"]
    assert (loan["state"], loan["to"], loan["confirmed-by"]) == ("lent", "pell-osgood", [WREN])
    assert json.loads(run(bench, "lent", "tarnwick-yard", "--json").out)["loans"] == []
    assert run(bench, "lent", "quillfen-hal").code == 2
    back = run(bench, "give-back", DRUMS, "--by", WREN, "--reason", "done")
    assert (back.code, back.err) == (0, "")
    assert bench.station(DRUMS).get(SESSION) == "closed"
    assert run(bench, "lent").out == "Nothing is lent.\n"
    assert run(bench, "give-back", DRUMS, "--by", WREN, "--reason", "done").code == 6


@pytest.mark.parametrize("time", ["soon", "45", "2 w", "-1 h"])
def test_a_time_is_written_with_its_unit(bench: Bench, time: str) -> None:
    """What is no time, or has no unit, is a wrong use of the command."""
    told = run(bench, "lend", DRUMS, SESSION, "open", f"--for={time}", *WHO)
    assert (told.code, "--for" in told.err) == (2, True)


def pair_in(told: str) -> dict[str, str]:
    """Give the id and password that a command showed."""
    return dict(re.findall(r"^ +(id|password) +(\S+)$", told, re.MULTILINE))


def test_a_session_is_opened_through_the_agent_and_its_pair_is_shown_once(
    bench: Bench, tmp_path: Path
) -> None:
    """Real stations, a real agent: no file of the home, no object of the records, no log and no other command has it."""
    with an_agent(bench.home, tmp_path) as agent:
        agent.until_looked(3)
        asked = run(bench, "lend", DRUMS, SESSION, "open", "--for", "45 min", *WHO)
        found = re.search(r"asleft confirm (\w+) ", asked.out)
        assert found is not None, asked
        confirm = ("confirm", found[1], "--by", WREN, "--reason", "agreed", "--accept", f"opened:{SESSION}")
        done = run(bench, *confirm)
        assert (done.code, done.err) == (0, "")
        pair = pair_in(done.out)
        assert pair == dict(bench.station(DRUMS).handed(SESSION))
        later = [
            run(bench, *command)
            for command in (
                confirm,
                ("orders", found[1]),
                ("orders", found[1], "--json"),
                ("orders", "--all", "--json"),
                ("lent", "--json"),
                ("round", "--site", HALL),
                ("station", DRUMS),
                ("station", DRUMS, "--json"),
                ("history", DRUMS),
                ("history", DRUMS, "--json"),
            )
        ]
        back = run(bench, "give-back", DRUMS, "--by", WREN, "--reason", "done")
        assert back.code == 0, back
    held = kept_at(bench.home, agent.log)
    assert b"the maker looks" in held
    assert b"agreed" in held
    for secret in pair.values():
        assert secret.encode() not in held
        assert not any(secret in told.out + told.err for told in (*later, back, asked))


def test_a_document_holds_no_secret_and_a_person_hears_where_it_is(bench: Bench) -> None:
    """Programs keep what they read: with --json the station is not even asked."""
    asked = json.loads(run(bench, "lend", DRUMS, SESSION, "open", "--for", "45 min", *WHO, "--json").out)
    confirm = ("--by", WREN, "--reason", "agreed", "--accept", f"opened:{SESSION}", "--json")
    done = run(bench, "confirm", asked["order"], *confirm)
    assert (done.code, json.loads(done.out)["state"]) == (0, "restored")
    assert (
        done.err
        == "asleft: an id and a password are shown to a person only, and not with --json: read them at the station\n"
    )
    assert not any(secret in done.out for secret in bench.station(DRUMS).handed(SESSION).values())


def test_a_pair_is_foreign_text(bench: Bench) -> None:
    """What would command a terminal is shown harmless; what is missing is said."""
    thing = bench.station(DRUMS).table.at(("Service", "Session id"))
    thing.live[5, 1] = lambda: thing.answer(thing.slots["String"], encode_string("\x1b]0;x\x07"))
    missing = bench.station(DRUMS).table.at(("Service", "Session password"))
    missing.live[5, 1] = lambda: missing.answer(missing.slots["String"], encode_string(""))
    asked = run(bench, "lend", DRUMS, SESSION, "open", "--for", "45 min", *WHO)
    found = re.search(r"asleft confirm (\w+) ", asked.out)
    assert found is not None
    done = run(bench, "confirm", found[1], "--by", WREN, "--reason", "x y z", "--accept", f"opened:{SESSION}")
    assert pair_in(done.out) == {"id": "\\x1b]0;x\\x07"}
    assert "Read at the station what is missing: the station does not tell its password." in done.out


def test_what_was_due_is_given_back_by_the_next_command_which_says_so(bench: Bench) -> None:
    """No agent runs: whatever is typed next closes it first."""
    an_hour_ago = now() - timedelta(hours=1)  # so that it is over when the command looks, however quick it is

    async def lend_it() -> None:
        with bench.desk(clock=lambda: an_hour_ago) as desk:
            kept = await desk.lending.lend(
                DRUMS, SESSION, "open", lasting=timedelta(hours=1), by="pell-osgood", reason="the maker looks"
            )
            hazards = [hazard.id for hazard in kept.order.hazards]
            await desk.confirm(kept.id, by=WREN, reason="agreed", accepted=hazards)

    asyncio.run(lend_it())
    assert bench.station(DRUMS).get(SESSION) == "open"
    told = run(bench, "round", "--site", HALL)
    assert re.search(
        rf"asleft: order \w+ for {DRUMS}, which gives back what was lent, is restored: every write was read back",
        told.err,
    )
    assert (told.code, bench.station(DRUMS).get(SESSION)) == (0, "closed")
