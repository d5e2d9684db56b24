"""Who asks with a token, and how long an address that brings wrong ones has to wait.

A token has 256 random bits, so nobody guesses one; the wait keeps a program that repeats a wrong one, or somebody who
tries, from filling the log and the loop. It is kept in memory: a new start forgets it.
"""

import re
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from starlette.requests import Request

from asleft.domain.accounts import AccountLimits, ApiToken, Tries, network_of, wait_after
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.ports.clock import Clock
from asleft.web.api.problems import ApiRefused
from asleft.web.web import Web
from asleft.work.accounts.refusals import NoToken, TooManyTries
from asleft.work.accounts.secret import digest_of
from asleft.work.ordering import MayNot

__all__ = ["Caller", "Callers"]

_TOKEN: Final = re.compile(r"bearer ([A-Za-z0-9._~+/-]{1,200}=*)\Z", re.IGNORECASE)
"""RFC 6750 §2.1; the scheme in any case (RFC 9110 §11.1)."""
_MOST: Final = 10_000
_KNOWN: Final = timedelta(hours=24)
_ASK: Final = 'Bearer realm="asleft"'


@dataclass(frozen=True, kw_only=True, slots=True)
class Caller:
    """Who asks: a person, with no more rights than the token has.

    Args:
        person: The person. Every right is asked of this one first, and of the whole person by the work.
        token: What is kept of the token.
        secret: The token itself.
    """

    person: Person
    token: ApiToken
    secret: str = field(repr=False)

    def sees(self, site: str) -> bool:
        """Tell whether a site may be looked at."""
        return self.person.may(Right.LOOK, site)

    @property
    def everywhere(self) -> bool:
        """Whether every site may be looked at."""
        return not self.person.sites

    def check(self, site: str, *rights: Right, verb: str) -> None:
        """Refuse what the token may not at a site.

        Raises:
            MayNot: It has none of the rights there.
        """
        if not any(self.person.may(right, site) for right in rights):
            raise MayNot(
                f"this token of {self.person.name} may not {verb} at {site}",
                todo=f"have one made with the right to {' or '.join(rights)} there, by somebody who has it",
            )

    def check_concerns(self, site: str, concerns: Iterable[Concern]) -> None:
        """Refuse what the person may not confirm at a site for what it concerns.

        Raises:
            MayNot: It is none of theirs.
        """
        if not self.person.may_confirm(site, concerns):
            own = ", ".join(sorted(self.person.concerns))
            raise MayNot(f"{self.person.name} may confirm at {site} only what concerns {own}")


class Callers:
    """Finds out who asks.

    Args:
        web: Says from where a request comes.
        limits: How many wrong tokens are free, and how the wait grows.
    """

    def __init__(self, web: Web, limits: AccountLimits | None = None) -> None:
        self._web = web
        self._tokens = web.parts.accounts.tokens
        self._wrong = _Wrong(web.parts.clock, limits or AccountLimits())

    def caller(self, request: Request) -> Caller:
        """Give who asks.

        Raises:
            ApiRefused: No token came with the request.
            NoToken: It does not count.
            TooManyTries: Too many wrong ones came from there; nothing was looked at.
        """
        given = request.headers.getlist("authorization")
        if len(given) != 1:
            raise ApiRefused(
                "no-token",
                "no token came with this" if not given else "more than one token came with this",
                where="Authorization",
                todo="send one header `Authorization: Bearer TOKEN`; asleft people token make gives a token",
                headers={"WWW-Authenticate": _ASK},
            )
        found = _TOKEN.match(given[0])
        secret = found[1] if found else ""
        whence = self._web.whence(request)
        network, digest = network_of(whence.address), digest_of(secret)
        self._wrong.check(network, digest)
        try:
            bearer = self._tokens.bearer(secret, whence)
        except NoToken:
            self._wrong.failed(network)
            raise
        self._wrong.worked(network, digest)
        return Caller(person=bearer.person, token=bearer.token, secret=secret)

    def again(self, caller: Caller, request: Request) -> Caller:
        """Give who asks, with what it may do by now: since it asked a right may have been taken away.

        Raises:
            NoToken: The token does not count any more.
        """
        bearer = self._tokens.bearer(caller.secret, self._web.whence(request))
        return Caller(person=bearer.person, token=bearer.token, secret=caller.secret)


class _Wrong:
    """Counts wrong tokens, address by address."""

    def __init__(self, clock: Clock, limits: AccountLimits) -> None:
        self._clock = clock
        self._limits = limits
        self._tries: OrderedDict[str, Tries] = OrderedDict()
        self._known: OrderedDict[tuple[str, str], datetime] = OrderedDict()

    def check(self, network: str, digest: str) -> None:
        """Let nobody through who has to wait.

        A token that worked from there a short while ago is looked at all the same: one program with an old token must
        not shut out its neighbours.

        Raises:
            TooManyTries: It has to wait.
        """
        now, tries = self._clock(), self._tries.get(network)
        if tries is None or now - tries.last >= self._limits.forget:
            return
        known = self._known.get((network, digest))
        if known is not None and now - known < _KNOWN:
            return
        whole = wait_after(
            tries.failures,
            free=self._limits.free,
            first=self._limits.first_wait,
            longest=self._limits.longest_wait,
        )
        # A clock that was set back must not make a wait longer than it is.
        wait = min(whole, tries.last + whole - now)
        if wait > timedelta(0):
            raise TooManyTries(wait)

    def failed(self, network: str) -> None:
        """Count a wrong one."""
        now, before = self._clock(), self._tries.pop(network, None)
        kept = before is not None and now - before.last < self._limits.forget
        self._tries[network] = Tries(failures=(before.failures if before and kept else 0) + 1, last=now)
        while len(self._tries) > _MOST:
            self._tries.popitem(last=False)

    def worked(self, network: str, digest: str) -> None:
        """Know a token there from now on."""
        self._known.pop((network, digest), None)
        self._known[network, digest] = self._clock()
        while len(self._known) > _MOST:
            self._known.popitem(last=False)
