"""One home for all tests of papers: a visit in which a station was put right, one left as it was found to be moved."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

import pytest

from asleft.domain.estate import Estate
from estates import HALL, Bench, Told, a_bench, asleft, confirmed, order_of

PAGES = "https://monitors.quillfen.example"


@dataclass(frozen=True, kw_only=True, slots=True)
class House:
    """A home in which there was a visit."""

    home: Path
    repository: Path
    estate: Estate

    def asleft(self, command: str, *args: object, site: str = HALL) -> Told:
        """Have a paper made."""
        return asleft(command, site, "--home", self.home, *args)

    def paper(self, out: Path, command: str, *args: object, site: str = HALL) -> bytes:
        """Have a paper made in a folder of its own, and give it."""
        told = self.asleft(command, "--out", out, *args, site=site)
        assert told.code == 0, told.err
        (file,) = out.iterdir()
        assert told.out.startswith(f"{file}: ")
        return file.read_bytes()


@pytest.fixture(scope="session")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """Give the home; its stations are gone by then, as papers never ask them."""
    folder = tmp_path_factory.mktemp("house")
    with a_bench(folder) as bench:
        asyncio.run(_visit(bench))
    with (bench.home / "settings.yaml").open("a", encoding="utf-8") as settings:
        settings.write(f"pages-url: {PAGES}\n")
    return House(home=bench.home, repository=bench.repository, estate=bench.estate)


async def _visit(bench: Bench) -> None:
    with bench.desk() as desk:
        await desk.round()
        bench.meddle(f"{HALL}/drums", "panel.menus", "open")
        bench.meddle(f"{HALL}/bass", "headphones.gain", "+12 dB")
        await desk.round()
        ended = await confirmed(desk, order_of(await desk.restore([f"{HALL}/drums"])))
        assert str(ended.state) == "restored"
