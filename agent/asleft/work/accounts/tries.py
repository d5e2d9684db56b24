"""Failed tries to sign in, counted for the address and for the person, and how long each has to wait (ASVS 6.1.1, 6.3.1).

The first five failures cost nothing; then each doubles the wait, up to a ceiling. Three counts are kept apart:

- an address, whomever it tries: one that guesses is slowed down for every name. A success gives back its own try only, so
  that somebody with an account cannot wash the count of the address clean with it.
- a person, from all addresses that the person never signed in from: many addresses together are slowed down, too.
- a person from one address that the person did sign in from, in the last weeks: there the count before does not hold. A
  stranger elsewhere can therefore never lock a person out of where the person works; from a new address it may take some
  minutes a try, and a new one-time link opens that, too.

A try is counted before the password is looked at and given back where it was right: many at the same time, or a process that is
killed, gain nothing. While somebody has to wait nothing is looked at and nothing counted.
"""

import hmac
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256

from asleft.domain.accounts import AccountLimits, Mark, Tries, Whence, network_of, wait_after
from asleft.ports.accounts import AccountStore
from asleft.ports.clock import Clock
from asleft.work.accounts.refusals import TooManyTries
from asleft.work.accounts.secret import Chance

__all__ = ["Counted", "Counting"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Counted:
    """A try that was counted.

    Args:
        person: Count of the person, or of the person from there.
        address: Count of the address.
        before: Both counts before.
        noted: Both counts with this try.
    """

    person: str
    address: str
    before: tuple[Tries | None, Tries | None]
    noted: tuple[Tries, Tries]


class Counting:
    """Counts failed tries.

    Args:
        store: Keeps the counts.
        clock: Gives the time.
        limits: What is allowed.
        chance: Gives random bytes.
    """

    def __init__(self, store: AccountStore, clock: Clock, limits: AccountLimits, chance: Chance) -> None:
        self._store = store
        self._clock = clock
        self._limits = limits
        # A name that nobody has may be a password in the wrong field: not even its plain digest goes into the ledger.
        self._key = chance(32)

    def begin(self, person: str, whence: Whence, *, exists: bool) -> Counted:
        """Count a try, before anything is looked at.

        Args:
            person: Key in people.yaml, or what was typed for it.
            whence: From where.
            exists: Whether anybody has that key; it makes no difference that can be seen from outside.

        Raises:
            TooManyTries: It has to wait; nothing was counted.
        """
        now = self._clock()
        network = network_of(whence.address)
        person_count, longest = self._count_of(person, network, exists=exists)
        address_count = f"address {network}"
        before = self._kept(person_count), self._kept(address_count)
        wait = max(
            self._wait(before[0], longest),
            self._wait(before[1], self._limits.longest_wait),
        )
        if wait > timedelta(0):
            raise TooManyTries(wait)
        noted = (
            Tries(failures=(before[0].failures if before[0] else 0) + 1, last=now),
            Tries(failures=(before[1].failures if before[1] else 0) + 1, last=now),
        )
        self._store.put_tries(person_count, noted[0])
        self._store.put_tries(address_count, noted[1])
        self._store.forget_tries(now - self._limits.forget, most=self._limits.most_tries)
        return Counted(person=person_count, address=address_count, before=before, noted=noted)

    def succeeded(self, counted: Counted, person: str, whence: Whence) -> None:
        """Give a try back that was no failure, and know the person there from now on."""
        self._store.put_tries(counted.person, None)
        self._give_back(counted.address, counted.before[1], counted.noted[1])
        self.know(person, whence)

    def marks_of_failure(self, counted: Counted) -> frozenset[Mark]:
        """Give what makes a try that failed suspicious (ASVS 6.3.5): that it was the one after which there is a wait.

        It is marked once: whoever fails on has to wait, and is told of no more.
        """
        return frozenset({Mark.LIMIT} if counted.noted[0].failures == self._limits.free else ())

    def marks_of_success(self, counted: Counted, person: str, whence: Whence) -> frozenset[Mark]:
        """Give what makes a try with the right password suspicious (ASVS 6.3.5); asked before `succeeded`."""
        before = counted.before[0].failures if counted.before[0] else 0
        several = frozenset({Mark.AFTER_WRONG} if before >= self._limits.several else ())
        return several | self.new_address(person, whence)

    def new_address(self, person: str, whence: Whence) -> frozenset[Mark]:
        """Mark an address that the person did not sign in from in the last weeks."""
        new = not self._is_known(person, network_of(whence.address))
        return frozenset({Mark.NEW_ADDRESS} if new else ())

    def not_looked_at(self, counted: Counted) -> None:
        """Give a try back that nobody looked at."""
        self._give_back(counted.person, counted.before[0], counted.noted[0])
        self._give_back(counted.address, counted.before[1], counted.noted[1])

    def know(self, person: str, whence: Whence) -> None:
        """Know a person at an address from now on."""
        now = self._clock()
        self._store.know(person, network_of(whence.address), at=now)
        self._store.forget_known(now - self._limits.known)

    def _count_of(self, person: str, network: str, *, exists: bool) -> tuple[str, timedelta]:
        if not exists:
            name = hmac.new(self._key, person[:200].encode("utf-8", "surrogatepass"), sha256).hexdigest()
            return f"nobody {name}", self._limits.person_wait
        if self._is_known(person, network):
            return f"person {person} from {network}", self._limits.longest_wait
        return f"person {person}", self._limits.person_wait

    def _is_known(self, person: str, network: str) -> bool:
        known = self._store.known(person, network)
        return known is not None and self._clock() - known < self._limits.known

    def _kept(self, count: str) -> Tries | None:
        tries = self._store.tries(count)
        return None if tries is None or self._clock() - tries.last >= self._limits.forget else tries

    def _wait(self, tries: Tries | None, longest: timedelta) -> timedelta:
        if tries is None:
            return timedelta(0)
        whole = wait_after(
            tries.failures, free=self._limits.free, first=self._limits.first_wait, longest=longest
        )
        # A clock that was set back must not make a wait longer than it is.
        return min(whole, tries.last + whole - self._clock())

    def _give_back(self, count: str, before: Tries | None, noted: Tries) -> None:
        kept = self._store.tries(count)
        if kept is None:
            return
        if kept == noted:
            self._store.put_tries(count, before)
        else:  # others failed meanwhile, and theirs stay
            left = kept.failures - 1
            self._store.put_tries(count, Tries(failures=left, last=kept.last) if left > 0 else None)
