"""What is taken is what the document allows, and no more: how numbers, times and names are written, and what is said twice.

Sources: JSON (RFC 8259 §6), JSON Schema 2020-12 Validation (§6.1.1: 10.0 is an integer), RFC 3339 §5.6. That a number in an
address is written as in JSON is common practice, no source: OpenAPI leaves it open.
"""

import asyncio
import json
from pathlib import Path
from urllib.parse import quote

import pytest

from estates import HALL
from stage import DRUMS
from web.api.program import a_program, problem
from web.page import a_page
from web.side_stage import alarmed

NUMBERS = (
    *(
        "+5",
        "-5",
        " 5",
        "5 ",
        "5\n",
        "\t5",
        "05",
        "5.0",
        "5.",
        "5e0",
        "1e1",
        "1_0",
        "0x5",
        "0",
        "201",
        "9" * 5_000,
    ),
    *("\u0665", "\uff15", "\u00b2", "5\x00", "\u20095", "true", "five", "", "null", "[5]", "5,6"),
)
"""None is a whole number from 1 to 200 as JSON writes it."""
QUERIES = (
    *(
        "limit=5&limit=5",
        "limit=5&limit=6",
        "cursor=&cursor=",
        "x",
        "x=",
        "=",
        "=x",
        "x=1",
        "Limit=5",
        "limit[]=5",
    ),
    *(
        "limit%00=5",
        "limit%0A=5",
        "%6Cimit%20=5",
        "limit=5&x",
        "limit=157&cursor=gDRS&x=",
        "cursor=a%0A",
        "cursor=a%00",
    ),
    *("cursor=%C3%A9", "limit=5;cursor=", "cursor=+"),
)
"""A name twice, or one that is not declared, with and without a value; a cursor that is none."""
CHOICES = ("True", "TRUE", "1", "yes", "on", "", "true ", "true\n", "tru", "t", "\uff54rue")
TIMES = (
    *("1781100000", "1781100000.5", "1781100000Z", "2026-06-11 12:00:00Z", "2026-06-11_12:00:00Z"),
    *("2026-06-11T12:00Z", "2026-06-11T12Z", "2026-06-11", "2026-06-11T12:00:00", "2026-06-11T12:00:00,5Z"),
    *(
        "2026-06-11T12:00:00+0200",
        "2026-06-11T12:00:00+02",
        "2026-06-11T12:00:00\u221202:00",
        "2026-06-11T12:00:00Z\n",
    ),
    *(
        " 2026-06-11T12:00:00Z",
        "2026-06-11T12:00:00.Z",
        "2026-06-31T12:00:00Z",
        "2026-06-11T25:00:00Z",
        "20260611T120000Z",
    ),
    *("\u0662026-06-11T12:00:00Z", "2026-W24-4T12:00:00Z", "2026-06-11T12:00:00+24:00", "now", "P1D", ""),
)
"""None is a time by the grammar of RFC 3339, or there is no such day or time of day."""


async def test_a_number_in_an_address_is_written_in_digits(tmp_path: Path) -> None:
    """What Python reads as a number, too, is refused; the bounds themselves are taken."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            for number in NUMBERS:
                for path in ("/api/sites?limit=", "/api/figures?days="):
                    answer = await program.get(path + quote(number))
                    if (path, number) != ("/api/figures?days=", "201"):
                        problem(answer, 422, "not-valid")
            for path in ("/api/sites?limit=1", "/api/sites?limit=200", "/api/figures?days=366"):
                assert (await program.get(path)).status_code == 200


async def test_a_question_names_what_is_declared_and_once(tmp_path: Path) -> None:
    """With or without a value, and whatever beside it is well."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            for query in QUERIES:
                problem(await program.get(f"/api/sites?{query}"), 422, "not-valid")
            for query in ("x", "x=", "=", "limit=5"):
                problem(await program.get(f"/api/me?{query}"), 422, "not-valid")
                problem(await program.get(f"/api/openapi.json?{query}"), 422, "not-valid")
                problem(
                    await program.post(f"/api/acknowledge?{query}", json={"name": DRUMS}), 422, "not-valid"
                )
            for query in ("", "cursor=", "cursor", "limit=5&cursor=gDRS", "&limit=5&"):
                assert (await program.get(f"/api/sites?{query}")).status_code == 200


async def test_a_choice_is_one_of_its_words(tmp_path: Path) -> None:
    """In their own case, with nothing before or after."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            for word in CHOICES:
                problem(await program.get(f"/api/orders?all={quote(word)}"), 422, "not-valid")
            for word in ("true", "false"):
                assert (await program.get(f"/api/orders?all={word}")).status_code == 200
            for word in ("Hearing", "hearing\n", ""):
                problem(await program.get(f"/api/history?concern={quote(word)}"), 422, "not-valid")
            for name in (f"{HALL}\n", f"{HALL}\0", HALL.upper(), "", f" {HALL}", "\u0430b"):
                problem(await program.get(f"/api/orders?site={quote(name)}"), 422, "not-valid")


@pytest.mark.parametrize("days", ["0001-01-01", "9999-12-31", "0000-01-01", "2026-02-30", "1900-01-01"])
async def test_a_day_at_the_end_of_time_is_no_failure(tmp_path: Path, days: str) -> None:
    """It fits the pattern; the answer is one or a refusal, and never a failure inside."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            for path in (
                "history?from=",
                "history?to=",
                "account?from=",
                "account?to=",
                f"state/{DRUMS}?at=",
            ):
                for end in ("", "T00:00:00Z", "T23:59:59+14:00", "T23:59:59-14:00"):
                    answer = await program.get(f"/api/{path}{quote(days + end)}")
                    assert answer.status_code in {200, 409, 422}, (path, days, end, answer.text)
            for end in ("T00:00:00+23:59", "T23:59:59-23:59"):
                sent = {"name": DRUMS, "reason": "later", "until": f"{days}{end}"}
                answer = await program.post("/api/shelve", json=sent)
                assert answer.status_code in {403, 422}, answer.text


async def test_a_time_that_is_sent_is_one_of_rfc_3339(tmp_path: Path) -> None:
    """Nothing is shelved by a time that is none; small letters and a fraction are in the grammar."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            for until in (*TIMES, 1781100000, 1781100000.5, None, True, ["2026-06-11T12:00:00Z"]):
                sent = {"name": DRUMS, "reason": "later", "until": until}
                problem(await program.post("/api/shelve", json=sent), 422, "not-valid")
            assert not page.desk.alarms().shelved
            for until in ("2026-06-11T12:00:00Z", "2026-06-11t12:00:00.25z", "2026-06-11T14:00:00+02:00"):
                sent = {"name": DRUMS, "reason": "later", "until": until}
                answer = await program.post("/api/shelve", json=sent)
                assert answer.status_code == 200, answer.text


async def test_a_whole_number_that_is_sent_is_one_by_its_value(tmp_path: Path) -> None:
    """However it is written, and no text, no truth and no part of one."""
    with a_page(tmp_path) as page:
        page.desk.doing._sleep = page.clock.sleep
        async with a_program(page) as program:

            async def lit(seconds: str) -> int:
                body = f'{{"name": {json.dumps(DRUMS)}, "seconds": {seconds}}}'.encode()
                headers = {"Content-Type": "application/json"}
                return (await program.post("/api/identify", content=body, headers=headers)).status_code

            for number in (
                '"1"',
                "true",
                "1.5",
                "0",
                "0.0",
                "121",
                "1e3",
                "1e300",
                "1e400",
                "null",
                "[1]",
                "-1",
            ):
                assert await lit(number) == 422, number
            for number in ("+1", "01", "1_0", "1.", ".5", "0x1", "NaN", "1" * 5_000):
                assert await lit(number) == 400, number
            for number in ("1", "1.0", "1e0", "10E-1"):
                assert await lit(number) in {200, 202}, number
                await asyncio.gather(
                    *(one for one in asyncio.all_tasks() if one.get_name() == f"lamp of {DRUMS}")
                )
