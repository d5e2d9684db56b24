"""Loans: a setting changed for a stated time, and what holds at its station meanwhile."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final
from zoneinfo import ZoneInfo

from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import AsLeft, Estate, Stations
from asleft.domain.freezing import Freeze, freeze_at
from asleft.domain.hazards import HazardKind, hazards_of
from asleft.domain.kinds import Found, Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.names import harmless
from asleft.domain.profile import Concern, Place, Priority, Setting
from asleft.domain.stations import StationId

__all__ = [
    "GRACE",
    "LONGEST",
    "SHORTEST",
    "Loan",
    "LoanState",
    "closing_freeze",
    "free_before",
    "harms",
    "is_loan",
    "lent",
    "overdue_drifts",
]

SHORTEST: Final = timedelta(minutes=1)
LONGEST: Final = timedelta(days=14)
"""So long something may be lent at once (common practice, no source): what is wanted for longer is approved."""
GRACE: Final = timedelta(minutes=1)
"""So long after its end a loan may still be open before that is an alarm, where no try to close it has failed yet."""
CLOSING: Final = timedelta(minutes=1)
"""So long closing may take at most; it is not begun closer than this to a freeze."""
_PAGE: Final = "records: "
_MOST_FREEZES: Final = 64


class LoanState(StrEnum):
    """Where a loan is in its life; it follows from its orders and the time, and is kept nowhere else."""

    ASKED = "asked"
    """Its order waits for a confirmation, or is being carried out."""
    LENT = "lent"
    GIVEN_BACK = "given back"
    OVERDUE = "overdue"
    """Its end has come, or its opening was halted, and nobody has seen the setting as left since."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Loan:
    """One setting of one station, lent until a time.

    Args:
        id: Id of the order that opens it.
        station: Which station.
        serial: The unit that it was lent on.
        setting: Dotted name.
        value: What it is set to meanwhile.
        shown: That value as text.
        before: The value that was found before, as text.
        asked: When it was asked for, UTC.
        opened: When it was opened, UTC; None where it is not yet.
        ends: When it goes back, UTC.
        by: Key of the person to whom it is lent.
        reason: Why, as that person said.
        consent: Keys of those who confirmed it, and with it its end.
        accepted: Ids of the hazards that they took on.
        state: Where it is in its life.
        page: Path of its order's page in the records.
        why: Why it could not be closed when it was last tried; empty where no try failed.
        again: When closing is tried again, UTC; None where it may be at once.
    """

    id: str
    station: StationId
    serial: str
    setting: str
    value: Value
    shown: str
    before: str
    asked: datetime
    opened: datetime | None
    ends: datetime
    by: str
    reason: str
    consent: tuple[str, ...]
    accepted: tuple[str, ...]
    state: LoanState
    page: str
    why: str = ""
    again: datetime | None = None

    @property
    def is_open(self) -> bool:
        """Whether the setting is, or may be, other than as left for it."""
        return self.state in {LoanState.LENT, LoanState.OVERDUE}

    def until(self, zone: str) -> str:
        """Give its end as the clocks at a site show it."""
        return f"{self.ends.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M %Z}"


def is_loan(origin: Origin) -> bool:
    """Tell whether a value stands because it is lent, and not because the baseline says so."""
    return origin.file.startswith(_PAGE)


def lent(estate: Estate, loans: Iterable[Loan]) -> Estate:
    """Give an estate with what is lent now laid over as left, as the strongest layer of each station.

    Where nothing is lent it is the estate itself; else only the stations on which something is lent are other ones. A
    loan whose unit is no longer the approved one, or whose setting no layer names any more, changes nothing.

    Args:
        estate: As left now, with the occasions that are on.
        loans: The loans.
    """
    above: dict[StationId, AsLeft] = {}
    for loan in loans:
        if loan.state is not LoanState.LENT:
            continue
        as_left = above.get(loan.station) or estate.stations.get(loan.station)
        if as_left is None or as_left.serial != loan.serial or loan.setting not in as_left.values:
            continue
        if is_loan(as_left.origins[loan.setting]):
            continue  # laid over it before
        site = estate.sites.get(loan.station.site)
        above[loan.station] = _under(as_left, loan, site.time_zone if site else "UTC")
    return replace(estate, stations=Stations.of(estate.stations).with_stations(above)) if above else estate


def _under(as_left: AsLeft, loan: Loan, zone: str) -> AsLeft:
    name = f"lent to {loan.by} until {loan.until(zone)}"
    tree: Any = loan.shown
    for part in reversed(loan.setting.split(".")):
        tree = {part: tree}
    layer = Layer(name=name, file=f"{_PAGE}{loan.page}", settings=tree, line_of=lambda _: 1)
    origin = Origin(layer=name, file=layer.file, line=1)
    return replace(
        as_left,
        values={**as_left.values, loan.setting: loan.value},
        origins={**as_left.origins, loan.setting: origin},
        layers=(*as_left.layers, layer),
    )


def harms(setting: Setting, before: Found, after: Value) -> str:
    """Say in words what giving back would do that nobody may do without being there; empty where it does nothing such.

    Nothing gets louder, nobody is let in and no station moves by itself, whoever agreed beforehand: whether somebody
    wears the earphones then is known to nobody. Only that it is heard may be agreed to beforehand.
    """
    found = [hazard for hazard in hazards_of(setting, before, after) if hazard.kind is not HazardKind.HEARD]
    return found[0].words if found else ""


def closing_freeze(estate: Estate, station: StationId, setting: str, at: datetime) -> Freeze | None:
    """Give the freeze that would keep a setting from being given back at a time; None where it may be."""
    as_left = estate.stations.get(station)
    if station.site not in estate.sites:
        return None
    row = as_left.profile.settings.get(setting) if as_left is not None else None
    if row is not None and row.place is Place.LIGHT and estate.orders.lights:
        return None
    return freeze_at(estate, station.site, at, ahead=CLOSING)


def free_before(
    estate: Estate, station: StationId, setting: str, at: datetime, *, after: datetime
) -> datetime | None:
    """Give the last full minute up to a time at which a setting may be given back; None where there is none.

    Args:
        estate: The estate.
        station: Which station.
        setting: Which of its settings.
        at: The time.
        after: It must be later than this.
    """
    for _ in range(_MOST_FREEZES):
        freeze = closing_freeze(estate, station, setting, at)
        if freeze is None:
            at = at.replace(second=0, microsecond=0)
            return at if at > after else None
        begins = freeze.event.starts - estate.orders.margin - CLOSING - timedelta(seconds=1)
        at = min(begins.astimezone(at.tzinfo), at - SHORTEST)
        if at <= after:
            return None
    return None


def overdue_drifts(estate: Estate, loans: Collection[Loan], now: datetime) -> tuple[Drift, ...]:
    """Give the drift of each loan that is overdue and was tried in vain, or not tried within the time of grace.

    Its priority is high whatever the setting's concern: somebody was promised that it would be closed by now.
    """
    return tuple(
        _overdue(estate, loan)
        for loan in loans
        if loan.state is LoanState.OVERDUE and (loan.why or now >= loan.ends + GRACE)
    )


def _overdue(estate: Estate, loan: Loan) -> Drift:
    as_left = estate.stations.get(loan.station)
    row = as_left.profile.settings.get(loan.setting) if as_left is not None else None
    site = estate.sites.get(loan.station.site)
    until = loan.until(site.time_zone if site else "UTC")
    matters = f"; {row.matters}" if row is not None and row.matters else ""
    return Drift(
        key=DriftKey(loan.station, DriftKind.OVERDUE, loan.setting),
        concern=row.concern if row is not None else Concern.ACCESS,
        priority=Priority.HIGH,
        as_left=as_left.show(loan.setting) if as_left is not None and row is not None else loan.before,
        as_found=loan.shown,
        what=f"{row.meaning if row is not None else loan.setting} was lent to {harmless(loan.by)} until {until} and is"
        f" not given back: {harmless(loan.why, longest=300) if loan.why else 'nothing has tried to close it'}",
        matters=f"it was agreed that {loan.shown} ends then{matters}",
    )
