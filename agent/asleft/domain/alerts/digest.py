"""The digest: how the last day went, told once a night to those who want to know."""

import hashlib
from collections.abc import Sequence
from datetime import datetime

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.alarms.figures import Figures
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Event, rfc_3339
from asleft.domain.alerts.discretion import withheld_from
from asleft.domain.estate import Estate
from asleft.domain.names import harmless, plural
from asleft.domain.profile import Priority
from asleft.domain.withheld import Withheld, drift_seen

__all__ = ["digest"]

_MOST_OPEN = 10


def digest(estate: Estate, made: Figures, open_alarms: Sequence[Alarm], *, now: datetime) -> list[Alert]:
    """Give the digest of a day, one a receiver whose route asks for it; the same day gives the same ids.

    Args:
        estate: As it is now.
        made: The figures of the last day.
        open_alarms: What nobody has brought to an end yet.
        now: When, UTC.
    """
    day = f"{now:%Y-%m-%d}"
    standing = len(open_alarms)
    subject = f"{harmless(estate.name)}: the day until {day}, {made.alarms} alarms, {standing} open"
    receivers = {
        receiver.key: receiver
        for route in estate.routing.routes
        if route.digest
        for receiver in estate.routing.receivers(route, now)
    }
    whole = _text(estate, made, open_alarms, Withheld.nothing())
    withheld = {key: withheld_from(estate, receiver) for key, receiver in receivers.items()}
    return [
        Alert(
            id=hashlib.sha256(f"digest {day} {key}".encode()).hexdigest()[:32],
            receiver=key,
            channel=receiver.channel,
            address=receiver.address,
            subject=subject,
            text=whole if withheld[key].everywhere else _text(estate, made, open_alarms, withheld[key]),
            data={
                "schema": "asleft-alert",
                "version": 1,
                "event": Event.DIGEST,
                "day": day,
                "at": rfc_3339(now),
                "alarms": made.alarms,
                "open": standing,
                "figures": [{"figure": row.name, "value": row.value} for row in made.rows],
            },
            priority=Priority.LOW,
            created=now,
            cause=f"digest {day}",
        )
        for key, receiver in sorted(receivers.items())
    ]


def _text(estate: Estate, made: Figures, open_alarms: Sequence[Alarm], withheld: Withheld) -> str:
    """Give the lines of a day: its figures are of all sites, and what is open at sites that may not be looked at is counted."""
    seen = [alarm for alarm in open_alarms if withheld.sees(alarm.drift.key.station.site)]
    others = len(open_alarms) - len(seen)
    return "\n".join([
        f"What: the last day at {harmless(estate.name)}, {len(estate.stations)} stations",
        *(
            f"{row.name}: {row.shown()}" + (f" (target: {row.target})" if row.target else "")
            for row in made.rows
        ),
        *(
            f"Open: {alarm.drift.key.station}: {drift_seen(alarm.drift, withheld).what}, "
            f"since {alarm.since:%Y-%m-%d %H:%M} UTC"
            for alarm in seen[:_MOST_OPEN]
        ),
        *[f"Open: {plural(others, 'alarm')} at other sites"] * bool(others),
        "What to do: asleft alarms lists what is open, asleft figures says where each target comes from",
    ])  # fmt: skip
