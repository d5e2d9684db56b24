"""Accounts in the ledger's SQLite file. Nothing here can be signed in with: secrets are kept as digests only."""

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime

from asleft.domain.accounts import (
    Account,
    ApiToken,
    Challenge,
    FirstLink,
    How,
    Passkey,
    Session,
    Tries,
    Whence,
)
from asleft.domain.people import Right
from asleft.ledger.file import LedgerFile

__all__ = ["SqliteAccounts"]

_ACCOUNT = "SELECT person, handle, made, password, password_set FROM account"
_LINK = "SELECT person, digest, made, ends FROM account_link"
_SESSION = "SELECT digest, person, how, made, seen, ends, address, agent FROM account_session"
_TOKEN = "SELECT digest, person, name, rights, made, ends, used FROM account_token"  # noqa: S105 a question
_PASSKEY = "SELECT id, person, name, public_key, uses, made, used FROM account_passkey"


class SqliteAccounts:
    """Keeps accounts in tables of the ledger. Each call is one transaction, safe on disk when it returns.

    Args:
        ledger: The open ledger; whoever opened it closes it.
    """

    def __init__(self, ledger: LedgerFile) -> None:
        self._ledger = ledger

    def accounts(self) -> Sequence[Account]:
        """Give all accounts, by person."""
        return tuple(map(_account, self._ledger.rows(f"{_ACCOUNT} ORDER BY person")))

    def account(self, person: str) -> Account | None:
        """Give the account of a person."""
        rows = self._ledger.rows(f"{_ACCOUNT} WHERE person = ?", (person,))
        return _account(rows[0]) if rows else None

    def put_account(self, account: Account) -> None:
        """Keep an account as it is now."""
        self._do(
            "INSERT INTO account (person, handle, made, password, password_set) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (person) DO UPDATE SET password = excluded.password, password_set = excluded.password_set",
            (
                account.person,
                account.handle,
                _text(account.made),
                account.password,
                _text(account.password_set),
            ),
        )

    def remove_account(self, person: str) -> bool:
        """Forget an account and all that hangs on it; tell whether there was one."""
        return bool(self._do("DELETE FROM account WHERE person = ?", (person,)))

    def put_link(self, link: FirstLink) -> None:
        """Keep a link; an earlier one of the same person goes."""
        self._do(
            "INSERT OR REPLACE INTO account_link (person, digest, made, ends) VALUES (?, ?, ?, ?)",
            (link.person, link.digest, _text(link.made), _text(link.ends)),
        )

    def link(self, digest: str) -> FirstLink | None:
        """Give a link by the digest of its token."""
        rows = self._ledger.rows(f"{_LINK} WHERE digest = ?", (digest,))
        return _link(rows[0]) if rows else None

    def links(self) -> Sequence[FirstLink]:
        """Give all links, by person."""
        return tuple(map(_link, self._ledger.rows(f"{_LINK} ORDER BY person")))

    def use_link(self, digest: str) -> bool:
        """Forget a link; tell whether it was there, so that of two who use it at once one is told so."""
        return bool(self._do("DELETE FROM account_link WHERE digest = ?", (digest,)))

    def put_session(self, session: Session) -> None:
        """Keep a session as it is now."""
        self._do(
            "INSERT INTO account_session (digest, person, how, made, seen, ends, address, agent)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (digest) DO UPDATE SET seen = excluded.seen",
            (
                session.digest,
                session.person,
                session.how,
                _text(session.made),
                _text(session.seen),
                _text(session.ends),
                session.whence.address,
                session.whence.agent,
            ),
        )

    def session(self, digest: str) -> Session | None:
        """Give a session by the digest of its token."""
        rows = self._ledger.rows(f"{_SESSION} WHERE digest = ?", (digest,))
        return _session(rows[0]) if rows else None

    def sessions(self, person: str | None = None) -> Sequence[Session]:
        """Give the sessions of a person, or all, the newest first."""
        rows = self._ledger.rows(
            f"{_SESSION} WHERE ? IS NULL OR person = ? ORDER BY made DESC, digest", (person, person)
        )
        return tuple(map(_session, rows))

    def end_sessions(self, digests: Collection[str]) -> None:
        """Forget sessions, and the challenges that were made for them."""
        self._do_each("DELETE FROM account_session WHERE digest = ?", [(digest,) for digest in digests])

    def put_challenge(self, challenge: Challenge) -> None:
        """Keep a challenge; an earlier one of the same session and purpose goes."""
        self._do(
            "INSERT OR REPLACE INTO account_challenge (session, purpose, about, secret, ends) VALUES (?, ?, ?, ?, ?)",
            (
                challenge.session,
                challenge.purpose,
                challenge.about,
                challenge.secret.hex(),
                _text(challenge.ends),
            ),
        )

    def take_challenge(self, session: str, purpose: str) -> Challenge | None:
        """Give the challenge of a session and purpose, and forget it."""
        with self._ledger.change(survives_power_cut=True) as change:
            row = change.execute(
                "DELETE FROM account_challenge WHERE session = ? AND purpose = ? RETURNING about, secret, ends",
                (session, purpose),
            ).fetchone()
        if row is None:
            return None
        about, secret, ends = row
        return Challenge(
            session=session, purpose=purpose, about=about, secret=bytes.fromhex(secret), ends=_time(ends)
        )

    def put_token(self, token: ApiToken) -> None:
        """Keep a token as it is now."""
        self._do(
            "INSERT INTO account_token (digest, person, name, rights, made, ends, used) VALUES (?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (digest) DO UPDATE SET used = excluded.used",
            (
                token.digest,
                token.person,
                token.name,
                " ".join(sorted(token.rights)),
                _text(token.made),
                _text(token.ends),
                _text(token.used),
            ),
        )

    def token(self, digest: str) -> ApiToken | None:
        """Give a token by its digest."""
        rows = self._ledger.rows(f"{_TOKEN} WHERE digest = ?", (digest,))
        return _token(rows[0]) if rows else None

    def tokens(self, person: str | None = None) -> Sequence[ApiToken]:
        """Give the tokens of a person, or all, by person and name."""
        rows = self._ledger.rows(
            f"{_TOKEN} WHERE ? IS NULL OR person = ? ORDER BY person, name", (person, person)
        )
        return tuple(map(_token, rows))

    def end_tokens(self, digests: Collection[str]) -> None:
        """Forget tokens."""
        self._do_each("DELETE FROM account_token WHERE digest = ?", [(digest,) for digest in digests])

    def put_passkey(self, passkey: Passkey) -> None:
        """Keep a passkey as it is now."""
        self._do(
            "INSERT INTO account_passkey (id, person, name, public_key, uses, made, used) VALUES (?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO UPDATE SET uses = excluded.uses, used = excluded.used",
            (
                passkey.id,
                passkey.person,
                passkey.name,
                passkey.public_key,
                passkey.uses,
                _text(passkey.made),
                _text(passkey.used),
            ),
        )

    def passkeys(self, person: str) -> Sequence[Passkey]:
        """Give the passkeys of a person, oldest first."""
        rows = self._ledger.rows(f"{_PASSKEY} WHERE person = ? ORDER BY made, id", (person,))
        return tuple(map(_passkey, rows))

    def passkey(self, passkey_id: str) -> Passkey | None:
        """Give a passkey, whosever it is."""
        rows = self._ledger.rows(f"{_PASSKEY} WHERE id = ?", (passkey_id,))
        return _passkey(rows[0]) if rows else None

    def remove_passkey(self, passkey_id: str) -> None:
        """Forget a passkey."""
        self._do("DELETE FROM account_passkey WHERE id = ?", (passkey_id,))

    def tries(self, subject: str) -> Tries | None:
        """Give the failed tries of a subject."""
        rows = self._ledger.rows("SELECT failures, last FROM account_tries WHERE subject = ?", (subject,))
        return Tries(failures=int(rows[0][0]), last=_time(rows[0][1])) if rows else None

    def put_tries(self, subject: str, tries: Tries | None) -> None:
        """Keep the failed tries of a subject; None forgets them."""
        if tries is None:
            self._do("DELETE FROM account_tries WHERE subject = ?", (subject,))
            return
        self._do(
            "INSERT OR REPLACE INTO account_tries (subject, failures, last) VALUES (?, ?, ?)",
            (subject, tries.failures, _text(tries.last)),
        )

    def forget_tries(self, before: datetime, *, most: int) -> None:
        """Forget the failed tries whose last one was before a time, and of the others those longest ago beyond a number."""
        with self._ledger.change() as change:
            change.execute("DELETE FROM account_tries WHERE last < ?", (_text(before),))
            change.execute(
                "DELETE FROM account_tries WHERE subject IN"
                " (SELECT subject FROM account_tries ORDER BY last DESC, subject LIMIT -1 OFFSET ?)",
                (most,),
            )

    def know(self, person: str, network: str, *, at: datetime) -> None:
        """Note that a person signed in from an address."""
        self._do(
            "INSERT OR REPLACE INTO account_known (person, network, at) VALUES (?, ?, ?)",
            (person, network, _text(at)),
        )

    def known(self, person: str, network: str) -> datetime | None:
        """Give when a person last signed in from an address."""
        rows = self._ledger.rows(
            "SELECT at FROM account_known WHERE person = ? AND network = ?", (person, network)
        )
        return _time(rows[0][0]) if rows else None

    def is_known(self, person: str) -> bool:
        """Tell whether it is known of any address that a person signed in from there."""
        return bool(self._ledger.rows("SELECT 1 FROM account_known WHERE person = ? LIMIT 1", (person,)))

    def forget_known(self, before: datetime) -> None:
        """Forget from where people last signed in before a time."""
        self._do("DELETE FROM account_known WHERE at < ?", (_text(before),))

    def _do(self, sql: str, values: Sequence[object]) -> int:
        with self._ledger.change(survives_power_cut=True) as change:
            return change.execute(sql, values).rowcount

    def _do_each(self, sql: str, rows: Iterable[Sequence[object]]) -> None:
        with self._ledger.change(survives_power_cut=True) as change:
            change.executemany(sql, rows)


def _account(row: Sequence[str]) -> Account:
    person, handle, made, password, password_set = row
    return Account(
        person=person,
        handle=handle,
        made=_time(made),
        password=password,
        password_set=_time_or_none(password_set),
    )


def _link(row: Sequence[str]) -> FirstLink:
    person, digest, made, ends = row
    return FirstLink(person=person, digest=digest, made=_time(made), ends=_time(ends))


def _session(row: Sequence[str]) -> Session:
    digest, person, how, made, seen, ends, address, agent = row
    return Session(
        digest=digest,
        person=person,
        how=How(how),
        made=_time(made),
        seen=_time(seen),
        ends=_time(ends),
        whence=Whence(address, agent),
    )


def _token(row: Sequence[str]) -> ApiToken:
    digest, person, name, rights, made, ends, used = row
    return ApiToken(
        digest=digest,
        person=person,
        name=name,
        rights=frozenset(map(Right, rights.split())),
        made=_time(made),
        ends=_time(ends),
        used=_time_or_none(used),
    )


def _passkey(row: Sequence[str]) -> Passkey:
    passkey_id, person, name, public_key, uses, made, used = row
    return Passkey(
        id=passkey_id,
        person=person,
        name=name,
        public_key=public_key,
        uses=int(uses),
        made=_time(made),
        used=_time_or_none(used),
    )


def _text(at: datetime | None) -> str:
    return "" if at is None else at.astimezone(UTC).isoformat(timespec="microseconds")


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _time_or_none(text: str) -> datetime | None:
    return _time(text) if text else None
