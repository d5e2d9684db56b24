"""Starts of new files in a baseline's work tree: small, commented, valid, and never over what is there."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from asleft.domain.addressing import AddressRange, NotAnAddress, address_range, subnet
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Text, nearest
from asleft.domain.layers import flatten
from asleft.domain.names import NAME_RULE, harmless, is_name, unprintable
from asleft.domain.profile import Profile
from asleft.source import start_texts
from asleft.source.documents import Document, read_document
from asleft.source.profiles import read_profile, shipped_profiles
from asleft.source.schemas import schema_text

__all__ = ["CannotStart", "new_estate", "new_occasion", "new_role", "new_site", "new_station"]

_DOTTED = re.compile(r"(?<![0-9.])(?:[0-9]{1,3}\.){3}[0-9]{1,3}(?![0-9.])")
_PLAIN = re.compile(r"[A-Za-z](?:[A-Za-z0-9 .'-]*[A-Za-z0-9.])?\Z")
_WORDS = frozenset({"null", "yes", "no", "on", "off", "true", "false"})
_FLOW = re.compile(r"^(occasions:[ \t]*\[)([^\]\r\n#]*)\]", re.MULTILINE)
_LONGEST_TITLE = 200
_SITE_NETS = IPv4Network("10.20.0.0/14")
"""Sites are given subnets from here, one after the other: private addresses by RFC 1918."""
_SITE_PREFIX = 24


class CannotStart(AsleftError):
    """A start was not written; nothing was changed."""


@dataclass(frozen=True, slots=True)
class _Tree:
    """The work tree of an estate.

    Args:
        folder: Where estate.yaml is.
    """

    folder: Path

    def opened(self, path: str) -> Document:
        """Read one file of ours."""
        try:
            document, problems = read_document(path, (self.folder / path).read_bytes())
        except OSError as wrong:
            todo = "see asleft new --help for how to begin one"
            raise CannotStart(
                f"the file cannot be read: {wrong.strerror}", where=str(self.folder / path), todo=todo
            ) from wrong
        if document is None or problems:
            raise CannotStart(problems[0].what, where=problems[0].where, todo=problems[0].fix)
        return document

    def write(self, kind: str, files: Mapping[str, str]) -> tuple[str, ...]:
        """Write new files, all or none, and the schemas of their kinds where those are missing."""
        for path in files:
            if (self.folder / path).exists() or (self.folder / path).is_symlink():
                raise CannotStart("the file is there already", where=path, todo="choose another name")
        schemas = {f".schemas/{name}.json": schema_text(name) for name in kind.split()}
        fresh = {path: text for path, text in schemas.items() if not (self.folder / path).exists()}
        written: list[Path] = []
        try:
            for path, text in {**files, **fresh}.items():
                target = self.folder / path
                target.parent.mkdir(parents=True, exist_ok=True)
                with target.open("x", encoding="utf-8") as file:
                    written.append(target)
                    file.write(text)
        except OSError as wrong:
            for target in written:
                target.unlink(missing_ok=True)
            raise CannotStart(
                f"the file cannot be written: {wrong.strerror}",
                where=path,
                todo="look at the folder and its permissions",
            ) from wrong
        return tuple(files)


def new_estate(folder: Path, *, name: str, person: str | None = None) -> tuple[str, ...]:
    """Begin an estate in a folder and give the files that were written.

    Args:
        folder: A folder, new or without an estate.
        name: Name of the estate as people read it.
        person: Name of the first person, who gets every right; without one nobody may confirm anything yet.

    Raises:
        CannotStart: A file is there already, or a name cannot be used.
    """
    people = start_texts.NOBODY
    if person is not None:
        key = re.sub(r"[^a-z0-9]+", "-", person.lower()).strip("-")
        _checked_name(key or person)
        people = start_texts.SOMEBODY.format(key=key, name=_quoted(person))
    files = {
        "estate.yaml": start_texts.ESTATE.format(name=_quoted(name)),
        "people.yaml": start_texts.PEOPLE + people,
        ".gitignore": start_texts.IGNORED,
    }
    written = _Tree(folder).write("estate people concessions role occasion site station profile", files)
    for part in ("roles", "occasions", "sites"):
        (folder / part).mkdir(exist_ok=True)
    return written


def new_site(
    estate: Path, site: str, *, title: str | None = None, time_zone: str = "UTC"
) -> tuple[tuple[str, ...], IPv4Network]:
    """Begin a site and give the files that were written, and the subnet that was chosen as an example.

    Raises:
        CannotStart: There is no estate, the site is there already, or a name cannot be used.
    """
    tree = _Tree(estate)
    tree.opened("estate.yaml")
    _checked_name(site)
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as wrong:
        raise CannotStart(
            f"'{harmless(time_zone)}' is not a time zone", todo="write an IANA name, as Europe/Berlin"
        ) from wrong
    network = _free_subnet(tree)
    first = network.network_address
    text = start_texts.SITE.format(
        name=_quoted(title or _title(site)),
        zone=time_zone,
        subnet=network,
        gateway=first + 1,
        mixers=f"{first + 2}-{first + 9}",
        stations=f"{first + 10}-{first + 99}",
    )
    return tree.write("site", {f"sites/{site}/site.yaml": text}), network


def new_station(
    estate: Path, station: str, *, role: str | None = None
) -> tuple[tuple[str, ...], IPv4Address]:
    """Begin a station and give the files that were written, and the address that was chosen: the lowest free one.

    Args:
        estate: Folder of the estate.
        station: Station, as site/station.
        role: Its role.

    Raises:
        CannotStart: There is no such site or role, no address is free, or the station is there already.
    """
    tree = _Tree(estate)
    profile = _profile(tree)
    site, slash, name = station.partition("/")
    if not slash:
        raise CannotStart(f"'{harmless(station)}' names no station", todo="write it as site/station")
    _checked_name(site)
    _checked_name(name)
    if not (estate / "sites" / site / "site.yaml").exists():
        raise CannotStart(f"there is no site '{site}'", todo=f"begin it: asleft new site {site}")
    if role is not None and not (estate / "roles" / f"{_checked_name(role)}.yaml").exists():
        raise CannotStart(f"there is no role '{role}'", todo=f"begin it: asleft new role {role}")
    network, address = _free_address(tree, site)
    *groups, last = profile.reached_at.split(".")
    at = f"{last}: {address}/{network.prefixlen}"
    for group in reversed(groups):
        at = f"{group}: {{{at}}}"
    label = profile.settings.get("label")
    settings = [f"  {at}"]
    if label is not None and isinstance(label.kind, Text):
        settings.insert(0, f"  label: {_quoted(_shortened(_title(name), label.kind.longest))}")
    text = start_texts.STATION.format(
        role=f"role: {role}" if role else "# role: drums", settings="\n".join(settings)
    )
    return tree.write("station", {f"sites/{site}/stations/{name}.yaml": text}), address


def new_role(estate: Path, role: str) -> tuple[str, ...]:
    """Begin a role and give the files that were written.

    Raises:
        CannotStart: There is no estate, the role is there already, or its name cannot be used.
    """
    tree = _Tree(estate)
    tree.opened("estate.yaml")
    text = start_texts.ROLE.format(meaning=_quoted(_title(_checked_name(role))))
    return tree.write("role", {f"roles/{role}.yaml": text})


def new_occasion(estate: Path, occasion: str) -> tuple[str, ...]:
    """Begin an occasion, name it last in estate.yaml's order, and give the files that were written.

    Raises:
        CannotStart: There is no estate, the occasion is there already, its name cannot be used, or the order has a form
            that has to be edited by hand.
    """
    tree = _Tree(estate)
    document = tree.opened("estate.yaml")
    text = start_texts.OCCASION.format(meaning=_quoted(_title(_checked_name(occasion))))
    file = estate / "estate.yaml"
    before = file.read_bytes().decode("utf-8")
    after = _with_last(document, before, occasion)
    written = tree.write("occasion", {f"occasions/{occasion}.yaml": text})
    if after == before:
        return written
    part = file.with_name(".estate.yaml.part")
    try:
        part.write_bytes(after.encode("utf-8"))
        part.replace(file)
    except OSError as wrong:
        part.unlink(missing_ok=True)
        (estate / written[0]).unlink(missing_ok=True)
        raise CannotStart(
            f"the file cannot be written: {wrong.strerror}",
            where=str(file),
            todo="look at the folder and its permissions",
        ) from wrong
    return (*written, "estate.yaml")


def _with_last(document: Document, text: str, occasion: str) -> str:
    """Give estate.yaml with an occasion at the end of the order; every other character stays."""
    order = document.tree.get("occasions", [])
    if isinstance(order, list) and occasion in order:
        return text
    end = "\r\n" if "\r\n" in text else "\n"
    after = text
    if "occasions" not in document.tree:
        after = f"{text.rstrip()}{end}{end}occasions: [{occasion}]{end}"
    elif _FLOW.search(text):
        after = _FLOW.sub(
            lambda found: f"{found[1]}{found[2]}{', ' if order else ''}{occasion}]", text, count=1
        )
    elif isinstance(order, list) and order:
        lines = text.split(end)
        last = document.line(("occasions", len(order) - 1))
        indent = lines[last - 1].partition("-")[0]
        after = end.join([*lines[:last], f"{indent}- {occasion}", *lines[last:]])
    again, _ = read_document("estate.yaml", after.encode("utf-8"))
    if again is None or again.tree != {**document.tree, "occasions": [*(order or ()), occasion]}:
        raise CannotStart(
            f"the order of occasions cannot be added to by itself; {occasion} is missing from it",
            where=f"estate.yaml:{document.line(('occasions',))}",
            todo=f"write {occasion} into it, the strongest first, and begin the occasion then",
        )
    return after


def _checked_name(name: str) -> str:
    if not is_name(name):
        raise CannotStart(f"'{harmless(name)}' is no name: {NAME_RULE}", todo="choose another name")
    return name


def _title(name: str) -> str:
    return name.replace("-", " ").capitalize()


def _shortened(title: str, longest: int) -> str:
    """Cut a title to what fits, keeping its end, where names that begin alike differ."""
    end = longest // 2
    return title if len(title) <= longest else f"{title[: longest - end - 1].strip()} {title[-end:].strip()}"


def _quoted(text: str) -> str:
    """Give text as YAML, in quotes where it could be taken for something else."""
    bad = unprintable(text)
    if bad or not text.strip() or len(text) > _LONGEST_TITLE:
        what = f"holds {bad}, which would not show" if bad else "is empty or too long"
        raise CannotStart(
            f"the name '{harmless(text)}' {what}",
            todo=f"write one line of at most {_LONGEST_TITLE} characters",
        )
    if _PLAIN.match(text) and text.lower() not in _WORDS:
        return text
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _profile(tree: _Tree) -> Profile:
    """Give the profile that a station of the estate has where it names none."""
    document = tree.opened("estate.yaml")
    name = str(document.tree.get("profile", ""))
    own = f"profiles/{name}.yaml"
    if is_name(name) and (tree.folder / own).exists():
        profile, problems = read_profile(name, own, (tree.folder / own).read_bytes())
        if profile is None:
            raise CannotStart(problems[0].what, where=problems[0].where, todo=problems[0].fix)
        return profile
    shipped = shipped_profiles()
    if name not in shipped:
        raise CannotStart(
            f"there is no profile '{harmless(name)}'",
            where=f"estate.yaml:{document.line(('profile',))}",
            todo=nearest(name, list(shipped)),
        )
    return shipped[name]


def _free_subnet(tree: _Tree) -> IPv4Network:
    """Give the first subnet that overlaps none of another site, the very first left out."""
    taken: list[IPv4Network] = []
    for file in sorted((tree.folder / "sites").glob("*/site.yaml")):
        document, _ = read_document(file.name, file.read_bytes())
        addresses = None if document is None else document.tree.get("addresses")
        if isinstance(addresses, dict):
            try:
                taken.append(subnet(str(addresses.get("subnet"))))
            except NotAnAddress:
                continue  # told by the check
    candidates = _SITE_NETS.subnets(new_prefix=_SITE_PREFIX)
    next(candidates)
    for candidate in candidates:
        if not any(candidate.overlaps(other) for other in taken):
            return candidate
    raise CannotStart(f"no subnet of {_SITE_NETS} is left", todo="write the site's file by hand")


def _free_address(tree: _Tree, site: str) -> tuple[IPv4Network, IPv4Address]:
    """Give a site's subnet and the lowest address of its range that stands in no file of it."""
    document = tree.opened(f"sites/{site}/site.yaml")
    plan = document.tree.get("addresses")
    if not isinstance(plan, dict):
        raise CannotStart(
            "the site has no address plan", where=document.path, todo="write subnet and stations"
        )
    try:
        network, stations = subnet(str(plan.get("subnet"))), address_range(str(plan.get("stations")))
    except NotAnAddress as wrong:
        line = document.line(("addresses",))
        raise CannotStart(wrong.what, where=f"{document.path}:{line}", todo=wrong.fix) from wrong
    others = {key: value for key, value in plan.items() if key not in {"subnet", "stations"}}
    taken: set[IPv4Address] = {network.network_address, network.broadcast_address}
    reserved: list[AddressRange] = []
    for _, leaf in flatten({"addresses": others, "settings": _mapping(document.tree.get("settings"))}):
        try:
            reserved.append(address_range(str(leaf)))
        except NotAnAddress:
            taken.update(_addresses_in(str(leaf)))
    for file in (tree.folder / "sites" / site / "stations").glob("*.yaml"):
        taken.update(_addresses_in(file.read_text("utf-8", errors="replace")))
    for address in stations:
        if address in network and address not in taken and not any(address in one for one in reserved):
            return network, address
    raise CannotStart(
        f"no address is left in {stations}",
        where=f"{document.path}:{document.line(('addresses', 'stations'))}",
        todo="widen the range, or take a station out",
    )


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _addresses_in(text: str) -> Iterator[IPv4Address]:
    for found in _DOTTED.findall(text):
        try:
            yield IPv4Address(found)
        except ValueError:
            continue
