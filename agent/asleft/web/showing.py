"""Templates and the filters in them; the one module that knows Jinja2. Everything is escaped (ASVS 1.2.1)."""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from asleft.domain.names import harmless, listed, plural
from asleft.domain.profile import Priority

__all__ = ["Showing", "ago", "clock_time"]

_MINUTE: Final = timedelta(minutes=1)
_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
_SHAPES: Final = {
    "high": ("1 High", '<rect x="1" y="1" width="10" height="10"/>'),
    "medium": ("2 Medium", '<path d="M6 .8 11.6 11H.4z"/>'),
    "low": ("3 Low", '<circle cx="6" cy="6" r="5"/>'),
    "halted": ("Halted", '<path d="M4 .8h4L11.2 4v4L8 11.2H4L.8 8V4z"/>'),
    "unknown": ("Unknown", '<path d="M3.5 4a2.5 2.5 0 1 1 3.6 2.2C6.2 6.7 6 7 6 8M6 10v1.2" class="line"/>'),
    "shelved": ("Shelved", '<path d="M3.5 1v10M8.5 1v10" class="line"/>'),
}


class Showing:
    """Renders templates.

    Args:
        static: Gives the path of a static file.
    """

    def __init__(self, static: Callable[[str], str]) -> None:
        self._environment = Environment(
            loader=PackageLoader("asleft.web", "templates"),
            autoescape=True,
            auto_reload=False,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals["static"] = static
        self._environment.filters.update(
            text=text,
            names=names,
            when=_when,
            day=_day,
            db=db,
            shape=shape,
            plural=plural,
            station_names=station_names,
        )

    def render(self, template: str, values: Mapping[str, Any]) -> str:
        """Render a template."""
        return self._environment.get_template(template).render(**values)


def text(value: object, longest: int = 200) -> Markup:
    """Show foreign text as harmless, and keep its direction from reaching beyond it (UAX #9; HTML §4.5.23 bdi)."""
    return Markup(f"<bdi>{escape(harmless(str(value), longest=longest))}</bdi>")  # noqa: S704 it is escaped here


def names(values: Iterable[str], one: str, many: str = "", longest: int = 300) -> Markup:
    """Show foreign names as a list of whole ones, and count those that there is no room for (`listed`)."""
    return Markup(f"<bdi>{escape(listed(values, one, many, longest=longest))}</bdi>")  # noqa: S704 it is escaped here


def shape(state: str | Priority, words: str = "") -> Markup:
    """Show a state by a shape, a word and a colour, each of which is enough on its own (WCAG 1.4.1).

    Args:
        state: `high`, `medium`, `low`, `halted`, `unknown` or `shelved`.
        words: Words in place of the usual ones.
    """
    usual, drawn = _SHAPES[str(state)]
    # By hand: `Markup.format` takes ten times as long, and a site whose switch died shows a thousand of them.
    return Markup(  # noqa: S704 the state is one of ours, and the words are escaped here
        f'<span class="mark {state}"><svg class="shape" viewBox="0 0 12 12" aria-hidden="true" focusable="false">{drawn}</svg>'
        f"{escape(words or usual)}</span>"
    )


class Named(Protocol):
    """A station, as far as a list of names shows it."""

    @property
    def name(self) -> str:
        """Its name at the site."""

    @property
    def role(self) -> str:
        """Its role; empty where it has none."""


def station_names(stations: Iterable[Named], site: str) -> Markup:
    """Show stations of a site as items of a list, each a link: in one go, for there may be a thousand of them."""
    at = str(escape(site))
    items: list[str] = []
    for one in stations:
        name = str(escape(one.name))
        role = f' <span class="hint">{escape(one.role)!s}</span>' if one.role else ""
        items.append(f'<li id="quiet-{name}"><a href="/stations/{at}/{name}">{name}</a>{role}</li>\n')
    return Markup("".join(items))  # noqa: S704 every part of it is escaped above


def db(value: float) -> str:
    """Show a level in decibels, with a true minus."""
    return f"{value:+.1f} dB".replace("-", "−")  # noqa: RUF001 the minus sign of typography


def ago(at: datetime, now: datetime) -> str:
    """Say how long ago a time is, or how far ahead, in the largest unit that fits."""
    apart = abs(now - at)
    if apart < _MINUTE:
        return "just now" if at <= now else "in less than a minute"
    if apart < _HOUR:
        size = f"{apart // _MINUTE} min"
    elif apart < 2 * _DAY:
        size = f"{apart // _HOUR} h"
    else:
        size = f"{apart // _DAY} days"
    return f"{size} ago" if at <= now else f"in {size}"


def clock_time(at: datetime, now: datetime, zone: str) -> str:
    """Give a time as clocks at a site show it: with weekday and date where it is not today, with the year where not this one."""
    there = ZoneInfo(zone)
    here, today = at.astimezone(there), now.astimezone(there)
    if here.date() == today.date():
        return f"{here.hour:02}:{here.minute:02}"  # as %H:%M, in half the time: pages show thousands
    if here.year == today.year:
        return f"{here:%a} {here.day} {here:%b %H:%M}"
    return f"{here.day} {here:%b %Y %H:%M}"


@pass_context
def _when(context: Context, at: datetime, zone: str = "UTC", *, span: bool = True) -> Markup:
    """Show a time of a site, with how long ago that was.

    By which clock is said where it is no site's, and where the sites that somebody sees have different ones.
    """
    now: datetime = context["now"]
    shown = clock_time(at, now, zone)
    frame = context.get("frame")
    if zone == "UTC" or (frame is not None and frame.standing.zones_differ):
        shown += f" {zone}"
    # Digits, names of days, months and zones, and our own words: nothing that has to be escaped, and pages show thousands of them.
    said = f'<time datetime="{at.isoformat(timespec="seconds")}">{shown}</time>'
    return Markup(f"{said}, {ago(at, now)}" if span else said)  # noqa: S704 as above


@pass_context
def _day(context: Context, at: datetime, zone: str = "UTC") -> Markup:
    """Show a time of a site without how long ago that was."""
    return _when(context, at, zone, span=False)
