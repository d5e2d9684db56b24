"""How soon a password would be guessed: the one door to the list of common passwords and to the estimate made with it.

The list is the one that zxcvbn carries: 30,000 passwords from breaches by rank, beside words and names (D. L. Wheeler, zxcvbn:
Low-Budget Password Strength Estimation, USENIX Security 2016). Of these only some 230 are as long as ours have to be, so a
look-up would refuse next to nothing. What people make of a short one that must be long is that one with a year, a row of
digits or itself behind it; the estimate finds those, and others' words in it, and counts the guesses.
"""

from collections.abc import Sequence
from typing import Final

__all__ = ["FEWEST_GUESSES", "guesses"]

FEWEST_GUESSES: Final = 10**8
"""Below it zxcvbn calls a password somewhat guessable (its score 2 and less)."""
_LOOKED_AT: Final = 32
"""Characters that are looked at. What follows makes it no easier; and the time rises steeply with the length."""


def guesses(password: str, known: Sequence[str]) -> float:
    """Give about how many guesses a password stands, made in the order in which people choose.

    Args:
        password: The password; its beginning is looked at.
        known: What a stranger would try first: names, the estate, our own words.
    """
    from zxcvbn import zxcvbn  # noqa: PLC0415 a megabyte of words, which only a new password needs

    return float(zxcvbn(password[:_LOOKED_AT], user_inputs=[*known])["guesses"])
