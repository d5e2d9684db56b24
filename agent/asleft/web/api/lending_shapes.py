"""Loans, in the shapes of `asleft lent`, `asleft lend` and `asleft give-back`."""

from datetime import datetime
from typing import Annotated, Final, Literal

from pydantic import Field

from asleft.domain.loans import LONGEST, SHORTEST
from asleft.ports.orders import KeptOrder
from asleft.web.api.alarm_shapes import LoanShape
from asleft.web.api.order_shapes import Accepted, UndoneBy, waiting_data
from asleft.web.api.shapes import (
    WHOLE,
    Answer,
    PageQuery,
    PlaceName,
    Reason,
    Request,
    SettingName,
    StationName,
)
from asleft.work.outlook import Outlook

__all__ = ["GiveBack", "Lend", "Lent", "LentBy", "LentQuery", "lent_by"]

_SHORTEST: Final = int(SHORTEST.total_seconds())
_LONGEST: Final = int(LONGEST.total_seconds())


class LentQuery(PageQuery):
    """Where."""

    site: PlaceName | None = Field(default=None, description="Only at this site.")


class Lent(Answer):
    """What is lent, asked for or overdue: the overdue first, then by its end."""

    schema_: Literal["asleft-lent"] = "asleft-lent"
    loans: tuple[LoanShape, ...]
    next: str | None = Field(description="Cursor of what comes after; null at the end.")


class Lend(Request):
    """Which setting is changed for a stated time; it is lent to the person of the token."""

    name: StationName
    setting: SettingName
    value: Annotated[str, Field(min_length=1, max_length=200)] = Field(description="Its value meanwhile.")
    seconds: Annotated[int, Field(ge=_SHORTEST, le=_LONGEST), WHOLE] = Field(description="For how long.")
    reason: Reason = Field(min_length=1)


class LentBy(UndoneBy):
    """The order that would lend a setting; nothing is written yet."""

    ends: datetime | None = Field(
        description="When it goes back by itself; confirming it agrees with that, too."
    )


class GiveBack(Request):
    """What is given back, by whom who may confirm that."""

    name: StationName
    setting: SettingName | None = Field(
        default=None, description="Which setting; may be left out where only one is lent there."
    )
    reason: Reason = Field(min_length=1)
    accept: Accepted = ()
    gone: bool = Field(
        default=False,
        description="What it was lent on is no longer there; a person closed it where the unit is.",
    )


def lent_by(kept: KeptOrder, outlook: Outlook) -> LentBy:
    """Give the order that would lend something."""
    return LentBy.model_validate({**waiting_data(kept, outlook), "ends": kept.order.ends})
