"""What a recording of the stations' pairs needs: tracks, bytes, time."""

from dataclasses import dataclass

__all__ = ["Recording"]


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
