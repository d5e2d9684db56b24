"""Which passwords may be chosen. Ids are of OWASP ASVS 5.0.0."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from asleft.work.accounts.choosing import LONGEST_PASSWORD, SHORTEST_PASSWORD, check_choice
from asleft.work.accounts.refusals import BadPassword
from work.accounts.house import WREN, a_person

PERSON = a_person(WREN)
ESTATE = "Quillfen Stages"


def refused(password: str) -> str:
    with pytest.raises(BadPassword) as caught:
        check_choice(password, PERSON, ESTATE)
    assert caught.value.todo
    return caught.value.what


@pytest.mark.parametrize("length", [0, 1, 7, 11])
def test_a_short_password_is_refused(length: int) -> None:
    """ASVS 6.2.1: at least 8 characters; here 12, counted as code points."""
    assert refused("kelp-fjord-é"[:length]) == f"the password has {length} characters"


@pytest.mark.parametrize("length", [12, 15, 64, 128])
def test_a_long_password_is_taken(length: int) -> None:
    """ASVS 6.2.9: 64 characters and more are permitted; here up to 128."""
    check_choice(("kelp under seven lanterns; " * 5)[:length], PERSON, ESTATE)


def test_a_password_without_end_is_refused() -> None:
    """129 code points are one too many, and it is said how many are allowed."""
    assert refused("kelp und " * 14 + "abc") == "the password has 129 characters"


@given(st.text(min_size=SHORTEST_PASSWORD, max_size=LONGEST_PASSWORD))
def test_characters_do_not_matter(password: str) -> None:
    """ASVS 6.2.5: whatever is refused is refused for being easy to guess, never for what characters it has."""
    try:
        check_choice(password, PERSON, ESTATE)
    except BadPassword as wrong:
        assert wrong.what.startswith(  # noqa: PT017 either is right
            (
                "the password repeats",
                "the password is a row",
                "the password is little more than",
                "the password is one that many people have",
            )
        )


@pytest.mark.parametrize(
    "password",
    [
        "kelp fjord owl",
        "ONLYCAPITALSHERE",
        "8402917365028471",
        "ключ под камнем",
        "𝄞 🎧 🎤 🥁 🎸 🎹 🎺",
        "   a b c d e f",
    ],
)
def test_one_kind_of_character_is_enough(password: str) -> None:
    """ASVS 6.2.5: letters alone, capitals alone, digits alone, another script, pictures, blanks."""
    check_choice(password, PERSON, ESTATE)


@pytest.mark.parametrize(
    "password",
    [
        "wren-halloway",
        "WrenHalloway2026",
        "halloway-wren!!",
        "quillfen-stages",
        "Quillfen 123456",
        "asleft-asleft-asleft",
        "AsLeft1234567",
        "password12345",
        "Passwort-2026",
        "monitor-station-1",
    ],
)
def test_names_and_words_that_are_tried_first_are_refused(password: str) -> None:
    """ASVS 6.1.2, 6.2.11: the person's key and name, the estate's name, the program's and a few common words."""
    assert "little more than your name" in refused(password)


@pytest.mark.parametrize(
    "password", ["the quillfen owl sleeps badly", "wren sings at four fjords", "stage left, kelp right, owl"]
)
def test_such_words_may_stand_in_a_longer_password(password: str) -> None:
    """ASVS 6.2.11 asks that a password is not easy to guess, not that a word never stands in it."""
    check_choice(password, PERSON, ESTATE)


@pytest.mark.parametrize(
    "password", ["aaaaaaaaaaaa", "abababababab", "abcabcabcabca", "qqqqqqwwwwww", "1111222233334"]
)
def test_a_few_characters_again_and_again_are_refused(password: str) -> None:
    """A piece of up to four characters repeated, or fewer than five different ones."""
    assert refused(password) == "the password repeats the same few characters"


@pytest.mark.parametrize(
    "password",
    ["abcdefghijkl", "zyxwvutsrqpo", "123456789012", "qwertyuiopas", "ASDFGHJKL123", "poiuztrewqlk"],
)
def test_rows_are_refused(password: str) -> None:
    """The alphabet, digits and the rows of keyboards, either way, up to three pieces."""
    assert refused(password) == "the password is a row of the alphabet, of digits or of the keyboard"


LISTED = tuple(FREQUENCY_LISTS["passwords"])
"""30,000 passwords from breaches, the most common one first, as zxcvbn carries them."""
LONG = tuple(word for word in LISTED if len(word) >= SHORTEST_PASSWORD)


def is_taken(password: str) -> bool:
    try:
        check_choice(password, PERSON, ESTATE)
    except BadPassword:
        return False
    return True


def test_every_common_password_that_is_long_enough_is_refused() -> None:
    """ASVS 6.2.4, 6.2.12: all of the list's that match the policy. They are no 3000: so few people take long ones."""
    assert len(LONG) == 229
    assert [word for word in LONG if is_taken(word)] == []


@pytest.mark.parametrize("way", ["digits behind it", "itself behind it", "in capitals"])
def test_a_common_password_made_long_is_refused(way: str) -> None:
    """ASVS 6.2.4 for those of the top 3000 that are too short, in the ways in which people make them long enough; each tenth."""
    ways: dict[str, Callable[[str], str]] = {
        "digits behind it": lambda word: f"{word}1234567890"[: max(SHORTEST_PASSWORD, len(word))],
        "itself behind it": lambda word: word * -(-SHORTEST_PASSWORD // len(word)),
        "in capitals": lambda word: f"{word.upper()}12345678"[: max(SHORTEST_PASSWORD, len(word))],
    }
    made = [ways[way](word) for word in LISTED[:3000:10]]
    assert [word for word in made if len(word) >= SHORTEST_PASSWORD and is_taken(word)] == []


@pytest.mark.parametrize(
    "password", ["Liverpool2024", "michael12345678", "leavemealone", "P@ssw0rd1234", "sunshine2025!"]
)
def test_what_many_people_have_is_said_so(password: str) -> None:
    """The words say what is wrong with it, and what is better."""
    assert not is_taken(password)
    assert refused("sonyericsson").startswith("the password is one that many people have")


def test_the_longest_is_looked_at_soon_and_by_its_beginning() -> None:
    """What follows a beginning that is hard to guess makes it no easier; the estimate itself would take seconds for all of it."""
    check_choice("kelp under seven lanterns" + "@4({[<6931!0$5+7%2" * 5, PERSON, ESTATE)
