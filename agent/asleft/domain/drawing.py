"""Drawing orders up: which settings are written, in which order, and what can go wrong."""

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.hazards import Hazard, HazardKind, hazards_of
from asleft.domain.hearing import CAUTION
from asleft.domain.kinds import Foreign, Found, Level, Value
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Order, Purpose, Write
from asleft.domain.profile import Ear, Keeper, Place, Profile, Setting
from asleft.domain.snapshot import AsFound

__all__ = ["Wish", "draw_up", "draw_up_undo", "steps_between"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What somebody wants an order for.

    Args:
        purpose: What it is for.
        by: Who wants it; empty where nobody is named.
        cannot_wait: Why it cannot wait for the end of a freeze; empty where it can.
        only: Settings that it is about; empty for all.
        everything: Whether what is as left is written, too: the unit is new at its place.
        undoes: Id of the order that it undoes.
        action: The action of the profile that is done first.
        ends: When what is lent goes back, UTC.
    """

    purpose: Purpose = Purpose.RESTORE
    by: str = ""
    cannot_wait: str = ""
    only: frozenset[str] = frozenset()
    everything: bool = False
    undoes: str = ""
    action: str = ""
    ends: datetime | None = None


def draw_up(
    as_left: AsLeft,
    found: AsFound,
    *,
    baseline: str,
    now: datetime,
    rules: OrderRules,
    wish: Wish | None = None,
) -> Order | None:
    """Draw up the order that would bring a station where it is wanted; None where nothing is to be written.

    The order holds for the unit that was found; whether that unit may be written at all is asked elsewhere.
    """
    wish = wish or Wish()
    profile = as_left.profile
    names: Collection[str] = differing(profile, as_left.values, found.values)
    if wish.everything:
        # An address that is right is not written: it would have the station drop off and come back for nothing.
        names = [
            name
            for name, setting in profile.settings.items()
            if name in as_left.values
            and name in found.values
            and (name in names or setting.place is not Place.ADDRESS)
        ]
    if wish.only:
        names = [name for name in names if name in wish.only]
    if wish.action:
        names = ()  # the action alone is done: a restore or a set-up comes behind it
    targets = {name: as_left.values[name] for name in names}
    return _order(profile, as_left, found, targets, baseline=baseline, now=now, rules=rules, wish=wish)


def draw_up_undo(
    as_left: AsLeft,
    found: AsFound,
    done: Order,
    *,
    baseline: str,
    now: datetime,
    rules: OrderRules,
    wish: Wish,
) -> Order | None:
    """Draw up the order that takes a station back to what an order found; None where nothing is to be written.

    What the earlier order did not write, and what was foreign to the profile before it, is not touched.
    """
    profile = as_left.profile
    targets = {
        write.setting: write.before
        for write in done.writes
        if not isinstance(write.before, Foreign)
        and write.setting in profile.settings
        and write.setting in found.values
        and found.values[write.setting] != write.before
    }
    return _order(profile, as_left, found, targets, baseline=baseline, now=now, rules=rules, wish=wish)


def _order(
    profile: Profile,
    as_left: AsLeft,
    found: AsFound,
    targets: Mapping[str, Value],
    *,
    baseline: str,
    now: datetime,
    rules: OrderRules,
    wish: Wish,
) -> Order | None:
    writes: list[Write] = []
    for name, after in targets.items():
        setting, before = profile.settings[name], found.values[name]
        writes.append(
            Write(
                setting=name,
                before=before,
                after=after,
                stage=setting.stage(before, after),
                shown=(setting.show(before), setting.show(after)),
                concern=setting.concern,
                through=steps_between(setting, before, after, rules.rise),
            )
        )
    if not writes and not wish.action:
        return None
    writes.sort(key=lambda write: write.stage)
    drawn_up = now.replace(microsecond=0)
    factory = _factory_values(profile, found) if wish.action else {}
    will_be: dict[str, Found] = {**found.values, **targets, **factory}
    return Order(
        station=as_left.station,
        serial=found.serial,
        address=found.address,
        profile=profile.name,
        baseline=baseline,
        drawn_up=drawn_up,
        lapses=min(drawn_up + rules.lapse, wish.ends or datetime.max.replace(tzinfo=drawn_up.tzinfo)),
        writes=tuple(writes),
        hazards=(
            *(_lost(profile, wish.action) if wish.action else ()),
            *(
                replace(hazard, words=f"{hazard.words}{_at_the_ear(profile, name, will_be)}")
                if hazard.is_hearing
                else hazard
                for name, after in {**{write.setting: write.after for write in writes}, **factory}.items()
                for hazard in hazards_of(profile.settings[name], found.values[name], after)
            ),
        ),
        found=dict(found.values),
        left_alone=tuple((name, str(unread.why)) for name, unread in found.unread.items()),
        purpose=wish.purpose,
        by=wish.by,
        cannot_wait=wish.cannot_wait,
        undoes=wish.undoes,
        action=wish.action,
        ends=wish.ends,
    )


def _factory_values(profile: Profile, found: AsFound) -> dict[str, Value]:
    """Give what a return to factory state makes of the settings that were found, those left out that stay as they are."""
    return {
        name: factory
        for name, value in found.values.items()
        if (factory := profile.settings[name].factory) is not None and factory != value
    }


def _lost(profile: Profile, action: str) -> tuple[Hazard, ...]:
    """Say what an action takes from the player: nobody but the station knows it, and nothing can bring it back."""
    kept = [setting.meaning for setting in profile.settings.values() if setting.keeper is Keeper.PLAYER]
    named = ", ".join(kept[:_FEW]) + (f" and {len(kept) - _FEW} more" if len(kept) > _FEW else "")
    what = f" ({named})" if named else ""
    return (
        Hazard(
            kind=HazardKind.LOST,
            setting=action,
            words=f"all that the player has set at it is lost{what}, nobody can bring it back, and it may come up louder",
            caution=f"Ask the player first, and tell them before they put the earphones back in. {CAUTION}",
        ),
    )


_FEW = 4


def steps_between(setting: Setting, before: Found, after: Value, highest: float) -> tuple[Value, ...]:
    """Give the values on the way of a rise, both ends left out: no step is higher than asked, as far as the grid allows.

    A fall, a switch and a choice have none; from a foreign value nobody knows how far it is.

    Args:
        setting: The setting.
        before: Its value.
        after: The value that it shall have.
        highest: Highest step, in dB.
    """
    rise = setting.rise_in_db(before, after)
    kind = setting.kind
    if rise is None or rise <= 0 or not isinstance(kind, Level) or isinstance(before, Foreign):
        return ()
    # In whole steps of the grid, so that every value on the way is one that the station has.
    step = max(1, math.floor(highest / kind.step + _GRID_NOISE)) * kind.step
    start, end = float(before), float(after)
    direction = 1.0 if end > start else -1.0
    # The first step is counted from the grid's nearest value that is no louder, and is thus never higher than the others.
    places = (start - kind.lowest) / kind.step * direction
    first = kind.lowest + direction * math.floor(places + _GRID_NOISE) * kind.step
    found: list[Value] = []
    value = first + direction * step
    while (end - value) * direction > kind.step * _GRID_NOISE:
        found.append(kind.settle(value))
        value += direction * step
    return tuple(found)


_GRID_NOISE = 1e-6
"""Far below any step, far above what floating point adds."""


def _at_the_ear(profile: Profile, name: str, will_be: Mapping[str, Found]) -> str:
    """Say what stands between a rise and the ear: the limiter and its level, as they will be then."""
    said = [words for ear in profile.ears for words in _limiter(profile, ear, name, will_be)]
    return f"; {', '.join(dict.fromkeys(said))}" if said else ""


def _limiter(profile: Profile, ear: Ear, name: str, will_be: Mapping[str, Found]) -> Iterator[str]:
    if name == ear.limiter or not ear.limiter:
        return
    where = f" of {ear.name}" if ear.name else ""
    on = will_be.get(ear.limiter)
    if on is None:
        yield f"whether the limiter{where} is on is not known"
        return
    if on is not True:
        yield f"the limiter{where} is OFF then"
        return
    level = will_be.get(ear.limiter_level) if ear.limiter_level else None
    shown = f" at {profile.settings[ear.limiter_level].show(level)}" if level is not None else ""
    yield f"the limiter{where} is on then{shown}"
