"""What every channel says: the alert's own words, made harmless line by line, and bounded."""

from asleft.domain.alerts.alert import Alert
from asleft.domain.names import harmless

__all__ = ["as_line", "subject", "text", "whole_line"]

_LONGEST_SUBJECT = 180
_LONGEST_LINE = 500
_MOST_LINES = 200


def subject(alert: Alert) -> str:
    """Give the subject as one bounded line without a control character."""
    return harmless(" ".join(alert.subject.splitlines()), longest=_LONGEST_SUBJECT)


def text(alert: Alert) -> str:
    """Give the text in bounded lines, parted by single line feeds, without any other control character."""
    return "\n".join(_lines(alert))


def as_line(alert: Alert) -> str:
    """Give the text in one line, for what knows nothing but lines."""
    return " | ".join(line for line in _lines(alert) if line)


def whole_line(alert: Alert) -> str:
    """Give time, priority, subject and text in one line."""
    return f"{alert.created:%Y-%m-%dT%H:%M:%SZ} {alert.priority}: {subject(alert)} | {as_line(alert)}"


def _lines(alert: Alert) -> list[str]:
    # One more split than lines are kept, so that a text of a million lines is not taken apart only to be dropped.
    lines = alert.text.replace("\r\n", "\n").split("\n", _MOST_LINES)
    kept = [harmless(line, longest=_LONGEST_LINE) for line in lines[:_MOST_LINES]]
    if len(lines) > _MOST_LINES:
        kept.append(f"… ({len(lines[-1])} characters more; see the ledger)")
    while kept and not kept[-1]:
        kept.pop()
    return kept
