"""What can go wrong with a session: each in one class, so that the work can give each its own word."""

from asleft.domain.errors import AsleftError

__all__ = [
    "ConnectionGone",
    "Nonsense",
    "Refused",
    "Silent",
    "Unreachable",
    "Unsendable",
]


class Unreachable(AsleftError):
    """No connection came about: refused, no route, or no answer in time."""


class Silent(AsleftError):
    """Connected, but nothing was answered in time."""


class ConnectionGone(AsleftError):
    """The connection ended in the middle of the conversation."""


class Nonsense(AsleftError):
    """The peer sent what OCP.1 does not allow.

    `offset` is the byte at which it shows, counted from the beginning of the peer's stream.
    """

    def __init__(self, what: str, *, where: str = "", todo: str = "", offset: int = 0) -> None:
        super().__init__(what, where=where, todo=todo)
        self.offset = offset


class Refused(AsleftError):
    """The station answered a subscription with a status that is not OK; `status` says which."""

    def __init__(self, what: str, *, where: str = "", todo: str = "", status: int = 0) -> None:
        super().__init__(what, where=where, todo=todo)
        self.status = status


class Unsendable(AsleftError):
    """A command that does not fit a PDU or its own fields."""
