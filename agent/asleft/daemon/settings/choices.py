"""Settings that are one of a few words."""

from enum import StrEnum

__all__ = ["EventLoop", "LogForm", "LogLevel"]


class LogForm(StrEnum):
    """How the log is written."""

    AUTO = "auto"
    """As the journal takes it under systemd, for people on a terminal, else for machines."""
    CONSOLE = "console"
    JSON = "json"
    JOURNAL = "journal"


class LogLevel(StrEnum):
    """From which weight on something is logged."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


class EventLoop(StrEnum):
    """What the agent runs on."""

    AUTO = "auto"
    """uvloop where it is installed."""
    ASYNCIO = "asyncio"
    UVLOOP = "uvloop"
