"""A running agent serves programs beside the pages: from a token made on the command line to a station that is restored."""

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx

from daemon.agent.process import LIMIT, Agent, an_agent, until
from estates import WREN, Bench, asleft
from stage import DRUMS, a_stage

AT_ONCE = "{}\nalarms: {on-delay: 0 s, off-delay: 0 s}"
"""Nothing about orders, and what drifts is an alarm at once."""


@contextmanager
def served(folder: Path, settings: str, *rights: str) -> Iterator[tuple[Bench, Agent, httpx.Client]]:
    """Run an agent over a stage, with a program that asks it through the pages' own socket."""
    with a_stage(folder, orders=AT_ONCE) as bench:
        with (bench.home / "settings.yaml").open("a", encoding="utf-8") as file:
            file.write(f"metrics-listen: unix:{folder / 'web'}\n")
            file.write(f"pages-listen: unix:{folder / 'page'}\n")
            file.write(settings)
            file.write(f"accounts: {{{getpass.getuser()}: {WREN}}}\n")
        with an_agent(bench.home, folder) as agent:
            agent.until_looked(1)
            assert asleft("people", "add", WREN, "--home", bench.home).code == 0
            asked = [word for right in rights for word in ("--right", right)]
            token = agent.ask("people", "token", "make", WREN, "a test", *asked, "--days", "1")["token"]
            with httpx.Client(
                transport=httpx.HTTPTransport(uds=str(folder / "page")),
                base_url="http://localhost",
                headers={"Authorization": f"Bearer {token}"},
                timeout=LIMIT,
            ) as program:
                yield bench, agent, program


def figure(program: httpx.Client, name: str) -> dict[str, Any]:
    """Give one figure as the agent tells it now."""
    answer = program.get("/api/figures").json()
    (found,) = [one for one in answer["figures"] if one["figure"] == name]
    return dict(found)


def watched_for(program: httpx.Client, seconds: float) -> bool:
    """Tell whether the agent has kept alarms for more than so long, by its own clock."""
    told = program.get("/api/figures").json()
    since, until_now = (datetime.fromisoformat(told[key]) for key in ("since", "until"))
    return (until_now - since).total_seconds() > seconds


def test_a_running_agent_serves_programs(tmp_path: Path) -> None:
    """Over the page's own socket, with its own clock, ledger and station."""
    with served(tmp_path, "round-interval: 1s\nround-jitter: 0s\n", "look", "acknowledge", "confirm") as (
        bench,
        agent,
        program,
    ):
        assert program.get("/api/me").json()["person"] == WREN
        # Sooner it would stand from before alarms were kept, as far as anybody knows.
        until(lambda: watched_for(program, 1), "the first interval is over", alive=agent)
        bench.meddle(DRUMS, "panel.menus", "open")
        until(
            lambda: bool(program.get(f"/api/stations/{DRUMS}").json()["drifts"]),
            "the drift is seen",
            alive=agent,
        )
        (order,) = program.post("/api/restore", json={"names": [DRUMS]}).json()["orders"]
        sent = {"order": order["order"], "reason": "before doors"}
        assert program.post("/api/confirm", json=sent).status_code in {200, 202}
        path = f"/api/orders/{order['order']}"
        until(
            lambda: program.get(path).json()["orders"][0]["state"] == "restored",
            "the station is restored",
            alive=agent,
        )
        assert bench.station(DRUMS).get("panel.menus") == "locked"
        until(
            lambda: figure(program, "time to restore, mean")["times"]["of"] == 1,
            "the figures know of the restore",
            alive=agent,
        )
        # The station is followed, and the agent's page knows that: no interval is added.
        until(
            lambda: figure(program, "time to detect, mean")["times"]["upper-bounds"] == 0,
            "the station is followed",
            alive=agent,
        )
        detect = figure(program, "time to detect, mean")
        assert (detect["times"]["of"], detect["times"]["unknown"]) == (1, 0)
        assert detect["note"].endswith("1 at stations that are followed now")


def test_where_nobody_follows_an_interval_counts(tmp_path: Path) -> None:
    """The figures of the page know how far apart the agent's rounds are: 2 s, and no jitter."""
    with served(tmp_path, "round-interval: 2s\nround-jitter: 0s\nfollow: no\n", "look") as (
        bench,
        agent,
        program,
    ):
        until(lambda: watched_for(program, 2), "the first interval is over", alive=agent)
        bench.meddle(DRUMS, "panel.menus", "open")
        until(
            lambda: figure(program, "time to detect, mean")["times"]["of"] == 1,
            "a round found it",
            alive=agent,
        )
        detect = figure(program, "time to detect, mean")
    assert detect["times"]["upper-bounds"] == 1
    assert detect["value"] >= 2
    assert "a whole interval of 2 s after the change" in detect["note"]
