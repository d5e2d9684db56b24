"""One file of a baseline: which kind it is by its place, and what it says."""

import re
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import NamedTuple

from pydantic import BaseModel

from asleft.domain.layers import Layer
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.resolving import Leaf, leaves
from asleft.domain.rules.secrets import look_for_secrets
from asleft.domain.rules.whole import check_layer
from asleft.source.documents import MAX_BYTES, Document, read_document
from asleft.source.files.estate import ConcessionsFile, EstateFile, PeopleFile, RoleFile
from asleft.source.files.occasion import OccasionFile
from asleft.source.files.parts import validate
from asleft.source.files.site import SiteFile, StationFile
from asleft.source.profiles import read_profile
from asleft.source.rotas import PLACE

__all__ = ["FileRead", "Opened", "Place", "place_of", "read_file", "unreadable"]

_TEXT_BEGINS = 8192  # git looks at as many bytes to tell text from binary


class Place(NamedTuple):
    """What a path says: the kind of file, and the names in it (role, or site and station)."""

    kind: str
    names: tuple[str, ...] = ()


_PLACES = (
    ("station", re.compile(r"sites/([^/]+)/stations/([^/]+)\.yaml\Z")),
    ("estate", re.compile(r"estate\.yaml\Z")),
    ("people", re.compile(r"people\.yaml\Z")),
    ("concessions", re.compile(r"concessions\.yaml\Z")),
    ("site", re.compile(r"sites/([^/]+)/site\.yaml\Z")),
    ("calendar", re.compile(r"sites/([^/]+)/calendar\.ics\Z")),
    ("rota", PLACE),
    ("role", re.compile(r"roles/([^/]+)\.yaml\Z")),
    ("occasion", re.compile(r"occasions/([^/]+)\.yaml\Z")),
    ("profile", re.compile(r"profiles/([^/]+)\.yaml\Z")),
)
_MODELS: Mapping[str, type[BaseModel]] = {
    "estate": EstateFile,
    "people": PeopleFile,
    "concessions": ConcessionsFile,
    "role": RoleFile,
    "occasion": OccasionFile,
    "site": SiteFile,
    "station": StationFile,
}
_LAYERED = {"role", "occasion", "site", "station"}


def place_of(path: str) -> Place:
    """Tell what kind of file stands at a path; `other` where no kind has its place there."""
    for kind, pattern in _PLACES:
        found = pattern.match(path)
        if found:
            return Place(kind, found.groups())
    return Place("other")


class Opened(NamedTuple):
    """A file that could be read.

    Args:
        file: What it says, checked for its kind.
        document: Its text with lines.
        layer: Its settings as a layer, where its kind has any.
        named: The leaves of that layer.
    """

    file: BaseModel
    document: Document
    layer: Layer | None = None
    named: tuple[Leaf, ...] = ()


class FileRead(NamedTuple):
    """What one file of one revision says.

    Args:
        path: Where it stands.
        blob: Id of its content.
        place: Its kind and names.
        opened: What it says; None where it could not be read, or its kind is not YAML of ours.
        profile: The profile, where it is one.
        data: The bytes of a calendar, which is read with its site's time zone.
        problems: What is wrong with it, taken alone.
    """

    path: str
    blob: str
    place: Place
    opened: Opened | None = None
    profile: Profile | None = None
    data: bytes = b""
    problems: tuple[Problem, ...] = ()


def read_file(path: str, blob: str, data: bytes) -> FileRead:
    """Read one file; never raises for any bytes."""
    place = place_of(path)
    problems = [] if b"\0" in data[:_TEXT_BEGINS] else _secrets(path, data)
    for name in place.names:
        if not is_name(name):
            what = f"'{harmless(name)}' is no name: {NAME_RULE}"
            problems.append(_problem("file.name", path, what, "rename the file or folder"))
            return FileRead(path, blob, Place("other"), problems=tuple(problems))
    if place.kind == "profile":
        profile, wrong = read_profile(place.names[0], path, data)
        return FileRead(path, blob, place, profile=profile, problems=(*problems, *wrong))
    if place.kind in {"calendar", "rota"}:
        return FileRead(path, blob, place, data=data, problems=tuple(problems))
    model = _MODELS.get(place.kind)
    if model is None:
        if PurePosixPath(path).suffix in {".yaml", ".yml", ".ics"} and not path.startswith("."):
            what = "this file has no place in an estate and is not read"
            fix = "see the guide for the places of files"
            problems.append(_problem("file.no-place", path, what, fix, Level.WARNING))
        return FileRead(path, blob, place, problems=tuple(problems))
    document, wrong = read_document(path, data)
    opened = None
    if document is not None:
        file, invalid = validate(model, document)
        wrong = [*wrong, *invalid]
        if file is not None:
            opened = _opened(place, file, document)
            if opened.layer is not None:
                wrong.extend(check_layer(opened.layer))
    return FileRead(path, blob, place, opened=opened, problems=(*problems, *wrong))


def unreadable(path: str, blob: str, size: int | None) -> FileRead:
    """Give what is known of a file whose content is too large (its size in bytes), or missing (None)."""
    if size is None:
        rule, what = "file.missing-blob", f"its content, blob {blob[:10]}, is missing from the repository"
        fix = "run git fsck on the baseline and clone it anew"
    else:
        rule = "yaml.too-large"
        what = f"the file has {size} bytes; {MAX_BYTES // 1024} KiB is the most that is read"
        fix = "split it, or remove what is no setting"
    place = place_of(path)
    problems = () if size is not None and place.kind == "other" else (_problem(rule, path, what, fix),)
    return FileRead(path, blob, place, problems=problems)


def _opened(place: Place, file: BaseModel, document: Document) -> Opened:
    if place.kind == "estate":
        name = "estate"
    elif place.kind in _LAYERED:
        name = f"{place.kind} {place.names[-1]}"
    else:
        return Opened(file, document)
    layer = Layer(
        name=name,
        file=document.path,
        settings=getattr(file, "settings"),  # noqa: B009 every layered kind has them, BaseModel does not say so
        line_of=lambda path: document.line(("settings", *path)),
    )
    return Opened(file, document, layer, leaves(layer))


def _secrets(path: str, data: bytes) -> list[Problem]:
    return list(look_for_secrets(path, data.decode("utf-8", "replace")))


def _problem(rule: str, path: str, what: str, fix: str, level: Level = Level.ERROR) -> Problem:
    return Problem(rule=rule, level=level, file=path, line=1, what=what, fix=fix)
