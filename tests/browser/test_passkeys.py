"""Passkeys in a real chromium with an authenticator of its own (WebAuthn Level 2 §11, as the DevTools protocol offers it).

The page is opened as http://localhost, which browsers take as secure (Secure Contexts §3.1); a passkey belongs to no number.
"""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from playwright.sync_api import Browser, BrowserContext, CDPSession, Page, expect

from browser.conftest import PASSWORD, Served, an_agent
from browser.test_page import LONG, confirm, draw_up
from estates import HALL, IDRIS, WREN, a_bench
from interop.conftest import prepared_node

ASKS = "{rise-pause-seconds: 0, two-people: [], second-factor: always}"
KEYS = "/account/passkeys"
HERE = Path(__file__).parent


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[Served]:
    """Serve the page of an estate that asks for a second factor with every order."""
    with a_bench(tmp_path, orders=ASKS) as bench, an_agent(bench, name="localhost") as url:
        yield Served(bench=bench, url=url)


class Device:
    """A phone or key ring in a browser: holds passkeys, and its person is there and shows it.

    Args:
        context: The browser.
        page: One of its pages.
    """

    def __init__(self, context: BrowserContext, page: Page) -> None:
        self.session: CDPSession = context.new_cdp_session(page)
        self.session.send("WebAuthn.enable")
        options = {
            "protocol": "ctap2",
            "transport": "internal",
            "hasResidentKey": True,
            "hasUserVerification": True,
            "isUserVerified": True,
            "automaticPresenceSimulation": True,
        }
        self.id = self.session.send("WebAuthn.addVirtualAuthenticator", {"options": options})[
            "authenticatorId"
        ]

    @property
    def passkeys(self) -> list[dict[str, Any]]:
        """What it holds."""
        held: list[dict[str, Any]] = self.session.send(
            "WebAuthn.getCredentials", {"authenticatorId": self.id}
        )["credentials"]
        return held

    def verifies(self, *, verified: bool) -> None:
        """Have its person show who they are, or fail to."""
        self.session.send(
            "WebAuthn.setUserVerified", {"authenticatorId": self.id, "isUserVerified": verified}
        )

    def takes(self, passkey: dict[str, Any]) -> None:
        """Take a passkey as it stands elsewhere, with its key and its count."""
        self.session.send("WebAuthn.addCredential", {"authenticatorId": self.id, "credential": passkey})


def add(page: Page, served: Served, name: str, password: str = PASSWORD) -> None:
    """Fill the form that adds a passkey, and send it."""
    page.goto(f"{served.url}{KEYS}")
    page.fill("#name", name)
    page.fill("#password", password)
    page.get_by_role("button", name="Add a passkey").click()


def with_passkey(browser: Browser, served: Served, key: str, name: str) -> tuple[Page, Device]:
    """Sign a person in, and have them add a passkey."""
    context = browser.new_context()
    page = served.sign_in(context, key)
    device = Device(context, page)
    add(page, served, name)
    expect(page.locator("main")).to_contain_text(f"The passkey '{name}' is added.", timeout=LONG)
    return page, device


def answer_to(page: Page, path: str) -> str:
    """Have the browser's passkey sign what the page asks for about an order, without sending the form; gives the answer."""
    told: str = page.evaluate(
        """async (path) => {
            const bytes = (t) => Uint8Array.from(atob(t.replace(/-/g, '+').replace(/_/g, '/')), (c) => c.charCodeAt(0));
            const text = (b) => btoa(String.fromCharCode(...new Uint8Array(b)))
                .replace(/\\+/g, '-').replace(/\\//g, '_').replace(/=+$/, '');
            const token = document.querySelector('input[name=form-token]').value;
            const body = new URLSearchParams({'form-token': token});
            const asked = (await (await fetch(path, {method: 'POST', body})).json()).get;
            const made = await navigator.credentials.get({publicKey: {...asked, challenge: bytes(asked.challenge),
                allowCredentials: asked.allowCredentials.map((one) => ({...one, id: bytes(one.id)}))}});
            const response = {};
            for (const name of ['clientDataJSON', 'authenticatorData', 'signature', 'userHandle'])
                if (made.response[name]) response[name] = text(made.response[name]);
            return JSON.stringify({id: made.id, rawId: text(made.rawId), type: made.type, response});
        }""",
        path,
    )
    assert json.loads(told)["response"]["signature"]
    return told


def send(page: Page, answer: str, *, reason: str = "before doors") -> None:
    """Send the form of the page as it stands with an answer in it, past the script."""
    for box in page.locator("input[name=accept]").all():
        box.check()
    page.fill("#reason", reason)
    with page.expect_navigation():
        page.evaluate(
            "(answer) => { const form = document.querySelector('form.confirm');"
            " form.querySelector('input[name=passkey]').value = answer; form.submit(); }",
            answer,
        )


def drawn(page: Page, served: Served) -> str:
    """Open the drummer's menus, have the order drawn up that locks them, and give its path."""
    served.bench.meddle(f"{HALL}/drums", "panel.menus", "open")
    draw_up(page, served)
    return page.url.removeprefix(served.url)


def menus(served: Served) -> object:
    """Give how the drummer's menus stand at the station."""
    return served.bench.station(f"{HALL}/drums").get("panel.menus")


def test_a_restore_is_confirmed_with_a_passkey(asked: Served, browser: Browser) -> None:
    """Added with the password again, held to the order by a press of the button, told in the page and the records; removed."""
    page, device = with_passkey(browser, asked, WREN, "phone")
    (held,) = device.passkeys
    path = drawn(page, asked)
    expect(page.locator("#order-waits")).to_contain_text("a passkey or a signature of each who confirms")
    expect(page.locator(".proof")).to_contain_text("This confirmation needs a passkey")
    expect(page.locator(".without-passkeys")).to_be_hidden()
    confirm(page, "before doors")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    expect(page.locator("#order-life")).to_contain_text("proved by passkey 'phone'")
    assert menus(asked) == "locked"
    assert device.passkeys[0]["signCount"] == held["signCount"] + 1
    kept = yaml.safe_load(asked.bench.records("show", f"HEAD:{records_page(asked, path)}"))
    assert [move.get("proved", "") for move in kept["life"] if move["event"] == "confirm"] == [
        f"passkey 'phone' {unpadded(held['credentialId'])[:16]}"
    ]
    page.goto(f"{asked.url}{KEYS}")
    expect(page.locator("tbody")).not_to_contain_text("not yet")
    page.fill("#password-1", "not my password at all")
    page.get_by_role("button", name="Remove phone").click()
    expect(page.locator("#wrong")).to_contain_text("the password is wrong")
    page.fill("#password-1", PASSWORD)
    page.get_by_role("button", name="Remove phone").click()
    expect(page.locator("main")).to_contain_text("The passkey is removed.", timeout=LONG)
    expect(page.locator("main")).to_contain_text("You have none.")


def records_page(served: Served, path: str) -> str:
    """Give where an order's page stands in the records."""
    name = path.rpartition("/")[2]
    found: str = next(
        line
        for line in served.bench.records("ls-tree", "-r", "--name-only", "HEAD").split("\n")
        if f"{name}.yaml" in line
    )
    return found


def unpadded(text: str) -> str:
    """Give base64 as base64url without padding."""
    return text.replace("+", "-").replace("/", "_").rstrip("=")


def test_a_group_is_confirmed_with_one_passkey(asked: Served, browser: Browser) -> None:
    """What is proved is the group's digest, which holds those of its orders: one press for all of them, and no order of it alone."""
    for name in ("drums", "bass"):
        asked.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    page, _ = with_passkey(browser, asked, WREN, "phone")
    page.goto(f"{asked.url}/sites/{HALL}")
    page.get_by_role("button", name="Draw up the order for the site").click()
    page.wait_for_url(re.compile(r"/orders/g[0-9a-f]{9}$"))
    confirm(page, "before doors")
    expect(page.locator("#group-state")).to_contain_text("2 restored", timeout=LONG)
    assert {asked.bench.station(f"{HALL}/{name}").get("panel.menus") for name in ("drums", "bass")} == {
        "locked"
    }
    page.get_by_role("link", name=f"{HALL}/bass").first.click()
    expect(page.locator("#order-life")).to_contain_text("proved by passkey 'phone'")


def test_without_a_passkey_nothing_is_written(asked: Served, browser: Browser) -> None:
    """Who has none is led to the page that makes one; without script it is said what else can be done; a bare form is refused."""
    page = asked.sign_in(browser.new_context(), WREN)
    path = drawn(page, asked)
    expect(page.locator(".proof")).to_contain_text("You have none yet")
    assert page.locator("form.confirm button").count() == 0
    send(page, "")
    expect(page.locator("#wrong")).to_contain_text("a second factor is asked for: a passkey, or a signature")
    plain = asked.sign_in(browser.new_context(java_script_enabled=False), IDRIS)
    plain.goto(f"{asked.url}{KEYS}")
    expect(plain.locator(".without-passkeys")).to_contain_text("needs script")
    assert plain.locator("form.with-passkeys").is_hidden()
    plain.goto(f"{asked.url}{path}")
    expect(plain.locator(".proof")).to_contain_text(re.compile(r"asleft confirm [0-9a-f]{10} --signature"))
    plain.fill("#reason", "before doors")
    plain.press("#reason", "Enter")
    assert menus(asked) == "open"


def test_a_page_at_a_number_says_to_open_it_by_its_name(asked: Served, browser: Browser) -> None:
    """It blames no phone: one's passkeys have no form there, and an order's button says what to do, without asking for one."""
    page, device = with_passkey(browser, asked, WREN, "phone")
    path = drawn(page, asked)
    number = Served(bench=asked.bench, url=asked.url.replace("localhost", "127.0.0.1"))
    there = browser.new_context().new_page()
    there.goto(f"{number.url}/sign-in")
    there.fill("#name", WREN)
    there.fill("#password", PASSWORD)
    there.click("button.main")
    there.wait_for_url(f"{number.url}/")
    there.goto(f"{number.url}{KEYS}")
    expect(there.locator("main")).to_contain_text("passkeys belong to a name, not to a number")
    assert there.locator("[data-passkey-begin]").count() == 0
    there.goto(f"{number.url}{path}")
    confirm(there, "before doors")
    expect(there.locator("[data-passkey-words]")).to_have_text(
        "Nothing was done. Open the page by its name: passkeys belong to a name, not to a number."
    )
    assert menus(asked) == "open"
    page.goto(f"{asked.url}{path}")
    confirm(page, "before doors")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    assert device.passkeys


def test_an_answer_is_good_once_and_for_one_order(asked: Served, browser: Browser) -> None:
    """An answer to another order, one that was sent before, and one by nobody who showed who they are: each is refused in words."""
    page, device = with_passkey(browser, asked, WREN, "phone")
    asked.bench.meddle(f"{HALL}/bass", "panel.menus", "open")
    page.goto(f"{asked.url}/stations/{HALL}/bass")
    page.get_by_role("button", name=re.compile("restore", re.IGNORECASE)).first.click()
    page.wait_for_url(re.compile(r"/orders/[0-9a-f]{10}$"))
    other = page.url.removeprefix(asked.url)
    path = drawn(page, asked)
    foreign = answer_to(page, f"{other}/passkey")
    send(page, foreign)
    expect(page.locator("#wrong")).to_contain_text("the answer is to another question")
    send(page, foreign)
    expect(page.locator("#wrong")).to_contain_text("nothing was asked for, or too long ago")
    # Replayed under a challenge of its own, the old signature is of another one.
    old = answer_to(page, f"{path}/passkey")
    answer_to(page, f"{path}/passkey")
    send(page, old)
    expect(page.locator("#wrong")).to_contain_text("the passkey was refused")
    device.verifies(verified=False)
    page.goto(f"{asked.url}{path}")
    confirm(page, "before doors")
    expect(page.locator("[data-passkey-words]")).to_contain_text("has not given a passkey", timeout=LONG)
    assert menus(asked) == "open"
    device.verifies(verified=True)
    confirm(page, "before doors")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    # What counted was one; what did not is on record, too.
    expect(page.locator("#order-life")).to_contain_text("a confirmation that does not count")
    page.goto(f"{asked.url}{other}")
    send(page, foreign)
    expect(page.locator("#wrong")).to_contain_text("nothing was asked for")


def test_another_persons_passkey_proves_nothing(asked: Served, browser: Browser) -> None:
    """Idris holds Wren's passkey, and one whose count went back is a copy: both are refused."""
    wren, wrens = with_passkey(browser, asked, WREN, "phone")
    (held,) = wrens.passkeys
    idris, idriss = with_passkey(browser, asked, IDRIS, "key ring")
    (own,) = idriss.passkeys
    path = drawn(wren, asked)
    idris.goto(f"{asked.url}{path}")
    idriss.takes(held)
    challenge_asked = idris.evaluate(
        """async ([path, id]) => {
            const bytes = (t) => Uint8Array.from(atob(t.replace(/-/g, '+').replace(/_/g, '/')), (c) => c.charCodeAt(0));
            const text = (b) => btoa(String.fromCharCode(...new Uint8Array(b)))
                .replace(/\\+/g, '-').replace(/\\//g, '_').replace(/=+$/, '');
            const token = document.querySelector('input[name=form-token]').value;
            const body = new URLSearchParams({'form-token': token});
            const asked = (await (await fetch(path, {method: 'POST', body})).json()).get;
            const made = await navigator.credentials.get({publicKey: {...asked, challenge: bytes(asked.challenge),
                allowCredentials: [{type: 'public-key', id: bytes(id)}]}});
            const response = {};
            for (const name of ['clientDataJSON', 'authenticatorData', 'signature', 'userHandle'])
                if (made.response[name]) response[name] = text(made.response[name]);
            return JSON.stringify({id: made.id, rawId: text(made.rawId), type: made.type, response});
        }""",
        [f"{path}/passkey", held["credentialId"]],
    )
    send(idris, challenge_asked)
    expect(idris.locator("#wrong")).to_contain_text("it is no passkey of this person")
    assert menus(asked) == "open"
    confirm(idris, "with my own")
    expect(idris.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    idriss.session.send(
        "WebAuthn.removeCredential", {"authenticatorId": idriss.id, "credentialId": own["credentialId"]}
    )
    idriss.takes(own)  # as it was before it was used
    drawn(idris, asked)
    confirm(idris, "with a copy")
    expect(idris.locator("#wrong")).to_contain_text("the passkey was refused", timeout=LONG)
    assert menus(asked) == "open"


def test_a_passkey_is_made_with_the_password_alone(asked: Served, browser: Browser) -> None:
    """A wrong password makes none, and says so; a device that is there already is not added twice (exclude list, §5.4)."""
    context = browser.new_context()
    page = asked.sign_in(context, WREN)
    device = Device(context, page)
    add(page, asked, "phone", "not my password at all")
    expect(page.locator("[data-passkey-words]")).to_contain_text("the password is wrong", timeout=LONG)
    assert device.passkeys == []
    add(page, asked, "phone")
    expect(page.locator("main")).to_contain_text("The passkey 'phone' is added.", timeout=LONG)
    add(page, asked, "phone again")
    expect(page.locator("[data-passkey-words]")).to_contain_text("has not given a passkey", timeout=LONG)
    assert len(device.passkeys) == 1


@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
def test_an_independent_judge_finds_nothing(asked: Served, browser: Browser, script: bool) -> None:  # noqa: FBT001
    """axe-core (WCAG 2.2 A and AA) on the page with a passkey on it and on an order that asks for one; none is wider than 320 px."""
    axe = (prepared_node(HERE, "axe") / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    page, _ = with_passkey(browser, asked, WREN, "a phone with a name longer than most people would write")
    path = drawn(page, asked)
    context = browser.new_context(
        viewport={"width": 320, "height": 700}, storage_state=page.context.storage_state()
    )
    narrow = context.new_page()
    if not script:  # axe itself is script: the page is left as it is without ours
        narrow.route("**/static/passkeys.*", lambda route: route.abort())
    wrong: list[str] = []
    for at in (KEYS, path):
        narrow.goto(f"{asked.url}{at}")
        assert narrow.locator(".without-passkeys").is_visible() is not script
        narrow.evaluate(axe)
        found = narrow.evaluate(
            "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
            ".then(r => r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html).slice(0, 2).join(' ; ')))"
        )
        wrong += [f"{at}: {one}" for one in found]
        wide = narrow.evaluate("document.documentElement.scrollWidth")
        if wide > 320:
            wrong.append(f"{at}: {wide} px wide")
    assert wrong == []
