"""Which passwords may be chosen: length counts, characters do not; what anybody would guess first is refused.

Behind it stand a list of passwords from breaches and an estimate made with it (guessing.py; ASVS 6.2.4, 6.2.12), and rules for
what the list cannot know.
"""

import re
from collections.abc import Iterable, Iterator
from typing import Final

from asleft.domain.people import Person
from asleft.work.accounts.guessing import FEWEST_GUESSES, guesses
from asleft.work.accounts.refusals import BadPassword

__all__ = ["LONGEST_PASSWORD", "SHORTEST_PASSWORD", "WORDS", "check_choice"]

SHORTEST_PASSWORD: Final = 12
"""Code points. ASVS 6.2.1 asks for 8 and advises 15; NIST SP 800-63B-3 §3.1.1.2 for 8 beside a second factor, else 15."""
LONGEST_PASSWORD: Final = 128
"""Code points. ASVS 6.2.9 asks that 64 are taken; the bound is there so that nobody has megabytes hashed."""
WORDS: Final = (
    "asleft",
    "passphrase",
    "passwort",
    "password",
    "letmein",
    "welcome",
    "changeme",
    "administrator",
    "admin",
    "monitor",
    "station",
    "headphone",
    "stage",
    "secret",
)
"""Words that do not count (ASVS 6.1.2), beside the person's key and name and the estate's name; own list, from memory."""

_OWN: Final = 8
"""So many letters and digits have to be left once the words are taken out."""
_SHORTEST_WORD: Final = 3
_LONGEST_PERIOD: Final = 4
_FEWEST_DIFFERENT: Final = 5
_FEWEST_RUNS: Final = 4
_ROWS: Final = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "yxcvbnm",
)
"""Neighbours in the alphabet, among digits and on the rows of three common keyboards."""
_NEXT: Final = frozenset(
    pair
    for row in _ROWS
    for way in (row, row[::-1])
    for pair in (way[at : at + 2] for at in range(len(row) - 1))
)


def check_choice(password: str, person: Person, estate: str) -> None:
    """Refuse a password that is too short, too long or too easy to guess; say in words what is wrong with it.

    Args:
        password: As it was typed or pasted; it is taken exactly so.
        person: Whose it shall be.
        estate: Name of the estate.

    Raises:
        BadPassword: It cannot be taken.
    """
    length = len(password)
    if length < SHORTEST_PASSWORD:
        raise BadPassword(
            f"the password has {length} characters",
            todo=f"take {SHORTEST_PASSWORD} or more; three or four words in a row are good",
        )
    if length > LONGEST_PASSWORD:
        raise BadPassword(
            f"the password has {length} characters", todo=f"take {LONGEST_PASSWORD} at the most"
        )
    folded = password.casefold()
    if _repeats(folded):
        raise BadPassword("the password repeats the same few characters", todo="take another one")
    if sum(1 for _ in _runs(folded)) < _FEWEST_RUNS:
        raise BadPassword(
            "the password is a row of the alphabet, of digits or of the keyboard", todo="take another one"
        )
    known = [*WORDS, *_words(person.key), *_words(person.name), *_words(estate)]
    if _is_said(folded, known):
        raise BadPassword(
            "the password is little more than your name, the estate's name or a word that is tried first",
            todo=f"take one with {_OWN} more letters or digits of its own",
        )
    if guesses(password, known) < FEWEST_GUESSES:
        raise BadPassword(
            "the password is one that many people have, or little more than one, and would be guessed soon",
            todo="take another one; three or four words that do not belong together are good",
        )


def _repeats(text: str) -> bool:
    """Tell whether a text is a short piece again and again, or made of very few characters."""
    periods = range(1, _LONGEST_PERIOD + 1)
    return len(set(text)) < _FEWEST_DIFFERENT or any(text[period:] == text[:-period] for period in periods)


def _runs(text: str) -> Iterator[int]:
    """Give where a text leaves the row that it was on, its beginning included."""
    yield 0
    for at in range(1, len(text)):
        if text[at - 1 : at + 1] not in _NEXT:
            yield at


def _words(name: str) -> list[str]:
    parts = [part for part in re.split(r"[\W_]+", name.casefold()) if len(part) >= _SHORTEST_WORD]
    return ["".join(parts), *parts]


def _is_said(text: str, words: Iterable[str]) -> bool:
    """Tell whether words make up a text: whether too little is left of it without them."""
    left = re.sub(r"[\W_]+", "", text)
    plain = left
    for word in sorted({word for word in words if word}, key=len, reverse=True):
        left = left.replace(word, "")
    return left != plain and len(left) < _OWN
