"""Until when an alarm is shelved, as a person writes it."""

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

__all__ = ["read_for", "read_until"]

_UNITS = {"s": 1, "m": 60, "min": 60, "h": 3600, "d": 86_400}
_FOR = re.compile(r"([1-9][0-9]{0,5}) ?(s|min|m|h|d)\Z")
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])\Z")


def read_for(text: str) -> timedelta | None:
    """Read a time that lasts, as `30m`, `90 min`, `2h` or `1d`; None where it is none."""
    found = _FOR.match(text.strip())
    return timedelta(seconds=int(found[1]) * _UNITS[found[2]]) if found else None


def read_until(text: str, now: datetime, zone: str) -> datetime | None:
    """Read a time to come: `18:00` by the clocks at the site, the next time they show it, or an RFC 3339 time.

    Args:
        text: What was written; a date and time without a distance from UTC is by the clocks at the site, too.
        now: The time.
        zone: Time zone of the site.

    Returns:
        The time; None where the text is none.
    """
    there = ZoneInfo(zone)
    found = _CLOCK.match(text.strip())
    if found:
        local = now.astimezone(there)
        at = local.replace(hour=int(found[1]), minute=int(found[2]), second=0, microsecond=0, fold=0)
        return at if at > local else at + timedelta(days=1)  # the same clock time, whatever that night does
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return at if at.tzinfo else at.replace(tzinfo=there)
