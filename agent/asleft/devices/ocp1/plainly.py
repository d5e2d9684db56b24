"""What ends a session, in the words of whoever works with stations."""

from asleft.devices.ocp1 import session as wire
from asleft.ports.stations import NoAnswer, NotReached

__all__ = ["said_plainly"]


class said_plainly:  # noqa: N801 reads as the sentence that it is
    """Turns what a session says into what the work asks about: not reached, or no answer."""

    def __enter__(self) -> None:
        """Begin."""

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """Raise the error in the work's words.

        Raises:
            NotReached: No connection came about.
            NoAnswer: It ended, or nothing understandable came over it.
        """
        if isinstance(error, wire.Unreachable):
            raise NotReached(error.what, where=error.where, todo=error.todo) from error
        if isinstance(error, wire.Silent | wire.ConnectionGone | wire.Nonsense | wire.Unsendable):
            raise NoAnswer(error.what, where=error.where, todo=error.todo) from error
