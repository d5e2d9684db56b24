"""What can go wrong when a setting is written, in words that a person ticks one by one."""

from dataclasses import dataclass
from enum import StrEnum

from asleft.domain.hearing import CAUTION, allowed_time_words
from asleft.domain.kinds import Found, Value
from asleft.domain.profile import Place, Setting

__all__ = ["Hazard", "HazardKind", "hazards_of"]


class HazardKind(StrEnum):
    """What a write can do to people or to the station."""

    HEARING = "hearing"
    ADDRESS = "address"
    HEARD = "heard"
    OPENED = "opened"
    LOST = "lost"


@dataclass(frozen=True, kw_only=True, slots=True)
class Hazard:
    """One hazard of one write.

    Args:
        kind: What it can do.
        setting: Dotted name of the setting.
        words: What will happen, one sentence.
        caution: What to see to first.
    """

    kind: HazardKind
    setting: str
    words: str
    caution: str

    @property
    def is_hearing(self) -> bool:
        """Whether it is about somebody's hearing."""
        return self.kind is HazardKind.HEARING

    @property
    def id(self) -> str:
        """What a person types to accept it, as `hearing:headphones.gain`."""
        return f"{self.kind}:{self.setting}"


def hazards_of(setting: Setting, before: Found, after: Value) -> tuple[Hazard, ...]:
    """Give the hazards of writing one setting, the worst first."""
    if before == after:
        return ()  # a set-up writes what stands already, too
    hazards: list[Hazard] = []
    change = f"{setting.meaning} goes from {setting.show(before)} to {setting.show(after)}"

    def add(kind: HazardKind, words: str, caution: str) -> None:
        hazards.append(Hazard(kind=kind, setting=setting.name, words=words, caution=caution))

    if setting.is_louder(before, after):
        rise = setting.rise_in_db(before, after)
        ratio = f": {rise:+g} dB, {allowed_time_words(rise)}" if rise is not None and rise > 0 else ""
        add(HazardKind.HEARING, f"it can get louder at the ear: {change}{ratio}", CAUTION)
    if setting.place is Place.ADDRESS:
        add(
            HazardKind.ADDRESS,
            f"the station can be lost: {change}",
            "Have a way to reach it by hand. Work on racks and on ladders belongs to people who are trained for it.",
        )
    if setting.heard:
        add(
            HazardKind.HEARD,
            f"it is heard: {change}",
            "Not during a performance, and not without telling the player.",
        )
    if setting.opens and setting.show(after) == setting.opens:
        add(
            HazardKind.OPENED,
            f"it lets people in: {change}",
            "Make sure that this is wanted, and until when.",
        )
    return tuple(hazards)
