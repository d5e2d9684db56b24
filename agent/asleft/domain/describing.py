"""The smallest description: values of many stations as the fewest lines of layers that give exactly those values.

Layers merge by RFC 7396, each setting by itself, so each setting is a problem of its own: the site says a value or
nothing, each role that is this site's alone says one or nothing, and a station names what its layers do not give. A
role is hidden where the site speaks. All of these choices are gone through, and so the smallest is exact.

Among descriptions of equally few lines, the one that changes least of what stands is taken, since each change has to be
read and judged by a person; and then the narrowest, for a line that reaches further also sets stations that come later:
station before role, role before site.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from asleft.domain.kinds import NotAValue, Value
from asleft.domain.layers import Layer
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing, leaves

__all__ = ["Description", "Ground", "Leaves", "Wanted", "describe", "tree_of"]

Leaves = Mapping[str, str | None]
"""What a layer says, by dotted name: a text, or None for `null`."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ground:
    """What the files say that stations share, whether a station uses them yet or not.

    Args:
        estate: The estate's layer.
        sites: The layer of each site, by its name.
        roles: The layer of each role, by its name.
        profiles: Models of stations, by name.
        profile: Name of the model that a station is which does not say.
    """

    estate: Layer
    sites: Mapping[str, Layer]
    roles: Mapping[str, Layer]
    profiles: Mapping[str, Profile]
    profile: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """What shall hold for one station.

    Args:
        name: Name of the station.
        role: Its role; empty where it has none.
        profile: Its model.
        values: The values that its layers shall give, each one that `parse` of its kind gives; what is not among them
            shall not be given.
        free: Settings of which nothing is known: whatever the layers give is taken.
        own: Its own layer as it stands; None where it has no file yet.
    """

    name: str
    role: str
    profile: Profile
    values: Mapping[str, Value]
    free: frozenset[str] = frozenset()
    own: Layer | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Description:
    """What each file says under `settings:`.

    Args:
        site: Of the site.
        roles: Of each role that is this site's alone and has stations, by name.
        stations: Of each station, by name.
        lines: Lines of all of these together.
        plain: Lines if each station named all that differs from the estate.
    """

    site: Leaves
    roles: Mapping[str, Leaves]
    stations: Mapping[str, Leaves]
    lines: int
    plain: int


class _Cost(NamedTuple):
    """What a choice costs; the first that differs decides."""

    lines: int
    edits: int
    reach: int

    def plus(self, other: "_Cost") -> "_Cost":
        return _Cost(self.lines + other.lines, self.edits + other.edits, self.reach + other.reach)


_FREE_OF_COST: Final = _Cost(0, 0, 0)
_ROLE_REACH: Final = 1
_SITE_REACH: Final = 2


class _Shut:
    """A `null` that stands there: it, or the group it is for, gives nothing, and it stays."""


_SHUT: Final = _Shut()
_Word = str | None | _Shut
"""What a layer says of one setting: a text, nothing, or that nothing is to hold."""


def describe(
    *,
    estate: Layer,
    site: Layer,
    roles: Mapping[str, Layer],
    shared: frozenset[str],
    stations: Sequence[Wanted],
) -> Description:
    """Give the smallest description.

    What stands as `null` stays so; a setting that a station's own file takes away is not looked at there.

    Args:
        estate: The estate's layer, which stays as it is.
        site: The site's layer as it stands.
        roles: The layers of the roles, as they stand.
        shared: Roles that other sites use; they stay as they are.
        stations: Every station of the site.

    Raises:
        ValueError: A station is not to have a setting that a layer gives which stays as it is; its name.
    """
    mine = sorted({one.role for one in stations if one.role and one.role not in shared})
    was_site = dict(_named(site))
    was_roles = {name: dict(_named(roles[name])) if name in roles else {} for name in mine}
    was_stations = {one.name: dict(_named(one.own)) if one.own else {} for one in stations}
    new_site, new_roles = dict(was_site), {name: dict(was) for name, was in was_roles.items()}
    new_stations = {name: dict(was) for name, was in was_stations.items()}
    fixed = {
        name: dict(_named(roles[name])) for name in {one.role for one in stations} & shared if name in roles
    }
    typing, plain = Typing(), 0
    given = dict(_named(estate))
    names = {name for one in stations for name in one.values}
    for was in (was_site, *was_roles.values(), *was_stations.values()):
        names.update(name for name, text in was.items() if text is not None)
    lines = 0
    for name in sorted(names):
        rows = [
            _Row(
                one,
                name,
                _word(was_stations[one.name], name),
                _word(fixed[one.role], name) if one.role in fixed else None,
                typing,
            )
            for one in stations
            if name in one.profile.settings and one.profile.settings[name].managed
        ]
        if not any(row.text() for row in rows):
            # Nothing is known that could say otherwise: what stands stays.
            said = [was_site, *was_roles.values(), *was_stations.values()]
            lines += sum(was.get(name) is not None for was in said) if rows else 0
            continue
        chosen = _Choice(
            rows,
            estate=_word(given, name),
            site=_word(was_site, name),
            roles={role: _word(was, name) for role, was in was_roles.items()},
        ).best()
        plain += sum(row.needs_line(_word(given, name)) for row in rows)
        lines += chosen.cost.lines
        _set(new_site, name, chosen.site)
        for role, word in chosen.roles.items():
            _set(new_roles[role], name, word)
        for station, word in chosen.stations.items():
            _set(new_stations[station], name, word)
    return Description(site=new_site, roles=new_roles, stations=new_stations, lines=lines, plain=plain)


def tree_of(said: Leaves) -> dict[str, Any]:
    """Give what a layer says as the nested mapping that stands under `settings:`."""
    tree: dict[str, Any] = {}
    for name, text in said.items():
        *groups, last = name.split(".")
        at = tree
        for group in groups:
            at = at.setdefault(group, {})
        at[last] = text
    return tree


def _named(layer: Layer) -> Iterator[tuple[str, str | None]]:
    return ((name, text) for name, _, text in leaves(layer))


def _word(said: Leaves, name: str) -> _Word:
    if name in said:
        text = said[name]
        return _SHUT if text is None else text
    while "." in name:
        name = name.rpartition(".")[0]
        if name in said and said[name] is None:
            return _SHUT
    return None


def _set(said: dict[str, str | None], name: str, word: _Word) -> None:
    if word is None:
        said.pop(name, None)
    elif isinstance(word, str):
        said[name] = word


class _Row:
    """One station, as far as one setting goes."""

    def __init__(self, wanted: Wanted, name: str, own: _Word, lent: _Word, typing: Typing) -> None:
        self.name = name
        self.station = wanted.name
        self.role = wanted.role
        self.own = own
        self.lent = lent
        """What its role says that stays as it is."""
        self._profile = wanted.profile
        self._setting = wanted.profile.settings[name]
        self._value = wanted.values.get(name)
        self._typing = typing
        self._idle = isinstance(own, _Shut) or (self._value is None and name in wanted.free)

    def text(self) -> str | None:
        """Give the value as a file writes it; None where none is wanted."""
        return None if self._idle or self._value is None else self._setting.show(self._value)

    def gives(self, word: _Word) -> bool:
        """Tell whether what stands below gives what is wanted."""
        if self._idle:
            return True
        if not isinstance(word, str):
            return self._value is None
        typed = self._typing.typed(self._profile, self._setting, word)
        return not isinstance(typed, NotAValue) and self._value is not None and typed == self._value

    def needs_line(self, below: _Word) -> bool:
        """Tell whether its own file has to name it."""
        return self._value is not None and not self.gives(below)

    def cost(self, below: _Word) -> _Cost | None:
        """Give what it costs to have what is wanted on top of what stands below; None where that cannot be."""
        if self.gives(below):
            return _Cost(0, 1, 0) if isinstance(self.own, str) else _FREE_OF_COST
        if self._value is None:
            return None
        return _Cost(1, 0 if self.gives(self.own) else 1, 0)

    def word(self, below: _Word) -> _Word:
        """Give what its own file says on top of what stands below."""
        if isinstance(self.own, _Shut):
            return _SHUT
        if self.gives(below):
            return None
        return self.own if self.gives(self.own) else self.text()


@dataclass(frozen=True, slots=True)
class _Chosen:
    cost: _Cost
    site: _Word
    roles: Mapping[str, _Word]
    stations: Mapping[str, _Word]


class _Choice:
    """All ways to give one setting to the stations that have it."""

    def __init__(
        self, rows: Sequence[_Row], *, estate: _Word, site: _Word, roles: Mapping[str, _Word]
    ) -> None:
        self._rows = rows
        self._estate = estate
        self._site = site
        self._roles = roles
        self._by_role: dict[str, list[_Row]] = {}
        for row in rows:
            self._by_role.setdefault(row.role, []).append(row)

    def best(self) -> _Chosen:
        """Give the cheapest of them."""
        ways = [self._with_site(word) for word in _words(self._rows, self._site)]
        found = [way for way in ways if way is not None]
        if not found:
            raise ValueError(self._rows[0].name)
        return min(found, key=lambda way: way.cost)

    def _with_site(self, site: _Word) -> _Chosen | None:
        cost = _said(self._site, site, _SITE_REACH)
        roles: dict[str, _Word] = {}
        stations: dict[str, _Word] = {}
        for role, rows in self._by_role.items():
            standing = self._roles.get(role)
            if role not in self._roles:
                options: Iterable[_Word] = [None]
            elif site is not None:
                options = [standing if isinstance(standing, _Shut) else None]
            else:
                options = _words(rows, standing)
            best: tuple[_Cost, _Word] | None = None
            for option in options:
                price = self._price(rows, site, option, standing)
                if price is not None and (best is None or price < best[0]):
                    best = (price, option)
            if best is None:
                return None
            cost = cost.plus(best[0])
            if role in self._roles:
                roles[role] = best[1]
            for row in rows:
                stations[row.station] = row.word(self._below(row, site, best[1]))
        return _Chosen(cost, site, roles, stations)

    def _price(self, rows: Sequence[_Row], site: _Word, role: _Word, standing: _Word) -> _Cost | None:
        price = _said(standing, role, _ROLE_REACH)
        for row in rows:
            cost = row.cost(self._below(row, site, role))
            if cost is None:
                return None
            price = price.plus(cost)
        return price

    def _below(self, row: _Row, site: _Word, role: _Word) -> _Word:
        for word in (site, role, row.lent):
            if word is not None:
                return word
        return self._estate


def _said(standing: _Word, word: _Word, reach: int) -> _Cost:
    if isinstance(word, _Shut):
        return _FREE_OF_COST
    changed = 0 if word == standing else 1
    return _Cost(0, changed, 0) if word is None else _Cost(1, changed, reach)


def _words(rows: Sequence[_Row], standing: _Word) -> list[_Word]:
    """Give what a layer may say: what stands as `null`, else nothing, what stands, and what some station wants."""
    if isinstance(standing, _Shut):
        return [standing]
    texts = {text for row in rows if (text := row.text()) is not None}
    if standing is not None:
        texts.add(standing)
    return [None, *sorted(texts)]
