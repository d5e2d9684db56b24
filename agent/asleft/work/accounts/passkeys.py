"""Passkeys as a second factor: added by a person who has just signed in, and asked for where something has to be proved.

WebAuthn (W3C, Level 2): §7.1 how a new passkey is checked, §7.2 how an answer is. The library does the cryptography; kept here
is what a server owes it: a challenge of its own for each session and purpose, good for five minutes and one answer, bound to
what is proved by it.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from webauthn import (
    base64url_to_bytes,
    generate_authentication_options,
    generate_registration_options,
    options_to_json,
    verify_authentication_response,
    verify_registration_response,
)
from webauthn.helpers import (
    bytes_to_base64url,
    parse_authentication_credential_json,
    parse_client_data_json,
    parse_registration_credential_json,
)
from webauthn.helpers.exceptions import WebAuthnException
from webauthn.helpers.structs import (
    AuthenticatorSelectionCriteria,
    PublicKeyCredentialDescriptor,
    UserVerificationRequirement,
)

from asleft.domain.accounts import AccountLimits, AccountMove, Challenge, Passkey, Proved, Session, Whence
from asleft.domain.names import harmless
from asleft.domain.people import Person
from asleft.ports.accounts import AccountStore
from asleft.ports.clock import Clock
from asleft.work.accounts.refusals import BadPasskey
from asleft.work.accounts.secret import Chance
from asleft.work.accounts.sessions import Here, Sessions
from asleft.work.accounts.telling import Telling
from asleft.work.accounts.tokens import check_label

__all__ = ["PasskeyPlace", "Passkeys"]

_CHALLENGE_BYTES: Final = 32
"""WebAuthn §13.4.3 asks for 16 at least, ASVS 6.7.2 for 8."""
_LONGEST_ANSWER: Final = 64 * 1024
_LONGEST_ID: Final = 1023
"""Bytes of a credential's id (WebAuthn §4)."""
_ADD: Final = "add"
_PROVE: Final = "prove"
_TRY: Final = "begin again; a passkey of this page is needed, and whoever holds it (finger, face or code)"


@dataclass(frozen=True, kw_only=True, slots=True)
class PasskeyPlace:
    """The page that passkeys belong to; those that were added under another id are of no use.

    Args:
        id: Its host name, as `monitors.quillfen.example` (the relying party's id).
        name: What a person reads in the browser's question.
        origins: The addresses under which browsers know the page, as `https://monitors.quillfen.example`.
    """

    id: str
    name: str
    origins: tuple[str, ...]


class Passkeys:
    """Adds passkeys and asks for them.

    Args:
        store: Keeps them.
        clock: Gives the time.
        chance: Gives random bytes.
        tell: Tells what happens.
        limits: How many, and how long a challenge is good.
        sessions: Says who has signed in a short while ago.
        place: The page; None where the settings name no address for it, and there are no passkeys.
    """

    def __init__(
        self,
        store: AccountStore,
        clock: Clock,
        chance: Chance,
        tell: Telling,
        limits: AccountLimits,
        sessions: Sessions,
        place: PasskeyPlace | None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._chance = chance
        self._tell = tell
        self._limits = limits
        self._sessions = sessions
        self._place = place

    @property
    def place(self) -> PasskeyPlace | None:
        """The page that they belong to; None where there can be none."""
        return self._place

    def of(self, person: str) -> Sequence[Passkey]:
        """Give the passkeys of a person, oldest first."""
        return self._store.passkeys(person)

    def begin_adding(self, here: Here, name: str) -> str:
        """Give what the browser is asked to make a passkey with (`navigator.credentials.create`), as JSON.

        Raises:
            NotFresh: The person signed in too long ago.
            BadPasskey: There is no place for one more, or passkeys are not set up.
        """
        place = self._here()
        self._sessions.check_fresh(here.session)
        label = check_label(name, BadPasskey)
        known = self._store.passkeys(here.person.key)
        account = self._store.account(here.person.key)
        if account is None or len(known) >= self._limits.most_passkeys:
            raise BadPasskey(
                f"{here.person.key} has {len(known)} passkeys", todo="remove one that is no longer used"
            )
        secret = self._challenge(here.session, _ADD, label)
        return options_to_json(
            generate_registration_options(
                rp_id=place.id,
                rp_name=place.name,
                user_name=here.person.key,
                user_id=bytes.fromhex(account.handle),
                user_display_name=here.person.name,
                challenge=secret,
                timeout=self._milliseconds(),
                authenticator_selection=AuthenticatorSelectionCriteria(
                    user_verification=UserVerificationRequirement.REQUIRED
                ),
                exclude_credentials=_named(known),
            )
        )

    def add(self, here: Here, answer: str, whence: Whence) -> Passkey:
        """Keep the passkey that a browser made, if all that WebAuthn §7.1 asks for holds.

        Raises:
            NotFresh: The person signed in too long ago.
            BadPasskey: It does not hold.
        """
        place = self._here()
        self._sessions.check_fresh(here.session)
        asked = self._taken(here, _ADD, whence)
        try:
            credential = parse_registration_credential_json(_read(answer))
            _see_own_frame(credential.response.client_data_json)
            made = verify_registration_response(
                credential=credential,
                expected_challenge=asked.secret,
                expected_rp_id=place.id,
                expected_origin=list(place.origins),
                require_user_verification=True,
            )
        except (WebAuthnException, ValueError, TypeError, KeyError) as wrong:
            raise self._refused(here.person, whence, f"cannot be added: {wrong}") from wrong
        passkey_id = bytes_to_base64url(made.credential_id)
        if len(made.credential_id) > _LONGEST_ID or self._store.passkey(passkey_id) is not None:
            raise self._refused(here.person, whence, "cannot be added: its id is too long, or known already")
        if len(self._store.passkeys(here.person.key)) >= self._limits.most_passkeys:
            raise self._refused(here.person, whence, "cannot be added: there are too many")
        passkey = Passkey(
            id=passkey_id,
            person=here.person.key,
            name=asked.about,
            public_key=bytes_to_base64url(made.credential_public_key),
            uses=made.sign_count,
            made=self._clock(),
        )
        self._store.put_passkey(passkey)
        self._told(AccountMove.PASSKEY_ADDED, here, whence, f"'{passkey.name}'")
        return passkey

    def begin_proof(self, here: Here, about: str) -> str:
        """Give what the browser is asked to sign with a passkey (`navigator.credentials.get`), as JSON.

        Args:
            here: Who asks.
            about: What is proved by it, as the digest of the order that is confirmed.

        Raises:
            BadPasskey: The person has none.
        """
        place = self._here()
        known = self._store.passkeys(here.person.key)
        if not known:
            raise BadPasskey(f"{here.person.key} has no passkey", todo="add one under your own name first")
        secret = self._challenge(here.session, _PROVE, about)
        return options_to_json(
            generate_authentication_options(
                rp_id=place.id,
                challenge=secret,
                timeout=self._milliseconds(),
                allow_credentials=_named(known),
                user_verification=UserVerificationRequirement.REQUIRED,
            )
        )

    def prove(self, here: Here, about: str, answer: str, whence: Whence) -> Passkey:
        """Give the passkey that proved something, if all that WebAuthn §7.2 asks for holds.

        Raises:
            BadPasskey: It does not hold, or something else was asked for than what is to be proved.
        """
        place = self._here()
        asked = self._taken(here, _PROVE, whence)
        if asked.about != about:
            raise self._refused(here.person, whence, "the answer is to another question")
        try:
            credential = parse_authentication_credential_json(_read(answer))
            _see_own_frame(credential.response.client_data_json)
            passkey = self._store.passkey(bytes_to_base64url(credential.raw_id))
            account = self._store.account(here.person.key)
            if passkey is None or account is None or passkey.person != here.person.key:
                raise self._refused(here.person, whence, "it is no passkey of this person")
            if credential.response.user_handle not in {None, b"", bytes.fromhex(account.handle)}:
                raise self._refused(here.person, whence, "it names another account")
            proved = verify_authentication_response(
                credential=credential,
                expected_challenge=asked.secret,
                expected_rp_id=place.id,
                expected_origin=list(place.origins),
                credential_public_key=base64url_to_bytes(passkey.public_key),
                credential_current_sign_count=passkey.uses,
                require_user_verification=True,
            )
        except (WebAuthnException, ValueError, TypeError, KeyError) as wrong:
            raise self._refused(here.person, whence, f"does not hold: {wrong}") from wrong
        used = replace(passkey, uses=proved.new_sign_count, used=self._clock())
        self._store.put_passkey(used)
        self._told(AccountMove.PASSKEY_PROVED, here, whence, f"'{used.name}': {harmless(about)}")
        return used

    def proof(self, here: Here, about: str, answer: str, whence: Whence) -> Proved:
        """Give what `prove` proved, as the work takes it with a confirmation (`Prove` of work/guards).

        Raises:
            BadPasskey: As there.
        """
        used = self.prove(here, about, answer, whence)
        return Proved(person=used.person, about=about, passkey=used.id, name=used.name)

    def remove(self, here: Here, passkey_id: str, whence: Whence) -> None:
        """Remove a passkey of one's own (ASVS 6.5.6).

        Raises:
            NotFresh: The person signed in too long ago.
            BadPasskey: The person has no such passkey.
        """
        self._sessions.check_fresh(here.session)
        passkey = self._store.passkey(passkey_id)
        if passkey is None or passkey.person != here.person.key:
            raise BadPasskey(f"{here.person.key} has no such passkey", todo="see the list")
        self._store.remove_passkey(passkey_id)
        self._told(AccountMove.PASSKEY_REMOVED, here, whence, f"'{passkey.name}'")

    def _told(self, move: AccountMove, here: Here, whence: Whence, detail: str) -> None:
        self._tell(move, here.person.key, whence, detail=detail, session=here.session.id)

    def _here(self) -> PasskeyPlace:
        if self._place is None:
            raise BadPasskey(
                "passkeys are not set up here", todo="name the page's https address in the settings"
            )
        return self._place

    def _challenge(self, session: Session, purpose: str, about: str) -> bytes:
        secret = self._chance(_CHALLENGE_BYTES)
        ends = self._clock() + self._limits.challenge
        self._store.put_challenge(
            Challenge(session=session.digest, purpose=purpose, about=about, secret=secret, ends=ends)
        )
        return secret

    def _taken(self, here: Here, purpose: str, whence: Whence) -> Challenge:
        # Gone whatever comes of it: an answer is looked at once.
        asked = self._store.take_challenge(here.session.digest, purpose)
        if asked is None or self._clock() >= asked.ends:
            raise self._refused(here.person, whence, "nothing was asked for, or too long ago")
        return asked

    def _refused(self, person: Person, whence: Whence, why: str) -> BadPasskey:
        self._tell(AccountMove.PASSKEY_REFUSED, person.key, whence, detail=harmless(why))
        return BadPasskey("the passkey was refused", where=harmless(why), todo=_TRY)

    def _milliseconds(self) -> int:
        return round(self._limits.challenge.total_seconds() * 1000)


def _named(passkeys: Sequence[Passkey]) -> list[PublicKeyCredentialDescriptor]:
    return [PublicKeyCredentialDescriptor(id=base64url_to_bytes(one.id)) for one in passkeys]


def _see_own_frame(client_data: bytes) -> None:
    """See that the answer was made on a page of its own, and in no frame of another site (WebAuthn Level 3 §13.4.9).

    Raises:
        ValueError: It was not; our pages stand in no frame.
    """
    if parse_client_data_json(client_data).cross_origin:
        raise ValueError("it was made in a frame of another site")


def _read(answer: str) -> dict[str, object]:
    if len(answer) > _LONGEST_ANSWER:
        raise ValueError("it is too long")
    try:
        read = json.loads(answer)
    except RecursionError as wrong:
        raise ValueError("it is nested too deeply") from wrong
    if not isinstance(read, dict):
        raise TypeError("it is no JSON object")
    return read
