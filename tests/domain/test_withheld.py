"""Other words for names that may not be told: quick where a text holds none, and the same as the pattern alone."""

from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.withheld import _WORDS, _Names, _pattern

SITES = ("vexholm-vault", "vex", "quay-2")
TITLES = ("Vexholm Vault", "The Quay", "(Old) Hall", "Ærø-scenen")
PEOPLE = ("Orla Vexley", "orla-vexley", "O'Dowd", "J. Vex")
PIECES = (
    *SITES,
    *TITLES,
    *PEOPLE,
    *("sites/", "/gong", "vault", "Vexholm", "the", "hall", "/", "-", ".", ":", " ", "'", "x", "9", "_", "é"),
)


def plain(text: str, *more: str) -> str:
    """Give a text as the pattern alone makes it."""
    pattern = _pattern(SITES, (*TITLES, *more), PEOPLE)
    return pattern.sub(lambda found: _WORDS[found.lastgroup or "site"], text)


@given(st.lists(st.sampled_from(PIECES), max_size=12).map("".join))
def test_a_text_is_looked_through_where_it_may_hold_a_name(text: str) -> None:
    """Whatever stands before and behind a name."""
    names = _Names(SITES, TITLES, PEOPLE)
    assert names.replaced(text) == plain(text)
    assert names.stand_in(text) == (_pattern(SITES, TITLES, PEOPLE).search(text) is not None)


@given(st.lists(st.sampled_from((*PIECES, "***")), max_size=8).map("".join))
def test_a_name_without_letters_is_looked_for_in_every_text(text: str) -> None:
    """Nothing in it could be looked up beforehand."""
    assert _Names(SITES, (*TITLES, "***"), PEOPLE).replaced(text) == plain(text, "***")


def test_of_no_names_nothing_is_replaced() -> None:
    """An estate of one site has none to withhold."""
    names = _Names((), (), ())
    assert names.replaced("at vexholm-vault/gong") == "at vexholm-vault/gong"
    assert not names.stand_in("")
