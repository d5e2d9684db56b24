"""The agent's own settings: a file in the home folder, over which the environment wins.

The docstring below each key is what the guide says of it; `settings_list` reads it from here.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_origin

import yaml
from pydantic import Field, ValidationError, field_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from asleft.daemon.settings.choices import EventLoop, LogForm, LogLevel
from asleft.daemon.settings.durations import Duration
from asleft.daemon.settings.listen import NoListenAddress, parse_listen
from asleft.daemon.settings.page_rows import HeaderName, Network, Origin
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless, is_name
from asleft.domain.problems import Level, Problem
from asleft.source.documents import Document, read_document

if TYPE_CHECKING:
    from asleft.alerts.rows import ChannelRow

__all__ = [
    "LIVE",
    "BadSettings",
    "EventLoop",
    "LogForm",
    "LogLevel",
    "Reloaded",
    "Settings",
    "key_of",
    "merge",
    "origins",
    "read_settings",
    "variable_of",
    "write_settings",
]

_PREFIX: Final = "ASLEFT_"


class BadSettings(AsleftError):
    """The settings file, or a variable, cannot be used.

    Args:
        problems: All that is wrong, in the order of the file; the first is told in full, the others after it.
    """

    def __init__(self, problems: list[Problem]) -> None:
        first, *others = problems
        more = "".join(f"; {_place(problem, first)}{problem.what}" for problem in others)
        super().__init__(f"{first.what}{more}", where=_where(first), todo=first.fix)
        self.problems = tuple(problems)


class Settings(BaseSettings):
    """What an agent is told about its home; each can be given as ASLEFT_<NAME> in the environment."""

    model_config = SettingsConfigDict(env_prefix=_PREFIX, extra="forbid", frozen=True)

    baseline: str
    """URL or path of the baseline repository."""
    branch: str | None = None
    """Branch of it that is followed; the remote's own choice where none is named."""
    folder: str = ""
    """Folder inside it that holds estate.yaml; the top where none is named."""
    agent_name: str = "asleft agent"
    """Name under which the agent commits to the records."""
    agent_email: str = "agent@asleft.invalid"
    """Address that goes with it (.invalid: RFC 6761)."""
    signing_key: Path | None = None
    """SSH key that signs the records; unsigned where none is named."""
    records_remote: str | None = None
    """URL or path of a repository to which each commit of the records is pushed at once, never with force."""
    stand_ins: Path | None = None
    """Ready file of simulated stations that have no addresses of their own."""
    connect_seconds: float = Field(default=3.0, gt=0)
    """How long a station may take to accept a connection, in seconds."""
    answer_seconds: float = Field(default=5.0, gt=0)
    """How long a station may take to answer, in seconds."""
    round_interval: Duration = Field(default=timedelta(minutes=5), ge=timedelta(seconds=1))
    """How long from one round over a site to the next, as a duration."""
    round_jitter: Duration = Field(default=timedelta(seconds=30), ge=timedelta(0))
    """By how much a round may begin earlier or later, as a duration, so that sites do not all begin at once."""
    fetch_interval: Duration = Field(default=timedelta(minutes=1), ge=timedelta(seconds=1))
    """How long from one fetch of the baseline to the next, as a duration."""
    follow: bool = True
    """Whether stations that notify are followed between rounds: yes or no."""
    gather: Duration = Field(default=timedelta(seconds=1), ge=timedelta(0), le=timedelta(minutes=1))
    """How long notified changes are gathered into one commit of the records, as a duration."""
    drop_folder: Path | None = None
    """Folder in which snapshots of stations with `reach: {by: drop}` are put; `drop` in the home where none is named."""
    log_format: LogForm = LogForm.AUTO
    """How the log is written: auto, console (people), json (machines) or journal (JSON with systemd's priorities)."""
    log_level: LogLevel = LogLevel.INFO
    """From which weight on something is logged: debug, info, warning or error."""
    event_loop: EventLoop = EventLoop.AUTO
    """What the agent runs on: auto (uvloop where the extra `fast` is installed, else asyncio), asyncio or uvloop."""
    metrics_listen: str = "127.0.0.1:9473"
    """Where /metrics, /healthz, /readyz and /hooks/baseline are served: address:port, unix:PATH, or off."""
    metrics_hosts: tuple[str, ...] = ()
    """Names under which these pages may be asked for besides localhost and the address itself."""
    hook_tolerance: Duration = Field(
        default=timedelta(minutes=5), ge=timedelta(seconds=1), le=timedelta(hours=1)
    )
    """How old or how far ahead the time in a signed call to /hooks/baseline may be, as a duration."""
    pages_listen: str = "127.0.0.1:9480"
    """Where the page for people is served: address:port, unix:PATH, or off; beyond loopback only over TLS."""
    pages_url: Origin = ""
    """Address by which people open the page, such as `https://monitors.quillfen.example`; http only for localhost and loopback; where none is named, the one it listens at."""
    pages_hosts: tuple[str, ...] = ()
    """Further names under which the page may be asked for, besides localhost and the address itself."""
    pages_certificate: Path | None = None
    """File with the page's TLS certificate and those between it and its root, PEM; read at the start."""
    pages_key: Path | None = None
    """File with the private key of that certificate, PEM."""
    pages_proxy: tuple[Network, ...] = ()
    """Addresses or networks from which a reverse proxy connects to the page; what others say of a request means nothing."""
    pages_proxy_header: HeaderName = ""
    """Header in which that proxy names the person who asks, by the key in people.yaml; nobody is signed in so where none is named."""
    socket: Path | None = None
    """Where the command line reaches the running agent; `agent.sock` in the home where none is named."""
    socket_group: str | None = None
    """Group whose members may open that socket, too; only the agent's own account and root where none is named."""
    accounts: dict[str, str] = Field(default={})
    """Which account of this computer is which person in people.yaml, such as `idris: idris-quill`."""
    channels: dict[str, dict[str, Any]] = Field(default={})
    """Ways by which alerts go out, by name; each has a kind, and what that kind takes."""

    def channel_rows(self) -> "dict[str, ChannelRow]":
        """Give the channels as their kinds have them; what is wrong with them was told when the settings were read."""
        return _rows(self.channels) if self.channels else {}

    @field_validator("metrics_listen", "pages_listen")
    @classmethod
    def _can_listen(cls, text: str) -> str:
        try:
            parse_listen(text)
        except NoListenAddress as wrong:
            raise PydanticCustomError("listen", "{why}", {"why": str(wrong)}) from wrong
        return text

    @field_validator("accounts")
    @classmethod
    def _are_people(cls, accounts: dict[str, str]) -> dict[str, str]:
        for account, person in accounts.items():
            if not is_name(person):
                why = f"'{harmless(person)}', for the account {harmless(account)}, is no key of people.yaml"
                raise PydanticCustomError("person", "{why}", {"why": why})
        return accounts

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment win over the file, whose content comes as arguments."""
        del settings_cls, dotenv_settings, file_secret_settings
        return env_settings, init_settings


LIVE: Final = frozenset({"accounts", "fetch_interval", "log_level", "round_interval", "round_jitter"})
"""Fields that a running agent takes anew when it is told to reload; the others wait for its next start."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Reloaded:
    """What a reload gave.

    Args:
        settings: What holds from here on.
        taken: Keys that changed and hold.
        waiting: Keys that changed and hold after the next start only.
    """

    settings: Settings
    taken: tuple[str, ...]
    waiting: tuple[str, ...]


def merge(running: Settings, wanted: Settings) -> Reloaded:
    """Take what a running agent can take of new settings, and say what has to wait."""
    changed = [name for name in Settings.model_fields if getattr(running, name) != getattr(wanted, name)]
    taken = {name: getattr(wanted, name) for name in changed if name in LIVE}
    return Reloaded(
        settings=running.model_copy(update=taken),
        taken=tuple(key_of(name) for name in taken),
        waiting=tuple(key_of(name) for name in changed if name not in LIVE),
    )


def key_of(field: str) -> str:
    """Give the key under which a field stands in the file."""
    return field.replace("_", "-")


def variable_of(field: str) -> str:
    """Give the variable of the environment that a field may come from."""
    return f"{_PREFIX}{field.upper()}"


def read_settings(file: Path) -> Settings:
    """Read the settings file of a home, and the environment over it.

    Raises:
        BadSettings: It is missing, not YAML, or it or a variable says something that cannot be; all of it is told.
    """
    document, problems = _opened(file)
    values: dict[str, Any] = {}
    known = {key_of(field): field for field in Settings.model_fields}
    for key, value in document.tree.items() if document else ():
        if key not in known:
            fix = nearest(key, list(known))
            problems.append(_problem(file, document, (key,), f"'{harmless(key)}' is no setting", fix))
        elif value is not None:
            values[known[key]] = value
    if not _in_environment("channels"):
        problems.extend(_bad_channels(file, document, values.get("channels")))
    try:
        settings = Settings(**values)
        if _in_environment("channels"):
            problems.extend(_bad_channels(file, document, settings.channels))
    except SettingsError as wrong:
        raise BadSettings([*problems, _bad_variable(str(wrong))]) from wrong
    except ValidationError as wrong:
        found = [_refused(file, document, dict(error)) for error in wrong.errors(include_url=False)]
        if document is None:
            # Where the file could not be read at all, that a key is missing is no news.
            found = [problem for problem in found if problem.rule != "settings.missing"]
        raise BadSettings(sorted([*problems, *found])) from wrong
    if problems:
        raise BadSettings(sorted(problems))
    return settings


def origins(file: Path) -> Mapping[str, str]:
    """Say where each field of settings that can be read comes from: `default`, file:line, or the variable."""
    document, _ = _opened(file)
    written = document.tree if document else {}
    from_file = {
        field: f"{file}:{document.line((key_of(field),))}"
        for field in Settings.model_fields
        if document and written.get(key_of(field)) is not None
    }
    return {
        field: f"variable {variable_of(field)}" if _in_environment(field) else from_file.get(field, "default")
        for field in Settings.model_fields
    }


def write_settings(file: Path, **values: str | None) -> None:
    """Write the settings file of a new home; what is None is left out."""
    given = {key_of(key): value for key, value in values.items() if value is not None}
    file.write_text(
        "# Settings of this agent; see the guide.\n" + yaml.safe_dump(given, sort_keys=True), "utf-8"
    )


def _opened(file: Path) -> tuple[Document | None, list[Problem]]:
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        return _unread(str(file.parent), "there is no home here", "make one with asleft init")
    except OSError as wrong:
        return _unread(
            str(file), f"the settings cannot be read: {wrong.strerror}", "see who may read the file"
        )
    document, problems = read_document(str(file), data)
    if document is None:
        problems = [replace(one, what=f"the settings cannot be read: {one.what}") for one in problems]
    return document, problems


def _unread(place: str, what: str, fix: str) -> tuple[None, list[Problem]]:
    raise BadSettings(
        [Problem(rule="settings.file", level=Level.ERROR, file=place, line=0, what=what, fix=fix)]
    )


def _problem(
    file: Path,
    document: Document | None,
    path: tuple[str | int, ...],
    what: str,
    fix: str,
    rule: str = "value",
) -> Problem:
    line = document.line(path) if document else 0
    return Problem(rule=f"settings.{rule}", level=Level.ERROR, file=str(file), line=line, what=what, fix=fix)


def _rows(channels: Mapping[str, Any]) -> "dict[str, ChannelRow]":
    from pydantic import TypeAdapter  # noqa: PLC0415 only where there are channels

    from asleft.alerts.rows import ChannelRow  # noqa: PLC0415 as above

    return TypeAdapter(dict[str, ChannelRow]).validate_python(channels)


def _bad_channels(file: Path, document: Document | None, channels: Any) -> list[Problem]:
    if not isinstance(channels, dict) or not all(isinstance(row, dict) for row in channels.values()):
        return []  # the settings themselves tell that
    try:
        _rows(channels)
    except ValidationError as wrong:
        errors: list[dict[str, Any]] = [
            dict(error) for error in wrong.errors(include_url=False, include_input=False)
        ]
        for error in errors:
            # Between a channel's name and its key stands its kind, which is no step in the file.
            name, *inner = error["loc"]
            error["loc"] = ("channels", name, *inner[1:])
            if error["type"] == "missing":
                error["type"] = "channel_missing"
        return [_refused(file, document, error) for error in errors]
    return []


def _refused(file: Path, document: Document | None, error: dict[str, Any]) -> Problem:
    field, *inner = error["loc"]
    path = (key_of(str(field)), *inner)
    key = harmless(".".join(str(step) for step in path if step != "[key]"))
    said = harmless(f"{error['msg'][:1].lower()}{error['msg'][1:]}")
    if error["type"] == "missing":
        return _problem(file, None, (), f"the key '{key}' is missing", f"write a line '{key}: …'", "missing")
    if _in_environment(str(field)):
        name = variable_of(str(field))
        return Problem(
            rule="settings.variable",
            level=Level.ERROR,
            file=name,
            line=0,
            what=f"{key}: {said}",
            fix="mend that variable",
        )
    return _problem(file, document, path, f"{key}: {said}", "mend that line")


def _bad_variable(said: str) -> Problem:
    # pydantic-settings names the field, not the variable: `error parsing value for field "accounts" …`.
    field = said.partition('"')[2].partition('"')[0]
    return Problem(
        rule="settings.variable",
        level=Level.ERROR,
        file=variable_of(field),
        line=0,
        what=f"{key_of(field)}: this is not JSON",
        fix='write a list as ["one", "another"]'
        if _is_list(field)
        else 'write a mapping as {"key": "value"}',
    )


def _is_list(field: str) -> bool:
    return get_origin(Settings.model_fields[field].annotation) is tuple


def _in_environment(field: str) -> bool:
    wanted = variable_of(field)
    return any(name.upper() == wanted for name in os.environ)


def _where(problem: Problem) -> str:
    return problem.where if problem.line else problem.file


def _place(problem: Problem, first: Problem) -> str:
    if problem.file != first.file:
        return f"{_where(problem)}: "
    return f"line {problem.line}: " if problem.line else ""
