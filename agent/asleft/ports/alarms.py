"""How the work keeps alarms between two moments."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Protocol

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, Mark
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.stations import StationId

__all__ = ["AlarmStore"]


class AlarmStore(Protocol):
    """Alarms under the home folder. Each call is one transaction, safe on disk when it returns."""

    def begun(self) -> datetime | None:
        """Give since when alarms are kept here; None where that has not begun."""

    def begin(self, at: datetime) -> None:
        """Note since when alarms are kept; the first note stays."""

    def alarms(self) -> Mapping[DriftKey, Alarm]:
        """Give every alarm that is kept: those not normal, and normal ones that remember an onset or wait for a delay."""

    def withdrawn(self) -> Mapping[StationId, Mark]:
        """Give the stations that are out of service, with who took them out."""

    def keep(
        self,
        alarms: Iterable[Alarm],
        events: Iterable[AlarmEvent],
        *,
        withdrawn: Mapping[StationId, Mark | None] | None = None,
    ) -> None:
        """Keep alarms as they are now, what happened, and which stations went out of service or came back (None).

        An alarm that is at rest (`alarm_life.at_rest`) is kept no longer.
        """

    def events(self, since: datetime, until: datetime) -> Sequence[AlarmEvent]:
        """Give what happened from a time until before another, oldest first."""

    def life(
        self, station: StationId, limit: int, *, kind: DriftKind | None = None, setting: str = ""
    ) -> Sequence[AlarmEvent]:
        """Give what happened to a station's alarms, newest first, without reading anything else.

        Args:
            station: The station; a site's own alarms where its name is empty.
            limit: So many moves at most.
            kind: Only alarms of this kind; all where None.
            setting: Only alarms about this setting; all where it is empty.
        """
