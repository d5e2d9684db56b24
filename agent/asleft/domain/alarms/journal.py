"""How what a person does to alarms is written down in the records."""

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import Estate
from asleft.domain.journal import Message
from asleft.domain.stations import StationId

__all__ = ["act_message", "name_of", "refusal_message", "until_text"]

_KINDS = {
    DriftKind.UNREACHABLE: "no answer",
    DriftKind.EXCHANGED: "unit exchanged",
    DriftKind.FIRMWARE: "firmware",
    DriftKind.SITE: "most stations do not answer",
    DriftKind.CHANGEOVER: "changeover due",
    DriftKind.OVERDUE: "loan overdue",
    DriftKind.HALTED: "order halted",
}


def name_of(target: StationId) -> str:
    """Give a station's name, or the site's where an alarm is about all of it."""
    return str(target) if target.name else target.site


def until_text(until: datetime, now: datetime, zone: str) -> str:
    """Give a time as the clocks at the site show it; the day is told where it is another one."""
    there = until.astimezone(ZoneInfo(zone))
    same = there.date() == now.astimezone(ZoneInfo(zone)).date()
    return f"{there:%H:%M}" if same else f"{there:%Y-%m-%d %H:%M}"


def act_message(
    target: StationId,
    done: str,
    alarms: Sequence[Alarm],
    *,
    estate: Estate,
    who: str,
    reason: str,
    until: datetime | None = None,
    zone: str = "UTC",
    now: datetime | None = None,
) -> Message:
    """Say what somebody did to alarms.

    Args:
        target: The station, or the site with an empty name.
        done: What was done, as `acknowledged`; alone where it was done to the station.
        alarms: To which alarms.
        estate: Names the settings.
        who: Name and key of the person.
        reason: Why; empty where nothing was said.
        until: Until when, for a shelf.
        zone: Time zone of the site.
        now: When it was done.
    """
    subject = f"{name_of(target)}: {done}"
    if len(alarms) == 1:
        subject += f" {_meaning(alarms[0].drift.key, estate)}"
    elif alarms:
        subject += f" {len(alarms)} alarms"
    if until is not None:
        subject += f" until {until_text(until, now or until, zone)}"
    body = "\n".join(f"{alarm.drift.what}; since {_stamp(alarm.since)}" for alarm in alarms)
    more = [("Until", _stamp(until))] if until else []
    return _message(subject, body, target, alarms, who, reason, more, estate)


def refusal_message(
    target: StationId, verb: str, why: str, *, estate: Estate, by: str, reason: str
) -> Message:
    """Say that somebody was not let do something to alarms.

    Args:
        target: The station, or the site with an empty name.
        verb: What was asked, as `acknowledge`.
        why: Why not.
        estate: In force.
        by: The name that was given.
        reason: The reason that was given.
    """
    return _message(f"{name_of(target)}: refused to {verb}", why, target, (), by, reason, [], estate)


def _message(
    subject: str,
    body: str,
    target: StationId,
    alarms: Sequence[Alarm],
    who: str,
    reason: str,
    more: Sequence[tuple[str, str]],
    estate: Estate,
) -> Message:
    settings = sorted({alarm.drift.key.setting for alarm in alarms} - {""})
    return Message(
        subject=subject,
        body=body,
        trailers=(
            ("Site", target.site),
            *([("Station", str(target))] if target.name else []),
            *(("Setting", setting) for setting in settings),
            ("By", who),
            *([("Reason", reason)] if reason else []),
            *more,
            ("Baseline", estate.commit),
        ),
    )


def _meaning(key: DriftKey, estate: Estate) -> str:
    if key.kind is not DriftKind.SETTING:
        return _KINDS[key.kind]
    as_left = estate.stations.get(key.station)
    setting = as_left.profile.settings.get(key.setting) if as_left else None
    return setting.meaning if setting else key.setting


def _stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
