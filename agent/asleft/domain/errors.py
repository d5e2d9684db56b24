"""The one root of all errors that a person may see: what is wrong, where, and what to do about it."""

from typing import Final

__all__ = ["AsleftError", "told_of"]

_MOST_DEEP: Final = 10


class AsleftError(Exception):
    """Something went wrong that a person can understand and act on.

    A subclass stands beside the code that raises it; the command line turns classes into exit codes.

    Args:
        what: One sentence: what is wrong.
        where: File and line, or station, peer and offset; empty where there is no place to point at.
        todo: One sentence: what to do about it; empty only where nothing can be done.
    """

    def __init__(self, what: str, *, where: str = "", todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.todo = todo

    def __str__(self) -> str:
        said = f"{self.where}: {self.what}" if self.where else self.what
        return f"{said}; {self.todo}" if self.todo else said


def told_of(wrong: BaseException, depth: int = 0) -> AsleftError | None:
    """Find the error for people in what was raised, which may be a group of a task group; None where there is none."""
    if isinstance(wrong, AsleftError):
        return wrong
    if isinstance(wrong, BaseExceptionGroup) and depth < _MOST_DEEP:
        return next((told for one in wrong.exceptions if (told := told_of(one, depth + 1))), None)
    return None
