"""The log: one renderer for our own lines and for those of libraries, with no secret and no foreign control character.

This is the one module that knows structlog. Times are UTC. What a line is about (site, station, round, order) is bound
in context, so that everything that is said meanwhile carries it.
"""

import json
import logging
import math
import os
import sys
import traceback
from collections import OrderedDict
from collections.abc import Hashable, Iterator, Mapping, MutableMapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, TextIO, cast

import structlog
from structlog.contextvars import bound_contextvars, merge_contextvars
from structlog.stdlib import BoundLogger, ProcessorFormatter, add_log_level, add_logger_name

from asleft.daemon.redaction import HIDDEN, Redactor, names_a_secret
from asleft.daemon.settings.settings import LogForm, LogLevel
from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.ports.clock import Clock

__all__ = ["Log", "Repeats", "about", "log_of", "logging_to", "set_level"]

Log = BoundLogger
"""What says something: `log.info("sentence", key=value)`."""

LONGEST: Final = 2_000
"""Characters of one value that are kept."""
LONGEST_TRACE: Final = 8_000
MOST_ITEMS: Final = 50
"""Of a list or mapping in a line, so many items are kept."""
DEEPEST: Final = 4

# sd-daemon(3): SD_CRIT "<2>", SD_ERR "<3>", SD_WARNING "<4>", SD_INFO "<6>", SD_DEBUG "<7>".
_PRIORITY: Final = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
_QUIET: Final = ("apprise", "apscheduler", "asyncio", "h11", "httpcore", "httpx", "uvicorn", "watchdog")
"""Libraries whose everyday lines would drown ours; below warning httpx tells URLs and httpcore tells headers."""
_COLOURS: Final = {"critical": "1;31", "error": "31", "warning": "33", "debug": "2"}

_Event = MutableMapping[str, Any]


def log_of(name: str) -> Log:
    """Give the log of a part of the agent; it costs nothing until something is said."""
    logger = logging.getLogger(f"asleft.{name}")
    chain = [structlog.stdlib.filter_by_level, *_SHARED, ProcessorFormatter.wrap_for_formatter]
    return cast("Log", structlog.wrap_logger(logger, processors=chain, wrapper_class=BoundLogger))


@contextmanager
def about(
    *,
    site: str = "",
    station: str = "",
    round: str = "",  # noqa: A002 the word of the house
    order: str = "",
) -> Iterator[None]:
    """Bind what the lines that are said meanwhile are about, in this task and those that it starts."""
    given = {"site": site, "station": station, "round": round, "order": order}
    with bound_contextvars(**{key: value for key, value in given.items() if value}):
        yield


@contextmanager
def logging_to(
    stream: TextIO, *, form: LogForm, level: LogLevel, redactor: Redactor, environment: Mapping[str, str]
) -> Iterator[None]:
    """Send every log line of this process to a stream, and put things back as they were at the end.

    Args:
        stream: Usually stderr.
        form: How lines are written.
        level: From which weight on.
        redactor: Hides secrets.
        environment: Says whether the stream is the journal (`JOURNAL_STREAM`) and whether colour is wanted.
    """
    chosen = _form(stream, form, environment)
    coloured = stream.isatty() and not environment.get("NO_COLOR") and environment.get("TERM") != "dumb"
    handler = _Handler(stream)
    handler.setFormatter(
        ProcessorFormatter(
            foreign_pre_chain=_SHARED,
            processors=[
                _stamp,
                ProcessorFormatter.remove_processors_meta,
                _Cleaner(redactor),
                _Console(coloured=coloured)
                if chosen is LogForm.CONSOLE
                else _Lines(journal=chosen is LogForm.JOURNAL),
            ],
        )
    )
    root = logging.getLogger()
    before, root_level = root.handlers[:], root.level
    levels = {name: logging.getLogger(name).level for name in (*_QUIET, "asleft")}
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in _QUIET:
        logging.getLogger(name).setLevel(max(logging.WARNING, levels[name]))
    set_level(level)
    logging.captureWarnings(capture=True)
    try:
        yield
    finally:
        logging.captureWarnings(capture=False)
        root.handlers[:] = before
        root.setLevel(root_level)
        for name, was in levels.items():
            logging.getLogger(name).setLevel(was)
        handler.close()


def set_level(level: LogLevel) -> None:
    """Say from which weight on the agent's own lines are written; libraries stay at warning."""
    logging.getLogger("asleft").setLevel(level.value.upper())


@dataclass(kw_only=True, slots=True)
class _Failing:
    why: str
    count: int
    since: datetime


class Repeats:
    """Says a failure loudly when it is new and quietly when it is repeated, and sums up when it ends.

    Args:
        log: Where.
        clock: Gives the time.
        most: So many failures are remembered; beyond that the one that was silent for longest is forgotten, and would be
            loud again.
    """

    def __init__(self, log: Log, clock: Clock, *, most: int = 4096) -> None:
        self._log = log
        self._clock = clock
        self._most = most
        self._known: OrderedDict[Hashable, _Failing] = OrderedDict()

    def failed(self, key: Hashable, event: str, *, why: object, **fields: object) -> None:
        """Say that something failed: a warning where it did not just fail for the same reason, else a debug line."""
        reason = str(why)
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = _Failing(why="", count=0, since=self._clock())
        self._known.move_to_end(key)
        known.count += 1
        if known.why == reason:
            self._log.debug(event, why=reason, repeated=known.count, **fields)
        else:
            known.why = reason
            self._log.warning(event, why=reason, **fields)
        if len(self._known) > self._most:
            _, forgotten = self._known.popitem(last=False)
            self._log.debug(
                "a failure was forgotten, for there are too many", why=forgotten.why, count=forgotten.count
            )

    def mended(self, key: Hashable, event: str, **fields: object) -> None:
        """Say that something works again, how often it had failed and for how long; nothing where it never failed."""
        known = self._known.pop(key, None)
        if known is not None:
            seconds = (self._clock() - known.since).total_seconds()
            self._log.info(event, failed=known.count, seconds=round(seconds, 1), why=known.why, **fields)

    def __len__(self) -> int:
        return len(self._known)


class _Handler(logging.StreamHandler[TextIO]):
    """Writes lines. One that cannot be made into text is said to be so: the usual report would show what is in it."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 the base class has this name
        """Say that a line was lost, and where it was to be said."""
        with suppress(OSError, ValueError):
            self.stream.write(
                f"asleft: a line of {harmless(record.name)}:{record.lineno} could not be logged\n"
            )


def _form(stream: TextIO, form: LogForm, environment: Mapping[str, str]) -> LogForm:
    if form is not LogForm.AUTO:
        return form
    if _is_journal(stream, environment.get("JOURNAL_STREAM", "")):
        return LogForm.JOURNAL
    return LogForm.CONSOLE if stream.isatty() else LogForm.JSON


def _is_journal(stream: TextIO, named: str) -> bool:
    """Tell whether a stream is the one that systemd.exec(5) names by device and inode in $JOURNAL_STREAM."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return named == f"{found.st_dev}:{found.st_ino}"


def _error_fields(_: Any, __: str, event: _Event) -> _Event:
    """Take apart an error that people may see: what, where and what to do, without a trace; others keep theirs."""
    given = event.pop("exc_info", None)
    if given is True:
        given = sys.exc_info()[1]
    elif isinstance(given, tuple):
        given = given[1]
    if isinstance(given, AsleftError):
        event.update(error=type(given).__name__, what=given.what)
        event.update({key: value for key, value in (("where", given.where), ("todo", given.todo)) if value})
    elif isinstance(given, BaseException):
        event["trace"] = "".join(traceback.format_exception(given))
    return event


_SHARED: Final[list[Any]] = [merge_contextvars, add_log_level, add_logger_name, _error_fields]


def _stamp(_: Any, __: str, event: _Event) -> _Event:
    record: logging.LogRecord = event["_record"]
    at = datetime.fromtimestamp(record.created, UTC)
    event["at"] = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return event


class _Cleaner:
    """Hides secrets, escapes what could command a terminal, and cuts what is too long, in every value of a line."""

    def __init__(self, redactor: Redactor) -> None:
        self._redactor = redactor

    def __call__(self, _: Any, __: str, event: _Event) -> _Event:
        return {self._text(key, 60): self._clean(key, value, 0) for key, value in event.items()}

    def _clean(self, key: str, value: object, depth: int) -> Any:
        if names_a_secret(key):
            return HIDDEN
        if value is None or isinstance(value, bool | int):
            return value
        if isinstance(value, float):
            return value if math.isfinite(value) else str(value)
        if key == "trace":
            lines = self._redactor.hide(str(value))[-LONGEST_TRACE:].splitlines()
            return "\n".join(harmless(line, longest=LONGEST) for line in lines)
        if depth < DEEPEST:
            if isinstance(value, Mapping):
                listed = list(value.items())[:MOST_ITEMS]
                return {
                    self._text(inner, 60): self._clean(str(inner), item, depth + 1) for inner, item in listed
                }
            if isinstance(value, list | tuple | set | frozenset):
                return [self._clean("", item, depth + 1) for item in list(value)[:MOST_ITEMS]]
        return self._text(value, LONGEST)

    def _text(self, value: object, longest: int) -> str:
        try:
            text = value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else str(value)
        except Exception as wrong:  # noqa: BLE001 a foreign object must not keep a line from being said
            text = f"(a {type(value).__name__} that cannot be shown: {type(wrong).__name__})"
        return harmless(self._redactor.hide(text), longest=longest)


class _Lines:
    """One JSON object a line; for the journal with systemd's priority before it."""

    def __init__(self, *, journal: bool) -> None:
        self._journal = journal

    def __call__(self, _: Any, __: str, event: _Event) -> str:
        first = {"at": event.pop("at"), "level": event.pop("level"), "event": event.pop("event")}
        text = json.dumps({**first, **dict(sorted(event.items()))}, allow_nan=False)
        return f"<{_PRIORITY.get(first['level'], 6)}>{text}" if self._journal else text


class _Console:
    """A line for people: time, weight where it is not plain, sentence, then what it is about."""

    def __init__(self, *, coloured: bool) -> None:
        self._coloured = coloured

    def __call__(self, _: Any, __: str, event: _Event) -> str:
        at, level, said = event.pop("at"), event.pop("level"), event.pop("event")
        trace = event.pop("trace", "")
        event.pop("logger", None)
        word = "" if level == "info" else f"{level}: "
        if self._coloured and level in _COLOURS:
            word = f"\x1b[{_COLOURS[level]}m{word}\x1b[0m"
        fields = "".join(f"  {key}={_bare(value)}" for key, value in event.items())
        below = "".join(f"\n    {line}" for line in trace.splitlines())
        return f"{at[:19].replace('T', ' ')} UTC  {word}{said}{fields}{below}"


def _bare(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    if not isinstance(value, str):
        return text
    # Whatever looks like a space could be taken for the end of a value, and what follows for the next key (ASVS 16.4.1).
    return json.dumps(text, ensure_ascii=False) if any(map(str.isspace, text)) or '"' in text else text
