"""Rules about access and service: what stands open in the normal state needs a concession that holds."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

from asleft.domain.concessions import Concession, local_day
from asleft.domain.estate import Estate
from asleft.domain.kinds import NotAValue, Value, nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.rules.listing import first_few
from asleft.domain.rules.rule import Rule, SiteView
from asleft.domain.stations import StationId

__all__ = ["RULES", "Need", "Sum", "check_timely", "sum_up"]

CONCESSION = Rule(
    id="access.concession",
    level=Level.ERROR,
    sentence="what stands open in the normal state has a concession with a holder, a reason and an end",
)
LAPSED = Rule(id="access.lapsed", level=Level.ERROR, sentence="no concession is past its last day")
ENDS_SOON = Rule(
    id="access.ends-soon", level=Level.WARNING, sentence="no concession ends within the next 30 days"
)
UNUSED = Rule(
    id="access.unused", level=Level.WARNING, sentence="every concession allows something that is approved"
)
UNKNOWN = Rule(
    id="access.unknown",
    level=Level.ERROR,
    sentence="a concession names a setting, its value, sites, stations and a holder that there are",
)
RULES: tuple[Rule, ...] = (CONCESSION, LAPSED, ENDS_SOON, UNUSED, UNKNOWN)

_SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Need:
    """What needs a concession at one site because of one line.

    Args:
        setting: Dotted name.
        value: The value that is approved, as text.
        origin: The line that won.
        stations: The stations of the site that have it from there.
    """

    setting: str
    value: str
    origin: Origin
    stations: tuple[StationId, ...]


@dataclass(frozen=True, slots=True)
class Sum:
    """What one site says about access.

    Args:
        needs: What needs a concession.
        profiles: The models that stand there, by name.
    """

    needs: tuple[Need, ...]
    profiles: Mapping[str, Profile]


def sum_up(view: SiteView) -> Sum:
    """Give what needs a concession at a site."""
    profiles: dict[str, Profile] = {}
    conceded: dict[str, tuple[tuple[str, str, Value], ...]] = {}
    found: dict[tuple[str, str, int], tuple[str, Origin, list[StationId]]] = {}
    for as_left in view.stations.values():
        profile = as_left.profile
        if profile.name not in profiles:
            profiles[profile.name] = profile
            conceded[profile.name] = tuple(_conceded(profile))
        for name, text, value in conceded[profile.name]:
            if as_left.values.get(name) == value:
                origin = as_left.origins[name]
                where = (name, origin.file, origin.line)
                found.setdefault(where, (text, origin, []))[2].append(as_left.station)
    needs = tuple(
        Need(name, text, origin, tuple(stations)) for (name, _, _), (text, origin, stations) in found.items()
    )
    return Sum(needs, profiles)


def _conceded(profile: Profile) -> Iterator[tuple[str, str, Value]]:
    for setting in profile.settings.values():
        if setting.concede:
            value = setting.kind.parse(setting.concede)
            yield setting.name, setting.kind.show(value), value


@dataclass(slots=True)
class _Open:
    """What has no concession because of one line, over all sites."""

    need: Need
    stations: list[StationId] = field(default_factory=list)


def check_timely(estate: Estate, sums: Mapping[str, Sum], now: datetime) -> Iterator[Problem]:
    """Tell what stands open without a concession, and which concessions are past, nearly past, of no use or wrong.

    Args:
        estate: The estate.
        sums: What `sum_up` gave, by site.
        now: Aware time; a concession ends with its last day in the time zone of the site.
    """
    days = {name: local_day(now, site.time_zone) for name, site in estate.sites.items()}
    profiles = {name: profile for one in sums.values() for name, profile in one.profiles.items()}
    for concession in estate.concessions:
        unknown = list(_unknown(concession, estate, profiles))
        for what, fix in unknown:
            yield UNKNOWN.at(concession.origin, f"the concession '{concession.key}' {what}", fix)
        if not unknown and not _is_used(concession, sums):
            yield UNUSED.at(
                concession.origin,
                f"nothing needs the concession '{concession.key}': no station it names has "
                f"{harmless(concession.setting)} {harmless(concession.value)} as its normal state",
                "take it out",
            )
        yield from _ending(concession, days or {"": now.astimezone(UTC).date()})
    yield from _uncovered(estate.concessions, sums)


def _ending(concession: Concession, days: Mapping[str, date]) -> Iterator[Problem]:
    """Tell of one that is past at a site for which it holds, or soon will be."""
    here = {
        site: day
        for site, day in days.items()
        if not concession.where or any(place.partition("/")[0] == site for place in concession.where)
    } or days
    past = [site for site, day in here.items() if concession.ended(day)]
    allows = f"{harmless(concession.setting)} {harmless(concession.value)}"
    who = f"held by {harmless(concession.holder)}"
    if past:
        where = f" at {first_few(past)}" if len(past) < len(here) else ""
        yield LAPSED.at(
            concession.origin,
            f"the concession '{concession.key}' for {allows}, {who}, ended with {concession.until}{where}",
            "close what it allowed and take it out, or have its holder renew it with a new end",
        )
        return
    left = min(concession.days_left(day) for day in here.values())
    if left <= _SOON_DAYS:
        when = {0: "today", 1: "tomorrow"}.get(left, f"in {left} days")
        yield ENDS_SOON.at(
            concession.origin,
            f"the concession '{concession.key}' for {allows}, {who}, ends with {concession.until}, {when}",
            "ask its holder whether it is still needed; once it is past, this is an error",
        )


def _is_used(concession: Concession, sums: Mapping[str, Sum]) -> bool:
    sites = {place.partition("/")[0] for place in concession.where} or sums.keys()
    for site in sites:
        for need in sums[site].needs if site in sums else ():
            if need.setting == concession.setting and need.value == concession.value:
                if concession.covers_site(site):
                    return True
                if any(str(station) in concession.where for station in need.stations):
                    return True
    return False


def _uncovered(concessions: Sequence[Concession], sums: Mapping[str, Sum]) -> Iterator[Problem]:
    """Tell of every line that opens something for which there is no concession, a lapsed one counted."""
    allowing: dict[tuple[str, str], list[Concession]] = {}
    for concession in concessions:
        allowing.setdefault((concession.setting, concession.value), []).append(concession)
    found: dict[tuple[str, str, int], _Open] = {}
    for site, one in sums.items():
        for need in one.needs:
            allowed = allowing.get((need.setting, need.value), ())
            if any(concession.covers_site(site) for concession in allowed):
                continue
            named = frozenset[str]().union(*(concession.where for concession in allowed))
            bare = [station for station in need.stations if not named or str(station) not in named]
            if bare:
                key = (need.setting, need.origin.file, need.origin.line)
                found.setdefault(key, _Open(need)).stations.extend(bare)
    for item in found.values():
        need, count = item.need, len(item.stations)
        stations = f"{count} stations" if count > 1 else "one station"
        yield CONCESSION.at(
            need.origin,
            f"{need.setting} is {need.value} in the normal state of {stations} without a concession: "
            f"{first_few(item.stations)}",
            "close it, or write a concession with holder, reason and end into concessions.yaml",
        )


def _unknown(
    concession: Concession, estate: Estate, profiles: Mapping[str, Profile]
) -> Iterator[tuple[str, str]]:
    settings = [
        profile.settings[concession.setting]
        for profile in profiles.values()
        if concession.setting in profile.settings
    ]
    if not settings and profiles:
        known = sorted(
            {one.name for profile in profiles.values() for one in profile.settings.values() if one.concede}
        )
        yield (
            f"names the setting '{harmless(concession.setting)}', which no station has",
            nearest(concession.setting, known),
        )
    refused = [_refused(setting.kind.parse, concession.value) for setting in settings]
    if settings and None not in refused:
        wrong = next(one for one in refused if one is not None)
        yield f"names a value that {harmless(concession.setting)} cannot have: {wrong.what}", wrong.fix
    for place in sorted(concession.where):
        site, slash, _ = place.partition("/")
        station = StationId.parse(place)
        if site not in estate.sites:
            yield (
                f"names the site '{harmless(site)}', which does not exist",
                nearest(site, list(estate.sites)),
            )
        elif slash and (station is None or station not in estate.stations):
            known = [str(other) for other in estate.stations if other.site == site]
            yield f"names the station '{harmless(place)}', which does not exist", nearest(place, known)
    if concession.holder not in estate.people:
        yield (
            f"is held by '{harmless(concession.holder)}', who is not in people.yaml",
            nearest(concession.holder, list(estate.people)),
        )


def _refused(parse: Callable[[str], Value], text: str) -> NotAValue | None:
    try:
        parse(text)
    except NotAValue as wrong:
        return wrong
    return None
