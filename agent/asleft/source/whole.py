"""What the files that belong to no site say: estate.yaml, people, concessions, roles, occasions and own profiles."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from operator import is_
from typing import cast

from asleft.domain.alerts.routes import Routing
from asleft.domain.concessions import Concession
from asleft.domain.hearing import Limits
from asleft.domain.kinds import nearest
from asleft.domain.layers import Layer, Origin
from asleft.domain.names import harmless
from asleft.domain.occasions import Occasion
from asleft.domain.people import Person
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern, Profile
from asleft.domain.rules.alarms import check_alarms
from asleft.domain.rules.book import BOOK
from asleft.domain.rules.occasions import check_occasion, check_order
from asleft.domain.rules.orders import Stand, check_people
from asleft.domain.rules.routes import check_routes, check_seen
from asleft.source.files.alarms import to_alarm_rules
from asleft.source.files.estate import ConcessionsFile, EstateFile, PeopleFile
from asleft.source.files.hearing import to_limits
from asleft.source.files.occasion import OccasionFile
from asleft.source.files.orders import to_order_rules
from asleft.source.files.routes import to_routing
from asleft.source.namings import check_names, check_values
from asleft.source.reading import FileRead, Opened
from asleft.source.rotas import read_rota, zone_of

__all__ = ["Layers", "Whole"]

_LEVELS: Mapping[str, Level | None] = {
    "error": Level.ERROR,
    "warn": Level.WARNING,
    "hint": Level.HINT,
    "off": None,
}


class Whole:
    """What one revision says beside its sites.

    Args:
        top: estate.yaml.
        files: The files that belong to no site.
        sites: Names of the folders below sites/.
    """

    def __init__(self, top: Opened, files: Iterable[FileRead], sites: Collection[str]) -> None:
        self.top = top
        self.file = cast("EstateFile", top.file)
        self._sites = sites
        self._read = {read.path: read for read in sorted(files, key=lambda read: read.path)}
        self.roles = {read.place.names[0]: read for read in self._read.values() if read.place.kind == "role"}
        self.profiles = {
            read.profile.name: read.profile for read in self._read.values() if read.profile is not None
        }
        self.limits = to_limits(self.file.limits) if self.file.limits else Limits()
        self.people = self._people()
        self.concessions = tuple(self._concessions())
        self.occasions = tuple(self._occasions())
        self.orders = to_order_rules(self.file.orders)
        self.alarms = to_alarm_rules(self.file.alarms, self._suppresses())

    @property
    def layer(self) -> Layer:
        """The estate's own layer."""
        return cast("Layer", self.top.layer)

    def role_layers(self) -> dict[str, Layer]:
        """Give the layer of every role that could be read, by its name."""
        opened = {name: read.opened for name, read in self.roles.items()}
        return {name: one.layer for name, one in opened.items() if one is not None and one.layer is not None}

    def routing(self, zones: Iterable[str]) -> tuple[Routing, list[Problem]]:
        """Give what the estate says about telling people, and what is wrong with its rotas."""
        opened = self._opened("people.yaml")
        rows = cast("PeopleFile", opened.file).people if opened else {}
        zone, problems, rotas = zone_of(zones), [], {}
        for read in self._read.values():
            if read.place.kind == "rota":
                rota, wrong = read_rota(read.path, read.data, time_zone=zone)
                problems.extend(wrong)
                if rota is not None:
                    rotas[read.place.names[0]] = rota
        made = to_routing(
            self.file.routes,
            self.file.quiet,
            self.top.document,
            reach={key: row.reach for key, row in rows.items()},
            rotas=rotas,
        )
        at = Origin(layer="estate", file=self.top.document.path, line=self.top.document.line(("routes",)))
        problems.extend(check_routes(made, people=self.people, sites=self._sites, origin=at))
        problems.extend(check_seen(made, people=self.people, sites=self._sites))
        return made, problems

    def problems(self, profiles: Mapping[str, Profile]) -> Iterator[Problem]:
        """Tell what does not fit together among these files."""
        if "people.yaml" not in self._read:
            yield BOOK["people.missing"].at(
                Origin(layer="", file="people.yaml", line=1),
                "nobody may confirm a restore",
                "commit a people.yaml",
            )
        yield from self._people_problems()
        keys = [("profile",), *(("firmware", key) for key in self.file.firmware)]
        for name, path in zip((self.file.profile, *self.file.firmware), keys, strict=True):
            if name not in profiles:
                what, fix = f"there is no profile '{name}'", nearest(name, sorted(profiles))
                yield _problem("estate.profile", self.top, path, what, fix)

    def occasion_problems(self, profiles: Sequence[Profile]) -> Iterator[Problem]:
        """Tell what is wrong with occasions, by the models in use."""
        document = self.top.document
        yield from check_order(
            {read.place.names[0] for read in self._read.values() if read.place.kind == "occasion"},
            self.file.occasions,
            lambda at: Origin(layer="estate", file=document.path, line=document.line(("occasions", at))),
        )
        for occasion in self.occasions:
            yield from check_names(occasion.layer, profiles)
            yield from check_occasion(occasion, profiles, self.file.occasions)

    def alarm_problems(self, sites: Collection[str]) -> Iterator[Problem]:
        """Tell what is wrong with what is said about alarms."""
        document = self.top.document
        files = {occasion.name: occasion.layer.file for occasion in self.occasions}
        documents = {
            read.path: read.opened.document for read in self._read.values() if read.opened is not None
        }

        def of_occasion(name: str) -> Origin:
            file = files[name]
            return Origin(layer=f"occasion {name}", file=file, line=documents[file].line(("suppresses",)))

        yield from check_alarms(
            self.alarms,
            sites=sites,
            roles=self.roles,
            occasions=files,
            line=lambda at, key: Origin(
                layer="estate", file=document.path, line=document.line(("alarms", "priorities", at, key))
            ),
            occasion=of_occasion,
        )

    def order_problems(self, stands: Mapping[str, Stand]) -> Iterator[Problem]:
        """Tell at which sites people are lacking who may confirm.

        Args:
            stands: What stands at each site whose stations could be read.
        """
        opened = self._opened("people.yaml")
        if opened is None:
            return  # nobody is known: that there is no such file, or what is wrong with it, is told already
        document = opened.document

        def line(*path: str) -> Origin:
            return Origin(layer="people", file=document.path, line=document.line(("people", *path)))

        yield from check_people(self.orders, self.people, stands, line=line)

    def weights(self) -> tuple[dict[str, Level | None], list[Problem]]:
        """Give how much each rule weighs in this estate where it says so, and what is wrong with that."""
        weights: dict[str, Level | None] = {}
        wrong: list[Problem] = []
        for key, row in self.file.checks.items():
            rule = BOOK.get(key)
            if rule is None:
                what, fix = f"there is no rule '{key}'", nearest(key, list(BOOK))
                wrong.append(_problem("checks.unknown", self.top, ("checks", key), what, fix))
            elif rule.fixed:
                what = f"the rule '{key}' cannot be weighed: what breaks it cannot be used"
                wrong.append(_problem("checks.unknown", self.top, ("checks", key), what, "take it out"))
            else:
                weights[key] = _LEVELS[row.level]
        return weights, wrong

    def _opened(self, path: str) -> Opened | None:
        read = self._read.get(path)
        return read.opened if read else None

    def _people(self) -> dict[str, Person]:
        opened = self._opened("people.yaml")
        if opened is None:
            return {}
        return {
            key: Person(
                key=key,
                name=row.name,
                rights=frozenset(row.rights),
                sites=frozenset(row.sites),
                signs_as=frozenset(row.signs_as),
                concerns=frozenset(row.concerns),
            )
            for key, row in cast("PeopleFile", opened.file).people.items()
        }

    def _people_problems(self) -> Iterator[Problem]:
        opened = self._opened("people.yaml")
        if opened is None:
            return
        signers: dict[str, str] = {}
        for key, row in cast("PeopleFile", opened.file).people.items():
            for at, principal in enumerate(row.signs_as):
                other = signers.setdefault(principal, key)
                if other != key:
                    path = ("people", key, "signs-as", at)
                    what = f"'{harmless(principal)}' is how {other} signs, too"
                    yield _problem("people.signs-as", opened, path, what, "one name signs for one person")
            for at, site in enumerate(row.sites):
                if site not in self._sites:
                    path = ("people", key, "sites", at)
                    fix = nearest(site, sorted(self._sites))
                    yield _problem("people.site", opened, path, f"there is no site '{site}'", fix)

    def _concessions(self) -> Iterator[Concession]:
        opened = self._opened("concessions.yaml")
        if opened is None:
            return
        for key, row in cast("ConcessionsFile", opened.file).concessions.items():
            line = opened.document.line(("concessions", key))
            yield Concession(
                key=key,
                setting=row.setting,
                value=row.value,
                where=frozenset(row.where),
                holder=row.holder,
                reason=row.reason,
                until=row.until,
                origin=Origin(layer="concessions", file=opened.document.path, line=line),
            )

    def _suppresses(self) -> dict[str, tuple[Concern, ...]]:
        """Give which concerns each occasion suppresses."""
        return {
            read.place.names[0]: cast("OccasionFile", read.opened.file).suppresses
            for read in self._read.values()
            if read.place.kind == "occasion" and read.opened is not None
        }

    def _occasions(self) -> Iterator[Occasion]:
        """Give the occasions, the strongest first; those that the order does not name are told and come last."""
        found: dict[str, tuple[OccasionFile, Layer]] = {}
        for read in self._read.values():
            if read.place.kind == "occasion" and read.opened is not None and read.opened.layer is not None:
                found[read.place.names[0]] = (cast("OccasionFile", read.opened.file), read.opened.layer)
        named = [name for name in dict.fromkeys(self.file.occasions) if name in found]
        for name in (*named, *sorted(found.keys() - set(named))):
            file, layer = found[name]
            yield Occasion(name=name, meaning=file.meaning, performance=file.performance, layer=layer)


class Layers:
    """Whether shared layers name settings of the models in use; what did not change is not looked at again."""

    def __init__(self) -> None:
        self._profiles: Sequence[Profile] = ()
        self._opened: Sequence[Opened] = ()
        self._known: dict[str, tuple[Opened, tuple[Problem, ...]]] = {}

    def problems(self, opened: Sequence[Opened], profiles: Sequence[Profile]) -> list[Problem]:
        """Tell names and values that none of the models takes."""
        if not _same(self._profiles, profiles):
            self._profiles, self._opened, self._known = profiles, (), {}
        if not _same(self._opened, opened):
            self._known = {one.document.path: self._look(one) for one in opened}
            self._opened = opened
        return [problem for _, told in self._known.values() for problem in told]

    def _look(self, one: Opened) -> tuple[Opened, tuple[Problem, ...]]:
        known = self._known.get(one.document.path)
        if known is not None and known[0] is one:
            return known
        layer, profiles = one.layer, self._profiles
        return one, (*check_names(layer, profiles), *check_values(layer, profiles)) if layer else ()


def _same(some: Sequence[object], others: Sequence[object]) -> bool:
    return len(some) == len(others) and all(map(is_, some, others))


def _problem(rule: str, opened: Opened, path: tuple[str | int, ...], what: str, fix: str) -> Problem:
    document = opened.document
    return Problem(
        rule=rule, level=Level.ERROR, file=document.path, line=document.line(path), what=what, fix=fix
    )
