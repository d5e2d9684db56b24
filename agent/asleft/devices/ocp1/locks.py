"""Locks of a session on objects of a station, so that no other controller writes there meanwhile.

Source: aes70.md section 4 (statuses), 6 (OcaRoot), 7 (whose a lock is, and when it ends).
"""

from collections.abc import Mapping
from typing import Final

from asleft.devices.ocp1.classes import Kind, Method, decode_value
from asleft.devices.ocp1.datatypes import MalformedBytes, Reader
from asleft.devices.ocp1.messages import Command, Response, Status
from asleft.devices.ocp1.session import Session
from asleft.domain.errors import AsleftError

__all__ = ["Locks"]

_OK: Final = int(Status.OK)
_LOCKED: Final = int(Status.LOCKED)


class Locks:
    """What one session holds. A lock ends with the session at the latest, whoever forgot it.

    An object that only knows LockTotal is not held: that would take the readings from everybody else as well.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._held: set[int] = set()

    async def take(self, wanted: Mapping[int, str]) -> str | None:
        """Lock objects read-only, as far as they can be locked; one that is held already is left as it is.

        Args:
            wanted: Objects by number, and what each is locked for.

        Returns:
            What somebody else holds, and then nothing is held here any more; None where all went well.

        Raises:
            AsleftError: As `Session.batch` does.
        """
        fresh = [ono for ono in wanted if ono not in self._held]
        asked = await self._session.batch([Command(ono, Method.ROOT_GET_LOCKABLE) for ono in fresh])
        taken = [ono for ono, answer in zip(fresh, asked, strict=True) if answer.status == _LOCKED]
        lockable = [ono for ono, answer in zip(fresh, asked, strict=True) if _says_yes(answer)]
        if not taken:
            # Noted before they are asked for: whoever is called off meanwhile gives back all that may have been given.
            self._held.update(lockable)
            locked = await self._session.batch([Command(ono, Method.ROOT_LOCK_READONLY) for ono in lockable])
            for ono, answer in zip(lockable, locked, strict=True):
                if answer.status != _OK:
                    # Whatever else it says, it will not be locked, and that is no error.
                    self._held.discard(ono)
                if answer.status == _LOCKED:
                    taken.append(ono)
        if not taken:
            return None
        await self.give_back()
        return wanted[taken[0]]

    async def give_back(self) -> None:
        """Unlock all; an end of the session does the same, so none of its errors matters here."""
        held, self._held = self._held, set()
        try:
            await self._session.batch([Command(ono, Method.ROOT_UNLOCK) for ono in sorted(held)])
        except AsleftError:
            return


def _says_yes(answer: Response) -> bool:
    if answer.status != _OK or not answer.arity:
        return False
    try:
        return bool(decode_value(Kind.BOOL, Reader(answer.params)))
    except MalformedBytes:
        return False
