"""Hashes of passwords: argon2id with the parameters of RFC 9106. Ids are of OWASP ASVS 5.0.0."""

import asyncio
import secrets
import threading
from typing import Any

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from asleft.work.accounts.hashing import PARAMETERS, Hashing
from asleft.work.accounts.refusals import TooBusy
from work.accounts.house import QUICK

# test.c of the reference implementation (phc-winner-argon2), version 0x13, argon2id, t=2 m=2^16 p=1.
REFERENCE = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"


def quick(**more: Any) -> Hashing:
    return Hashing(secrets.token_bytes, parameters=QUICK, **more)


def test_the_parameters_are_those_of_the_standard() -> None:
    """ASVS 11.4.2; RFC 9106 §4, second recommended option: argon2id, t=3, p=4, m=2^16 (64 MiB), 128-bit salt, 256-bit tag."""
    assert (PARAMETERS.type, PARAMETERS.version) == (Type.ID, 0x13)
    assert (PARAMETERS.time_cost, PARAMETERS.parallelism, PARAMETERS.memory_cost) == (3, 4, 2**16)
    assert (PARAMETERS.salt_len * 8, PARAMETERS.hash_len * 8) == (128, 256)


async def test_a_hash_of_the_reference_implementation_is_understood() -> None:
    """The vector password/somesalt of test.c holds; another password does not, and the hash counts as old."""
    hashing = Hashing(secrets.token_bytes)
    assert await hashing.check(REFERENCE, "password")
    assert not await hashing.check(REFERENCE, "Password")
    assert hashing.is_old(REFERENCE)


async def test_a_hash_is_one_of_the_usual_parameters() -> None:
    """ASVS 11.4.2: what is made says the parameters of RFC 9106, has a salt of its own, and the library agrees."""
    hashing = Hashing(secrets.token_bytes)
    one, two = await hashing.make("kelp under lanterns"), await hashing.make("kelp under lanterns")
    assert one != two
    assert extract_parameters(one) == PARAMETERS
    assert PasswordHasher().verify(one, "kelp under lanterns")
    assert not hashing.is_old(one)


@pytest.mark.parametrize(
    "other", ["Kelp ünder lanterns", "kelp ünder lanterns ", "kelp under lanterns", "kelp"]
)
async def test_a_password_is_taken_exactly_as_it_is(other: str) -> None:
    """ASVS 6.2.8: no case, no blank, no accent is changed, and nothing is cut off."""
    hashing = quick()
    hashed = await hashing.make("kelp ünder lanterns")
    assert await hashing.check(hashed, "kelp ünder lanterns")
    assert not await hashing.check(hashed, other)


async def test_the_last_of_128_characters_counts() -> None:
    """ASVS 6.2.8: a long password is not cut; what is longer than any that could be chosen is never right."""
    hashing = quick()
    hashed = await hashing.make("é" * 128)
    assert await hashing.check(hashed, "é" * 128)
    assert not await hashing.check(hashed, "é" * 127 + "e")
    assert not await hashing.check(hashed, "é" * 129)


async def test_any_character_can_be_hashed() -> None:
    """ASVS 6.2.5: a null, a lone surrogate and a picture are characters like others."""
    hashing = quick()
    password = "nul \0 half \ud83c whole 🎧"
    assert await hashing.check(await hashing.make(password), password)


class Watched(Hashing):
    """Notes which hashes are really compared with, and in which thread."""

    def __init__(self) -> None:
        super().__init__(secrets.token_bytes, parameters=QUICK)
        self.seen: list[tuple[bytes, str | None, int]] = []

    def _work(self, password: bytes, hashed: str | None) -> str:
        self.seen.append((password, hashed, threading.get_ident()))
        return super()._work(password, hashed)


async def test_nobody_costs_as_much_as_somebody() -> None:
    """ASVS 6.3.8: without a hash one of the same parameters is compared with, and the answer is no."""
    hashing = Watched()
    real = await hashing.make("kelp under lanterns")
    assert not await hashing.check("", "kelp under lanterns")
    assert not await hashing.check(real, "x" * 5_000)
    _, (_, nobody, _), (long, somebody, _) = hashing.seen
    assert nobody is not None
    assert nobody != real
    assert extract_parameters(nobody) == extract_parameters(real) == QUICK
    assert (long, somebody) == (b"", real)


async def test_nothing_is_hashed_in_the_event_loop() -> None:
    """Every hash is made in another thread than the loop's."""
    hashing = Watched()
    await hashing.check(await hashing.make("kelp"), "kelp")
    assert len(hashing.seen) == 2
    assert threading.get_ident() not in {thread for _, _, thread in hashing.seen}


async def test_so_many_are_hashed_at_once_and_no_more() -> None:
    """Two at once, one waits, and the fourth is turned away at once; once they are done there is room again."""
    opened, here, most = threading.Event(), [0], [0]
    lock = threading.Lock()

    class Slow(Hashing):
        def _work(self, password: bytes, hashed: str | None) -> str:
            with lock:
                here[0] += 1
                most[0] = max(most[0], here[0])
            opened.wait(30)
            with lock:
                here[0] -= 1
            return super()._work(password, hashed)

    hashing = Slow(secrets.token_bytes, parameters=QUICK, at_once=2, waiting=1)
    tasks = [asyncio.create_task(hashing.make("kelp")) for _ in range(3)]
    await asyncio.sleep(0)
    with pytest.raises(TooBusy):
        await hashing.make("kelp")
    opened.set()
    assert len(set(await asyncio.gather(*tasks))) == 3
    assert most[0] <= 2
    assert await hashing.make("kelp")


async def test_who_goes_away_holds_the_place_until_the_hash_is_made() -> None:
    """Coming and going makes no room for more hashes at once than there are places."""
    entered, opened = threading.Event(), threading.Event()

    class Slow(Hashing):
        def _work(self, password: bytes, hashed: str | None) -> str:
            entered.set()
            opened.wait(30)
            return super()._work(password, hashed)

    hashing = Slow(secrets.token_bytes, parameters=QUICK, at_once=1, waiting=1)
    gone = [asyncio.create_task(hashing.make("kelp")) for _ in range(2)]
    await asyncio.to_thread(entered.wait, 30)
    for task in gone:
        task.cancel()
    assert [type(one) for one in await asyncio.gather(*gone, return_exceptions=True)] == [
        asyncio.CancelledError
    ] * 2
    with pytest.raises(TooBusy):
        await hashing.make("kelp")
    opened.set()
    while hashing._here:
        await asyncio.wait(set(hashing._here))
    assert await hashing.make("kelp")


async def test_what_is_no_hash_lets_nobody_in() -> None:
    """A ledger that was meddled with refuses; it does not fail."""
    hashing = quick()
    for broken in ("x", "$argon2id$", "$argon2id$v=19$m=8,t=1,p=1$AAAA$AAAA", "plain"):
        assert not await hashing.check(broken, "plain")
