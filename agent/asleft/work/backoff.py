"""How long to wait before the next try: full jitter under a cap that doubles, pure but for the randomness given to it.

Source: standards.md F, full jitter: sleep = U(0, min(cap, base * 2^n)), the architecture article of 2015 that is named there.
"""

import random
from dataclasses import dataclass

__all__ = ["Backoff"]

_DOUBLINGS = 64
"""More of them change nothing under any cap, and would only make numbers that no float holds."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Backoff:
    """Waits between tries.

    Args:
        base: Seconds: the longest wait before the first new try.
        cap: Seconds: the longest wait ever.
    """

    base: float = 2.0
    cap: float = 300.0

    def longest(self, tries: int) -> float:
        """Give the longest wait after so many failed tries, in seconds."""
        return min(self.cap, self.base * 2.0 ** min(tries, _DOUBLINGS))

    def wait(self, tries: int, chance: random.Random) -> float:
        """Give a wait after so many failed tries, in seconds, anywhere between none and the longest."""
        return chance.uniform(0.0, self.longest(tries))
