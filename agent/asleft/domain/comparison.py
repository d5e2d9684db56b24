"""As left against as found. Equality of the whole settles the common case; setting by setting where it does not."""

from collections.abc import Mapping

from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.hearing import allowed_time_words
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Concern, Profile, Setting, priority_of
from asleft.domain.snapshot import AsFound, NotRead, ReadState

__all__ = ["compare", "differing"]

_FLOAT32_STEP = 2.0**-23  # IEEE 754 binary32: distance of neighbours, relative to the number


def compare(
    as_left: AsLeft, found: AsFound | NotRead, *, others: Mapping[str, StationId] | None = None
) -> tuple[Drift, ...]:
    """Say what of a station is not as left, in the profile's order.

    A station that is silent, and a setting that could not be read, are unknown and never drift.

    Args:
        as_left: The approved settings.
        found: What was read, or that nothing was.
        others: Which station each approved serial of the estate belongs to, to name a unit that came from elsewhere.
    """
    if isinstance(found, NotRead):
        return (_unreachable(as_left, found),) if found.state is ReadState.UNREACHABLE else ()
    drifts: list[Drift] = []
    if as_left.serial and found.serial != as_left.serial:
        drifts.append(_exchanged(as_left, found, others or {}))
    # An empty firmware is one that could not be read: unknown, and never drift.
    if as_left.firmware and found.firmware and found.firmware not in as_left.firmware:
        drifts.append(_firmware(as_left, found))
    if found.values != as_left.values:
        drifts.extend(
            _setting_drift(
                as_left.station, as_left.profile.settings[name], as_left.values[name], found.values[name]
            )
            for name in differing(as_left.profile, as_left.values, found.values)
        )
    return tuple(drifts)


def differing(profile: Profile, left: Mapping[str, Value], found: Mapping[str, Found]) -> tuple[str, ...]:
    """Name the settings that both sides have and that differ by more than their tolerance, in the profile's order."""
    # Nearly all are equal: those that are not are sought among the values alone, and then put in order.
    other = {name for name, value in left.items() if name in found and found[name] != value}
    return tuple(
        name
        for name, setting in profile.settings.items()
        if name in other and not _is_close(setting, left[name], found[name])
    )


def _is_close(setting: Setting, left: Value, found: Found) -> bool:
    """Tell whether two unequal values are numbers of which the profile says that they are close enough."""
    if isinstance(left, str) or isinstance(found, str | Foreign):
        return False
    tolerance = setting.tolerance()
    # The wire's 32-bit float makes a value at the very edge of the tolerance look just beyond it.
    noise = _FLOAT32_STEP * max(abs(left), abs(found)) if tolerance else 0.0
    return abs(left - found) <= tolerance + noise


def _setting_drift(station: StationId, setting: Setting, left: Value, found: Found) -> Drift:
    verb = "changed"
    if setting.is_number() and not isinstance(found, Foreign):
        verb = "raised" if float(found) > float(left) else "lowered"
    approved, there = setting.show(left), setting.show(found)
    what = f"{setting.meaning} {verb} to {there}, approved is {approved}"
    rise = setting.rise_in_db(left, found) if not isinstance(found, Foreign) else None
    if setting.concern is Concern.HEARING and rise is not None and rise > 0:
        what += f" ({rise:+g} dB: {allowed_time_words(rise)})"
    return Drift(
        key=DriftKey(station, DriftKind.SETTING, setting.name),
        concern=setting.concern,
        priority=priority_of(setting.concern),
        as_left=approved,
        as_found=there,
        what=what,
        matters=setting.matters,
    )


def _unreachable(as_left: AsLeft, found: NotRead) -> Drift:
    return Drift(
        key=DriftKey(as_left.station, DriftKind.UNREACHABLE, ""),
        concern=Concern.NETWORK,
        priority=priority_of(Concern.NETWORK),
        as_left=as_left.address,
        as_found="no answer",
        what=f"unreachable: {harmless(found.why)}",
        matters="nobody knows what it is set to; it may be switched off, unplugged or broken",
    )


def _exchanged(as_left: AsLeft, found: AsFound, others: Mapping[str, StationId]) -> Drift:
    serial = harmless(found.serial)
    whose = others.get(found.serial)
    belongs = f", the unit of {whose}" if whose else ", a unit that the baseline does not know"
    return Drift(
        key=DriftKey(as_left.station, DriftKind.EXCHANGED, ""),
        concern=Concern.NETWORK,
        priority=priority_of(Concern.NETWORK),
        as_left=as_left.serial,
        as_found=serial,
        what=f"unit exchanged: serial {serial} answers at {found.address}{belongs}; approved is {as_left.serial}",
        matters="an exchanged unit comes with settings of its own, headphone gain among them",
    )


def _firmware(as_left: AsLeft, found: AsFound) -> Drift:
    approved = " or ".join(as_left.firmware)
    return Drift(
        key=DriftKey(as_left.station, DriftKind.FIRMWARE, ""),
        concern=Concern.SERVICE,
        priority=priority_of(Concern.SERVICE),
        as_left=approved,
        as_found=harmless(found.firmware),
        what=f"firmware is {harmless(found.firmware)}, approved is {approved}",
        matters="other firmware may behave in ways that nobody has tried on this estate",
    )
