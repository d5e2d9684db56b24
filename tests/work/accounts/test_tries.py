"""Failed tries: how long has to be waited, for whom. Ids are of OWASP ASVS 5.0.0."""

import asyncio
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.accounts import AccountLimits, AccountMove, Whence
from asleft.work.accounts.refusals import SignInRefused, TooManyTries
from work.accounts.house import IDRIS, PASSWORD, PHONE, STRANGER, WREN, House, a_house


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with a_house(tmp_path) as made:
        yield made


async def fail(house: House, name: str = WREN, whence: Whence = STRANGER) -> float:
    """Fail once; give the seconds that it has to be waited instead, where it has."""
    try:
        await house.desk.sign_in(name, "wrong every time", whence)
    except SignInRefused:
        return 0
    except TooManyTries as wrong:
        return wrong.wait.total_seconds()
    raise AssertionError


async def waits(house: House, count: int, name: str = WREN, whence: Whence = STRANGER) -> list[float]:
    """Fail so often, as soon as it can be tried; give how long each took."""
    taken: list[float] = []
    for _ in range(count):
        wait = await fail(house, name, whence)
        house.later(seconds=wait)
        if wait:
            assert await fail(house, name, whence) == 0
        taken.append(wait)
    return taken


def elsewhere(number: int) -> Whence:
    return Whence(f"203.0.113.{number}")


async def test_five_failures_are_free_then_the_wait_doubles(house: House) -> None:
    """ASVS 6.3.1: 1 s after the fifth, doubling to the ceiling of a person, 5 minutes, and of an address, 15 minutes."""
    await house.settled()
    assert await waits(house, 16) == [0] * 5 + [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900]


async def test_nobody_waits_for_ever(house: House) -> None:
    """ASVS 6.1.1: the wait has a ceiling however many failed, and the right password is then taken."""
    await house.settled()
    assert max(await waits(house, 60)) == 900
    house.later(minutes=15)
    assert (await house.desk.sign_in(WREN, PASSWORD, STRANGER)).person.key == WREN


async def test_while_it_waits_not_even_the_right_password_is_looked_at(house: House) -> None:
    """ASVS 6.3.1: a guess that happens to be right within the wait is not told so, and makes the wait no longer."""
    await house.settled()
    await waits(house, 10)
    wait = await fail(house)
    for _ in range(50):
        with pytest.raises(TooManyTries, match="too many failed tries") as caught:
            await house.desk.sign_in(WREN, PASSWORD, STRANGER)
        assert caught.value.wait.total_seconds() == wait


async def test_an_address_waits_whomever_it_tries(house: House) -> None:
    """ASVS 6.3.1: one password over many names (credential stuffing) is slowed down by the address."""
    names = [WREN, IDRIS, *[f"nobody-{letter}" for letter in "abcdefgh"]]
    assert [await fail(house, name) for name in names] == [0] * 5 + [1] * 5


async def test_a_success_does_not_wash_an_address_clean(house: House) -> None:
    """ASVS 6.3.1: somebody with an account gains no tries against others by signing in between."""
    await house.settled(IDRIS)
    for _ in range(5):
        await house.desk.sign_in(IDRIS, PASSWORD, STRANGER)
        assert await fail(house, WREN) == 0
    with pytest.raises(TooManyTries):
        await house.desk.sign_in(IDRIS, PASSWORD, STRANGER)


async def test_many_addresses_together_are_slowed_down(house: House) -> None:
    """ASVS 6.3.1: a person's own count holds for every address that the person never signed in from; at most 5 minutes."""
    await house.settled()
    taken = []
    for number in range(1, 30):
        wait = await fail(house, WREN, elsewhere(number))
        house.later(seconds=wait)
        if wait:
            await fail(house, WREN, elsewhere(number))
        taken.append(wait)
    assert taken[:8] == [0] * 5 + [1, 2, 4]
    assert max(taken) == 300


async def test_a_stranger_cannot_lock_a_person_out(house: House) -> None:
    """ASVS 6.1.1: from where the person works it is as if nobody had tried, while strangers try without end."""
    await house.settled()
    for number in range(1, 100):
        house.later(seconds=await fail(house, WREN, elsewhere(number)))
    assert (await house.desk.sign_in(WREN, PASSWORD, PHONE)).person.key == WREN
    with pytest.raises(TooManyTries):
        await house.desk.sign_in(WREN, PASSWORD, elsewhere(200))


async def test_a_new_link_opens_a_new_address_at_once(house: House) -> None:
    """ASVS 6.1.1: whoever was kept waiting at a new address is let in by a link."""
    await house.settled()
    for number in range(1, 40):
        house.later(seconds=await fail(house, WREN, elsewhere(number)))
    home = Whence("192.0.2.200")
    await house.desk.set_password(house.link(), PASSWORD, home)
    assert (await house.desk.sign_in(WREN, PASSWORD, home)).person.key == WREN


async def test_a_known_address_is_slowed_down_by_its_own_failures(house: House) -> None:
    """ASVS 6.3.1: from the person's own address guessing is no faster."""
    await house.settled()
    assert (await waits(house, 8, whence=PHONE))[5:] == [1, 2, 4]


async def test_an_address_is_known_for_some_weeks(house: House) -> None:
    """60 days after the last sign-in from there it counts as any other."""
    await house.settled()
    house.later(days=60)
    for number in range(1, 20):
        house.later(seconds=await fail(house, WREN, elsewhere(number)))
    with pytest.raises(TooManyTries):
        await house.desk.sign_in(WREN, PASSWORD, PHONE)


async def test_an_unknown_name_waits_as_a_known_one_does(house: House) -> None:
    """ASVS 6.3.8: the waits of a name that nobody has are those of a person's."""
    await house.settled()

    async def taken(name: str) -> list[float]:
        done = []
        for number in range(1, 12):
            wait = await fail(house, name, elsewhere(number))
            house.later(seconds=wait)
            if wait:
                await fail(house, name, elsewhere(number))
            done.append(wait)
        house.later(days=2)
        return done

    assert await taken(WREN) == await taken("nobody-here") == await taken("kelp under Lanterns")


async def test_counts_outlive_a_start(house: House) -> None:
    """ASVS 6.3.1: they are kept in the ledger, so that a crash or an update forgives nothing."""
    await house.settled()
    await waits(house, 9)
    before = await fail(house)
    house.desk = house.another()
    assert await fail(house) == before > 0


async def test_failures_are_forgotten_after_a_day(house: House) -> None:
    """A day without failures, and the first five are free again."""
    await house.settled()
    await waits(house, 12)
    house.later(hours=24)
    assert await waits(house, 6) == [0] * 5 + [1]


async def test_signing_in_forgets_a_person_s_failures(house: House) -> None:
    """Who mistyped four times and then did not begins anew."""
    await house.settled()
    for _ in range(5):
        assert [await fail(house, WREN, PHONE) for _ in range(4)] == [0] * 4
        house.later(hours=24)
        await house.desk.sign_in(WREN, PASSWORD, PHONE)


async def test_many_tries_at_the_same_time_gain_nothing(house: House) -> None:
    """ASVS 6.3.1: each is counted before it is looked at: of 30 at once five are."""
    await house.settled()
    done = await asyncio.gather(*(fail(house) for _ in range(30)))
    assert sorted(done) == [0] * 5 + [1] * 25


async def test_an_ipv6_network_counts_as_one(house: House) -> None:
    """RFC 6177: whoever has one address of a /64 has all of them; an IPv4 address written as IPv6 is the IPv4 address."""
    await house.settled()
    done = [
        await fail(house, f"nobody-{number}", Whence(f"2001:db8:0:7::{number}")) for number in range(1, 8)
    ]
    assert done == [0] * 5 + [1] * 2
    assert await fail(house, "nobody-x", Whence("2001:db8:0:8::1")) == 0
    for address in ("198.51.100.66", "::ffff:198.51.100.66") * 3:
        last = await fail(house, "nobody-y", Whence(address))
    assert last == 1


async def test_a_clock_that_is_set_back_makes_no_wait_longer(house: House) -> None:
    """An hour back is not an hour more to wait."""
    await house.settled()
    await waits(house, 7)
    house.later(hours=-1)
    assert await fail(house) == 4


async def test_a_flood_of_names_stays_bounded(tmp_path: Path) -> None:
    """So many counts are kept and no more; a name that nobody has stands in the ledger neither as it is nor as its plain digest."""
    with a_house(tmp_path, limits=AccountLimits(most_tries=20)) as house:
        for number in range(50):
            await fail(house, f"kelp-under-{number}", elsewhere(number))
        kept = house.ledger.rows("SELECT subject FROM account_tries")
        assert len(kept) == 20
        assert not any("kelp" in subject for (subject,) in kept)


async def test_waiting_is_told(house: House) -> None:
    """ASVS 6.3.1, 16.3.1: a try that was not looked at is an event, too, with the address."""
    await house.settled()
    await waits(house, 5)
    house.moves()
    await fail(house)
    (event,) = house.events
    assert (event.move, event.person, event.whence) == (AccountMove.SIGN_IN_REFUSED, WREN, STRANGER)
    assert event.detail == "has to wait 1 s"


def test_the_sentence_says_how_long() -> None:
    """Seconds up to two minutes, then minutes, never less than there is to wait."""
    shown = [TooManyTries(timedelta(seconds=seconds)).todo for seconds in (0.2, 119, 119.5, 121, 900)]
    assert shown == [f"try again in {time}" for time in ("1 s", "119 s", "2 min", "3 min", "15 min")]
