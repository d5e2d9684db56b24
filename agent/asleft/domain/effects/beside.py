"""What a change of the baseline does beside the stations' settings: people, rules, sites, occasions, concessions."""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from asleft.domain.concessions import Concession
from asleft.domain.effects.orders import moves_of_rules
from asleft.domain.estate import Estate
from asleft.domain.hearing import Limits
from asleft.domain.layers import flatten
from asleft.domain.occasions import Occasion
from asleft.domain.people import Approval, Person, Right
from asleft.domain.profile import Concern
from asleft.domain.site import Site

__all__ = ["About", "Note", "notes_between"]

_CALENDAR = re.compile(r"sites/([^/]+)/calendar\.ics\Z")
_EVERYWHERE: Final = "*"
_RIGHTS = {
    Right.LOOK: "look",
    Right.ACKNOWLEDGE: "acknowledge drift",
    Right.CONFIRM: "confirm restore orders",
    Right.APPROVE: "approve revisions",
}
_APPROVALS = {
    Approval.COMMIT: "whatever is on the branch",
    Approval.SIGNED: "commits that an approver signed",
    Approval.TAG: "the newest tag that an approver signed",
}


class About(StrEnum):
    """What a note is about."""

    ESTATE = "estate"
    PEOPLE = "people"
    SITES = "sites"
    OCCASIONS = "occasions"
    CONCESSIONS = "concessions"


@dataclass(frozen=True, kw_only=True, slots=True)
class Note:
    """Something that changes beside the settings of stations.

    Args:
        about: What it is about.
        subject: Who or what: a person, a site, an occasion, a concession; empty for the estate.
        words: What changes, as the rest of a sentence that begins with the subject; foreign text in it.
    """

    about: About
    subject: str
    words: str


def notes_between(before: Estate | None, after: Estate, touched: Collection[str]) -> tuple[Note, ...]:
    """Say what changes beside the stations, the weightiest rooms first.

    Args:
        before: The estate before; None where there was none.
        after: The estate after.
        touched: Files whose content differs; it tells which calendars changed.
    """
    notes: list[Note] = []

    def tell(about: About, subject: str, words: Iterable[str]) -> None:
        notes.extend(Note(about=about, subject=subject, words=sentence) for sentence in words)

    if before:
        tell(About.ESTATE, "", _estate(before, after))
    people_before = before.people if before else {}
    for key in _keys(people_before, after.people):
        old_person, new_person = people_before.get(key), after.people.get(key)
        named = new_person or old_person
        tell(About.PEOPLE, f"{named.name if named else ''} ({key})", _person(old_person, new_person))
    sites_before = before.sites if before else {}
    calendars = {found[1] for path in touched if (found := _CALENDAR.match(path))}
    for name in _keys(sites_before, after.sites):
        old_site, new_site = sites_before.get(name), after.sites.get(name)
        tell(About.SITES, name, _site(old_site, new_site, another_calendar=name in calendars))
    old_occasions = {one.name: one for one in before.occasions} if before else {}
    new_occasions = {one.name: one for one in after.occasions}
    for name in _keys(old_occasions, new_occasions):
        tell(About.OCCASIONS, name, _occasion(old_occasions.get(name), new_occasions.get(name)))
    kept = [name for name in old_occasions if name in new_occasions]
    if kept != [name for name in new_occasions if name in old_occasions]:
        order = f"the order is now {', '.join(new_occasions)}; until now {', '.join(old_occasions)}"
        tell(About.OCCASIONS, "", [order])
    old_concessions = {one.key: one for one in before.concessions} if before else {}
    new_concessions = {one.key: one for one in after.concessions}
    for key in _keys(old_concessions, new_concessions):
        tell(About.CONCESSIONS, key, _concession(old_concessions.get(key), new_concessions.get(key)))
    return tuple(notes)


def _keys(before: Mapping[str, object], after: Mapping[str, object]) -> Iterable[str]:
    return dict.fromkeys((*after, *before))


def _moved(what: str, before: object, after: object) -> Iterator[str]:
    if before != after:
        yield f"{what} is now {after}; until now {before}"


def _estate(before: Estate, after: Estate) -> Iterator[str]:
    yield from _moved("the estate's name", before.name, after.name)
    if before.approval is not after.approval:
        yield (
            f"approved is now {_APPROVALS[after.approval]} ({after.approval}); "
            f"until now {_APPROVALS[before.approval]} ({before.approval})"
        )
    for rule in _keys(before.weights, after.weights):
        yield from _moved(f"the weight of the rule {rule}", _weight(before, rule), _weight(after, rule))
    yield from moves_of_rules(before.orders, after.orders)
    yield from _moved("the level above which people are warned", *_levels(before.limits, after.limits))
    yield from _moved("the allowed time below which people are warned", *_times(before.limits, after.limits))


def _weight(estate: Estate, rule: str) -> str:
    return (estate.weights[rule] or "off") if rule in estate.weights else "its own"


def _levels(*limits: Limits) -> tuple[str, ...]:
    return tuple("not set" if one.level is None else f"{one.level:g} dB SPL" for one in limits)


def _times(*limits: Limits) -> tuple[str, ...]:
    return tuple("not set" if one.minutes is None else f"{one.minutes:g} min" for one in limits)


def _places(person: Person | None, right: Right) -> frozenset[str]:
    if person is None or right not in person.rights:
        return frozenset()
    return person.sites or frozenset({_EVERYWHERE})


def _person(before: Person | None, after: Person | None) -> Iterator[str]:
    """Say what somebody may do from now on; rights that change alike stand in one sentence."""
    alike: dict[tuple[frozenset[str], frozenset[str]], list[str]] = {}
    for right in Right:
        old, new = _places(before, right), _places(after, right)
        if old != new:
            alike.setdefault((old, new), []).append(_RIGHTS[right])
    for (old, new), rights in alike.items():
        yield from _moved_rights(old, new, _and(rights))
    if after is None:
        yield "is no longer named in people.yaml"
        return
    yield from _moved_concerns(before, after)
    if before is None:
        return
    yield from _moved("the name", before.name, after.name)
    if before.signs_as != after.signs_as:
        yield f"signs as {_and(sorted(after.signs_as)) or 'nobody'}; until now as {_and(sorted(before.signs_as)) or 'nobody'}"


def _moved_concerns(before: Person | None, after: Person) -> Iterator[str]:
    """Say which settings somebody's confirmations are about from now on; who confirms nothing has no concerns."""
    had = before is not None and Right.CONFIRM in before.rights
    old = before.concerns if before is not None and had else frozenset[Concern]()
    if Right.CONFIRM not in after.rights or after.concerns == old:
        return
    new, until = _about(after.concerns), f"; until now {_about(old)}" if had else ""
    yield f"may confirm {new}{until}"


def _about(concerns: frozenset[Concern]) -> str:
    return (
        f"only what concerns {_and([one for one in Concern if one in concerns])}"
        if concerns
        else "everything"
    )


def _moved_rights(old: frozenset[str], new: frozenset[str], rights: str) -> Iterator[str]:
    if not new:
        yield f"may no longer {rights} {_where(old)}"
    elif not old:
        yield f"may now {rights} {_where(new)}"
    elif _EVERYWHERE in new:
        yield f"may now {rights} everywhere; until now only {_where(old)}"
    elif _EVERYWHERE in old:
        yield f"may {rights} only {_where(new)}; until now everywhere"
    else:
        if new - old:
            yield f"may now {rights} {_where(new - old)}, too"
        if old - new:
            yield f"may no longer {rights} {_where(old - new)}"


def _where(sites: frozenset[str]) -> str:
    return "everywhere" if _EVERYWHERE in sites else f"at {_and(sorted(sites))}"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else " and ".join([", ".join(words[:-1]), words[-1]]) if words else ""


def _site(before: Site | None, after: Site | None, *, another_calendar: bool) -> Iterator[str]:
    if before is None and after is not None:
        yield f"is new: {after.title}, {_reach(after)}, stations are looked for in {after.search}, {after.time_zone}"
    elif after is None:
        yield "is no longer there"
    elif before is not None:
        yield from _moved("the name", before.title, after.title)
        if before.drop is None and after.drop is None:
            yield from _moved("the port at which stations are reached", before.port, after.port)
        else:
            yield from _moved("how its stations are reached", _reach(before), _reach(after))
        yield from _moved("the range in which stations are looked for", before.search, after.search)
        yield from _moved("the time zone", before.time_zone, after.time_zone)
        old, new = before.addresses, after.addresses
        yield from _moved("the subnet", old.subnet or "none", new.subnet or "none")
        yield from _moved("the gateway of the plan", old.gateway or "none", new.gateway or "none")
        yield from _moved("the router", old.router or "its own", new.router or "its own")
        if old.reserved != new.reserved:
            yield "the reserved ranges change"
        for room, was, now in (
            ("signals and patch", before.patch, after.patch),
            ("network for audio", before.network, after.network),
            ("recording", before.recording, after.recording),
            ("headphones and amplifier", before.worn, after.worn),
            ("contacts", before.contacts, after.contacts),
        ):
            if was != now:
                yield f"what it says about {room} changes"
        if another_calendar:
            yield "the calendar changes, and with it when occasions are on"


def _reach(site: Site) -> str:
    if site.drop is None:
        return f"port {site.port}"
    minutes = round(site.drop.fresh_for.total_seconds() / 60)
    return f"by the files in {'/'.join(site.drop.folder)} of its drop folder, fresh for {minutes} min"


def _occasion(before: Occasion | None, after: Occasion | None) -> Iterator[str]:
    if after is None:
        yield "is no longer an occasion"
    elif before is None:
        kind = " (a performance: nothing may be touched)" if after.performance else ""
        named = [
            f"{'.'.join(path)} {'left alone' if text is None else text}"
            for path, text in flatten(after.layer.settings)
        ]
        yield f"is new{kind}; while it is on: {_and(named) or 'no settings of its own'}"
    else:
        if before.performance != after.performance:
            yield (
                "counts as a performance from now on: nothing may be touched while it is on"
                if after.performance
                else "no longer counts as a performance"
            )
        yield from _moved("the meaning", before.meaning, after.meaning)


def _concession(before: Concession | None, after: Concession | None) -> Iterator[str]:
    if after is None:
        if before is not None:
            yield f"is withdrawn: {before.setting} {before.value} {_covered(before)}"
    elif before is None:
        yield (
            f"is new: {after.setting} may be {after.value} {_covered(after)} until {after.until}, "
            f"held by {after.holder}, because: {after.reason}"
        )
    else:
        if after.until > before.until:
            yield f"is prolonged until {after.until}; until now until {before.until}"
        elif after.until < before.until:
            yield f"ends earlier: {after.until}; until now {before.until}"
        yield from _moved("the setting", before.setting, after.setting)
        yield from _moved("the allowed value", before.value, after.value)
        yield from _moved("where it holds", _covered(before), _covered(after))
        yield from _moved("the holder", before.holder, after.holder)
        yield from _moved("the reason", before.reason, after.reason)


def _covered(concession: Concession) -> str:
    return f"at {_and(sorted(concession.where))}" if concession.where else "in the whole estate"
