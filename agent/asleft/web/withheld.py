"""What texts may say to somebody who may look at some sites alone: another site, its stations and its people have no name there."""

import re
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Final, Self

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.people import Person, Right

__all__ = ["Sees", "Withheld", "may_see_person"]

Sees = Callable[[str], bool]
"""Tells whether a site may be looked at."""
_NAME: Final = "[a-z](?:-?[a-z0-9])*"
_NOT_BEFORE, _NOT_AFTER = r"(?<![\w/.-])", r"(?![\w-])"
_PATHS: Final = re.compile(rf"{_NOT_BEFORE}({_NAME})/({_NAME})")
_FOLDERS: Final = frozenset({"occasions", "profiles", "roles", "rotas"})
"""Folders of a baseline that are no site's; what else stands before a stroke is taken for a site."""
_WORDS: Final = {
    "file": "another site's file",
    "station": "another site's station",
    "site": "another site",
    "person": "somebody of another site",
}

_SOMETHING: Final = "something is wrong at another site, or with what the baseline says of one"


def may_see_person(person: Person, sees: Sees) -> bool:
    """Tell whether a person may be named to somebody: one who has rights at a site that they may look at."""
    return not person.sites or any(map(sees, person.sites))


class Withheld:
    """Knows the names of what somebody may not look at.

    Args:
        estate: The estate: its sites and its people; None where nothing is withheld.
        sees: Tells whether a site may be looked at.
        everywhere: Whether any may; then nothing is withheld.
    """

    def __init__(self, estate: Estate | None, sees: Sees, *, everywhere: bool) -> None:
        self._estate = estate
        self._sees = sees
        self.everywhere = everywhere

    @classmethod
    def of(cls, estate: Estate, person: Person) -> Self:
        """Give what may not be told to a person."""
        return cls(estate, lambda site: person.may(Right.LOOK, site), everywhere=not person.sites)

    @classmethod
    def nothing(cls) -> Self:
        """Give what withholds nothing."""
        return cls(None, lambda _: True, everywhere=True)

    @cached_property
    def _names(self) -> re.Pattern[str]:
        """The names; made with the first text, for it goes through all sites and people, and most pages tell none."""
        estate, sees = self._estate, self._sees
        sites = [one for one in estate.sites.values() if not sees(one.name)] if estate else []
        people = [one for one in estate.people.values() if not may_see_person(one, sees)] if estate else []
        return _pattern(
            [one.name for one in sites],
            [one.title for one in sites],
            [text for one in people for text in (one.name, one.key)],
        )

    def holds(self, text: str) -> bool:
        """Tell whether a text names anything that is withheld, or a site or station that nobody knows here."""
        if self.everywhere:
            return False
        return self._names.search(text) is not None or any(
            not self._sees(second if first == "sites" else first)
            for first, second in _PATHS.findall(text)
            if first not in _FOLDERS
        )

    def say(self, text: str) -> str:
        """Give a text in which what is withheld has no name, and which stays true."""
        if self.everywhere:
            return text
        return self._names.sub(lambda found: _WORDS[found.lastgroup or "site"], text)

    def names(self, names: Iterable[str]) -> tuple[str, ...]:
        """Give those of some names that may be told."""
        return tuple(name for name in names if not self.holds(name))

    def lines(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Give sentences about the agent and its baseline in which what is withheld has no name."""
        said = (self.say(text) for text in texts)
        return tuple(dict.fromkeys(_SOMETHING if self.holds(text) else text for text in said))

    @contextmanager
    def in_refusals(self) -> Iterator[None]:
        """Have a refusal name nothing that is withheld.

        Raises:
            AsleftError: What was raised; where it named something, another one that does not.
        """
        try:
            yield
        except AsleftError as wrong:
            texts = (wrong.what, wrong.where, wrong.todo)
            what, where, todo = map(self.say, texts)
            if (what, where, todo) == texts:
                raise
            raise AsleftError(what, where=where, todo=todo) from wrong


def _pattern(sites: Collection[str], titles: Iterable[str], people: Iterable[str]) -> re.Pattern[str]:
    site = _any(sites)
    return re.compile(
        rf"{_NOT_BEFORE}(?:(?P<file>sites/{site}(?:/[\w./-]*\w)?(?::\d+)?)"
        rf"|(?P<station>{site}/{_NAME})"
        rf"|(?P<site>{_any((*sites, *titles))})"
        rf"|(?P<person>{_any(people)})){_NOT_AFTER}"
    )


def _any(texts: Iterable[str]) -> str:
    """Give a pattern of any of some texts, the longest first; of none it is one that nothing matches."""
    listed = sorted({re.escape(text) for text in texts if text}, key=len, reverse=True)
    return f"(?:{'|'.join(listed)})" if listed else r"(?!)"
