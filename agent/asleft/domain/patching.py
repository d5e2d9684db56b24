"""How signals go: sources, buses and mixes of a site's mixers, the stations that hear them, and what comes back."""

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Patch", "Plug", "Return"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Return:
    """A channel pair of a mixer that brings back what a station sends.

    Args:
        station: Name of the station at this site.
        pair: Which of its output pairs is read: `network` or `line`.
        channels: First and last channel at the mixer; None where nobody says.
    """

    station: str
    pair: str
    channels: tuple[int, int] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Plug:
    """What is plugged into a station's local input: something with a name, or another station's output pair.

    Args:
        name: A source, bus or mix; empty where a station's pair is plugged.
        station: Name of the station at this site; empty where something with a name is plugged.
        pair: Which of its output pairs.
    """

    name: str = ""
    station: str = ""
    pair: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Patch:
    """What a site.yaml says about its signals.

    Args:
        sources: What is on stage, by name: microphones, instruments, playback.
        buses: What feeds each bus of the mixers: names of sources, buses, mixes and returns.
        mixes: What feeds each monitor mix, as the stations choose it: names as above.
        returns: Channel pairs that bring back what a station sends, by name.
        inputs: What is plugged into the local input of a station, by station name.
    """

    sources: tuple[str, ...] = ()
    buses: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    mixes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    returns: Mapping[str, Return] = field(default_factory=dict)
    inputs: Mapping[str, Plug] = field(default_factory=dict)
