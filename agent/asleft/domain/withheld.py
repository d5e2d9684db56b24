"""What texts may say to somebody who may look at some sites alone: another site, its stations and its people have no name there."""

import re
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Final, Self

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.people import Person, Right
from asleft.domain.problems import Problem

__all__ = ["Sees", "Withheld", "may_see_file", "may_see_person", "may_see_problem"]

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


def may_see_file(file: str, sees: Sees) -> bool:
    """Tell whether a file is of a site that may be looked at; what the others say may name any site."""
    folder, _, rest = file.partition("/")
    return folder == "sites" and sees(rest.partition("/")[0])


def may_see_problem(problem: Problem, sees: Sees, withheld: "Withheld", *, everywhere: bool) -> bool:
    """Tell whether a problem may be told: its file may be looked at, and it names nothing of another site beside it."""
    texts = (problem.what, problem.fix)
    return everywhere or (may_see_file(problem.file, sees) and not any(map(withheld.holds, texts)))


class Withheld:
    """Knows the names of what somebody may not look at.

    Args:
        estate: The estate: its sites and its people; None where nothing is withheld.
        sees: Tells whether a site may be looked at.
        everywhere: Whether any may; then nothing is withheld.
    """

    def __init__(self, estate: Estate | None, sees: Sees, *, everywhere: bool) -> None:
        self._estate = estate
        self.sees = sees
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
        estate, sees = self._estate, self.sees
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
            not self.sees(second if first == "sites" else first)
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

    def writer(self, name: str, *, seen: bool) -> str:
        """Give who wrote, put there or signed a commit of the baseline; empty where they may not be told.

        The one rule for all that tells where an approved value comes from and how the baseline stands. What counts is whether
        somebody may look everywhere: they are told every name. Somebody else is told who wrote a commit that has files of a site
        at which they may look, unless that person has to do with other sites alone. Of a commit that touches lines of roles,
        profiles, occasions or the estate and no file of their sites they are told no name, as they are not told its subject:
        it was made for all sites, and who made it may be of any. Its digits and its time stay, and who may look everywhere can
        say more. The history knows besides what each commit changed, and so tells more commits: those that changed a value there.

        Args:
            name: Who, as git has it.
            seen: Whether the commit has files of a site that may be looked at.
        """
        return name if self.everywhere or (seen and not self.holds(name)) else ""

    def lines(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Give sentences about the agent and its baseline in which what is withheld has no name."""
        said = (self.say(text) for text in texts)
        return tuple(dict.fromkeys(_SOMETHING if self.holds(text) else text for text in said))

    @contextmanager
    def in_refusals(self) -> Iterator[None]:
        """Have a refusal name nothing that is withheld.

        Raises:
            AsleftError: What was raised; where it named something, another one that does not. That is of the same class,
                by which faces answer, unless the class knows more than these texts.
        """
        try:
            yield
        except AsleftError as wrong:
            texts = (wrong.what, wrong.where, wrong.todo)
            what, where, todo = map(self.say, texts)
            if (what, where, todo) == texts:
                raise
            kind = type(wrong)
            plain = kind if kind.__init__ is AsleftError.__init__ else AsleftError
            raise plain(what, where=where, todo=todo) from wrong


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
