"""What a page may offer to have approved as it was found, and for which layers: nothing that the work would refuse."""

from enum import StrEnum

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.kinds import Foreign
from asleft.domain.profile import Setting
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId
from asleft.web.asking import LAYER_WORDS
from asleft.work.proposing.adopt import only_conceded
from asleft.work.proposing.layering import layer_of

__all__ = ["Adopting", "adopting_of", "layers_of"]


class Adopting(StrEnum):
    """Whether a found value can be approved."""

    OPEN = "in any layer"
    CONCEDED = "in an occasion's own layer"
    """As the normal state it needs a concession that there is not."""
    FOREIGN = "not at all"
    """The profile does not know it."""


def adopting_of(
    estate: Estate, station: StationId, setting: Setting | None, found: AsFound | None
) -> Adopting | None:
    """Say whether what was found of a setting can be approved; None where nothing was found, or it is no setting."""
    if setting is None or found is None or setting.name not in found.values:
        return None
    value = found.values[setting.name]
    if isinstance(value, Foreign):
        return Adopting.FOREIGN
    conceded = only_conceded(estate.concessions, station, setting, value)
    return Adopting.CONCEDED if conceded else Adopting.OPEN


def layers_of(
    estate: Estate, as_left: AsLeft | None, setting: str = "", *, conceded: bool = False
) -> tuple[tuple[str, str], ...]:
    """Give the layers into which a value of a station can be adopted, each with words.

    Args:
        estate: As it is now.
        as_left: The station as left, with the occasions that are on; None for none.
        setting: Dotted name of the setting; empty for several.
        conceded: Whether without a concession an occasion alone may have its value, and no performance: there the check refuses it.
    """
    if as_left is None:
        return ()
    on = any(layer.file.startswith("occasions/") for layer in as_left.layers)
    if conceded:
        performances = {one.layer.file for one in estate.occasions if one.performance}
        on = on and layer_of(as_left, "occasion", setting).file not in performances
    lacks = {"role": not as_left.role, "occasion": not on}
    return tuple(
        (word, f"{words} ({as_left.role})" if word == "role" else words)
        for word, words in LAYER_WORDS
        if not lacks.get(word, False) and (word == "occasion" or not conceded)
    )
