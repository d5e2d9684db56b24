"""How long a session waits."""

from dataclasses import dataclass

__all__ = ["Timings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timings:
    """How long a session waits.

    Args:
        connect_limit: Seconds until a connection must stand.
        command_limit: Seconds until every command of a batch must be answered.
        keepalive: The keep-alive period T in whole seconds, as the wire has it; 0 starts none.
        second: How long one second of `keepalive` lasts here; other than 1 only where a test must not wait.
    """

    connect_limit: float = 3.0
    command_limit: float = 5.0
    keepalive: int = 3
    second: float = 1.0
