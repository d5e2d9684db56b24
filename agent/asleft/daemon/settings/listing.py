"""What settings there are, what each means, what holds in a home and where that comes from; and the guide's table."""

import ast
import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from asleft.daemon.home import Home
from asleft.daemon.redaction import HIDDEN, names_a_secret, without_userinfo
from asleft.daemon.settings import settings as about
from asleft.daemon.settings.credentials import Credentials
from asleft.daemon.settings.durations import show_duration
from asleft.daemon.settings.settings import LIVE, Settings, key_of, origins, read_settings, variable_of

__all__ = ["Listed", "SettingsList", "guide_table", "list_settings", "meanings"]

_EMPTY: Final = "(none)"


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """One setting as it holds.

    Args:
        key: As the file has it.
        value: As text, secrets hidden.
        origin: `default`, file:line, or `variable NAME`.
        meaning: One sentence.
        reload: Whether a running agent takes a change when it is told to reload.
    """

    key: str
    value: str
    origin: str
    meaning: str
    reload: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SettingsList:
    """All settings of a home, and the credentials that it was given, by name; their values are not read."""

    settings: tuple[Listed, ...]
    credentials: Mapping[str, Path]


def list_settings(folder: Path, *, environment: Mapping[str, str]) -> SettingsList:
    """List what holds in a home, and where each value comes from.

    Raises:
        BadSettings: The settings cannot be used.
    """
    home = Home(folder)
    settings = read_settings(home.settings)
    came = origins(home.settings)
    said = meanings()
    return SettingsList(
        settings=tuple(
            Listed(
                key=key_of(field),
                value=_shown(key_of(field), getattr(settings, field)),
                origin=came[field],
                meaning=said[field],
                reload=field in LIVE,
            )
            for field in Settings.model_fields
        ),
        credentials=Credentials(home.folder, environment=environment).names(),
    )


def meanings() -> dict[str, str]:
    """Give what the docstring below each setting says, by field."""
    (body,) = (
        node.body
        for node in ast.parse(inspect.getsource(about)).body
        if isinstance(node, ast.ClassDef) and node.name == Settings.__name__
    )
    found: dict[str, str] = {}
    for node, below in pairwise(body):
        if (
            isinstance(node, ast.AnnAssign)
            and isinstance(node.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
        ):
            found[node.target.id] = inspect.cleandoc(str(below.value.value))
    return found


def guide_table() -> str:
    """Give the table of all settings as the guide has it."""
    said = meanings()
    rows = [
        "| key | default | a reload takes it | variable | meaning |",
        "|---|---|---|---|---|",
    ]
    for field, told in Settings.model_fields.items():
        default = "must be given" if told.is_required() else f"`{_shown('', told.get_default())}`"
        live = "yes" if field in LIVE else "no"
        rows.append(f"| `{key_of(field)}` | {default} | {live} | `{variable_of(field)}` | {said[field]} |")
    return "\n".join(rows) + "\n"


def _shown(key: str, value: Any) -> str:
    if names_a_secret(key):
        return HIDDEN
    match value:
        case None | "" | ():
            return _EMPTY
        case bool():
            return "yes" if value else "no"
        case timedelta():
            return show_duration(value)
        case Enum():
            return str(value.value)
        case dict() if not value:
            return _EMPTY
        case dict():
            return ", ".join(f"{inner}: {_inner(inner, item)}" for inner, item in value.items())
        case list() | tuple():
            return ", ".join(_inner("", item) for item in value)
    return without_userinfo(str(value))


def _inner(key: str, value: Any) -> str:
    shown = _shown(key, value)
    return f"{{{shown}}}" if isinstance(value, dict) else shown
