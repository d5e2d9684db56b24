"""What a change does, as text: for a terminal, or as Markdown that is pasted into a merge request."""

import re
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final, Protocol

from asleft.cli.output import paint, safe

if TYPE_CHECKING:
    from asleft.daemon.effects import EffectOf
    from asleft.domain.effects.effect import Change, Effect, Fact, FoundAs, Group, Planned
    from asleft.domain.hazards import Hazard
    from asleft.domain.layers import Origin
    from asleft.domain.stations import StationId
    from asleft.ports.baseline import Revision

__all__ = ["MARKDOWN", "TERMINAL", "as_code", "as_prose", "effect_lines"]

_NAMED_ONE_BY_ONE: Final = 12
"""So many stations of a site are named; the rest is counted."""
_WHOLE_HISTORIES: Final = 12
"""So many stations that come or go get a line each; more are counted by site."""
_TITLES = {
    "hearing": "It can get louder at the ear",
    "address": "Stations can be lost",
    "heard": "It is heard",
    "opened": "People are let in",
}
_ROOMS = {
    "estate": "The estate",
    "people": "People",
    "sites": "Sites",
    "occasions": "Occasions",
    "concessions": "Concessions",
}
# Words that no dialect of Markdown takes for anything else: letters and digits of any script, and punctuation that
# begins no emphasis, link, reference, mention, entity, tag or address.
_PLAIN = re.compile(r"(?:[^\W_]|[ .,;()'+\-\u2212→…°=/]|:(?=[ ]|\Z)|%(?=[ ,;.)]|\Z))*\Z")
_TICKS = re.compile(r"`+")


def as_code(text: str) -> str:
    """Give foreign text as a code span: no dialect looks for mentions, links, tags or references in there."""
    text = safe(text)
    if not text.strip():
        return "an empty text"
    fence = "`" * (max((len(run) for run in _TICKS.findall(text)), default=0) + 1)
    # One space at either end is taken off again (CommonMark 0.31.2 section 6.1).
    pad = " " if text[0] in "` " or text[-1] in "` " else ""
    return f"{fence}{pad}{text}{pad}{fence}"


def as_prose(text: str) -> str:
    """Give a sentence as it is where nothing in it can be markup, and as a code span otherwise."""
    text = safe(text)
    return text if _PLAIN.match(text) and "www." not in text.lower() else as_code(text)


class Dialect(Protocol):
    """How headings, items and foreign text are written. Items may stand below one another, three deep."""

    def heading(self, depth: int, text: str) -> Iterable[str]:
        """Give a heading of our own words and of text that was made fit already."""

    def item(self, depth: int, text: str) -> str:
        """Give one item."""

    def value(self, text: str) -> str:
        """Make a foreign value fit."""

    def prose(self, text: str) -> str:
        """Make a sentence with foreign parts fit."""

    def strong(self, text: str) -> str:
        """Have text stand out that was made fit already."""

    def mark(self, kind: str) -> str:
        """Give the mark of a group: its worst hazard's, by shape and not by colour alone; it may be empty."""


class _Terminal:
    def heading(self, depth: int, text: str) -> Iterable[str]:
        return ("", paint(text, "strong")) if depth > 1 else (text,)

    def item(self, depth: int, text: str) -> str:
        return f"{'  ' * (2 * depth - 1)}{text}"

    def value(self, text: str) -> str:
        return safe(text)

    def prose(self, text: str) -> str:
        return safe(text)

    def strong(self, text: str) -> str:
        return paint(text, "strong")

    def mark(self, kind: str) -> str:
        return {"hearing": "■ ", "": ""}.get(kind, "▲ ")


class _Markdown:
    def heading(self, depth: int, text: str) -> Iterable[str]:
        return (
            ("", f"{'#' * (depth + 2)} {text}", "") if depth > 1 else ("### What this change does", "", text)
        )

    def item(self, depth: int, text: str) -> str:
        return f"{'  ' * (depth - 1)}- {text}"

    def value(self, text: str) -> str:
        return as_code(text)

    def prose(self, text: str) -> str:
        return as_prose(text)

    def strong(self, text: str) -> str:
        return f"**{text}**"

    def mark(self, kind: str) -> str:
        return {"hearing": "■ ", "": ""}.get(kind, "▲ ")


TERMINAL: Final[Dialect] = _Terminal()
MARKDOWN: Final[Dialect] = _Markdown()


def effect_lines(told: "EffectOf", dialect: Dialect) -> Iterator[str]:
    """Give the whole report, line by line."""
    effect = told.effect
    yield from dialect.heading(1, _summary(told, dialect))
    for group in effect.groups:
        yield from _group_lines(group, dialect)
    for title, stations in (("New stations", effect.added), ("Stations that are gone", effect.removed)):
        yield from _planned_lines(title, stations, dialect)
    for during in effect.during:
        for group in during.groups:
            yield from _group_lines(group, dialect, f"Only while {dialect.value(during.occasion)} is on: ")
    room = ""
    for note in effect.notes:
        if note.about != room:
            room = note.about
            yield from dialect.heading(2, _ROOMS[room])
        subject = f"{dialect.strong(dialect.prose(note.subject))}: " if note.subject else ""
        yield dialect.item(1, f"{subject}{dialect.prose(note.words)}")


def _summary(told: "EffectOf", dialect: Dialect) -> str:
    before = _revision(told.before, dialect) if told.before else "nothing"
    way = f"From {before} to {_revision(told.after, dialect)}"
    if told.before and told.before.commit == told.after.commit:
        return f"{way}: it is the same revision, {dialect.strong('nothing changes')}."
    return f"{way}: {dialect.strong(_counts(told.effect))}{_rest(told)}."


def _revision(revision: "Revision", dialect: Dialect) -> str:
    return f"{revision.commit[:10]} ({dialect.value(revision.subject)})"


def _counts(effect: "Effect") -> str:
    parts: list[str] = []
    if effect.changed:
        parts.append(f"{effect.changed} of {_stations(effect.total)} change{'s' * (effect.changed == 1)}")
    for stations, one, many in ((effect.added, "is new", "are new"), (effect.removed, "is gone", "are gone")):
        if stations:
            unit = "" if parts else f" station{'s' * (len(stations) != 1)}"
            parts.append(f"{len(stations)}{unit} {one if len(stations) == 1 else many}")
    return ", ".join(parts) or "no station changes"


def _rest(told: "EffectOf") -> str:
    effect = told.effect
    if effect.nothing:
        files = len(told.files)
        return (
            f"; {files} file{'s' * (files != 1)} differ{'s' * (files == 1)}, and every value stays as it was"
            * bool(files)
        )
    rooms = list(dict.fromkeys(_ROOMS[one.about].lower() for one in effect.notes))
    during = "; some settings change only while an occasion is on" if effect.during else ""
    return during + (f"; beside the stations: {', '.join(rooms)}" if rooms else "")


def _stations(count: int) -> str:
    return f"{count} station{'s' * (count != 1)}"


def _group_lines(group: "Group", dialect: Dialect, before: str = "") -> Iterator[str]:
    title = _TITLES.get(group.worst or "", "Settings change" if group.changes else "The unit changes")
    if before:
        title = title[0].lower() + title[1:]
    where = f"{_stations(len(group.stations))} ({dialect.value(group.model)})"
    yield from dialect.heading(2, f"{dialect.mark(group.worst or '')}{before}{title}: {where}")
    yield dialect.item(1, f"At {_where(group.stations, dialect)}")
    for fact in group.facts:
        yield dialect.item(1, _fact(fact, dialect))
    cautions: dict[str, None] = {}
    for change in group.changes:
        yield dialect.item(1, _change(change, dialect))
        yield dialect.item(2, f"{_named(change, dialect)}")
        for hazard in change.hazards:
            yield dialect.item(2, _hazard(hazard, change, dialect))
            cautions[hazard.caution] = None
        if change.found:
            yield dialect.item(
                2, f"As found: {'; '.join(_found(one, len(group.stations), dialect) for one in change.found)}"
            )
    for caution in cautions:
        yield dialect.item(1, f"{dialect.strong('Caution')}: {dialect.prose(caution)}")


def _fact(fact: "Fact", dialect: Dialect) -> str:
    return f"{fact.what}: {dialect.value(fact.before)} → {dialect.value(fact.after)}"


def _change(change: "Change", dialect: Dialect) -> str:
    before = "not named" if change.before is None else dialect.value(change.before)
    after = "not named" if change.after is None else dialect.value(change.after)
    alone = "; asleft leaves it alone from now on" if change.after is None else ""
    return f"{dialect.strong(dialect.prose(change.meaning))}: {before} → {after}{alone}"


def _named(change: "Change", dialect: Dialect) -> str:
    """Say which line does it, and which one had its way until now."""
    setting = dialect.value(change.setting)
    if change.by is not None and change.was == (change.by,):
        return f"{setting}, named by {_origin(change.by, dialect)} as until now"
    verb = "named by" if change.after is not None else "taken away by"
    now = f"{verb} {_origin(change.by, dialect)}" if change.by else "its line is gone"
    until = " and ".join(_origin(origin, dialect) for origin in change.was[:3])
    more = f" and {len(change.was) - 3} more" if len(change.was) > 3 else ""  # noqa: PLR2004 a readable line
    return f"{setting}, {now}{f'; until now by {until}{more}' if until else ''}"


def _hazard(hazard: "Hazard", change: "Change", dialect: Dialect) -> str:
    """Say what a change can do; from what to what stands above it already, unless it is from what was found."""
    known = f": {change.meaning} goes from {change.before} to {change.after}"
    words = hazard.words.replace(known, "", 1)
    what, colon, more = (words[0].upper() + words[1:]).partition(": ")
    return f"{dialect.strong(dialect.prose(what))}{colon}{dialect.prose(more) if more else ''}"


def _origin(origin: "Origin", dialect: Dialect) -> str:
    return f"{dialect.value(str(origin))} ({dialect.prose(origin.layer)})"


def _found(one: "FoundAs", of: int, dialect: Dialect) -> str:
    at = "" if len(one.stations) == of else f" at {_where(one.stations, dialect)}"
    if one.text is None:
        return f"not known{at}"
    return f"already so{at}" if one.so else f"{dialect.value(one.text)}{at}"


def _where(stations: "Iterable[StationId]", dialect: Dialect) -> str:
    """Name stations, site by site."""
    sites: dict[str, list[str]] = {}
    for station in stations:
        sites.setdefault(station.site, []).append(station.name)
    return "; ".join(
        f"{dialect.prose(site)}: {', '.join(names[:_NAMED_ONE_BY_ONE])}"
        + (f" and {len(names) - _NAMED_ONE_BY_ONE} more" if len(names) > _NAMED_ONE_BY_ONE else "")
        for site, names in sites.items()
    )


def _planned_lines(title: str, stations: "tuple[Planned, ...]", dialect: Dialect) -> Iterator[str]:
    if not stations:
        return
    yield from dialect.heading(2, title)
    if len(stations) > _WHOLE_HISTORIES:
        sites: dict[str, dict[str, int]] = {}
        for one in stations:
            models = sites.setdefault(one.station.site, {})
            models[one.model] = models.get(one.model, 0) + 1
        for site, models in sites.items():
            listed = ", ".join(f"{count} {dialect.value(model)}" for model, count in sorted(models.items()))
            yield dialect.item(1, f"{dialect.prose(site)}: {listed}")
        return
    for one in stations:
        unit = f"serial {dialect.value(one.serial)}" if one.serial else "no serial yet"
        role = f", role {dialect.prose(one.role)}" if one.role else ""
        yield dialect.item(
            1,
            f"{dialect.strong(str(one.station))}: {dialect.value(one.model)}, {unit}, at {dialect.value(one.address)}{role}",
        )
        if one.hearing:
            listed = ", ".join(
                f"{dialect.prose(meaning)} {dialect.value(text)}" for meaning, text in one.hearing
            )
            yield dialect.item(2, f"At the ear: {listed}")
