"""Gives addresses to the stations of a site that have none, as edits in the estate's work tree; it never commits."""

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from asleft.domain.addressing import number_of
from asleft.domain.allotment import allot_from
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless, is_name
from asleft.domain.problems import Level
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing, resolve
from asleft.domain.site import AddressPlan
from asleft.source.documents import MAX_BYTES, read_document
from asleft.source.edits import NotEdited, set_setting
from asleft.source.files.addresses import read_addresses
from asleft.source.files.estate import EstateFile
from asleft.source.files.site import SiteFile, StationFile
from asleft.source.profiles import shipped_profiles
from asleft.source.reading import FileRead, Opened, read_file
from asleft.work.ordering import NoStation

__all__ = ["Allotted", "NotAllotted", "allot_addresses"]

_MOST_STATIONS: Final = 4096
"""Station files of one site; a station range holds at most a quarter of that."""


class NotAllotted(AsleftError):
    """No address is given, and nothing is written: a file that says what is taken cannot be used or written."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Allotted:
    """One address that was given.

    Args:
        station: Name of the station.
        address: Its address with prefix length, as written.
        file: The station's file, from the estate's folder.
        line: The line that says so now.
    """

    station: str
    address: str
    file: str
    line: int


def allot_addresses(folder: Path, site: str) -> tuple[Allotted, ...]:
    """Write a free address into the file of every station of a site that gets none from any layer.

    What is taken is read from the work tree, uncommitted edits too. The lowest free addresses of the station range are
    given in the order of the stations' names, with the prefix length of the subnet; all edits are ready before the
    first file is written.

    Args:
        folder: Folder of the estate: the one with estate.yaml.
        site: Name of the site.

    Returns:
        What was written, by station name; nothing where every station has an address.

    Raises:
        NoStation: There is no such site.
        NotAllotted: A file cannot be read or written, or what is taken cannot be told from it.
        TooFewAddresses: The station range has not enough.
        NotEdited: A file cannot be edited so that it is read as meant.
    """
    tree = _WorkTree(folder)
    if not is_name(site) or not tree.has(f"sites/{site}/site.yaml"):
        raise NoStation(
            f"there is no site '{harmless(site)}'", where=str(folder), todo=nearest(site, tree.sites())
        )
    plan, wanting = tree.look(site)
    found = allot_from(
        plan,
        tree.taken,
        list(wanting),
        where=str(folder / "sites" / site / "site.yaml"),
    )
    if plan.subnet is None:  # a bad subnet was refused when the plan was read
        raise AssertionError(site)
    edits = [
        _edit(tree, name, wanting[name], f"{address}/{plan.subnet.prefixlen}")
        for name, address in found.items()
    ]
    for _, path, text in edits:
        tree.write(path, text)
    return tuple(given for given, _, _ in edits)


def _edit(
    tree: "_WorkTree", station: str, wanted: tuple[str, Profile], address: str
) -> tuple[Allotted, str, str]:
    path, profile = wanted
    keys = ("settings", *profile.reached_at.split("."))
    try:
        text = set_setting(tree.data(path).decode(), keys, address)
    except NotEdited as wrong:
        at = wrong.where.removeprefix("line ")
        raise NotEdited(wrong.what, where=f"{path}:{at}" if at else path, todo=wrong.todo) from wrong
    document, _ = read_document(path, text.encode())
    line = document.line(keys) if document else 1
    return Allotted(station=station, address=address, file=path, line=line), path, text


class _WorkTree:
    """The files of an estate as they lie in its folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder.resolve()
        self._typing = Typing()
        self._models: dict[str, Profile] = shipped_profiles()
        self._known: dict[str, FileRead] = {}
        self.taken: set[int] = set()
        """Addresses that stations of the site have."""

    def has(self, path: str) -> bool:
        """Tell whether there is a file of the estate's own at a path."""
        file = self._folder / path
        return file.is_file() and not file.is_symlink() and file.resolve().is_relative_to(self._folder)

    def sites(self) -> list[str]:
        """Name the sites."""
        return sorted(file.parent.name for file in self._folder.glob("sites/*/site.yaml"))

    def look(self, site: str) -> tuple[AddressPlan, Mapping[str, tuple[str, Profile]]]:
        """Give the site's plan, and file and model of each station that has no address; note what the others have."""
        estate, estate_file = self._opened("estate.yaml")
        at_site, site_file = self._opened(f"sites/{site}/site.yaml")
        plan, problems = read_addresses(cast("SiteFile", site_file).addresses, at_site.document)
        if problems:
            first = min(problems)
            raise NotAllotted(first.what, where=first.where, todo=first.fix)
        wanting: dict[str, tuple[str, Profile]] = {}
        for name in self._stations(site):
            path = f"sites/{site}/stations/{name}.yaml"
            own, file = self._opened(path)
            station = cast("StationFile", file)
            profile = self._model(station.profile or cast("EstateFile", estate_file).profile, path)
            role = self._opened(f"roles/{station.role}.yaml")[0] if station.role else None
            layers = [one.layer for one in (estate, role, at_site, own) if one is not None and one.layer]
            resolved = resolve(profile, layers, self._typing)
            address = resolved.values.get(profile.reached_at)
            if address is not None:
                self.taken.add(number_of(str(address)))
                continue
            bad = [wrong for wrong in resolved.wrong if wrong.name == profile.reached_at]
            if bad:
                raise NotAllotted(bad[0].why.what, where=str(bad[0].origin), todo=bad[0].why.fix)
            wanting[name] = (path, profile)
        return plan, wanting

    def data(self, path: str) -> bytes:
        """Give what stands in a file; of one that is too large, enough to see that."""
        if not self.has(path):
            raise NotAllotted("there is no such file", where=path, todo="asleft check tells what is missing")
        try:
            with (self._folder / path).open("rb") as file:
                return file.read(MAX_BYTES + 1)
        except OSError as wrong:
            raise NotAllotted(f"it cannot be read: {wrong.strerror}", where=path) from wrong

    def write(self, path: str, text: str) -> None:
        """Put a text in the place of a file, all of it or nothing, with the rights that the file had."""
        target = self._folder / path
        part = ""
        try:
            handle, part = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.parent)
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode())
            shutil.copymode(target, part)
            Path(part).replace(target)
        except OSError as wrong:
            if part:
                with suppress(OSError):
                    Path(part).unlink()
            raise NotAllotted(
                f"it cannot be written: {wrong.strerror}",
                where=path,
                todo="git diff shows what was written before",
            ) from wrong

    def _stations(self, site: str) -> Iterator[str]:
        found = sorted(file.stem for file in (self._folder / "sites" / site / "stations").glob("*.yaml"))
        if len(found) > _MOST_STATIONS:
            raise NotAllotted(f"{len(found)} station files are more than a site can have", where=site)
        return (name for name in found if is_name(name))

    def _opened(self, path: str) -> tuple[Opened, object]:
        read = self._read(path)
        if read.opened is None:
            raise NotAllotted("it cannot be read", where=path, todo="asleft check tells what is wrong")
        return read.opened, read.opened.file

    def _model(self, name: str, path: str) -> Profile:
        own = f"profiles/{name}.yaml"
        if is_name(name) and self.has(own):
            profile = self._read(own).profile
            if profile is not None:
                return profile
        if name in self._models:
            return self._models[name]
        known = nearest(name, sorted(self._models))
        raise NotAllotted(f"there is no profile '{harmless(name)}'", where=path, todo=known)

    def _read(self, path: str) -> FileRead:
        if path in self._known:
            return self._known[path]
        read = self._known[path] = read_file(path, "", self.data(path))
        wrong = sorted(problem for problem in read.problems if problem.level is Level.ERROR)
        if wrong:
            raise NotAllotted(wrong[0].what, where=wrong[0].where, todo=wrong[0].fix)
        return read
