"""Alerts in words: what, where, since when, why it matters, what to do, and a link; a line each, and the same as data."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from asleft.domain.alarms.floods import cause_of
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import SCHEMA, VERSION, About, Event, Told, alert_id, rfc_3339, row_of
from asleft.domain.alerts.discretion import cause_told, may_name, name_told, withheld_from
from asleft.domain.alerts.routes import Receiver
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate
from asleft.domain.hearing import CAUTION
from asleft.domain.kinds import Json
from asleft.domain.names import harmless, plural
from asleft.domain.profile import Concern, Priority
from asleft.domain.rules.listing import first_few
from asleft.domain.stations import StationId
from asleft.domain.withheld import Withheld, drift_seen

__all__ = ["alert_of", "compose", "compose_reach", "lasting"]

_LONGEST = 400
_LONGEST_TITLE = 60
_LONGEST_OF_MANY = 130
_LONGEST_WHAT = 470
"""Channels cut lines at 500 characters, and subjects at 180."""
_MOST_NAMED = 3
_MOST_STEPS = 2


def compose(
    estate: Estate,
    receiver: Receiver,
    event: Event,
    *,
    cause: str,
    about: Sequence[About],
    now: datetime,
    link: str = "",
    first: Alert | None = None,
    step: int = 0,
    alert: str = "",
    unseen: bool = False,
    exchanged: Collection[StationId] = (),
) -> Alert:
    """Give the alert that tells a receiver of drifts of one cause at one site, as far as they may be told.

    Args:
        estate: For the names of sites and people.
        receiver: Who is told.
        event: Why.
        cause: What the drifts have in common.
        about: The drifts; at least one.
        now: When it is told, UTC.
        link: Address of the agent's pages; empty where it has none.
        first: The alert that nobody acknowledged, or that an all-clear answers.
        step: How often it was passed on.
        alert: Its id; made from the rest where empty.
        unseen: With an all-clear: whether somebody still has to acknowledge it.
        exchanged: Stations at which another unit stands than the approved one, whether that is told here or not.
    """
    site_name = about[0].drift.key.station.site
    withheld = withheld_from(estate, receiver, site_name)
    made = alert or alert_id(receiver, event, cause, about, step=step, after=first.id if first else "")
    about = _seen(about, withheld)
    site = estate.sites.get(site_name)
    title = harmless(site.title if site else site_name, longest=_LONGEST_TITLE)
    zone = site.time_zone if site else "UTC"
    worst = min((one.drift.priority for one in about), key=list(Priority).index)
    stations = list(dict.fromkeys(one.drift.key.station for one in about))
    count = f"{len(about)} alarm{'s' if len(about) > 1 else ''}"
    place = (stations[0].name or "the site") if len(stations) == 1 else f"{len(stations)} stations"
    exchanged = {*exchanged, *_exchanges(about)}
    told = _what(about, stations, exchanged)
    match event:
        case Event.PASSED_ON:
            waited = lasting(now - first.created) if first else ""
            subject = f"Not acknowledged for {waited}, {worst} at {title}: {count}, {place}"
            who = f" (told: {_person(estate, first, withheld)})" if first else ""
            what = f"Nobody has acknowledged this for {waited}{who}: {told}"
        case Event.ALL_CLEAR:
            subject = f"All clear, {worst} at {title}: {count} as left again, {place}"
            what = f"As left again; it was: {told}"
        case _:
            subject = f"{worst.capitalize()} at {title}: {count}, {place}"
            what = _capital(told)
    clear = event is Event.ALL_CLEAR
    lines = {
        "what": harmless(what, longest=_LONGEST_WHAT),
        "where": _where(title, site_name, stations),
        "since": _time(min(one.since for one in about), zone) + (f", until {_time(now, zone)}" if clear else ""),
        "matters": "nothing of this stands any more" if clear else _matters(about),
        "do": _do_when_clear(stations, unseen=unseen) if clear else _do(about, stations, exchanged),
        "link": _link(link, stations, site_name, {cause_of(one.drift, one.drift.key.station in exchanged) for one in about}),
    }  # fmt: skip
    return alert_of(
        made, receiver, event, cause, worst, now, subject, lines,
        {
            "cause": cause_told(cause, withheld.say(cause)),
            "site": site_name,
            "count": len(about),
            "step": step,
            "drifts": [row_of(one) for one in about],
        },
    )  # fmt: skip


def compose_reach(
    estate: Estate,
    receiver: Receiver,
    event: Event,
    failing: Alert,
    *,
    cause: str,
    now: datetime,
    since: datetime,
    waiting: int = 0,
    why: str = "",
    link: str = "",
) -> Alert:
    """Give the alert that tells a receiver that another one cannot be reached, or can be again.

    Args:
        estate: For the names of people.
        receiver: Who is told.
        event: NOT_REACHED or REACHED.
        failing: An alert to the other one.
        cause: What it is about.
        now: When it is told, UTC.
        since: Since when the other one could not be reached, UTC.
        waiting: How many messages wait.
        why: What the last try gave.
        link: Address of the agent's pages; empty where it has none.
    """
    withheld = withheld_from(estate, receiver)
    person = _receiver(failing).person
    who = _person(estate, failing, withheld)
    named = not person or may_name(estate, person, withheld)
    wait = f"{waiting} message{'s wait' if waiting != 1 else ' waits'}"
    lasted = lasting(now - since)
    if event is Event.REACHED:
        subject = f"All clear, {failing.priority} everywhere: {who} can be reached again"
        what, matters = f"{who} can be reached again, after {lasted}", "alarms get through again"
        todo = "nothing; what waited is on its way, in order"
    else:
        subject = f"{failing.priority.capitalize()} everywhere: {who} cannot be reached, {wait}"
        what = f"{who} has not been reached for {lasted}; {wait}"
        matters = "alarms of which nobody else is told may reach nobody"
        todo = f"tell them another way, and see whether the service behind it works; the last try: {harmless(withheld.say(why))}"
        if not named:  # what the last try gave may hold their address
            todo = "have them told another way by whoever looks after the routes; that one can say what the last try gave"
    lines = {
        "what": _capital(what),
        "where": f"the agent, channel {harmless(withheld.say(failing.channel))}",
        "since": _time(since, "UTC"),
        "matters": matters,
        "do": todo,
        "link": _link(link, (), ""),
    }
    made = alert_id(receiver, event, cause, (), after=rfc_3339(since))
    said = withheld.say(cause) if named else cause.replace(failing.receiver, who)
    data: dict[str, Json] = {
        "cause": cause_told(cause, said),
        "site": None,
        "count": waiting,
        "step": 0,
        "drifts": [],
        "receiver": withheld.say(failing.receiver) if named else who,
        "failing-since": rfc_3339(since),
    }
    return alert_of(made, receiver, event, cause, failing.priority, now, subject, lines, data)


def alert_of(
    made: str,
    receiver: Receiver,
    event: Event,
    cause: str,
    priority: Priority,
    now: datetime,
    subject: str,
    lines: Mapping[str, str],
    data: Mapping[str, Json],
) -> Alert:
    """Put an alert together, the same for every event: the six lines in their order, as text and as data.

    Args:
        made: Its id.
        receiver: Who is told.
        event: What happened.
        cause: What it is about; one cause is cleared at once.
        priority: How much it matters.
        now: When it is told, UTC.
        subject: One line, harmless.
        lines: What, where, since, why it matters, what to do, link, under the names that its data has.
        data: What else its data has; a cause in it is told in place of the other.
    """
    words = ("What", "Where", "Since", "Why it matters", "What to do", "Link")
    return Alert(
        id=made,
        receiver=receiver.key,
        channel=receiver.channel,
        address=receiver.address,
        subject=subject,
        text="\n".join(f"{word}: {line}" for word, line in zip(words, lines.values(), strict=True)),
        data={
            "schema": SCHEMA,
            "version": VERSION,
            "id": made,
            "event": event,
            "cause": cause,
            "priority": priority,
            "created": rfc_3339(now),
            "subject": subject,
            **lines,
            **data,
        },
        priority=priority,
        created=now,
        cause=cause,
    )


def lasting(time: timedelta) -> str:
    """Say how long something lasts, as `20 s`, `10 min`, `3 h`, `2 days`."""
    seconds = int(time.total_seconds())
    for unit, name in ((86400 * 2, "days"), (3600 * 2, "h"), (60, "min")):
        if seconds >= unit:
            return f"{seconds // (86400 if name == 'days' else 3600 if name == 'h' else 60)} {name}"
    return f"{max(seconds, 0)} s"


def _receiver(alert: Alert) -> Receiver:
    return Told(alert, Event.RAISED, ()).receiver


def _person(estate: Estate, alert: Alert, withheld: Withheld) -> str:
    receiver = _receiver(alert)
    channel = harmless(withheld.say(receiver.channel))
    if not receiver.person:
        return channel
    return f"{harmless(name_told(estate, receiver.person, withheld))} by {channel}"


def _seen(about: Sequence[About], withheld: Withheld) -> Sequence[About]:
    """Give what is told of in words that name nothing that is withheld."""
    if withheld.everywhere:
        return about
    return [replace(one, drift=drift_seen(one.drift, withheld)) for one in about]


def _exchanges(about: Sequence[About]) -> set[StationId]:
    return {one.drift.key.station for one in about if one.drift.key.kind is DriftKind.EXCHANGED}


def _what(about: Sequence[About], stations: Sequence[StationId], exchanged: Collection[StationId]) -> str:
    leading, came = _apart(about)
    whats = list(dict.fromkeys(one.drift.what for one in leading))
    at = "" if len(stations) == 1 else f"at {len(stations)} stations: "
    with_it = _with_it(leading, came, exchanged)
    if len(whats) == 1 and len(stations) > 1:
        return f"{at}{harmless(whats[0], longest=_LONGEST)}{with_it}"
    ordered = _worst_first(leading)
    told = [
        ("" if len(stations) == 1 else f"{one.drift.key.station.name or 'the site'}: ")
        + harmless(one.drift.what, longest=_LONGEST if len(about) == 1 else _LONGEST_OF_MANY)
        for one in ordered[:_MOST_NAMED]
    ]
    more = len(leading) - len(told)
    return at + "; ".join(told) + (f"; and {more} more" if more else "") + with_it


def _apart(about: Sequence[About]) -> tuple[list[About], list[About]]:
    """Give what leads, and the settings that came with an exchange that is told, too."""
    told = _exchanges(about)
    leading: list[About] = []
    came: list[About] = []
    for one in about:
        (came if _is_foreign(one, told) else leading).append(one)
    return leading, came


def _with_it(leading: Sequence[About], came: Sequence[About], exchanged: Collection[StationId]) -> str:
    """Say what came with exchanged units: how many settings, and the worst of them where it is worse than the exchange."""
    if came:
        it = "it" if len(_exchanges(leading)) == 1 else "them"
        worst = _worst_first(came)[0].drift
        urgent = list(Priority).index(worst.priority) < min(
            list(Priority).index(one.drift.priority) for one in leading
        )
        named = f", the worst: {harmless(worst.what, longest=_LONGEST_OF_MANY)}" if urgent else ""
        return f"; {plural(len(came), 'setting')} with {it}{named}"
    # Somebody whose routes leave the exchange out is told all the same why a restore would be refused.
    others = any(_is_foreign(one, exchanged) for one in leading)
    return "; another unit than the approved one answers there" if others else ""


def _is_foreign(one: About, exchanged: Collection[StationId]) -> bool:
    return one.drift.key.kind is DriftKind.SETTING and one.drift.key.station in exchanged


def _worst_first(about: Sequence[About]) -> list[About]:
    return sorted(about, key=lambda one: list(Priority).index(one.drift.priority))


def _where(title: str, site: str, stations: Sequence[StationId]) -> str:
    names = [station.name for station in stations if station.name]
    if len(names) == 1:
        return f"{title}, {names[0]} ({site}/{names[0]})"
    return f"{title}, {first_few(names)} ({site})" if names else f"{title} ({site})"


def _time(at: datetime, zone: str) -> str:
    local = f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"
    return local if zone == "UTC" else f"{local} ({at.astimezone(UTC):%H:%M} UTC)"


def _matters(about: Sequence[About]) -> str:
    ordered = _worst_first(about)
    told = list(dict.fromkeys(harmless(one.drift.matters, longest=_LONGEST_OF_MANY) for one in ordered))
    return "; ".join(told[:_MOST_NAMED])


_DO = {
    DriftKind.SETTING: "look at it with asleft station {at}, then draw up a restore with asleft restore {at}, or "
    "have the change approved",
    DriftKind.UNREACHABLE: "see whether it has power and network; asleft station {at} says what was read last",
    DriftKind.EXCHANGED: "see which unit stands there: put the approved one back, or have its serial approved",
    DriftKind.FIRMWARE: "have the firmware approved, or bring the approved one back",
    DriftKind.OVERDUE: "close it at the station, or with asleft give-back {at}; the agent goes on trying",
    DriftKind.HALTED: "let nobody play there, look at the station, and put right what is not; then say so with asleft looked-at,"
    " or have it brought back as left with asleft restore {at}",
}
_DO_FOR_SITE = {
    DriftKind.SITE: "see whether the site has power and network, its gateway first",
    DriftKind.CHANGEOVER: "the changeover is due: have its order drawn up, read it, and confirm it",
}


def _do(about: Sequence[About], stations: Sequence[StationId], exchanged: Collection[StationId]) -> str:
    # No restore writes to a unit that is not approved: the way of its settings is that of the exchange.
    kinds = list(
        dict.fromkeys(
            DriftKind.EXCHANGED if _is_foreign(one, exchanged) else one.drift.key.kind
            for one in _worst_first(about)
        )
    )[:_MOST_STEPS]
    at = _at(stations)
    words = _DO | _DO_FOR_SITE
    caution = f"{CAUTION} " if any(one.drift.concern is Concern.HEARING for one in about) else ""
    steps = "; ".join(words[kind].format(at=at) for kind in kinds)
    return f"{caution}{_capital(steps)}. Say that you have seen it: asleft acknowledge {at}"


def _do_when_clear(stations: Sequence[StationId], *, unseen: bool) -> str:
    at = _at(stations)
    return f"say that you have seen it: asleft acknowledge {at}" if unseen else "nothing"


def _at(stations: Sequence[StationId]) -> str:
    if len(stations) > 1:
        return "SITE/STATION"
    return str(stations[0]) if stations[0].name else stations[0].site


def _link(link: str, stations: Sequence[StationId], site: str, causes: Collection[str] = ()) -> str:
    if not link:
        return "this agent has no pages; asleft alarms lists what stands"
    base = link.rstrip("/")
    if len(stations) == 1 and stations[0].name:
        return f"{base}/alarms/{stations[0]}"
    # The page of the site shows all its alarms by cause; where there is one here, that one first.
    first = f"?cause={next(iter(causes))}" if len(stations) > 1 and len(causes) == 1 else ""
    return f"{base}/alarms/{site}{first}" if site else base


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
