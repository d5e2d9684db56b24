"""What a recording of the stations' pairs needs: tracks, bytes, time."""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from asleft.domain.patching import NETWORK, Settled, heard_at, sent_by

__all__ = [
    "FOUR_GIB",
    "Need",
    "Recording",
    "Track",
    "file_name",
    "need_of",
    "pairs_of",
    "show_span",
    "tracks_of",
]

FOUR_GIB = 2**32
"""What the 32-bit sizes of a RIFF file can count (EBU Tech 3285); beyond it RF64 is needed (EBU Tech 3306)."""
LONGEST_NAME = 60
"""Characters of a file's name at most, its ending included."""

_ENDING = ".wav"
_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+")
_HOUR = 3600


@dataclass(frozen=True, kw_only=True, slots=True)
class Recording:
    """What a site.yaml says about its recorder.

    Args:
        occasion: The occasion during which it runs.
        disk_bytes: Bytes that are free before it begins; None where nobody says.
        hours: How long it is to run; None where nobody says.
        one_file: Whether all tracks go into one file; else one file a stereo pair.
        sample_rate: In hertz.
        bits: Bits a sample.
    """

    occasion: str = "recording"
    disk_bytes: int | None = None
    hours: float | None = None
    one_file: bool = False
    sample_rate: int = 48_000
    bits: int = 24


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """One stereo pair of a recording.

    Args:
        number: Place in the list, from 1.
        station: Whose network pair it is.
        sends: What that pair sends: `input`, `room` or `mix`.
        mix: The monitor mix that the station hears; empty where it sends something else.
        file: Safe name of its file, where every pair has one.
    """

    number: int
    station: str
    sends: str
    mix: str
    file: str

    @property
    def channels(self) -> tuple[int, int]:
        """Its two channels, counted from 1, where all tracks go into one file."""
        return 2 * self.number - 1, 2 * self.number


def tracks_of(stations: Mapping[str, Settled]) -> list[Track]:
    """Give the tracks of a recording: a stereo pair for each station whose network pair sends something, by name.

    Args:
        stations: By name, with the settings that hold on the recording's occasion.
    """
    sending = [(name, sent) for name in sorted(stations) if (sent := sent_by(stations[name], NETWORK))]
    digits = max(2, len(str(len(sending))))
    return [
        Track(
            number=number,
            station=name,
            sends=sent,
            mix=heard_at(stations[name]) if sent == "mix" else "",
            file=file_name(number, name, digits=digits),
        )
        for number, (name, sent) in enumerate(sending, 1)
    ]


def pairs_of(stations: Mapping[str, Settled]) -> int:
    """Count the tracks of a recording without naming them."""
    return sum(bool(sent_by(station, NETWORK)) for station in stations.values())


def file_name(number: int, name: str, *, digits: int = 2) -> str:
    """Give a name that every file system takes, as `01-drums.wav`, for any text.

    It holds ASCII letters, digits, hyphens, underscores and its ending, and at most 60 characters. The number comes
    first, so that files sort as tracks do, names of different numbers differ, and none is a device's name.
    """
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    safe = _UNSAFE.sub("-", ascii_only).strip("-")
    stem = f"{number:0{digits}d}-{safe or 'track'}"
    return stem[: LONGEST_NAME - len(_ENDING)].rstrip("-") + _ENDING


@dataclass(frozen=True, kw_only=True, slots=True)
class Need:
    """What recording some stereo pairs takes.

    Args:
        pairs: How many.
        files: In how many files; none where there is nothing to record.
        bytes_per_second: Of audio, all files together.
        disk_bytes: Bytes that are free before it begins; None where nobody says.
        hours: How long it is to run; None where nobody says.
    """

    pairs: int
    files: int
    bytes_per_second: int
    disk_bytes: int | None
    hours: Fraction | None

    @property
    def bytes_per_hour(self) -> int:
        """Bytes an hour, all files together."""
        return self.bytes_per_second * _HOUR

    @property
    def planned_bytes(self) -> int | None:
        """Bytes that the planned hours take, rounded up; None where no hours are planned."""
        return None if self.hours is None else math.ceil(self.bytes_per_hour * self.hours)

    @property
    def disk_left(self) -> int | None:
        """Bytes left on the disk after the planned hours, below zero where they do not fit; None where not known."""
        planned = self.planned_bytes
        return None if self.disk_bytes is None or planned is None else self.disk_bytes - planned

    @property
    def disk_hours(self) -> Fraction | None:
        """Hours until the disk is full; None where that is not known, or never."""
        if self.disk_bytes is None or not self.pairs:
            return None
        return Fraction(self.disk_bytes, self.bytes_per_hour)

    @property
    def four_gib_after(self) -> Fraction | None:
        """Seconds until a file reaches 4 GiB; None where there is nothing to record."""
        return Fraction(FOUR_GIB * self.files, self.bytes_per_second) if self.pairs else None

    @property
    def outgrows(self) -> bool:
        """Whether a file passes 4 GiB within the planned hours."""
        after = self.four_gib_after
        return after is not None and self.hours is not None and after < self.hours * _HOUR


def need_of(recording: Recording, pairs: int) -> Need:
    """Give what a number of stereo pairs takes; headers of the files are not counted, they are a few hundred bytes."""
    return Need(
        pairs=pairs,
        files=min(1, pairs) if recording.one_file else pairs,
        bytes_per_second=pairs * 2 * recording.sample_rate * recording.bits // 8,
        disk_bytes=recording.disk_bytes,
        hours=None if recording.hours is None else Fraction(recording.hours),
    )


def show_span(seconds: Fraction) -> str:
    """Give a span of time as `4:08:33`, in hours, minutes and whole seconds that have passed."""
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"
