"""A commit's files to an estate: read, checked, layered and typed, with everything that is wrong told at once."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from pathlib import PurePosixPath
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel

from asleft.domain.addressing import AddressRange, NotAnAddress, address_range, subnet
from asleft.domain.estate import AsLeft, Estate, Person, Site, StationId
from asleft.domain.kinds import NotAValue, Value, nearest
from asleft.domain.layers import Layer, Origin, flatten, merge_patch
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.rules.addressing import cross_check
from asleft.domain.site import AddressPlan
from asleft.source.documents import Document, read_document
from asleft.source.files.estate import EstateFile, PeopleFile, RoleFile
from asleft.source.files.parts import validate
from asleft.source.files.site import SiteFile, StationFile
from asleft.source.namings import check_names, check_values, typed
from asleft.source.profiles import read_profile

__all__ = ["read_estate"]

_File = TypeVar("_File", bound=BaseModel)
_LATER = re.compile(r"(concessions\.yaml|occasions/[^/]+\.yaml|sites/[^/]+/calendar\.ics)\Z")
_SITE = re.compile(r"sites/([^/]+)/site\.yaml\Z")
_STATION = re.compile(r"sites/([^/]+)/stations/([^/]+)\.yaml\Z")
_ROLE = re.compile(r"roles/([^/]+)\.yaml\Z")
_PROFILE = re.compile(r"profiles/([^/]+)\.yaml\Z")
# Stands in for a range that could not be read, so that the rest of the site is still checked.
_ANYWHERE = AddressRange(first=IPv4Address(0), last=IPv4Address(2**32 - 1))


def read_estate(
    files: Mapping[str, bytes], *, commit: str, shipped: Mapping[str, Profile]
) -> tuple[Estate | None, list[Problem]]:
    """Read the estate that a commit's files describe.

    Args:
        files: Contents by path, as they stand in one commit.
        commit: That commit.
        shipped: Profiles that come with asleft; a file under profiles/ takes the place of one of the same name.

    Returns:
        The estate, or None where an error forbids to use it; and every problem, sorted by file and line.
    """
    reader = _EstateReader(files, shipped)
    estate = reader.read(commit)
    problems = sorted(set(reader.problems))
    broken = any(problem.level is Level.ERROR for problem in problems)
    return (None if broken else estate), problems


@dataclass
class _Read:
    """The files that could be read, by name."""

    profiles: dict[str, Profile]
    roles: dict[str, Layer] = field(default_factory=dict)
    sites: dict[str, tuple[Site, Layer]] = field(default_factory=dict)
    stations: dict[StationId, tuple[StationFile, Document]] = field(default_factory=dict)


class _EstateReader:
    """Goes through the files once and keeps every problem on the way."""

    def __init__(self, files: Mapping[str, bytes], shipped: Mapping[str, Profile]) -> None:
        self.files = files
        self.problems: list[Problem] = []
        self.found = _Read(profiles=dict(shipped))
        self._typed: dict[tuple[str, str, str], Value | NotAValue] = {}

    def tell(self, file: str, line: int, rule: str, what: str, fix: str, level: Level = Level.ERROR) -> None:
        self.problems.append(Problem(rule=rule, level=level, file=file, line=line, what=what, fix=fix))

    def read(self, commit: str) -> Estate | None:
        if "estate.yaml" not in self.files:
            self.tell(
                "estate.yaml",
                1,
                "estate.missing",
                "this commit has no estate.yaml",
                "commit one, or name the folder it is in",
            )
            return None
        opened = self.open("estate.yaml", EstateFile)
        for path in sorted(self.files):
            self.sort_in(path)
        people = self.people()
        if opened is None:
            return None
        estate_file, document = opened
        self.estate_references(estate_file, document)
        estate_layer = _layer("estate", document, estate_file.settings)
        used = self.used_profiles(estate_file)
        stations = dict(self.stations(estate_file, estate_layer))
        for layer in (
            estate_layer,
            *self.found.roles.values(),
            *(layer for _, layer in self.found.sites.values()),
        ):
            if used:
                self.problems.extend((*check_names(layer, used), *check_values(layer, used)))
        estate = Estate(
            name=estate_file.name,
            commit=commit,
            sites={name: site for name, (site, _) in sorted(self.found.sites.items())},
            stations=stations,
            people=people,
            order_minutes=estate_file.orders.lapse_minutes,
        )
        self.problems.extend(cross_check(estate))
        return estate

    def open(self, path: str, model: type[_File]) -> tuple[_File, Document] | None:
        document, problems = read_document(path, self.files[path])
        self.problems.extend(problems)
        if document is None:
            return None
        file, problems = validate(model, document)
        self.problems.extend(problems)
        return None if file is None else (file, document)

    def sort_in(self, path: str) -> None:
        """Read one file according to its place in the tree."""
        if path in {"estate.yaml", "people.yaml"}:
            return
        for pattern, take in (
            (_ROLE, self.role),
            (_SITE, self.site),
            (_STATION, self.station),
            (_PROFILE, self.profile),
        ):
            found = pattern.match(path)
            if found:
                names = found.groups()
                for name in names:
                    if not is_name(name):
                        self.tell(
                            path,
                            1,
                            "file.name",
                            f"'{harmless(name)}' is no name: {NAME_RULE}",
                            "rename the file or folder",
                        )
                        return
                take(path, *names)
                return
        if _LATER.match(path):
            what = "this version of asleft does not read occasions, calendars and concessions"
            self.tell(path, 1, "file.not-read", what, "do not rely on it yet", Level.WARNING)
        elif PurePosixPath(path).suffix in {".yaml", ".yml"} and not path.startswith("."):
            what = "this file has no place in an estate and is not read"
            self.tell(path, 1, "file.no-place", what, "see the guide for the places of files", Level.WARNING)

    def role(self, path: str, name: str) -> None:
        opened = self.open(path, RoleFile)
        if opened:
            file, document = opened
            self.found.roles[name] = _layer(f"role {name}", document, file.settings)

    def profile(self, path: str, name: str) -> None:
        profile, problems = read_profile(name, path, self.files[path])
        self.problems.extend(problems)
        if profile:
            self.found.profiles[name] = profile

    def site(self, path: str, name: str) -> None:
        opened = self.open(path, SiteFile)
        if opened is None:
            return
        file, document = opened
        network, search = None, _ANYWHERE
        try:
            network = subnet(file.addresses.subnet)
        except NotAnAddress as wrong:
            self.tell(path, document.line(("addresses", "subnet")), "site.addresses", wrong.what, wrong.fix)
        line = document.line(("addresses", "stations"))
        try:
            search = address_range(file.addresses.stations)
        except NotAnAddress as wrong:
            self.tell(path, line, "site.addresses", wrong.what, wrong.fix)
        else:
            if network and not (search.first in network and search.last in network):
                what = f"the station range {search} leaves the subnet {network}"
                self.tell(path, line, "site.range", what, "keep it inside")
        try:
            ZoneInfo(file.time_zone)
        except (ZoneInfoNotFoundError, ValueError):
            what = f"'{harmless(file.time_zone)}' is not a time zone"
            self.tell(
                path,
                document.line(("time-zone",)),
                "site.time-zone",
                what,
                "write an IANA name, as Europe/Berlin",
            )
        plan = AddressPlan(subnet=network, gateway=None, stations=search)
        site = Site(
            name=name,
            title=file.name,
            time_zone=file.time_zone,
            port=file.reach.port,
            addresses=plan,
            line_of=document.line,
        )
        self.found.sites[name] = (site, _layer(f"site {name}", document, file.settings))

    def station(self, path: str, site: str, name: str) -> None:
        opened = self.open(path, StationFile)
        if opened:
            self.found.stations[StationId(site, name)] = opened

    def people(self) -> dict[str, Person]:
        if "people.yaml" not in self.files:
            self.tell(
                "people.yaml",
                1,
                "people.missing",
                "nobody may confirm a restore",
                "commit a people.yaml",
                Level.WARNING,
            )
            return {}
        opened = self.open("people.yaml", PeopleFile)
        if opened is None:
            return {}
        file, document = opened
        for key, row in file.people.items():
            for at, site in enumerate(row.sites):
                if f"sites/{site}/site.yaml" not in self.files:
                    line = document.line(("people", key, "sites", at))
                    self.tell(
                        "people.yaml",
                        line,
                        "people.site",
                        f"there is no site '{site}'",
                        nearest(site, list(self.found.sites)),
                    )
        return {
            key: Person(key=key, name=row.name, rights=frozenset(row.rights), sites=frozenset(row.sites))
            for key, row in file.people.items()
        }

    def estate_references(self, file: EstateFile, document: Document) -> None:
        known = list(self.found.profiles)
        for name, path in (
            (file.profile, ("profile",)),
            *((key, ("firmware", key)) for key in file.firmware),
        ):
            if name not in self.found.profiles:
                line = document.line(path)
                self.tell(
                    "estate.yaml",
                    line,
                    "estate.profile",
                    f"there is no profile '{name}'",
                    nearest(name, known),
                )

    def used_profiles(self, estate: EstateFile) -> list[Profile]:
        """Give the profiles in use; none where one of them is missing, for then no name can be called unknown."""
        names = {file.profile or estate.profile for file, _ in self.found.stations.values()} | {
            estate.profile
        }
        known = self.found.profiles
        return [known[name] for name in sorted(names)] if names <= known.keys() else []

    def stations(self, estate: EstateFile, estate_layer: Layer) -> Iterator[tuple[StationId, AsLeft]]:
        below: dict[tuple[str, str], dict[str, Any]] = {}
        for station, (file, document) in sorted(self.found.stations.items()):
            path = document.path
            if station.site not in self.found.sites:
                if f"sites/{station.site}/site.yaml" not in self.files:
                    self.tell(
                        path,
                        1,
                        "station.site",
                        f"the site '{station.site}' has no site.yaml",
                        "write one beside the stations folder",
                    )
                continue
            name = file.profile or estate.profile
            profile = self.found.profiles.get(name)
            if profile is None:
                if file.profile:
                    fix = nearest(name, list(self.found.profiles))
                    self.tell(
                        path,
                        document.line(("profile",)),
                        "station.profile",
                        f"there is no profile '{name}'",
                        fix,
                    )
                continue
            self.role_reference(file.role, document)
            own = _layer(f"station {station.name}", document, file.settings)
            self.problems.extend(check_names(own, [profile]))
            role = self.found.roles.get(file.role or "")
            site_layer = self.found.sites[station.site][1]
            lower = [layer for layer in (estate_layer, role, site_layer) if layer]
            kind = (file.role or "", station.site)
            if kind not in below:
                merged: Any = {}
                for layer in lower:
                    merged = merge_patch(merged, layer.annotated())
                below[kind] = merged
            values, origins = self.typed(profile, merge_patch(below[kind], own.annotated()))
            if profile.reached_at not in values:
                if profile.reached_at not in origins:
                    fix = f"write {profile.reached_at} under settings"
                    self.tell(path, 1, "station.address", f"no layer names {profile.reached_at}", fix)
                continue
            yield (
                station,
                AsLeft(
                    station=station,
                    serial=file.serial,
                    role=file.role or "",
                    profile=profile,
                    firmware=estate.firmware.get(name, ()),
                    values=values,
                    origins=origins,
                    layers=(*lower, own),
                    file=path,
                ),
            )

    def role_reference(self, role: str | None, document: Document) -> None:
        if role and f"roles/{role}.yaml" not in self.files:
            known = list(self.found.roles)
            fix = nearest(role, known) if known else "write its file under roles/"
            line = document.line(("role",))
            self.tell(document.path, line, "station.role", f"there is no role '{role}'", fix)

    def typed(self, profile: Profile, merged: Any) -> tuple[dict[str, Value], dict[str, Origin]]:
        """Give every merged text the type that the profile says."""
        values: dict[str, Value] = {}
        origins: dict[str, Origin] = {}
        for path, naming in flatten(merged):
            name = ".".join(path)
            setting = profile.settings.get(name)
            if setting is None or not setting.managed:
                continue  # another model's, or told already by `check_names`
            origins[name] = naming.origin
            key = (profile.name, name, repr(naming.text))
            value = self._typed.get(key)
            if value is None:
                value = typed(setting, naming)
                self._typed[key] = value
            if isinstance(value, NotAValue):
                self.tell(
                    naming.origin.file,
                    naming.origin.line,
                    "setting.value",
                    f"{name}: {value.what}",
                    value.fix,
                )
            else:
                values[name] = value
        return values, origins


def _layer(name: str, document: Document, settings: Mapping[str, Any]) -> Layer:
    """Make a layer of a document's `settings:`; lines are looked up below that key."""
    return Layer(
        name=name,
        file=document.path,
        settings=settings,
        line_of=lambda path: document.line(("settings", *path)),
    )
