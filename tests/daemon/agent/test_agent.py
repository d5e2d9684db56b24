"""The whole agent as a process: stations, people, mail, restarts, web calls, occasions and signals, end to end."""

import getpass
import os
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.domain.signing import sign
from asleft.ledger.outbox import SqliteOutbox
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.work.approved import IN_FORCE
from daemon.agent.process import Agent, MailRoom, Remote, an_agent, until
from estates import HALL, Bench, a_bench, asleft, commit, git, plant

DRUMS, BASS, DIRECTOR = (f"{HALL}/{name}" for name in ("drums", "bass", "director"))
WREN = "wren-halloway"
MAIL = "wren.halloway@quillfen.example"
SECRET = "a-kettle-two-saucers-and-nine-grey-spoons"
STATIONS, SITES = 24, 3
WORDS = ["What", "Where", "Since", "Why it matters", "What to do", "Link"]


def settle(home: Path, folder: Path, **more: str) -> None:
    """Give an agent settings under which nothing comes by itself, and people are told by mail."""
    settings = {
        "round-interval": "1 d",
        "round-jitter": "0 s",
        "fetch-interval": "1 d",
        "metrics-listen": f"unix:{folder / 'web'}",
        "accounts": f"{{{getpass.getuser()}: {WREN}}}",
        **more,
    }
    with (home / "settings.yaml").open("a", encoding="utf-8") as file:
        file.writelines(f"{key}: {value}\n" for key, value in settings.items())


def by_mail(port: int) -> Mapping[str, str]:
    """Give the settings of a channel to the mail server of a test."""
    row = f"{{kind: mail, host: 127.0.0.1, port: {port}, tls: none, from: desk@quillfen.example}}"
    return {"channels": f"{{mail: {row}}}"}


@contextmanager
def told_by_mail(folder: Path, priorities: str = "high") -> Iterator[tuple[Bench, MailRoom]]:
    """Set a bench up in which Wren Halloway is told by mail, without delays."""
    with a_bench(folder) as bench, MailRoom() as room:
        people, estate = bench.repository / "people.yaml", bench.repository / "estate.yaml"
        text = people.read_text("utf-8")
        name = "    name: Wren Halloway\n"
        assert name in text
        people.write_text(text.replace(name, f"{name}    reach: {{mail: {MAIL}}}\n"), "utf-8")
        with estate.open("a", encoding="utf-8") as file:
            file.write("alarms: {on-delay: 0 s, off-delay: 0 s}\n")
            file.write(f"routes:\n  - {{who: {WREN}, by: mail, priorities: [{priorities}]}}\n")
        commit(bench.repository, "Tell Wren Halloway by mail")
        settle(bench.home, folder, **by_mail(room.port))
        yield bench, room


def words(letter: EmailMessage) -> dict[str, str]:
    """Give the lines of a letter by the words before them, in order."""
    lines = letter.get_content().replace("\r\n", "\n").strip().split("\n")
    return dict(line.split(": ", 1) for line in lines)


def ready(agent: Agent) -> None:
    """Wait until every site was looked at and every station is followed: from here on only following hears."""
    agent.until_looked(SITES)
    until(lambda: agent.followed() == STATIONS, "every station is followed", alive=agent)


def waiting(bench: Bench) -> list[int]:
    """Give how often each alert that waits was tried."""
    with bench.ledger() as ledger:
        return [item.tries for item in SqliteOutbox(ledger).waiting()]


def test_from_a_change_at_a_station_to_the_all_clear(tmp_path: Path) -> None:
    """A followed change is drift, an alarm and a mail; it is acknowledged, restored and cleared, and the records tell it."""
    with told_by_mail(tmp_path) as (bench, room), an_agent(bench.home, tmp_path) as agent:
        room.open()
        ready(agent)
        rounds, before = agent.rounds(), len(bench.subjects())
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        first = room.next()
        assert str(first["To"]) == MAIL
        assert str(first["Subject"]) == "High at Quillfen Hall: 1 alarm, drums"
        told = words(first)
        assert list(told) == WORDS
        assert "+12 dB" in told["What"]
        assert "0 dB" in told["What"]
        assert told["Where"] == f"Quillfen Hall, drums ({DRUMS})"
        assert f"asleft acknowledge {DRUMS}" in told["What to do"]
        (drift,) = agent.ask("drifts")["drifts"]
        assert (drift["station"], drift["setting"]) == ("drums", "headphones.gain")
        assert drift["matters"] in told["Why it matters"]
        since = datetime.fromisoformat(drift["since"])
        assert f"{since.astimezone(UTC):%H:%M} UTC" in told["Since"]
        (alarm,) = agent.ask("alarms")["alarms"]
        assert (alarm["state"], alarm["priority"], alarm["setting"]) == (
            "unacknowledged",
            "high",
            "headphones.gain",
        )

        until(lambda: len(bench.subjects()) > before, "what was heard is in the records", alive=agent)
        agent.do("acknowledge", DRUMS, "--by", WREN, "--reason", "on my way")
        seen = bench.records("log", "-1", "--format=%s%n%b")
        assert seen.startswith(f"{DRUMS}: acknowledged headphone gain range\n")
        assert "\nBy: Wren Halloway (wren-halloway)\nReason: on my way\n" in seen
        (alarm,) = agent.ask("alarms")["alarms"]
        assert (alarm["state"], alarm["acknowledged"]["by"]) == ("acknowledged", WREN)
        (drawn,) = agent.ask("restore", DRUMS)["orders"]
        accepts = [word for hazard in drawn["hazards"] for word in ("--accept", hazard["id"])]
        agent.do("confirm", drawn["order"], "--by", WREN, "--reason", "as approved", *accepts)
        second = room.next()
        assert str(second["To"]) == MAIL
        assert str(second["Subject"]).startswith("All clear, high at Quillfen Hall: ")
        told = words(second)
        assert list(told) == WORDS
        assert told["What"].startswith("As left again; it was: ")
        assert (told["What to do"], told["Where"]) == ("nothing", f"Quillfen Hall, drums ({DRUMS})")
        assert agent.ask("drifts")["drifts"] == []
        assert agent.ask("alarms")["alarms"] == []
        assert agent.rounds() == rounds  # no round had a part in it
        assert bench.subjects()[: len(bench.subjects()) - before] == [
            f"{DRUMS}: restored headphones.gain +12 dB → 0 dB",
            f"{DRUMS}: order {drawn['order']} confirmed by Wren Halloway ({WREN})",
            f"{DRUMS}: order {drawn['order']} drawn up by Wren Halloway ({WREN})",
            f"{DRUMS}: acknowledged headphone gain range",
            f"{DRUMS}: headphones.gain 0 dB → +12 dB",
        ]
    assert room.is_empty()
    assert git(bench.home / "records", "fsck", "--strict") == ""


def test_a_trial_gets_through_and_a_closed_door_is_told(tmp_path: Path) -> None:
    """The command has the agent send a real letter and says so; without an agent it says that nobody sends."""
    with told_by_mail(tmp_path) as (bench, room):
        asked = ("try-alerts", "--home", bench.home, "--by", WREN)
        alone = asleft(*asked)
        assert alone.code == 7
        assert "no agent runs here" in alone.err
        with an_agent(bench.home, tmp_path) as agent:
            room.open()
            ready(agent)
            told = asleft(*asked)
            assert told.code == 0, told
            assert "delivered" in told.out
            letter = room.next()
            assert str(letter["To"]) == MAIL
            assert "nothing is wrong" in str(letter["Subject"])
            assert agent.ask("alarms")["alarms"] == []


def test_a_kill_while_nobody_takes_mail(tmp_path: Path) -> None:
    """What was not delivered before SIGKILL is delivered after the next start, once, and what was is not sent again."""
    with told_by_mail(tmp_path) as (bench, room):
        room.open()
        with an_agent(bench.home, tmp_path) as agent:
            ready(agent)
            bench.meddle(DRUMS, "headphones.gain", "+12 dB")
            first = room.next()
            until(lambda: waiting(bench) == [], "the first one is noted as delivered", alive=agent)
            room.close()
            bench.meddle(BASS, "headphones.gain", "+12 dB")
            until(lambda: bool(waiting(bench)) and waiting(bench)[0] > 0, "a try that failed", alive=agent)
            agent.kill()
            assert len(waiting(bench)) == 1
        with an_agent(bench.home, tmp_path) as agent:
            ready(agent)
            assert room.is_empty()
            room.open()
            second = room.next()
            # To one receiver all goes in order: whatever were sent twice would come before this one.
            bench.meddle(DIRECTOR, "headphones.gain", "+12 dB")
            third = room.next()
    assert room.is_empty()
    assert [str(letter["Subject"]).rpartition(", ")[2] for letter in (first, second, third)] == [
        "drums",
        "bass",
        "director",
    ]
    assert len({str(letter["Message-ID"]) for letter in (first, second, third)}) == 3


def test_a_signed_call_brings_a_push_into_force(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A remote that is not watched and hardly ever fetched is fetched once for each signed call, and for no other."""
    monkeypatch.setenv("no_proxy", "127.0.0.1")  # git is to come to us, whatever way out this computer has
    work, bare, home = tmp_path / "work", tmp_path / "served" / "estate.git", tmp_path / "home"
    plant(work)
    git(tmp_path, "init", "--quiet", "--bare", "--initial-branch=main", str(bare))

    def push(what: str) -> str:
        with (work / "estate.yaml").open("a", encoding="utf-8") as file:
            file.write(f"# {what}\n")
        made = commit(work, what)
        git(work, "push", "--quiet", str(bare), "main")
        git(bare, "update-server-info")
        return made

    def call(agent: Agent, secret: str) -> int:
        body = b'{"ref": "refs/heads/main"}'
        headers = sign(body, secret, at=datetime.now(UTC))
        return agent.call("POST", "/hooks/baseline", content=body, headers=headers).status_code

    push("The first")
    with Remote(bare.parent) as remote:
        checked = assembly.make_home(home, {"baseline": remote.url})
        assert checked.estate is not None
        settle(home, tmp_path, **{"pages-listen": "off"})  # else at a port that another agent may have
        (home / "credentials").mkdir(mode=0o700)
        with os.fdopen(
            os.open(home / "credentials" / "hook-secret", os.O_WRONLY | os.O_CREAT, 0o600), "w"
        ) as file:
            file.write(SECRET + "\n")
        cloned = remote.fetches
        with FleetThread(Fleet.from_estate(checked.estate)) as fleet:
            bench = Bench(home=home, repository=work, estate=checked.estate, fleet=fleet)

            def in_force() -> str | None:
                with bench.ledger() as ledger:
                    return ledger.note(IN_FORCE)

            with an_agent(home, tmp_path) as agent:
                ready(agent)
                until(lambda: remote.fetches == cloned + 2, "both fetches of a start", alive=agent)
                first = in_force()
                second = push("The second")
                assert call(agent, SECRET + "?") == 401
                assert (in_force(), remote.fetches) == (first, cloned + 2)
                assert call(agent, SECRET) == 202
                until(lambda: in_force() == second, "the second is in force", alive=agent)
                third = push("The third")
                assert call(agent, SECRET) == 202
                until(lambda: in_force() == third, "the third is in force", alive=agent)
                # One after the other: a fetch for the refused call would have been before these two.
                assert remote.fetches == cloned + 4
                assert SECRET not in agent.said()


def test_an_occasion_that_begins_is_one_item(tmp_path: Path) -> None:
    """Nineteen settings that differ only because an occasion began are one alarm, one mail, and one thing to confirm."""
    with (
        told_by_mail(tmp_path, "high, medium, low") as (bench, room),
        an_agent(bench.home, tmp_path) as agent,
    ):
        room.open()
        ready(agent)
        now = datetime.now(UTC)
        (bench.repository / "sites" / HALL / "calendar.ics").write_text(
            "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Quillfen Stages Trust//Calendar of Quillfen Hall//EN\n"
            "BEGIN:VEVENT\nUID:set-up@quillfen-hall.example\nDTSTAMP:20260105T090000Z\nSUMMARY:Set-up\n"
            f"CATEGORIES:get-in\nDTSTART:{now - timedelta(hours=1):%Y%m%dT%H%M%SZ}\n"
            f"DTEND:{now + timedelta(hours=3):%Y%m%dT%H%M%SZ}\nEND:VEVENT\nEND:VCALENDAR\n",
            "utf-8",
        )
        commit(bench.repository, "The crew is setting up")
        letter = room.next()
        assert (
            "changeover due for get-in: 19 settings on 10 stations as before" in words(letter)["What"].lower()
        )
        board = agent.ask("alarms")
        assert [(one["site"], one["station"], one["kind"]) for one in board["alarms"]] == [
            (HALL, None, "changeover")
        ]
        assert {one["suppressed-by"] for one in board["suppressed"]} == {"changeover due"}
        assert len(board["suppressed"]) == 19
        # One group of orders, confirmed once, carries the changeover out.
        drawn = agent.ask("restore", HALL)
        assert len(drawn["orders"]) == 10
        assert sum(len(order["writes"]) for order in drawn["orders"]) == 19
        (group,) = {order["group"] for order in drawn["orders"]}
        agent.do("confirm", group, "--by", WREN, "--reason", "the crew is here")
        assert str(room.next()["Subject"]).startswith("All clear")
        board = agent.ask("alarms")
        assert [one["state"] for one in board["alarms"]] == ["returned unacknowledged"]
        assert board["suppressed"] == []
        # What nobody ever approved is an alarm of its own, also now.
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        assert str(room.next()["Subject"]) == "High at Quillfen Hall: 1 alarm, drums"
    assert room.is_empty()


def test_a_reload_takes_the_interval_of_rounds(tmp_path: Path) -> None:
    """Settings in a folder that nobody watches hold from SIGHUP on: rounds come by themselves, and find what changed."""
    with a_bench(tmp_path) as bench:
        settle(bench.home, tmp_path, follow="no")
        kept = tmp_path / "kept" / "settings.yaml"
        kept.parent.mkdir()
        (bench.home / "settings.yaml").rename(kept)
        (bench.home / "settings.yaml").symlink_to(kept)
        with an_agent(bench.home, tmp_path) as agent:
            agent.until_looked(SITES)
            bench.meddle(DRUMS, "headphones.gain", "+12 dB")
            text = kept.read_text("utf-8")
            assert "round-interval: 1 d\n" in text
            kept.write_text(text.replace("round-interval: 1 d\n", "round-interval: 1 s\n"), "utf-8")
            assert (agent.rounds(), agent.ask("drifts")["drifts"]) == (SITES, [])
            assert "RELOADING=1" not in agent.heard
            agent.process.send_signal(signal.SIGHUP)
            agent.hears(lambda heard: "RELOADING=1" in heard, "the reload")
            agent.hears(lambda _: agent.rounds() >= 3 * SITES, "rounds of every site, twice")
            (drift,) = agent.ask("drifts")["drifts"]
            assert (drift["station"], drift["setting"]) == ("drums", "headphones.gain")
