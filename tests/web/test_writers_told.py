"""Who wrote a commit of the baseline: one rule for where a value comes from, who approved it, and how the baseline stands."""

from pathlib import Path

import pytest

from asleft.domain.withheld import Withheld
from estates import HALL, IDRIS, WREN, git
from stage import DRUMS
from web.api.program import a_program, a_token
from web.hidden_site import two_sites
from web.page import Page
from web.side_stage import alarmed, plain

SOMEBODY = "Tamsin Oakwright"
"""Whoever wrote a line of the estate; nobody in people.yaml."""
OF_ANOTHER_SITE = "Orla Vexley"
MENUS = f"/stations/{DRUMS}/panel.menus"
ALARM = f"/alarms/{DRUMS}/panel.menus"
PAGES = (MENUS, f"/stations/{DRUMS}", ALARM, "/who/panel.menus", "/baseline")
OPERATIONS = (f"stations/{DRUMS}/panel.menus", "who/panel.menus", "baseline")


def write(page: Page, author: str, *, own: bool) -> None:
    """Have the estate's line that says how menus are written anew; with a file of the site, or by itself."""
    repository = page.bench.repository
    for file, old, new in (
        ("estate.yaml", "key-dim: 40 %}", "key-dim: 40 %}  # as agreed"),
        *([(f"sites/{HALL}/stations/bass.yaml", "format:", "# as agreed\nformat:")] if own else []),
    ):
        path = repository / file
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), "utf-8")
    git(repository, "add", "--all")
    git(repository, "commit", "--quiet", f"--author={author} <somebody@example.org>", "--message=As agreed")


async def where_named(page: Page, person: str, name: str) -> set[str]:
    """Give the pages and operations that tell a name to a person."""
    found = set()
    async with page.signed_in(person) as client:
        for path in PAGES:
            answer = await client.get(path)
            assert answer.status_code == 200, path
            found |= {path} if name in plain(answer.text) else set()
    async with a_program(page, token=a_token(page, person, name="names")) as program:
        for path in OPERATIONS:
            answer = await program.get(f"/api/{path}")
            assert answer.status_code == 200, path
            found |= {path} if name in answer.text else set()
    return found


@pytest.mark.parametrize(
    "author, own, told",
    [(SOMEBODY, False, False), (SOMEBODY, True, True), (OF_ANOTHER_SITE, True, False)],
    ids=["a line of the estate alone", "a file of the site, too", "by somebody of another site"],
)
async def test_who_wrote_it_is_told_by_one_rule(
    tmp_path: Path, author: str, *, own: bool, told: bool
) -> None:
    """Everywhere to who may look everywhere; to somebody of one site everywhere or nowhere, and the commit's digits always."""
    with two_sites(tmp_path) as page:
        write(page, author, own=own)
        head = git(page.bench.repository, "rev-parse", "HEAD").strip()
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        assert await where_named(page, WREN, author) == {*PAGES, *OPERATIONS}
        assert await where_named(page, IDRIS, author) == ({*PAGES, *OPERATIONS} if told else set())
        async with page.signed_in(IDRIS) as client:
            for path in PAGES:
                assert head[:10] in plain((await client.get(path)).text), path
            who = plain((await client.get("/who/panel.menus")).text)
    # That nobody is named is no word about signatures.
    assert ("somebody who is not named here, for the commit may be about other sites" in who) is not told


def test_the_rule_by_itself(tmp_path: Path) -> None:
    """Who may look everywhere is told whatever the commit is about."""
    with two_sites(tmp_path) as page:
        kept = Withheld(page.bench.estate, lambda site: site == HALL, everywhere=False)
    assert kept.writer(SOMEBODY, seen=True) == SOMEBODY
    assert kept.writer(SOMEBODY, seen=False) == ""
    assert kept.writer(OF_ANOTHER_SITE, seen=True) == ""
    assert Withheld.nothing().writer(OF_ANOTHER_SITE, seen=False) == OF_ANOTHER_SITE
