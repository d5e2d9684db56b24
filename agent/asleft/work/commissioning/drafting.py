"""What a site comes to as it was found: which units get files, which values they have, and the fewest lines that say so.

Where something is not known (a setting that was not read, one that the occasion which is on has set, a unit that stands in
the place of another) nothing is made up: what the files say stays, and it is listed.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from asleft.domain.comparison import differing
from asleft.domain.concessions import covering
from asleft.domain.describing import Description, Ground, Leaves, Wanted, describe
from asleft.domain.estate import Estate, Site
from asleft.domain.hazards import HazardKind, hazards_of
from asleft.domain.kinds import Foreign, Found, NotAValue, Value
from asleft.domain.layers import Layer
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.profile import Setting
from asleft.domain.resolving import Typing, leaves, resolve
from asleft.domain.stations import StationId
from asleft.ports.proposals import Edit, NewRole, NewStation, Put, Take
from asleft.work.commissioning.choosing import CannotCapture, LeftOut, Look, Taken, Wish, choose
from asleft.work.commissioning.finding import Findings

__all__ = ["Louder", "Plan", "draft"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Louder:
    """A captured value that can be louder at the ear than what it is held against.

    Args:
        station: Name of the station.
        setting: Dotted name.
        found: The captured value.
        held_against: The other value, and whose it is.
        words: What it means, one sentence.
    """

    station: str
    setting: str
    found: str
    held_against: str
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """What would be proposed.

    Args:
        edits: The edits, in order.
        new: Stations that get a file, with the address at which each was found.
        plain: Lines of settings if each station named all that differs from the estate.
        lines: Lines of settings as proposed: of the site, of the roles that are its alone, of its stations.
        left_out: What is not written.
        louder: What can be louder at the ear.
        values: What each station's settings come to, by name of the station.
    """

    edits: tuple[Edit, ...]
    new: Mapping[str, str]
    plain: int
    lines: int
    left_out: tuple[LeftOut, ...]
    louder: tuple[Louder, ...]
    values: Mapping[str, Mapping[str, Value]]


def draft(
    estate: Estate,
    ground: Ground,
    site: Site,
    findings: Findings,
    looks: Sequence[Look],
    wish: Wish,
    *,
    on: Sequence[str] = (),
) -> Plan:
    """Say what would be proposed.

    Args:
        estate: As left, without the occasions that are on.
        ground: What its files say that stations share.
        site: The site.
        findings: What was found there.
        looks: What was read.
        wish: Roles and names.
        on: Occasions that are on there now.

    Raises:
        CannotCapture: A role or a name is not usable.
    """
    return _Drafting(estate, ground, site, wish, on).plan(findings, looks)


class _Drafting:
    """One drafting; it keeps what is left out on the way."""

    def __init__(self, estate: Estate, ground: Ground, site: Site, wish: Wish, on: Sequence[str]) -> None:
        self._ground = ground
        self._site = site
        self._wish = wish
        self._left = {
            station.name: as_left for station, as_left in estate.stations.items() if station.site == site.name
        }
        self._shared = frozenset(
            as_left.role for station, as_left in estate.stations.items() if station.site != site.name
        ) - {""}
        self._occasional = {
            name: occasion.name
            for occasion in estate.occasions
            if occasion.name in on
            for name, _, _ in leaves(occasion.layer)
        }
        self._out: list[LeftOut] = []
        self._concessions = estate.concessions
        self._typing = Typing()

    def plan(self, findings: Findings, looks: Sequence[Look]) -> Plan:
        """Say what would be proposed."""
        taken, self._out = choose(self._site, self._left, findings, looks, self._wish.names)
        roles = self._roles(taken)
        layers = dict(self._ground.roles)
        begun = sorted(role for role in self._wish.roles if role not in layers)
        for role in begun:
            layers[role] = Layer(
                name=f"role {role}", file=f"roles/{role}.yaml", settings={}, line_of=lambda _: 1
            )
        there = {one.name: one for one in taken}
        rows: list[Wanted] = []
        for name in sorted({*self._left, *there}):
            one, left = there.get(name), self._left.get(name)
            if one is not None:
                rows.append(self._wanted(one, roles.get(name, left.role if left else ""), layers))
            elif left is not None:
                rows.append(
                    Wanted(
                        name=name,
                        role=left.role,
                        profile=left.profile,
                        values=left.values,
                        own=left.layers[-1],
                    )
                )
        layer = self._ground.sites[self._site.name]
        try:
            described = describe(
                estate=self._ground.estate, site=layer, roles=layers, shared=self._shared, stations=rows
            )
        except ValueError as wrong:
            raise CannotCapture(
                f"a layer gives {wrong} to stations that have none of it",
                where=self._site.file,
                todo="name it at those stations first, or take it out of the layer",
            ) from wrong
        edits = [
            *(
                NewRole(name=role, meaning=f"Begun at {self._site.title} from what was found there")
                for role in begun
            ),
            *self._new(taken, roles),
            *(
                Put(file=self._left[name].file, path=("role",), value=role)
                for name, role in sorted(roles.items())
                if name in self._left and self._left[name].role != role
            ),
            *self._settings(layer, layers, rows, described),
        ]
        values = {row.name: row.values for row in rows if row.name in there}
        return Plan(
            edits=tuple(edits),
            new={one.name: one.look.unit.address for one in taken if one.left is None},
            plain=described.plain,
            lines=described.lines,
            left_out=tuple(self._out),
            louder=tuple(self._louder(rows, there)),
            values=values,
        )

    def _roles(self, taken: Sequence[Taken]) -> dict[str, str]:
        """Give the wished role of each station."""
        there, found = {one.name for one in taken}, dict[str, str]()
        for role, names in self._wish.roles.items():
            if not is_name(role):
                raise CannotCapture(f"'{harmless(role)}' is not a name of a role", todo=f"use {NAME_RULE}")
            for name in names:
                if name not in there:
                    known = name in self._left
                    raise CannotCapture(
                        f"{name} was not read, so its role stays"
                        if known
                        else f"there is no station '{harmless(name)}'",
                        where=self._site.name,
                        todo="leave it out of the roles" if known else f"one of: {', '.join(sorted(there))}",
                    )
                if found.setdefault(name, role) != role:
                    raise CannotCapture(
                        f"{name} is named in two roles, {found[name]} and {role}", todo="choose one"
                    )
        return found

    # Which values.

    def _wanted(self, one: Taken, role: str, layers: Mapping[str, Layer]) -> Wanted:
        profile, left = one.look.profile, one.left
        own = left.layers[-1] if left else None
        if left is None:
            names = [setting.name for setting in profile.managed()]
            kept: Mapping[str, Value] = {}
        else:
            below = [
                self._ground.estate,
                *([layers[role]] if role else []),
                self._ground.sites[self._site.name],
            ]
            given = resolve(profile, [*below, left.layers[-1]], self._typing).values
            names = [name for name in profile.settings if name in left.values or name in given]
            kept = left.values
        values: dict[str, Value] = {}
        free: set[str] = set()
        sheet = one.look.sheet
        found = dict(sheet.values) if sheet else {}
        moved = set(differing(profile, kept, found)) if kept else set()
        for name in names:
            if name in kept and name in found and name not in moved:
                values[name] = kept[name]
                continue
            value, why = self._written(profile.settings[name], one, found.get(name))
            if value is not None:
                values[name] = value
                continue
            self._out.append(LeftOut(station=one.name, setting=name, why=why))
            if name in kept:
                values[name] = kept[name]
            else:
                free.add(name)
        return Wanted(name=one.name, role=role, profile=profile, values=values, free=frozenset(free), own=own)

    def _written(self, setting: Setting, one: Taken, found: Found | None) -> tuple[Value | None, str]:
        """Give a found value as it can be written, or why it cannot."""
        occasion = self._occasional.get(setting.name)
        if occasion is not None:
            return None, f"{occasion} is on, and sets it"
        if found is None:
            unread = one.look.sheet.unread.get(setting.name) if one.look.sheet else None
            return None, str(unread.why) if unread else "it was not read"
        if isinstance(found, Foreign):
            return None, f"{setting.show(found)}"
        text = setting.show(found)
        try:
            value = setting.kind.parse(text)
        except NotAValue as wrong:
            return None, f"{harmless(text)}: {wrong.what}"
        if value != found:
            return None, f"{harmless(text)} would not be read back as it was found"
        station = StationId(self._site.name, one.name)
        if text == setting.concede and not covering(self._concessions, station, setting.name, text):
            return None, f"{text} needs a concession: asleft concede {station} {setting.name} {text}"
        return value, ""

    # What comes of it.

    def _new(self, taken: Iterable[Taken], roles: Mapping[str, str]) -> Iterator[NewStation]:
        for one in taken:
            if one.left is None:
                profile = one.look.profile.name
                yield NewStation(
                    site=self._site.name,
                    name=one.name,
                    serial=one.look.unit.serial,
                    role=roles.get(one.name, ""),
                    profile="" if profile == self._ground.profile else profile,
                )

    def _settings(
        self, site: Layer, layers: Mapping[str, Layer], rows: Sequence[Wanted], described: Description
    ) -> Iterator[Edit]:
        yield from _changes(site.file, site, described.site)
        for role, said in described.roles.items():
            yield from _changes(layers[role].file, layers[role], said)
        for row in rows:
            file = (
                self._left[row.name].file if row.own else f"sites/{self._site.name}/stations/{row.name}.yaml"
            )
            yield from _changes(file, row.own, described.stations[row.name])

    def _louder(self, rows: Iterable[Wanted], there: Mapping[str, Taken]) -> Iterator[Louder]:
        for row in rows:
            one = there.get(row.name)
            if one is None:
                continue
            estate = resolve(row.profile, [self._ground.estate], self._typing).values
            for name, value in row.values.items():
                setting = row.profile.settings[name]
                held: list[tuple[Value | None, str]] = [
                    (one.left.values.get(name) if one.left else None, "as left is"),
                    (estate.get(name), "the estate says"),
                    (
                        None if name in estate else setting.factory,
                        "the estate says nothing, factory state is",
                    ),
                ]
                for against, whose in held:
                    if against is None:
                        continue
                    hazards = hazards_of(setting, against, value)
                    words = next((one.words for one in hazards if one.kind is HazardKind.HEARING), "")
                    if words:
                        yield Louder(
                            station=row.name,
                            setting=name,
                            found=setting.show(value),
                            held_against=f"{whose} {setting.show(against)}",
                            words=words,
                        )
                        break


def _changes(file: str, standing: Layer | None, said: Leaves) -> Iterator[Edit]:
    """Give the edits that make a file say this; what is put in goes first, so that no group is taken out and made anew."""
    was = {name: text for name, _, text in leaves(standing)} if standing else {}
    for name, text in said.items():
        if text is not None and was.get(name) != text:
            yield Put(file=file, path=("settings", *name.split(".")), value=text)
    for name in was:
        if name not in said:
            yield Take(file=file, path=("settings", *name.split(".")))
