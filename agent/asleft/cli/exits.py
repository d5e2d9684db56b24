"""Exit codes: the one table, and which error gives which."""

from enum import IntEnum

from asleft.domain.errors import AsleftError

__all__ = ["EPILOG", "Exit", "exit_for"]


class Exit(IntEnum):
    """What a command's exit code means. 1 and 2 are what Python and the command line parser give by themselves."""

    DONE = 0
    BUG = 1
    USAGE = 2
    DRIFT = 3
    INVALID = 4
    NOT_READ = 5
    REFUSED = 6
    UNAVAILABLE = 7
    INTERRUPTED = 130


_MEANINGS = {
    Exit.DONE: "done, everything as left",
    Exit.BUG: "unexpected failure",
    Exit.USAGE: "wrong usage",
    Exit.DRIFT: "drift found",
    Exit.INVALID: "the baseline or the settings are invalid",
    Exit.NOT_READ: "some stations were not wholly read",
    Exit.REFUSED: "refused, or not proved",
    Exit.UNAVAILABLE: "home, repository or disk not usable",
    Exit.INTERRUPTED: "interrupted",
}
EPILOG = "Exit codes: " + "; ".join(f"{code.value} {meaning}" for code, meaning in _MEANINGS.items()) + "."

# By name, so that telling an error's code loads none of the floors that raise it.
_BY_NAME = {
    "BadSettings": Exit.INVALID,
    "BaselineUnusable": Exit.INVALID,
    "NotAllotted": Exit.INVALID,
    "NotEdited": Exit.REFUSED,
    "TooFewAddresses": Exit.REFUSED,
    "BadCredential": Exit.INVALID,
    "BadRequest": Exit.REFUSED,
    "BadChannel": Exit.INVALID,
    "NotSigned": Exit.REFUSED,
    "CannotStart": Exit.REFUSED,
    "NoRevision": Exit.USAGE,
    "NoStation": Exit.USAGE,
    "NoEvidence": Exit.USAGE,
    "NoOrder": Exit.REFUSED,
    "NoLoan": Exit.REFUSED,
    "MayNot": Exit.REFUSED,
    "NoAlarm": Exit.REFUSED,
    "NoSuchMove": Exit.REFUSED,
    "NotApproved": Exit.REFUSED,
    "NothingToRestore": Exit.REFUSED,
    "RecordsRewritten": Exit.REFUSED,
    "BadSignature": Exit.REFUSED,
    "CannotCapture": Exit.REFUSED,
    "CannotFind": Exit.REFUSED,
    "CannotPropose": Exit.REFUSED,
    "NoAccount": Exit.REFUSED,
    "NoToken": Exit.REFUSED,
    "NotProposed": Exit.REFUSED,
    "NobodyToTell": Exit.REFUSED,
    "NoLabelSheet": Exit.USAGE,
    "NothingToPrint": Exit.REFUSED,
    "CannotProve": Exit.USAGE,
    "CannotExport": Exit.USAGE,
    "Interrupted": Exit.INTERRUPTED,
}


def exit_for(error: AsleftError) -> Exit:
    """Give the exit code of an error; an error of an edge means that something could not be used."""
    return _BY_NAME.get(type(error).__name__, Exit.UNAVAILABLE)
