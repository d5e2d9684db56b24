"""The clock."""

from datetime import UTC, datetime

__all__ = ["now"]


def now() -> datetime:
    """Give the time now, in UTC."""
    return datetime.now(UTC)
