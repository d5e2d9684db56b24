"""What edits make of the files of an estate: texts before and after, file by file, and the difference as people read it."""

import difflib
from collections.abc import Callable, Mapping, Sequence

from asleft.domain.errors import AsleftError
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.ports.proposals import Edit, NewConcession, NewRole, NewStation, Put, Take
from asleft.source import start_texts
from asleft.source.edits import NotEdited, add_entry, remove_setting, set_setting

__all__ = ["CONCESSIONS", "NotProposed", "difference", "edited"]

CONCESSIONS = "concessions.yaml"
_CONCESSIONS_TEXT = """\
# Standing exceptions: what may be open in the normal state, who answers for it, why, and until when.
# The end of a concession is the last day on which it holds, by the calendar of its site.
format: asleft-concessions-1
concessions: {}
"""
_NO_CONCESSION = "concessions: {}\n"
_SCHEMA = "# yaml-language-server:"
_LONGEST_PATH = 1024


class NotProposed(AsleftError):
    """A change cannot be proposed; no branch was made."""


def edited(read: Callable[[str], str | None], edits: Sequence[Edit]) -> dict[str, tuple[str | None, str]]:
    """Give the files that edits change: the text before, None where the file is new, and the text after.

    Args:
        read: Gives the text of a file by its path from the estate's folder; None where there is none.
        edits: What changes, in this order.

    Raises:
        NotProposed: A file that is to be changed is not there, or one that is to be new is.
        NotEdited: An edit cannot be made in the text as it stands.
    """
    before: dict[str, str | None] = {}
    after: dict[str, str] = {}
    for edit in edits:
        path = _path_of(edit)
        if path not in before:
            before[path] = read(path)
        try:
            after[path] = _after(edit, after.get(path, before[path]), path, read)
        except NotEdited as wrong:
            where = f"{path}, {wrong.where}" if wrong.where else path
            raise NotEdited(wrong.what, where=where, todo=wrong.todo) from wrong
    return {path: (before[path], text) for path, text in after.items() if text != before[path]}


def difference(files: Mapping[str, tuple[str | None, str]]) -> tuple[tuple[str, str], ...]:
    """Give what changes in each file, in unified form."""
    told: list[tuple[str, str]] = []
    for path, (before, after) in sorted(files.items()):
        lines = difflib.unified_diff(
            (before or "").splitlines(),
            after.splitlines(),
            fromfile="/dev/null" if before is None else f"a/{path}",
            tofile=f"b/{path}",
            lineterm="",
        )
        told.append((path, "\n".join(lines)))
    return tuple(told)


def _path_of(edit: Edit) -> str:
    match edit:
        case NewStation(site=site, name=name):
            return f"sites/{_named(site)}/stations/{_named(name)}.yaml"
        case NewRole(name=name):
            return f"roles/{_named(name)}.yaml"
        case NewConcession():
            return CONCESSIONS
        case Put(file=path) | Take(file=path):
            parts = path.split("/")
            hidden = any(part in {"", ".", ".."} or part.lower().startswith(".git") for part in parts)
            if hidden or len(path) > _LONGEST_PATH or not path.isprintable():
                raise NotProposed(f"'{harmless(path)}' is no file of an estate", todo="name one of its files")
            return path


def _after(edit: Edit, text: str | None, path: str, read: Callable[[str], str | None]) -> str:
    if isinstance(edit, NewConcession):
        return _with_concession(edit, _CONCESSIONS_TEXT if text is None else text)
    if isinstance(edit, NewStation | NewRole):
        if text is not None:
            raise NotProposed("the file is there already", where=path, todo="choose another name")
        kind = "station" if isinstance(edit, NewStation) else "role"
        begun = _station(edit) if isinstance(edit, NewStation) else _role(edit)
        first, _, rest = begun.partition("\n")
        # An editor that is told of a schema that is not there complains about every file.
        return begun if read(f".schemas/{kind}.json") is not None or not first.startswith(_SCHEMA) else rest
    if text is None:
        raise NotProposed("there is no such file to change", where=path, todo="fetch the baseline anew")
    if isinstance(edit, Take):
        return remove_setting(text, edit.path)
    return set_setting(text, edit.path, edit.value)


def _station(edit: NewStation) -> str:
    head = start_texts.STATION.partition("\nsettings:")[0]
    role = f"role: {_named(edit.role)}" if edit.role else "# role: drums"
    text = head.format(role=role, settings="").rstrip() + "\n"
    if edit.profile:
        text += (
            f"\n# Its model, for it is not the one that most stations are.\nprofile: {_named(edit.profile)}\n"
        )
    if not edit.serial:
        return text
    placeholder = next(line for line in text.splitlines() if line.startswith("# serial:"))
    return set_setting(text.replace(placeholder, placeholder[2:]), ("serial",), edit.serial)


def _role(edit: NewRole) -> str:
    head = start_texts.ROLE.partition("\n# settings:")[0]
    return set_setting(head.format(meaning="to be said"), ("meaning",), edit.meaning)


def _with_concession(edit: NewConcession, text: str) -> str:
    entry: dict[str, str | tuple[str, ...]] = {"setting": edit.setting, "value": edit.value}
    if edit.where:
        entry["where"] = edit.where
    entry |= {"holder": edit.holder, "reason": edit.reason, "until": edit.until.isoformat()}
    if text.endswith(_NO_CONCESSION):
        # The first one begins the list in lines of its own, not in braces that nobody can read.
        begun = text.removesuffix(_NO_CONCESSION) + "concessions:\n  first: x\n"
        added = add_entry(begun, ("concessions", _named(edit.key)), entry)
        return remove_setting(added, ("concessions", "first"))
    return add_entry(text, ("concessions", _named(edit.key)), entry)


def _named(name: str) -> str:
    if not is_name(name):
        raise NotProposed(f"'{harmless(name)}' is no name: {NAME_RULE}", todo="choose another name")
    return name
