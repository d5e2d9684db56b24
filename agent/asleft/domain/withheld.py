"""What texts may say to somebody who may look at some sites alone: another site, its stations and its people have no name there."""

import re
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cached_property
from typing import Final, Self

from asleft.domain.drift import Drift
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.people import Person, Right
from asleft.domain.problems import Problem

__all__ = ["Sees", "Withheld", "drift_seen", "may_see_file", "may_see_person", "may_see_problem"]

Sees = Callable[[str], bool]
"""Tells whether a site may be looked at."""
_NAME: Final = "[a-z](?:-?[a-z0-9])*"
_NOT_BEFORE, _NOT_AFTER = r"(?<![\w/.-])", r"(?![\w-])"
_PATHS: Final = re.compile(rf"{_NOT_BEFORE}({_NAME})/({_NAME})")
_FOLDERS: Final = frozenset({"occasions", "profiles", "roles", "rotas"})
"""Folders of a baseline that are no site's; what else stands before a stroke is taken for a site."""
_RUNS: Final = re.compile(r"[\w-]+")
_QUOTED: Final = re.compile(r"((?<!\w)'[\w./-]+'(?!\w))")
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


def drift_seen(drift: Drift, withheld: "Withheld") -> Drift:
    """Give a drift at a site that may be looked at: a unit that came from another site is said to be of some station there."""
    if withheld.everywhere:
        return drift
    return replace(
        drift,
        as_left=withheld.say(drift.as_left),
        as_found=withheld.say(drift.as_found),
        what=withheld.say(drift.what),
        matters=withheld.say(drift.matters),
    )


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
    def _names(self) -> "_Names":
        """The names; made with the first text, for it goes through all sites and people, and most pages tell none."""
        estate, sees = self._estate, self.sees
        sites = [one for one in estate.sites.values() if not sees(one.name)] if estate else []
        people = [one for one in estate.people.values() if not may_see_person(one, sees)] if estate else []
        return _Names(
            [one.name for one in sites],
            [one.title for one in sites],
            [text for one in people for text in (one.name, one.key)],
        )

    def holds(self, text: str) -> bool:
        """Tell whether a text names anything that is withheld, or a site or station that nobody knows here."""
        if self.everywhere:
            return False
        return self._names.stand_in(text) or any(
            not self.sees(second if first == "sites" else first)
            for first, second in _PATHS.findall(text)
            if first not in _FOLDERS
        )

    def say(self, text: str) -> str:
        """Give a text in which what is withheld has no name, and which stays true."""
        if self.everywhere:
            return text
        return self._names.replaced(text)

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

    def refusal(self, wrong: AsleftError) -> AsleftError:
        """Give a refusal that names nothing that is withheld; it is the same one where that named nothing.

        Another one is of the same class, by which faces answer, unless the class knows more than its texts. What stands between
        quotes in what is wrong was typed by who asks, and comes back as it was: other words in its place would tell that there
        is such a name.
        """
        texts = (wrong.what, wrong.where, wrong.todo)
        what, where, todo = self._typed(wrong.what), self.say(wrong.where), self.say(wrong.todo)
        if (what, where, todo) == texts:
            return wrong
        kind = type(wrong)
        plain = kind if kind.__init__ is AsleftError.__init__ else AsleftError
        return plain(what, where=where, todo=todo)

    def _typed(self, text: str) -> str:
        return "".join(
            part if part.startswith("'") else self.say(part) for part in _QUOTED.split(text) if part
        )

    @contextmanager
    def in_refusals(self) -> Iterator[None]:
        """Have a refusal name nothing that is withheld.

        Raises:
            AsleftError: What was raised, as `refusal` gives it.
        """
        try:
            yield
        except AsleftError as wrong:
            told = self.refusal(wrong)
            if told is wrong:
                raise
            raise told from wrong


class _Names:
    """Names of sites and people, looked for in texts.

    Most texts hold none, and the pattern tries each name at each word. So it is asked only of a text that has the first run of
    letters, digits and hyphens of some name as a run of its own: a name never begins, nor ends, within one.

    Args:
        sites: Names of sites.
        titles: The same as people read them.
        people: Names and keys of people.
    """

    def __init__(self, sites: Collection[str], titles: Collection[str], people: Collection[str]) -> None:
        self._listed = sites, titles, people
        runs = [_RUNS.search(name) for name in (*sites, *titles, *people) if name]
        self._firsts = frozenset(run[0] for run in runs if run)
        self._always = not all(runs)
        """Whether a name has no such run, so that every text is looked through."""

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        """Any of them; made for the first text that may hold one, for of thousands of names that takes longer than all else."""
        return _pattern(*self._listed)

    def _may_stand_in(self, text: str) -> bool:
        return self._always or not self._firsts.isdisjoint(_RUNS.findall(text))

    def stand_in(self, text: str) -> bool:
        """Tell whether a text has one of them."""
        return self._may_stand_in(text) and self._pattern.search(text) is not None

    def replaced(self, text: str) -> str:
        """Give a text with other words in their place."""
        if not self._may_stand_in(text):
            return text
        return self._pattern.sub(lambda found: _WORDS[found.lastgroup or "site"], text)


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
