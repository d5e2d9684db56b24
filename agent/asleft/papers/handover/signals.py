"""Signals in the handover book: the patch as a drawing and as tables, and the tracks of a recording."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from asleft.domain.estate import AsLeft
from asleft.domain.patching import Patch, find_loops, freed_channels, graph_of, heard_at, sent_by
from asleft.domain.recording import Need, Recording, file_name, need_of, show_span, tracks_of
from asleft.drawn.drawing import Drawing
from asleft.drawn.graph import drawing_of
from asleft.papers.given import Given
from asleft.papers.paper import Table

__all__ = ["Signals", "Tracks", "signals_of", "tracks_at"]

_SENDS = {"input": "local input", "room": "room microphones", "mix": "the mix that is heard", "": "nothing"}
_ROOM: Final = (245.0, 150.0)
"""Width and height of a drawing on a page that lies on its side, in millimetres; US letter is the narrower one."""
_TEXT: Final = 13.0
_SMALLEST: Final = 1.4
"""Text of so many millimetres is a 4 pt one: smaller is not read at a rack (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Signals:
    """How signals go at a site in its normal state.

    Args:
        declared: Whether the site's file says anything of its patch.
        drawing: How they go; None where nothing is known.
        loops: Ways on which a signal comes back to where it was, in words.
        freed: Channels of the stage boxes that are free because sources go over the network.
        tables: Mixes, buses, returns, local inputs; those without a row are left out.
    """

    declared: bool
    drawing: Drawing | None
    loops: tuple[str, ...]
    freed: int
    tables: tuple[Table, ...]

    @property
    def legible(self) -> bool:
        """Whether the drawing can be read from paper: whether its text, 13 of its units high, is not too small there."""
        drawing = self.drawing
        if drawing is None:
            return False
        return _TEXT * min(_ROOM[0] / drawing.width, _ROOM[1] / drawing.height) >= _SMALLEST


@dataclass(frozen=True, kw_only=True, slots=True)
class Tracks:
    """The tracks of a site's recording.

    Args:
        occasion: The occasion on which they hold.
        known: Whether the estate has that occasion; where not, they are those of the normal state.
        rows: A stereo pair each.
        facts: What it takes of a disk.
    """

    occasion: str
    known: bool
    rows: Table
    facts: tuple[tuple[str, str], ...]


def signals_of(given: Given) -> Signals:
    """Give how signals go."""
    declared = given.site.patch or Patch()
    stations = given.stations()
    graph = graph_of(declared, stations)
    loops = find_loops(graph)
    tables = (
        _mixes(declared, stations),
        Table(
            name="Buses",
            heads=("bus", "fed by"),
            rows=tuple((name, ", ".join(feeds)) for name, feeds in declared.buses.items()),
        ),
        _returns(declared, stations),
        Table(
            name="Local inputs",
            heads=("local input of", "plugged in"),
            rows=tuple(
                (name, plug.name or f"{plug.pair} pair of {plug.station}")
                for name, plug in declared.inputs.items()
            ),
        ),
    )
    return Signals(
        declared=given.site.patch is not None,
        drawing=drawing_of(graph, loops, title=f"How signals go at {given.site.title}") if graph else None,
        loops=tuple(map(str, loops)),
        freed=freed_channels(declared, stations),
        tables=tuple(table for table in tables if table.rows),
    )


def _mixes(declared: Patch, stations: Mapping[str, AsLeft]) -> Table:
    heard: dict[str, list[str]] = {}
    for name, station in stations.items():
        mix = heard_at(station)
        if mix:
            heard.setdefault(mix, []).append(name)
    return Table(
        name="Mixes",
        heads=("mix", "fed by", "heard at"),
        rows=tuple(
            (
                name,
                (", ".join(declared.mixes[name]) or "nothing") if name in declared.mixes else "not declared",
                ", ".join(heard.get(name, ())) or "nobody",
            )
            for name in {**declared.mixes, **heard}
        ),
    )


def _returns(declared: Patch, stations: Mapping[str, AsLeft]) -> Table:
    rows: list[tuple[str, ...]] = []
    for name, back in declared.returns.items():
        station = stations.get(back.station)
        fed = [one for one, feeds in (*declared.buses.items(), *declared.mixes.items()) if name in feeds]
        rows.append(
            (
                name,
                f"{back.pair} pair of {back.station}",
                _SENDS[sent_by(station, back.pair) if station else ""],
                f"{back.channels[0]}–{back.channels[1]}" if back.channels else "not said",  # noqa: RUF001 a range
                ", ".join(fed) or "nothing",
            )
        )
    return Table(
        name="Returns", heads=("return", "reads", "which sends", "channels", "feeds"), rows=tuple(rows)
    )


def tracks_at(given: Given) -> Tracks:
    """Give the track list of the site's recording, as it is while its occasion is on."""
    declared = given.site.recording or Recording()
    known = declared.occasion in {occasion.name for occasion in given.estate.occasions}
    stations = given.stations()
    if known:
        there = given.estate.during(given.site.name, [declared.occasion]).stations
        stations = {name: there[left.station] for name, left in stations.items()}
    tracks = tracks_of(stations)
    one = file_name(1, given.site.name)
    rows = tuple(
        (
            track.number,
            track.station,
            f"{_SENDS[track.sends]}, {track.mix}" if track.mix else _SENDS[track.sends],
            one if declared.one_file else track.file,
            "{}–{}".format(*(track.channels if declared.one_file else (1, 2))),  # noqa: RUF001 a range
        )
        for track in tracks
    )
    return Tracks(
        occasion=declared.occasion,
        known=known,
        rows=Table(name="Tracks", heads=("track", "station", "sends", "file", "channels"), rows=rows),
        facts=_needs(declared, need_of(declared, len(tracks))),
    )


def _needs(declared: Recording, need: Need) -> tuple[tuple[str, str], ...]:
    if not need.pairs:
        return ()
    found = [
        ("form", f"{declared.bits} bits, {declared.sample_rate} Hz, {need.files} file(s)"),
        ("an hour", _gigabytes(need.bytes_per_hour)),
    ]
    if need.four_gib_after is not None:
        found.append(
            ("a file reaches 4 GiB", f"after {show_span(need.four_gib_after)}: RF64 beyond it, or split")
        )
    if need.disk_hours is not None:
        found.append(("the disk is full", f"after {show_span(need.disk_hours * 3600)}"))
    if need.disk_left is not None and declared.hours is not None:
        word = "left" if need.disk_left >= 0 else "missing"
        found.append((f"after {declared.hours:g} h", f"{_gigabytes(abs(need.disk_left))} {word}"))
    return tuple(found)


def _gigabytes(count: int) -> str:
    return f"{count / 10**9:.2f} GB"
