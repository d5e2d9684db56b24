"""Acts at stations that were begun and are not known to have ended: what the next start has to see to."""

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final, Self

from asleft.domain.estate import AsLeft, StationId
from asleft.ports.ledger import Ledger
from asleft.work.looking import Meeting

__all__ = ["Begun", "BegunActs"]

_UNDER_WAY: Final = "acts under way"
"""Under this key the ledger notes them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Begun:
    """An act that was begun at a unit."""

    action: str
    site: str
    station: str
    serial: str
    by: str
    reason: str
    at: str

    @property
    def where(self) -> StationId:
        """The station."""
        return StationId(site=self.site, name=self.station)

    @classmethod
    def of(
        cls, action: str, as_left: AsLeft, meeting: Meeting, *, by: str, reason: str, at: datetime
    ) -> Self:
        """Make the note of an act at the unit that was met."""
        return cls(
            action=action,
            site=as_left.station.site,
            station=as_left.station.name,
            serial=meeting.conversation.identity.serial,
            by=by,
            reason=reason,
            at=at.isoformat(),
        )


class BegunActs:
    """The notes of acts under way, in the ledger.

    Args:
        ledger: Keeps them.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def all(self) -> list[Begun]:
        """Give them, the oldest first."""
        return [Begun(**one) for one in json.loads(self._ledger.note(_UNDER_WAY) or "[]")]

    def add(self, begun: Begun) -> None:
        """Note that one is begun."""
        self._keep([*self.all(), begun])

    def remove(self, begun: Begun) -> None:
        """Note that one has ended."""
        self._keep([one for one in self.all() if one != begun])

    def _keep(self, begun: list[Begun]) -> None:
        self._ledger.set_note(_UNDER_WAY, json.dumps([asdict(one) for one in begun]))
