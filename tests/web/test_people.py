"""People: who may do what, who is on call, and what of it is for whom."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from asleft.domain.accounts import AccountMove, Whence
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.web.pages.people import Has, PeopleView, view_of
from asleft.work.accounts.desk import AccountView
from domain.alerting import CHAPEL, HALL, NOON, REACH, a_route, an_estate, rota, routing
from estates import IDRIS, WREN
from web.api.program import a_token
from web.hidden_site import ORLA, two_sites
from web.order_forms import token
from web.page import GOOD, Elements, a_page, form_token

EVERYWHERE = Person(
    key="wren-halloway",
    name="Wren Halloway",
    rights=frozenset({Right.LOOK, Right.APPROVE}),
    sites=frozenset(),
)
AT_HALL = Person(
    key="idris-quill", name="Idris Quill", rights=frozenset({Right.LOOK}), sites=frozenset({HALL})
)
AT_CHAPEL = Person(
    key="maud-tarrant",
    name="Maud Tarrant",
    rights=frozenset({Right.CONFIRM}),
    sites=frozenset({CHAPEL}),
    concerns=frozenset({Concern.COMFORT}),
)
OWN: dict[str, Any] = {"own": Has(1, 0, 2), "may_sign_out": lambda key: key != "maud-tarrant"}
MORNING, EVENING = "20260301T080000Z", "20260301T180000Z"


def shown(
    viewer: Person = EVERYWHERE, accounts: list[AccountView] | None = None, **more: object
) -> PeopleView:
    """Give the page as somebody sees it."""
    people = {one.key: one for one in (EVERYWHERE, AT_HALL, AT_CHAPEL)}
    estate = replace(an_estate(), people=people, **more)  # type: ignore[arg-type]  # fields of an estate
    return view_of(estate, viewer=viewer, now=NOON, accounts=accounts, **OWN)


def an_account(person: str, **more: object) -> AccountView:
    """Give how an account stands; there is none where nothing is said."""
    given: dict[str, object] = {
        "person": person,
        "name": "",
        "has_account": False,
        "password_set": None,
        "link_ends": None,
        "sessions": 0,
        "tokens": 0,
        "passkeys": 0,
    }
    return AccountView(**{**given, **more})  # type: ignore[arg-type]  # as written above


def test_people_are_listed_with_what_they_may_do() -> None:
    """Rights, sites and concerns stand in words, by name."""
    view = shown()
    assert [one.name for one in view.people] == ["Idris Quill", "Maud Tarrant", "Wren Halloway"]
    maud = view.people[1]
    assert (maud.rights, maud.sites, maud.concerns) == (
        ("confirm orders",),
        ("Brackle Chapel",),
        ("comfort",),
    )


def test_people_of_other_sites_are_not_shown() -> None:
    """Who may look at one site sees who may do something there, and no site beside it."""
    both = replace(AT_CHAPEL, key="both", name="Both", sites=frozenset({HALL, CHAPEL}))
    people = {one.key: one for one in (EVERYWHERE, AT_HALL, AT_CHAPEL, both)}
    view = view_of(replace(an_estate(), people=people), viewer=AT_HALL, now=NOON, accounts=None, **OWN)
    assert [one.name for one in view.people] == ["Both", "Idris Quill", "Wren Halloway"]
    assert "Chapel" not in repr(view)


def test_accounts_are_for_approvers() -> None:
    """How an account stands is told where it was asked for, and to nobody else."""
    stands = [
        an_account("idris-quill", has_account=True, link_ends=NOON + timedelta(hours=1)),
        an_account("maud-tarrant"),
        an_account("wren-halloway", has_account=True, password_set=NOON),
        an_account("sorrel-vane", has_account=True, password_set=NOON),
    ]
    view = shown(accounts=stands)
    assert [one.account for one in view.people] == [
        "no password yet; a first link waits",
        "no account",
        "has a password",
    ]
    assert view.left == ("sorrel-vane",)
    plain = shown(AT_HALL)
    assert {one.account for one in plain.people} == {""}
    assert not plain.asks_accounts


def test_who_is_signed_in_is_for_those_who_may_end_it() -> None:
    """Counts of those whose sessions one may end, one's own with them; a button for others who have some."""
    stands = [
        an_account("idris-quill", has_account=True, sessions=2, tokens=1),
        an_account("maud-tarrant", has_account=True, sessions=3),
        an_account("wren-halloway", has_account=True, sessions=1, passkeys=2),
    ]
    view = shown(accounts=stands)
    assert [(one.has, one.ends) for one in view.people] == [
        (Has(2, 1, 0), True),
        (None, False),
        (Has(1, 0, 2), False),
    ]
    stands[0] = an_account("idris-quill", has_account=True, tokens=1)
    assert [one.ends for one in shown(accounts=stands).people] == [False, False, False]
    plain = shown(AT_HALL)
    assert ({one.has for one in plain.people}, plain.own) == ({None}, Has(1, 0, 2))


def test_who_is_on_call_now_and_next() -> None:
    """Shifts of the same person that follow one another are one; a gap is nobody's."""
    rotas = rota(
        "stage",
        ("wren-halloway", MORNING, "20260301T130000Z"),
        ("wren-halloway", "20260301T130000Z", EVENING),
        ("idris-quill", "20260302T080000Z", "20260302T180000Z"),
    )
    (team,) = shown(routing=routing(a_route(team="stage"), rotas=rotas)).teams
    assert (team.now, team.until) == (("Wren Halloway",), datetime(2026, 3, 1, 18, tzinfo=UTC))
    assert (team.next, team.next_at) == (("Idris Quill",), datetime(2026, 3, 2, 8, tzinfo=UTC))


def test_nobody_on_call_says_who_is_told_instead() -> None:
    """In a gap the page names to whom the route escalates; who is in no file is shown as such."""
    rotas = rota("stage", ("nobody-known", "20260302T080000Z", "20260302T180000Z"))
    route = a_route(team="stage", escalate_to=("maud-tarrant",), escalate_after=timedelta(minutes=10))
    (team,) = shown(routing=routing(route, rotas=rotas)).teams
    assert (team.now, team.instead) == ((), ("Maud Tarrant",))
    assert team.next == ("nobody-known (not in people.yaml)",)
    (lone,) = shown(routing=routing(a_route(team="stage"))).teams
    assert not lone.rota


def test_on_call_is_as_alerts_go() -> None:
    """The page names whom the routing itself would tell, at every quarter of an hour of two days."""
    rotas = rota(
        "stage",
        ("idris-quill", "20260301T100000Z", EVENING),
        ("wren-halloway", MORNING, "20260301T130000Z"),
        ("idris-quill", "20260302T080000Z", "20260302T180000Z"),
    )
    told = routing(a_route(team="stage"), rotas=rotas)
    estate = replace(an_estate(), routing=told)
    for quarter in range(2 * 96):
        now = NOON - timedelta(hours=12) + timedelta(minutes=15 * quarter)
        (team,) = view_of(estate, viewer=EVERYWHERE, now=now, accounts=None, **OWN).teams
        assert team.now == tuple(estate.people[key].name for key in told.on_call("stage", now))


def test_routes_have_no_addresses_and_no_hidden_sites() -> None:
    """A route says who, of what and when; where its messages go is nobody's but the agent's."""
    routes = routing(
        a_route(who="wren-halloway", sites=frozenset({HALL, CHAPEL})),
        a_route(team="chapel", sites=frozenset({CHAPEL})),
        rotas=rota("chapel", ("maud-tarrant", MORNING, EVENING)),
    )
    view = shown(AT_HALL, routing=routes)
    (route,) = view.routes
    assert (route.who, route.where) == ("Wren Halloway", "Quillfen Hall")
    assert view.teams == ()
    for ways in REACH.values():
        assert not any(address in repr(shown(routing=routes)) for address in ways.values())


async def test_the_page_shows_accounts_to_approvers_alone(tmp_path: Path) -> None:
    """Who may approve sees who has no account; who may only look does not; no page holds a token or a hash."""
    with a_page(tmp_path) as page:
        link = page.accounts.make_link("sorrel-vane", Whence("command line"), by="a test")
        async with page.signed_in() as client:
            seen = await client.get("/people")
        async with page.signed_in("pell-osgood") as client:
            plain = await client.get("/people")
    assert (seen.status_code, plain.status_code) == (200, 200)
    text = Elements(seen.text).text
    assert "Account" in text
    assert "no account" in text
    assert "a first link waits" in text
    assert "no account" not in plain.text
    assert "first link" not in plain.text
    for answer in (seen, plain):
        assert link.path.rpartition("/")[2] not in answer.text
        assert "argon2" not in answer.text
        assert "/account" in [one.get("href") for one in Elements(answer.text).of("a")]


async def test_hostile_names_stay_text(tmp_path: Path) -> None:
    """A name in people.yaml is shown as text, whatever it is."""
    with a_page(tmp_path) as page:
        page.bench.approve("people.yaml", "name: Idris Quill", 'name: "<b onclick=x>Idris</b>"')
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await client.get("/people")
    made = Elements(answer.text)
    assert "<b onclick=x>Idris</b>" in made.text
    assert not made.of("b")


async def test_an_approver_signs_somebody_out_everywhere(tmp_path: Path) -> None:
    """ASVS 7.4.5, 16.3.1: every session of the person ends, told with who did it; the token stays, and so does one's own session."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as wren, page.signed_in(IDRIS) as first, page.client() as second:
            a_token(page, IDRIS)
            fields = {"form-token": await form_token(second, "/sign-in"), "name": IDRIS, "password": GOOD}
            assert (await second.post("/sign-in", data=fields)).status_code == 303
            seen = await wren.get("/people")
            assert "2 sessions, 1 token, 0 passkeys" in Elements(seen.text).text
            assert "Sign out everywhere : Idris Quill" in Elements(seen.text).text
            page.events.clear()
            answer = await sign_out(wren, IDRIS)
            assert (answer.status_code, answer.headers["location"]) == (303, "/people")
            said = Elements((await wren.get("/people")).text)
            assert "Idris Quill is signed out everywhere: 2 sessions ended. Tokens stay." in said.text
            assert "0 sessions, 1 token, 0 passkeys" in said.text
            for browser in (first, second):
                assert (await browser.get("/")).status_code == 303
            assert (await wren.get("/")).status_code == 200
        (event,) = page.events
        assert (event.move, event.person, event.by) == (AccountMove.SIGNED_OUT, IDRIS, WREN)
        assert (event.whence.address, event.detail) == ("127.0.0.1", "everywhere: 2 sessions")


async def test_who_may_not_sign_others_out_sees_and_does_nothing(tmp_path: Path) -> None:
    """ASVS 8.2.1, 8.3.1: without the right there is no count but one's own and no button, and a form sent by hand is refused."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as wren, page.signed_in("pell-osgood") as pell:
            shown = Elements((await pell.get("/people")).text)
            assert "You have 1 session, 0 tokens and 0 passkeys." in shown.text
            assert "passkeys Sign out" not in shown.text
            assert not [one for one in shown.of("form") if one.get("action") == "/people/sign-out"]
            page.events.clear()
            for key in (WREN, "nobody-at-all"):
                answer = await sign_out(pell, key)
                assert answer.status_code == 403
                assert "you may not sign this person out" in answer.text
            foreign = {"form-token": await token(pell), "person": "pell-osgood"}
            assert (await wren.post("/people/sign-out", data=foreign)).status_code == 403
            assert page.events == []
            assert [(await one.get("/")).status_code for one in (wren, pell)] == [200, 200]


async def test_who_approves_at_one_site_ends_no_session_of_others(tmp_path: Path) -> None:
    """ASVS 8.2.2: an approver of one site signs out who works there alone, and neither who works everywhere nor elsewhere."""
    with two_sites(tmp_path) as page:
        async with page.signed_in(IDRIS) as idris, page.signed_in(ORLA), page.signed_in("sorrel-vane"):
            shown = Elements((await idris.get("/people")).text)
            buttons = [one for one in shown.of("input") if one.get("name") == "person"]
            assert [one["value"] for one in buttons] == ["sorrel-vane"]
            answers = [(await sign_out(idris, key)).status_code for key in (WREN, ORLA, "sorrel-vane")]
            assert answers == [403, 403, 303]
            assert len(page.accounts.sessions.of(ORLA)) == 1


async def sign_out(client: httpx.AsyncClient, key: str) -> httpx.Response:
    """Send the form that signs somebody out."""
    return await client.post("/people/sign-out", data={"form-token": await token(client), "person": key})
