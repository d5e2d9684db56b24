"""Passwords as argon2id hashes: never in the event loop, never too many at once, always as long for nobody as for somebody."""

import asyncio
from base64 import b64encode
from typing import Final

from argon2 import Parameters, PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from asleft.work.accounts.choosing import LONGEST_PASSWORD
from asleft.work.accounts.refusals import TooBusy
from asleft.work.accounts.secret import Chance

__all__ = ["PARAMETERS", "Hashing"]

PARAMETERS: Final = RFC_9106_LOW_MEMORY
"""argon2id, 3 passes over 64 MiB in 4 lanes, 128-bit salt, 256-bit tag: RFC 9106 §4, second recommended option (ASVS 11.4.2)."""
_AT_ONCE: Final = 2
"""Hashes at the same time: 128 MiB."""
_MOST_WAITING: Final = 30
"""People who wait for theirs; more are turned away, so that a flood cannot hold whoever comes after it for minutes."""


class Hashing:
    """Makes and checks hashes of passwords.

    Args:
        chance: Gives random bytes.
        parameters: Of argon2; a hash with others is made anew when its password is next known.
        at_once: Hashes at the same time; each takes the memory of the parameters.
        waiting: Others that may wait.
    """

    def __init__(
        self,
        chance: Chance,
        *,
        parameters: Parameters = PARAMETERS,
        at_once: int = _AT_ONCE,
        waiting: int = _MOST_WAITING,
    ) -> None:
        self._chance = chance
        self._hasher = PasswordHasher.from_parameters(parameters)
        self._places = asyncio.Semaphore(at_once)
        self._most = at_once + waiting
        self._here: set[asyncio.Future[str]] = set()
        # No password has this hash: it is 256 random bits that were never the outcome of anything.
        salt, tag = (
            b64encode(chance(size)).rstrip(b"=").decode("ascii")
            for size in (parameters.salt_len, parameters.hash_len)
        )
        costs = f"m={parameters.memory_cost},t={parameters.time_cost},p={parameters.parallelism}"
        self._nobody = f"$argon2id$v={parameters.version}${costs}${salt}${tag}"

    async def make(self, password: str) -> str:
        """Give the hash of a password, with its salt and parameters.

        Raises:
            TooBusy: Too many wait already.
        """
        return await self._apart(password, None)

    async def check(self, hashed: str, password: str) -> bool:
        """Tell whether a password is the one that was hashed; without a hash it takes as long to say no.

        Raises:
            TooBusy: Too many wait already.
        """
        fits = 0 < len(password) <= LONGEST_PASSWORD
        said = await self._apart(password if fits else "", hashed or self._nobody)
        return bool(said) and fits and bool(hashed)

    def is_old(self, hashed: str) -> bool:
        """Tell whether a hash was made with other parameters than hashes are made with now."""
        return self._hasher.check_needs_rehash(hashed)

    async def _apart(self, password: str, hashed: str | None) -> str:
        """Hash in a thread: a hash, or where there is one to compare with, something or nothing."""
        if len(self._here) >= self._most:
            raise TooBusy
        # A thread cannot be stopped: whoever goes away before the answer holds the place until the hash is made, or many who
        # come and go would have any number of them made at once.
        # Nothing is left out or changed (ASVS 6.2.8); a lone surrogate is a character like any other.
        work = asyncio.ensure_future(self._placed(password.encode("utf-8", "surrogatepass"), hashed))
        self._here.add(work)
        work.add_done_callback(self._here.discard)
        return await asyncio.shield(work)

    async def _placed(self, password: bytes, hashed: str | None) -> str:
        async with self._places:
            return await asyncio.to_thread(self._work, password, hashed)

    def _work(self, password: bytes, hashed: str | None) -> str:
        if hashed is None:
            return self._hasher.hash(password, salt=self._chance(self._hasher.salt_len))
        try:
            self._hasher.verify(hashed, password)
        except (VerificationError, InvalidHashError):
            return ""
        return hashed
