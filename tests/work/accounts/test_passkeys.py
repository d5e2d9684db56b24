"""Passkeys, against an authenticator in software that keeps to WebAuthn. Ids are of OWASP ASVS 5.0.0."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from asleft.domain.accounts import AccountLimits, AccountMove, Passkey
from asleft.work.accounts.refusals import BadPasskey, NotFresh
from asleft.work.accounts.sessions import Here
from work.accounts.authenticator import USER_PRESENT, USER_VERIFIED, Authenticator, unpacked
from work.accounts.house import IDRIS, NOON, PASSWORD, PHONE, PLACE, WREN, House, a_house

ORDER = "sha-256:" + "5" * 64


@dataclass(kw_only=True)
class Bench:
    """Two people who have signed in."""

    house: House
    wren: Here
    idris: Here

    def add(self, one: Authenticator, here: Here | None = None, name: str = "phone") -> Passkey:
        """Add a passkey."""
        keys, who = self.house.desk.passkeys, here or self.wren
        return keys.add(who, one.make(keys.begin_adding(who, name)), PHONE)

    def prove(self, one: Authenticator, here: Here | None = None, about: str = ORDER) -> Passkey:
        """Prove something."""
        keys, who = self.house.desk.passkeys, here or self.wren
        return keys.prove(who, about, one.sign(keys.begin_proof(who, about)), PHONE)


@pytest.fixture
async def bench(tmp_path: Path) -> Iterator[Bench]:  # type: ignore[misc]
    with a_house(tmp_path) as house:
        wren, idris = [(await house.settled(person)).token for person in (WREN, IDRIS)]
        made = Bench(
            house=house, wren=house.desk.sessions.whose(wren), idris=house.desk.sessions.whose(idris)
        )
        house.events.clear()
        yield made


@pytest.mark.parametrize("attestation", ["none", "packed"])
def test_a_passkey_is_added_and_proves_something(bench: Bench, attestation: str) -> None:
    """ASVS 6.3.3: ES256 with no attestation and with a packed one of its own (WebAuthn §8.7, §8.2)."""
    phone = Authenticator(attestation=attestation)
    made = bench.add(phone)
    assert (made.person, made.name, made.uses, unpacked(made.id)) == (WREN, "phone", 1, phone.id)
    bench.house.later(minutes=1)
    proved = bench.prove(phone)
    assert (proved.id, proved.uses, proved.used) == (made.id, 2, bench.house.now)
    assert bench.house.desk.passkeys.of(WREN) == (proved,)
    assert [event.move for event in bench.house.events] == [
        AccountMove.PASSKEY_ADDED,
        AccountMove.PASSKEY_PROVED,
    ]
    assert ORDER in bench.house.events[-1].detail


def test_what_the_browser_is_asked_for(bench: Bench) -> None:
    """ASVS 6.7.2: 32 random bytes each time; WebAuthn §5.4: the page, a handle that is nobody's name, verification required."""
    keys = bench.house.desk.passkeys
    asked = [json.loads(keys.begin_adding(bench.wren, "phone")) for _ in range(3)]
    assert len({one["challenge"] for one in asked}) == 3
    assert {len(unpacked(one["challenge"])) for one in asked} == {32}
    one = asked[0]
    assert one["rp"] == {"id": PLACE.id, "name": PLACE.name}
    assert len(unpacked(one["user"]["id"])) == 32
    assert WREN.encode() not in unpacked(one["user"]["id"])
    assert one["authenticatorSelection"]["userVerification"] == "required"
    assert -7 in [row["alg"] for row in one["pubKeyCredParams"]]
    phone = Authenticator()
    made = bench.add(phone)
    again = json.loads(keys.begin_adding(bench.wren, "another"))
    assert [row["id"] for row in again["excludeCredentials"]] == [made.id]
    proof = json.loads(keys.begin_proof(bench.wren, ORDER))
    assert ([row["id"] for row in proof["allowCredentials"]], proof["userVerification"]) == (
        [made.id],
        "required",
    )


def spoil(field: str) -> Callable[[str], str]:
    def do(answer: str) -> str:
        read = json.loads(answer)
        held = read["response"]
        data = bytearray(unpacked(held[field]))
        data[-1] ^= 1
        from work.accounts.authenticator import packed  # noqa: PLC0415 only here

        held[field] = packed(bytes(data))
        return json.dumps(read)

    return do


ODD: dict[str, Callable[[str], str]] = {
    "empty": lambda _: "",
    "no JSON": lambda _: "{",
    "a list": lambda _: "[]",
    "deep": lambda _: "[" * 60_000,
    "long": lambda _: json.dumps({"id": "x" * 70_000}),
    "nothing in it": lambda _: "{}",
    "numbers": lambda answer: json.dumps(dict.fromkeys(json.loads(answer), 7)),
    "another id": lambda answer: json.dumps(json.loads(answer) | {"id": "AAAA"}),
    "no base64": lambda answer: json.dumps(json.loads(answer) | {"id": "é", "rawId": "é"}),
    "client data": spoil("clientDataJSON"),
}


@pytest.mark.parametrize("odd", [*ODD, "attestation"])
def test_an_answer_that_is_none_adds_nothing(bench: Bench, odd: str) -> None:
    """Whatever a browser sends, it is a refusal in words, told with its reason, and no passkey."""
    keys = bench.house.desk.passkeys
    answer = Authenticator().make(keys.begin_adding(bench.wren, "phone"))
    cut = {"attestation": lambda text: text.replace('"attestationObject": "', '"attestationObject": "AA')}
    with pytest.raises(BadPasskey, match="the passkey was refused"):
        keys.add(bench.wren, (ODD | cut)[odd](answer), PHONE)
    assert keys.of(WREN) == ()
    assert bench.house.moves() == [AccountMove.PASSKEY_REFUSED]


@pytest.mark.parametrize("odd", [*ODD, "signature", "authenticator data"])
def test_an_answer_that_is_none_proves_nothing(bench: Bench, odd: str) -> None:
    """A signature, its data or the answer around it that was changed proves nothing."""
    keys, phone = bench.house.desk.passkeys, Authenticator()
    made = bench.add(phone)
    spoils = {"signature": spoil("signature"), "authenticator data": spoil("authenticatorData")}
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    with pytest.raises(BadPasskey):
        keys.prove(bench.wren, ORDER, (ODD | spoils)[odd](answer), PHONE)
    assert keys.of(WREN) == (made,)


@pytest.mark.parametrize(
    "wrong",
    [
        {"origin": "https://monitors.quillfen.example.invalid"},
        {"origin": "http://monitors.quillfen.example"},
        {"place": "elsewhere.example"},
        {"flags": USER_PRESENT},
        {"flags": USER_VERIFIED},
    ],
    ids=str,
)
def test_another_page_or_nobody_at_the_authenticator(bench: Bench, wrong: dict[str, object]) -> None:
    """WebAuthn §7.1, §7.2: origin, page, presence (up) and verification (uv) are checked on both ways."""
    with pytest.raises(BadPasskey):
        bench.add(Authenticator(**wrong))  # type: ignore[arg-type]
    phone = Authenticator()
    bench.add(phone)
    for key, value in wrong.items():
        setattr(phone, key, value)
    with pytest.raises(BadPasskey):
        bench.prove(phone)


@pytest.mark.parametrize(
    "wrong", [{"type": "webauthn.get"}, {"challenge": "AAAAAAAAAAAAAAAAAAAAAA"}], ids=str
)
def test_client_data_of_something_else(bench: Bench, wrong: dict[str, str]) -> None:
    """WebAuthn §7.1 steps 7 and 8: what was asked for, and the challenge that was given."""
    keys = bench.house.desk.passkeys
    with pytest.raises(BadPasskey):
        keys.add(bench.wren, Authenticator().make(keys.begin_adding(bench.wren, "phone"), **wrong), PHONE)


def test_an_answer_is_good_once(bench: Bench) -> None:
    """ASVS 6.5.1: the same answer a second time is refused, and so is one after a wrong one."""
    keys, phone = bench.house.desk.passkeys, Authenticator(counts=False)
    answer = phone.make(keys.begin_adding(bench.wren, "phone"))
    keys.add(bench.wren, answer, PHONE)
    with pytest.raises(BadPasskey, match="the passkey was refused"):
        keys.add(bench.wren, answer, PHONE)
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    keys.prove(bench.wren, ORDER, answer, PHONE)
    with pytest.raises(BadPasskey):
        keys.prove(bench.wren, ORDER, answer, PHONE)
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    with pytest.raises(BadPasskey):
        keys.prove(bench.wren, ORDER, "{}", PHONE)
    with pytest.raises(BadPasskey):
        keys.prove(bench.wren, ORDER, answer, PHONE)


@pytest.mark.parametrize("seconds, works", [(299, True), (300, False)])
def test_an_answer_comes_within_five_minutes(bench: Bench, seconds: int, works: bool) -> None:  # noqa: FBT001
    """ASVS 6.5.5: after that the challenge is gone."""
    keys, phone = bench.house.desk.passkeys, Authenticator()
    bench.add(phone)
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    bench.house.later(seconds=seconds)
    try:
        keys.prove(bench.wren, ORDER, answer, PHONE)
        assert works
    except BadPasskey:
        assert not works


async def test_a_challenge_belongs_to_a_session_and_a_question(bench: Bench) -> None:
    """ASVS 6.6.2: neither another session of the same person nor another order is served by it."""
    house, keys, phone = bench.house, bench.house.desk.passkeys, Authenticator()
    bench.add(phone)
    other = house.desk.sessions.whose((await house.desk.sign_in(WREN, PASSWORD, PHONE)).token)
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    with pytest.raises(BadPasskey):
        keys.prove(other, ORDER, answer, PHONE)
    with pytest.raises(BadPasskey, match="the passkey was refused") as caught:
        keys.prove(bench.wren, "sha-256:" + "6" * 64, answer, PHONE)
    assert caught.value.where == "the answer is to another question"
    answer = phone.sign(keys.begin_proof(bench.wren, ORDER))
    house.desk.sessions.sign_out_everywhere(WREN, PHONE)
    with pytest.raises(BadPasskey):
        keys.prove(bench.wren, ORDER, answer, PHONE)


def test_a_passkey_proves_only_who_its_person_is(bench: Bench) -> None:
    """WebAuthn §7.2 steps 5 and 6: another person's passkey, or one that names another account, proves nothing."""
    wrens, idriss = Authenticator(), Authenticator()
    bench.add(wrens)
    bench.add(idriss, bench.idris)
    with pytest.raises(BadPasskey) as caught:
        bench.prove(idriss, bench.wren)
    assert caught.value.where == "it is no passkey of this person"
    wrens.handle = idriss.handle
    with pytest.raises(BadPasskey) as caught:
        bench.prove(wrens)
    assert caught.value.where == "it names another account"
    wrens.handle = None
    assert bench.prove(wrens).person == WREN


def test_a_passkey_is_added_once(bench: Bench) -> None:
    """WebAuthn §7.1 step 22: an id that is known already, whosever it is, is refused."""
    phone = Authenticator()
    bench.add(phone)
    for here in (bench.wren, bench.idris):
        with pytest.raises(BadPasskey):
            bench.add(phone, here)


def test_a_count_that_does_not_rise_is_a_copy(bench: Bench) -> None:
    """WebAuthn §6.1.1, §7.2 step 21: refused, and the count stays; an authenticator that keeps none is taken."""
    phone = Authenticator()
    bench.add(phone)
    copy = replace(phone)
    assert bench.prove(phone).uses == 2
    with pytest.raises(BadPasskey):
        bench.prove(copy)
    assert bench.prove(phone).uses == 3
    plain = Authenticator(counts=False)
    bench.add(plain, name="key ring")
    assert bench.prove(plain).uses == bench.prove(plain).uses == 0


def test_adding_and_removing_need_a_session_that_has_just_begun(bench: Bench) -> None:
    """ASVS 7.5.1: ten minutes after signing in neither is done; proving is."""
    keys, phone = bench.house.desk.passkeys, Authenticator()
    made = bench.add(phone)
    answer = Authenticator().make(keys.begin_adding(bench.wren, "another"))
    bench.house.later(minutes=10)
    with pytest.raises(NotFresh):
        keys.begin_adding(bench.wren, "another")
    with pytest.raises(NotFresh):
        keys.add(bench.wren, answer, PHONE)
    with pytest.raises(NotFresh):
        keys.remove(bench.wren, made.id, PHONE)
    assert bench.prove(phone).id == made.id


def test_a_passkey_that_was_lost_is_removed(bench: Bench) -> None:
    """ASVS 6.5.6: by its person and by nobody else; then it proves nothing."""
    keys, phone, other = bench.house.desk.passkeys, Authenticator(), Authenticator()
    made = bench.add(phone)
    bench.add(other, name="key ring")
    with pytest.raises(BadPasskey):
        keys.remove(bench.idris, made.id, PHONE)
    keys.remove(bench.wren, made.id, PHONE)
    assert [one.name for one in keys.of(WREN)] == ["key ring"]
    with pytest.raises(BadPasskey):
        bench.prove(phone)
    assert AccountMove.PASSKEY_REMOVED in bench.house.moves()


def test_without_a_passkey_nothing_is_asked_for(bench: Bench) -> None:
    """Who has none is told to add one."""
    with pytest.raises(BadPasskey, match="has no passkey"):
        bench.house.desk.passkeys.begin_proof(bench.wren, ORDER)


async def test_without_an_address_there_are_no_passkeys(tmp_path: Path) -> None:
    """Where the settings name no page, it is said so."""
    with a_house(tmp_path, place=None) as house:
        here = house.desk.sessions.whose((await house.settled()).token)
        with pytest.raises(BadPasskey, match="not set up") as caught:
            house.desk.passkeys.begin_adding(here, "phone")
        assert "https address" in caught.value.todo


async def test_passkeys_are_few(tmp_path: Path) -> None:
    """So many and no more, also where two were begun at once."""
    with a_house(tmp_path, limits=AccountLimits(most_passkeys=1)) as house:
        token = (await house.settled()).token
        bench = Bench(
            house=house, wren=house.desk.sessions.whose(token), idris=house.desk.sessions.whose(token)
        )
        bench.add(Authenticator())
        with pytest.raises(BadPasskey, match="has 1 passkeys"):
            bench.add(Authenticator())


async def test_passkeys_outlive_a_new_password(bench: Bench) -> None:
    """ASVS 6.4.3: a link for a forgotten password does not go round the second factor."""
    phone = Authenticator()
    bench.add(phone)
    here = bench.house.desk.sessions.whose((await bench.house.settled()).token)
    assert bench.prove(phone, here).made == NOON
