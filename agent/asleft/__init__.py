"""asleft keeps stage monitor stations as they were approved.

Git says how each station was left, the wire says how it is found, and a person decides about the difference.
"""

__all__ = ["__version__"]

__version__ = "0.1.0"
