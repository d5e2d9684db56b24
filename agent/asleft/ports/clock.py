"""Time as the work asks for it."""

from collections.abc import Callable
from datetime import datetime

__all__ = ["Clock"]

Clock = Callable[[], datetime]
"""Gives the time now, aware, in UTC."""
