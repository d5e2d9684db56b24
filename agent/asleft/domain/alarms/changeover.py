"""Changeover due: drift that is there only because an occasion began or ended, and nobody has set the stations yet."""

from collections.abc import Sequence

from asleft.domain.comparison import differing
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Foreign
from asleft.domain.snapshot import AsFound

__all__ = ["changeover_due"]


def changeover_due(
    drifts: Sequence[Drift], now: AsLeft, before: Sequence[AsLeft], found: AsFound
) -> frozenset[DriftKey]:
    """Tell which drifts of one station are only a changeover that is due.

    A setting is so where it is not as left now, is as it was to be left at some time before the change, within its
    tolerance, and the two are not the same. A value that was never approved is drift, whatever is on.

    Args:
        drifts: What stands at the station.
        now: As left now, with the occasions that are on.
        before: As left without any occasion, before the last change, or both.
        found: As found.
    """
    due: set[DriftKey] = set()
    for drift in drifts:
        name = drift.key.setting
        if drift.key.kind is not DriftKind.SETTING or drift.key.station != now.station:
            continue
        value = found.values.get(name)
        if value is None or isinstance(value, Foreign) or name not in now.values:
            continue
        for earlier in before:
            was = earlier.values.get(name)
            if was is None or was == now.values[name]:
                continue
            if not differing(now.profile, {name: was}, {name: value}):
                due.add(drift.key)
    return frozenset(due)
