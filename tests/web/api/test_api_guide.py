"""The guide for programs does what it says: its requests give what stands below them, and its addresses are there."""

import json
import re
import shlex
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx

from asleft.domain.people import Right
from asleft.web.api.document import document
from asleft.web.api.problems import KINDS
from asleft.web.api.shapes import MOST, USUAL
from asleft.web.api.table import OPERATIONS
from asleft.web.door import MOST_BODY, MOST_HEAD
from estates import WREN
from web.api.program import a_program, a_token
from web.page import a_page
from web.side_stage import alarmed

GUIDE = Path(__file__).resolve().parents[3] / "shared" / "guide" / "api.md"
EXAMPLE = re.compile(r"```sh\n(curl [^\n]*)\n```\n\n```json\n(.*?)```", re.DOTALL)


async def asked(program: httpx.AsyncClient, command: str) -> Any:
    """Ask what a line of the guide asks."""
    words = shlex.split(command)
    assert words[:4] == ["curl", "--silent", "--header", "@token.txt"]
    path = words[-1].removeprefix("$ASLEFT")
    if words[4] == "--json":  # curl(1): sends a POST with that content type
        answer = await program.post(path, json=json.loads(words[5]))
    else:
        answer = await program.get(path)
    return answer.json()


async def test_its_examples_are_real(tmp_path: Path) -> None:
    """One after the other, at a stage where somebody opened the menus at the drums."""
    examples = EXAMPLE.findall(GUIDE.read_text("utf-8"))
    assert len(examples) == 3
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        rights = [Right.LOOK, Right.ACKNOWLEDGE, Right.CONFIRM]
        token = a_token(page, WREN, rights[:2], name="stage display", lasting=timedelta(days=90))
        async with a_program(page, token=token) as program:
            told = [await asked(program, command) for command, _ in examples]
    assert told == [json.loads(shown) for _, shown in examples]


def test_its_addresses_are_there() -> None:
    """Each that it names is one of the document, and each of the document but the parts of one is named."""
    paths = document()["paths"]
    named = set(re.findall(r"/api/[a-z.{}/-]*[a-z}]", GUIDE.read_text("utf-8")))
    named -= {f"/api/problems/{name}" for name in KINDS}
    assert named <= set(paths)
    assert {path for path in paths if path.count("{") < 1} <= named


def test_its_rights_are_those_of_the_operations() -> None:
    """Each operation that does something stands in the list, with just the rights of which it needs one."""
    rows = re.findall(r"^\| (`/api/[^|]*) \| [^|]* \| ([^|]*) \|$", GUIDE.read_text("utf-8"), re.MULTILINE)
    told = {
        path: set(re.findall(r"`([a-z]+)`", rights))
        for paths, rights in rows
        for path in re.findall(r"`([^`]+)`", paths)
    }
    assert told == {one.path: set(map(str, one.rights)) for one in OPERATIONS if one.method == "POST"}


def test_its_numbers_are_those_of_the_program() -> None:
    """Limits as they are, and every status but those of the door."""
    text = GUIDE.read_text("utf-8")
    assert f"{USUAL} unless you say otherwise and {MOST} at most" in text
    assert f"{MOST_BODY // 1024} KiB, its head {MOST_HEAD // 1024} KiB" in text
    rows = " ".join(re.findall(r"^\| ([0-9, ]+) \|", text, re.MULTILINE))
    told = {int(number) for number in re.findall(r"[0-9]+", rows)}
    assert told == {kind.status for kind in KINDS.values()} - {405, 408, 413, 421, 431}
