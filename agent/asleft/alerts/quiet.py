"""Keeps libraries from logging addresses and headers that are secrets."""

import logging

__all__ = ["hush"]

_ABOVE_ALL = logging.CRITICAL + 1


def hush(*names: str) -> None:
    """Let loggers of these names, and those below them, say nothing at all.

    What they would say holds the URL of the call, which for many services is the password; what went wrong is
    said by the channel in words of its own.
    """
    for name in names:
        logging.getLogger(name).setLevel(_ABOVE_ALL)
