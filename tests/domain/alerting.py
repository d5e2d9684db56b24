"""An estate with people who are told, and alarms, for the tests of several modules."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, IPv4Network
from typing import Any

from asleft.domain.addressing import AddressRange
from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Told
from asleft.domain.alerts.routes import Route, Routing
from asleft.domain.alerts.routing import Scene, due
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.layers import Origin
from asleft.domain.people import Person
from asleft.domain.profile import Concern, Priority, priority_of
from asleft.domain.site import AddressPlan, Site
from asleft.source.rotas import read_rota

HALL, CHAPEL = "quillfen-hall", "brackle-chapel"
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
HERE = Origin(layer="estate", file="estate.yaml", line=9)
REACH = {
    "wren-halloway": {"mail": "wren@quillfen.example", "chat": "chat://wren"},
    "idris-quill": {"mail": "idris@quillfen.example"},
    "maud-tarrant": {"mail": "maud@quillfen.example"},
}


def a_site(name: str, title: str, zone: str) -> Site:
    """Give a site in a time zone."""
    stations = AddressRange(first=IPv4Address("127.20.1.10"), last=IPv4Address("127.20.1.60"))
    plan = AddressPlan(subnet=IPv4Network("127.20.1.0/24"), gateway=None, stations=stations)
    return Site(name=name, title=title, time_zone=zone, port=7310, addresses=plan)


def an_estate() -> Estate:
    """Give an estate of two sites in two time zones, and three people."""
    names = {
        "wren-halloway": "Wren Halloway",
        "idris-quill": "Idris Quill",
        "maud-tarrant": "Maud Tarrant",
    }
    return Estate(
        name="Quillfen",
        commit="c" * 40,
        sites={
            HALL: a_site(HALL, "Quillfen Hall", "Europe/Berlin"),
            CHAPEL: a_site(CHAPEL, "Brackle Chapel", "Europe/Lisbon"),
        },
        stations={},
        people={
            key: Person(key=key, name=name, rights=frozenset(), sites=frozenset())
            for key, name in names.items()
        },
    )


def a_route(by: str = "mail", **rest: Any) -> Route:
    """Give a route."""
    return Route(by=by, origin=HERE, **rest)


def routing(*routes: Route, **rest: Any) -> Routing:
    """Give routes to people with addresses."""
    return Routing(routes=routes, reach=REACH, **rest)


def rota(team: str, *shifts: tuple[str, str, str]) -> Mapping[str, Any]:
    """Give a team's rota, each shift as person, start and end in UTC, as `20260301T080000Z`."""
    events = "".join(
        f"BEGIN:VEVENT\nUID:{at}\nDTSTART:{starts}\nDTEND:{ends}\nCATEGORIES:{who}\nEND:VEVENT\n"
        for at, (who, starts, ends) in enumerate(shifts)
    )
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\n{events}END:VCALENDAR\n"
    found, problems = read_rota(f"rotas/{team}.ics", text.encode(), time_zone="UTC")
    assert problems == []
    return {team: found}


def a_drift(
    station: str = "drums",
    setting: str = "headphones.gain",
    *,
    site: str = HALL,
    kind: DriftKind = DriftKind.SETTING,
    concern: Concern = Concern.HEARING,
    priority: Priority | None = None,
    as_found: str = "+12 dB",
    what: str = "headphone gain raised to +12 dB, approved is 0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)",
    matters: str = "too much level at the ear damages hearing",
) -> Drift:
    """Give a drift."""
    return Drift(
        key=DriftKey(StationId(site, station), kind, setting if kind is DriftKind.SETTING else ""),
        concern=concern,
        priority=priority or priority_of(concern),
        as_left="0 dB",
        as_found=as_found,
        what=what,
        matters=matters,
    )


def dim(station: str = "drums", setting: str = "panel.display-dim", **rest: Any) -> Drift:
    """Give a drift of low priority."""
    words = {
        "concern": Concern.COMFORT,
        "as_found": "90 %",
        "what": f"{setting} raised to 90 %, approved is 40 %",
        "matters": "a bright display dazzles on a dark stage",
    }
    return a_drift(station, setting, **{**words, **rest})


def an_alarm(
    drift: Drift,
    raised: datetime = NOON,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    **rest: Any,
) -> Alarm:
    """Give an alarm that was raised five seconds after its drift began to stand."""
    since = raised - timedelta(seconds=5)
    active = rest.pop("active", True)
    return Alarm(
        drift=drift, state=state, active=active, since=since, raised=raised, changed=raised, onsets=(since,), **rest
    )  # fmt: skip


class Office:
    """Asks what is due as time passes, and keeps what was told, as the outbox does."""

    def __init__(self, routing: Routing, *, link: str = "") -> None:
        self.routing = routing
        self.link = link
        self.estate = an_estate()
        self.told: list[Told] = []

    def scene(self, now: datetime, *alarms: Alarm) -> Scene:
        """Give what holds at a time."""
        return Scene(
            estate=self.estate,
            routing=self.routing,
            alarms={alarm.drift.key: alarm for alarm in alarms},
            told=tuple(self.told),
            now=now,
            link=self.link,
        )

    def ask(self, now: datetime, *alarms: Alarm) -> list[Alert]:
        """Give what is due at a time, and keep it as told."""
        made = due(self.scene(now, *alarms))
        for told in map(Told.of, made):
            if told.event == "all clear":
                mine = (told.alert.cause, told.alert.receiver)
                self.told = [one for one in self.told if (one.alert.cause, one.alert.receiver) != mine]
            else:
                self.told.append(told)
        return made


def receivers(alerts: Iterable[Alert]) -> list[str]:
    """Give who is told."""
    return sorted(alert.receiver for alert in alerts)
