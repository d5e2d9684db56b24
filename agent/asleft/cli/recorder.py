"""The command about a site's recorder: its track list, and the room it needs."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import JsonOption
from asleft.cli.output import csv_lines, note, safe, say, say_json, table
from asleft.cli.signals import SENDS, EstateOption, SiteArgument, number_of, site_at, stations_of

if TYPE_CHECKING:
    from asleft.domain.recording import Need, Recording, Track

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="The tracks of a recording, and the room it needs.")(recording)


def recording(
    site: SiteArgument,
    estate: EstateOption = Path(),
    *,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Give the track list alone, as RFC 4180 has it.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Give the track list of a site's recording, a stereo pair a station, and the room that it needs."""
    from asleft.domain.recording import Recording, need_of, tracks_of  # noqa: PLC0415 keeps --help quick

    if as_csv and as_json:
        raise typer.BadParameter("choose one of --csv and --json")
    loaded, found, stations = site_at(estate, site)
    declared = found.recording or Recording()
    if declared.occasion in {occasion.name for occasion in loaded.occasions}:
        stations = stations_of(loaded.during(site, [declared.occasion]), site)
    else:
        note(
            f"asleft: this estate has no occasion '{safe(declared.occasion)}'; the tracks are those of the normal state"
        )
    tracks = tracks_of(stations)
    need = need_of(declared, len(tracks))
    files = _files(site, declared, tracks)
    if as_csv:
        header = ("track", "station", "sends", "mix", "file", "first channel", "last channel")
        say(*csv_lines([header, *_track_rows(declared, tracks, files)]))
    elif as_json:
        say_json("recording", **_recording_json(site, declared, tracks, files, need))
    else:
        _tell_recording(declared, tracks, files, need)


def _files(site: str, declared: "Recording", tracks: "Sequence[Track]") -> list[str]:
    from asleft.domain.recording import file_name  # noqa: PLC0415 keeps --help quick

    return [file_name(1, site) if declared.one_file else track.file for track in tracks]


def _channels(declared: "Recording", track: "Track") -> tuple[int, int]:
    return track.channels if declared.one_file else (1, 2)


def _track_rows(
    declared: "Recording", tracks: "Sequence[Track]", files: Sequence[str]
) -> list[tuple[str, ...]]:
    return [
        (
            str(track.number),
            track.station,
            SENDS[track.sends],
            track.mix,
            file,
            *(str(channel) for channel in _channels(declared, track)),
        )
        for track, file in zip(tracks, files, strict=True)
    ]


def _recording_json(
    site: str, declared: "Recording", tracks: "Sequence[Track]", files: Sequence[str], need: "Need"
) -> dict[str, object]:
    after, full = need.four_gib_after, need.disk_hours
    return {
        "site": site,
        "occasion": declared.occasion,
        "tracks": [
            {
                "number": track.number,
                "station": track.station,
                "sends": track.sends,
                "mix": track.mix or None,
                "file": file,
                "channels": _channels(declared, track),
            }
            for track, file in zip(tracks, files, strict=True)
        ],
        "files": need.files,
        "bytes-per-hour": need.bytes_per_hour,
        "four-gib-after-seconds": None if after is None else number_of(after),
        "hours": declared.hours,
        "planned-bytes": need.planned_bytes,
        "disk-free": need.disk_bytes,
        "disk-left": need.disk_left,
        "disk-hours": None if full is None else number_of(full),
    }


def _gigabytes(count: int) -> str:
    return f"{count / 10**9:.2f} GB"


def _tell_recording(
    declared: "Recording", tracks: "Sequence[Track]", files: Sequence[str], need: "Need"
) -> None:
    from asleft.domain.recording import show_span  # noqa: PLC0415 keeps --help quick

    if not tracks:
        say(
            f"On the occasion '{safe(declared.occasion)}' no station sends anything over its network pair: nothing to record."
        )
        return
    rows = [
        (number, station, f"{sends}, {mix}" if mix else sends, file, f"{first}-{last}")
        for number, station, sends, mix, file, first, last in _track_rows(declared, tracks, files)
    ]
    say(*table([("track", "station", "sends", "file", "channels"), *rows]), "")
    say(
        f"{len(tracks)} stereo pair{'s' if len(tracks) > 1 else ''} in {need.files} file{'s' if need.files > 1 else ''}, {declared.bits} bits, "
        f"{declared.sample_rate} Hz: {_gigabytes(need.bytes_per_hour)} an hour."
    )
    after, full, left = need.four_gib_after, need.disk_hours, need.disk_left
    if after is not None:
        each = "The file reaches" if need.files == 1 else "Each file reaches"
        say(f"{each} 4 GiB after {show_span(after)}; beyond that it has to be RF64, or split.")
    if full is not None:
        say(f"The disk is full after {show_span(full * 3600)}.")
    if left is not None and declared.hours is not None:
        room = f"{_gigabytes(left)} are left" if left >= 0 else f"{_gigabytes(-left)} are missing"
        say(f"After the planned {declared.hours:g} h {room}.")
