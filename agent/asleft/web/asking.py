"""What the pages about sites, stations and alarms have in common: what a person may do there, and what their forms ask."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException

from asleft.domain.alarms.rules import LONGEST_SHELF
from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.freezing import freeze_at
from asleft.domain.occasions import changes
from asleft.domain.people import Person, Right
from asleft.domain.withheld import Withheld
from asleft.web.frame import Viewer
from asleft.web.parts import Parts
from asleft.web.refusals import HIDDEN
from asleft.work.guards import is_reason

__all__ = [
    "LAYER_WORDS",
    "BadForm",
    "Choice",
    "Frozen",
    "May",
    "Wrong",
    "draw_up",
    "frozen_at",
    "may_at",
    "needed",
    "one",
    "read_day",
    "read_until",
    "seen",
    "shelf_choices",
    "wrong_of",
]

LAYER_WORDS: Final = (
    ("station", "this station only"),
    ("role", "every station with its role"),
    ("site", "every station of the site"),
    ("estate", "the whole estate"),
    ("occasion", "while this occasion is on"),
)
_MORNING: Final = 8
"""The hour at which a day begins for what is put off until tomorrow (common practice, no source)."""
_LONGEST_REASON: Final = 500


class BadForm(AsleftError):
    """Something in a form is not as it should be; nothing was done.

    Args:
        what: What is wrong.
        field: Name of the field.
        todo: What to do.
    """

    def __init__(self, what: str, *, field: str, todo: str) -> None:
        super().__init__(what, todo=todo)
        self.field = field


@dataclass(frozen=True, kw_only=True, slots=True)
class Wrong:
    """Why an act was not done, told where it was asked for.

    Args:
        act: Which act.
        field: Which of its fields is wrong; empty where none is.
        what: What is wrong.
        todo: What to do.
    """

    act: str
    field: str
    what: str
    todo: str


@dataclass(frozen=True, kw_only=True, slots=True)
class May:
    """What a person may ask for at a site, so that a page offers nothing else; whether it is done is asked in the work.

    Args:
        acknowledge: Alarms and the lamp.
        confirm: Orders.
        propose: Changes of the baseline.
        able: Who may acknowledge there, by name, where this person may not.
    """

    acknowledge: bool
    confirm: bool
    propose: bool
    able: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Frozen:
    """Why nothing is written at a site now, as `during a performance from 19:30 to 22:00`, and until when."""

    words: str
    until: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """One of the quick answers to until when: what is sent, what is read, and the time that it means now."""

    value: str
    words: str
    until: datetime


def seen(estate: Estate, viewer: Viewer, site: str, name: str = "") -> StationId:
    """Give the station of a path, or the site with an empty name.

    Raises:
        HTTPException: There is none, or the viewer may not look there; which of the two is not told.
    """
    station = StationId(site, name)
    there = station in estate.stations if name else site in estate.sites
    if not there or not viewer.sees(site):
        raise HTTPException(404, HIDDEN if there else None)
    return station


def may_at(estate: Estate, person: Person, site: str) -> May:
    """Say what a person may ask for at a site."""
    acknowledge = person.may(Right.ACKNOWLEDGE, site)
    confirm = person.may(Right.CONFIRM, site)
    able = () if acknowledge else [one for one in estate.people.values() if one.may(Right.ACKNOWLEDGE, site)]
    return May(
        acknowledge=acknowledge,
        confirm=confirm,
        propose=confirm or person.may(Right.APPROVE, site),
        able=tuple(one.name for one in able),
    )


def frozen_at(estate: Estate, site: str, now: datetime) -> Frozen | None:
    """Say why nothing is written at a site now; None where it may be."""
    freeze = freeze_at(estate, site, now)
    if freeze is None:
        return None
    when = "during"
    if not freeze.event.starts <= now < freeze.event.ends:
        margin = round(estate.orders.margin / timedelta(minutes=1))
        when = f"within {margin} min {'before' if now < freeze.event.starts else 'after'}"
    return Frozen(words=f"{when} {freeze.words()}", until=freeze.until)


def one(form: Mapping[str, Sequence[str]], name: str) -> str:
    """Give the one answer to a field; empty where there is none, or more than one."""
    given = form.get(name, [])
    return given[0].strip() if len(given) == 1 else ""


def needed(form: Mapping[str, Sequence[str]], name: str = "reason") -> str:
    """Give a reason.

    Raises:
        BadForm: There is none in letters or digits, or it is too long.
    """
    given = one(form, name)
    if not is_reason(given):
        raise BadForm("a reason is needed", field=name, todo="say why in a few words")
    if len(given) > _LONGEST_REASON:
        raise BadForm(
            f"the reason has {len(given)} characters", field=name, todo=f"say it in {_LONGEST_REASON}"
        )
    return given


def shelf_choices(estate: Estate, site: str, now: datetime) -> tuple[Choice, ...]:
    """Give the quick answers to until when an alarm is put off, the soonest first."""
    place = estate.sites[site]
    there = now.astimezone(ZoneInfo(place.time_zone))
    # Whole minutes, as they are shown: seconds would make another form of it at every look, under whoever reads it.
    minute = now.replace(second=0, microsecond=0)
    found = [
        Choice(value=f"for {minutes}", words=words, until=minute + timedelta(minutes=minutes))
        for minutes, words in ((30, "30 minutes"), (120, "2 hours"), (480, "8 hours"))
    ]
    morning = there.replace(hour=_MORNING, minute=0, second=0, microsecond=0)
    morning = morning if morning > there else morning + timedelta(days=1)
    found.append(Choice(value=f"until {morning.isoformat()}", words="the morning", until=morning))
    if place.calendar is not None:
        order = [occasion.name for occasion in estate.occasions]
        for change in changes(place.calendar, order, now, now + LONGEST_SHELF):
            if change.before:
                words = f"the end of {', '.join(change.before)}"
                found.append(Choice(value=f"until {change.at.isoformat()}", words=words, until=change.at))
                break
    return tuple(sorted(found, key=lambda choice: choice.until))


def read_until(form: Mapping[str, Sequence[str]], now: datetime, zone: str) -> datetime:
    """Read until when an alarm is put off: a quick answer, or a time by the clocks at the site.

    Raises:
        BadForm: It is neither.
    """
    until = one(form, "until")
    words, _, rest = until.partition(" ")
    if words == "for" and rest.isascii() and rest.isdecimal() and len(rest) < 6:  # noqa: PLR2004 weeks in minutes
        return now + timedelta(minutes=int(rest))
    given = one(form, "time") if until == "other" else rest if words == "until" else ""
    try:
        at = datetime.fromisoformat(given)
    except ValueError:
        field = "time" if until == "other" else "until"
        raise BadForm("until when is not said", field=field, todo="choose a time, or give one") from None
    return at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))


def read_day(form: Mapping[str, Sequence[str]], name: str) -> date:
    """Read a day.

    Raises:
        BadForm: It is none.
    """
    try:
        return date.fromisoformat(one(form, name))
    except ValueError:
        raise BadForm("the last day is not said", field=name, todo="give it, as 2026-06-30") from None


def wrong_of(act: str, wrong: AsleftError, withheld: Withheld) -> Wrong:
    """Say at a form why nothing was done, without what may not be told; what is wrong with a field is about what was typed."""
    if isinstance(wrong, BadForm):
        return Wrong(act=act, field=wrong.field, what=wrong.what, todo=wrong.todo)
    told = withheld.refusal(wrong)
    return Wrong(act=act, field="", what=told.what, todo=told.todo)


async def draw_up(
    parts: Parts, viewer: Viewer, *names: str, only: frozenset[str] = frozenset(), cannot_wait: str = ""
) -> str:
    """Have stations, or a whole site, restored on paper; the path of the order or group is given.

    Raises:
        AsleftError: Nothing could be drawn up.
    """
    wish = Wish(by=viewer.person.key, only=only, cannot_wait=cannot_wait)
    async with parts.turn():
        drawn = await parts.desk.restore(names, wish)
    kepts = [item.order for item in drawn if item.order is not None]
    if kepts:
        return f"/orders/{kepts[0].group if len(kepts) > 1 else kepts[0].id}"
    for item in drawn:
        if item.why_not is not None:
            raise item.why_not
    raise AsleftError("there is nothing to restore", where=", ".join(names), todo="look at the station again")
