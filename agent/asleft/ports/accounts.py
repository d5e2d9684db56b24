"""What is kept of accounts."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Protocol

from asleft.domain.accounts import Account, ApiToken, Challenge, FirstLink, Passkey, Session, Tries

__all__ = ["AccountStore"]


class AccountStore(Protocol):
    """Keeps accounts and all that hangs on them. Each call is one transaction, safe on disk when it returns."""

    def accounts(self) -> Sequence[Account]:
        """Give all accounts, by person."""

    def account(self, person: str) -> Account | None:
        """Give the account of a person."""

    def put_account(self, account: Account) -> None:
        """Keep an account as it is now."""

    def remove_account(self, person: str) -> bool:
        """Forget an account and all that hangs on it; tell whether there was one."""

    def put_link(self, link: FirstLink) -> None:
        """Keep a link; an earlier one of the same person goes."""

    def link(self, digest: str) -> FirstLink | None:
        """Give a link by the digest of its token."""

    def links(self) -> Sequence[FirstLink]:
        """Give all links, by person."""

    def use_link(self, digest: str) -> bool:
        """Forget a link; tell whether it was there, so that of two who use it at once one is told so."""

    def put_session(self, session: Session) -> None:
        """Keep a session as it is now."""

    def session(self, digest: str) -> Session | None:
        """Give a session by the digest of its token."""

    def sessions(self, person: str | None = None) -> Sequence[Session]:
        """Give the sessions of a person, or all, the newest first."""

    def end_sessions(self, digests: Collection[str]) -> None:
        """Forget sessions, and the challenges that were made for them."""

    def put_challenge(self, challenge: Challenge) -> None:
        """Keep a challenge; an earlier one of the same session and purpose goes."""

    def take_challenge(self, session: str, purpose: str) -> Challenge | None:
        """Give the challenge of a session and purpose, and forget it."""

    def put_token(self, token: ApiToken) -> None:
        """Keep a token as it is now."""

    def token(self, digest: str) -> ApiToken | None:
        """Give a token by its digest."""

    def tokens(self, person: str | None = None) -> Sequence[ApiToken]:
        """Give the tokens of a person, or all, by person and name."""

    def end_tokens(self, digests: Collection[str]) -> None:
        """Forget tokens."""

    def put_passkey(self, passkey: Passkey) -> None:
        """Keep a passkey as it is now."""

    def passkeys(self, person: str) -> Sequence[Passkey]:
        """Give the passkeys of a person, oldest first."""

    def passkey(self, passkey_id: str) -> Passkey | None:
        """Give a passkey, whosever it is."""

    def remove_passkey(self, passkey_id: str) -> None:
        """Forget a passkey."""

    def tries(self, subject: str) -> Tries | None:
        """Give the failed tries of a subject."""

    def put_tries(self, subject: str, tries: Tries | None) -> None:
        """Keep the failed tries of a subject; None forgets them."""

    def forget_tries(self, before: datetime, *, most: int) -> None:
        """Forget the failed tries whose last one was before a time, and of the others those longest ago beyond a number."""

    def know(self, person: str, network: str, *, at: datetime) -> None:
        """Note that a person signed in from an address."""

    def known(self, person: str, network: str) -> datetime | None:
        """Give when a person last signed in from an address."""

    def is_known(self, person: str) -> bool:
        """Tell whether it is known of any address that a person signed in from there."""

    def forget_known(self, before: datetime) -> None:
        """Forget from where people last signed in before a time."""
