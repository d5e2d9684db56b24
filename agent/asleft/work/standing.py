"""What stands after a look, given what stood before."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.ledger import Standing

__all__ = ["stand"]


def stand(
    before: Mapping[DriftKey, Standing],
    found: Iterable[Drift],
    look: AsFound | NotRead,
    *,
    now: datetime,
) -> tuple[Standing, ...]:
    """Say what stands at one station after a look at it.

    A drift that was there keeps the time since when it stands. What could not be read is unknown: a drift that stood
    there goes on standing, with the time it was last seen.

    Args:
        before: What stood at this station.
        found: Drifts of this look.
        look: The look.
        now: Its time.
    """
    after = {
        drift.key: Standing(
            drift=drift, since=before[drift.key].since if drift.key in before else now, seen=now
        )
        for drift in found
    }
    for key, old in before.items():
        if key not in after and _unknown(key, look):
            after[key] = old
    return tuple(after.values())


def _unknown(key: DriftKey, look: AsFound | NotRead) -> bool:
    if isinstance(look, NotRead):
        # Whether it is reachable is known from this look; everything else about the station is not.
        return key.kind is not DriftKind.UNREACHABLE
    return key.kind is DriftKind.SETTING and key.setting in look.unread
