"""A running agent serves programs beside the pages: from a token made on the command line to a station that is restored."""

import getpass
from pathlib import Path

import httpx

from daemon.agent.process import LIMIT, an_agent, until
from estates import WREN, asleft
from stage import DRUMS, a_stage


def test_a_running_agent_serves_programs(tmp_path: Path) -> None:
    """Over the page's own socket, with its own clock, ledger and station."""
    with a_stage(tmp_path) as bench:
        with (bench.home / "settings.yaml").open("a", encoding="utf-8") as file:
            file.write(f"metrics-listen: unix:{tmp_path / 'web'}\n")
            file.write(f"pages-listen: unix:{tmp_path / 'page'}\n")
            file.write(f"accounts: {{{getpass.getuser()}: {WREN}}}\n")
        with an_agent(bench.home, tmp_path) as agent:
            agent.until_looked(1)
            assert asleft("people", "add", WREN, "--home", bench.home).code == 0
            rights = ("--right", "look", "--right", "acknowledge", "--right", "confirm")
            token = agent.ask("people", "token", "make", WREN, "a test", *rights, "--days", "1")["token"]
            with httpx.Client(
                transport=httpx.HTTPTransport(uds=str(tmp_path / "page")),
                base_url="http://localhost",
                headers={"Authorization": f"Bearer {token}"},
                timeout=LIMIT,
            ) as program:
                assert program.get("/api/me").json()["person"] == WREN
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
