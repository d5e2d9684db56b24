"""The plots of the figures, each with the table behind it."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.figures import Figures
from asleft.domain.alarms.times import Taken
from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.account_text import period
from asleft.domain.site import Site
from asleft.domain.snapshot import AsFound
from asleft.domain.statistics import Share, by_class, wilson
from asleft.drawn.drawing import Drawing
from asleft.drawn.plots import Level, Slot, bars_by_class, bars_over_time, shares
from asleft.ports.ledger import Looked
from asleft.web.pages.places import begun
from asleft.web.pages.series import raised_per_hour, slots_of, standing_at_once

__all__ = ["Cells", "Part", "Plot", "answers", "as_left_plot", "over_time", "part_of"]

_TARGET: Final = Level(12.0, "at most 12 an hour")
"""ISA-18.2-2016 table 5, IEC 62682: about 6 an hour, at most 12, for one person."""
_MOST_DRAWN: Final = 12
"""So many sites are drawn at most; the table has all of them."""

_DETECTED: Final = (
    "From when a change at a station can have been made, at the earliest, to its alarm, the alarm's delay among it. A station that"
    " is followed tells of it at once; at another one it may have been made right after the round before, so that a whole interval"
    " counts. That holds while the agent runs and its rounds come."
)
_RESTORED: Final = "From when a drift was found to the end of the order that restored it. What went without an order is under Time to return."
_ANSWERS: Final = {
    "time to detect, mean": ("detected", "Time to detect", _DETECTED),
    "time to restore, mean": ("restored", "Time to restore", _RESTORED),
    "time to return, mean": (
        "returned",
        "Time to return",
        "From when a drift was found until it was as left again, however it ended.",
    ),
    "time to acknowledge, mean": (
        "seen",
        "Time to acknowledge",
        "From the alarm until a person said that they have seen it.",
    ),
}
"""By the figure that is their mean. The definitions are our own: ISA-18.2 and IEC 62682 set no target for these times."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """A table behind a plot.

    Args:
        heads: What stands over its columns.
        rows: Texts, row by row; the first is what the row is about.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Plot:
    """A drawing and the table behind it.

    Args:
        id: Names it on the page.
        heading: Stands over it.
        drawing: The drawing; None where there is nothing to draw.
        told: What to know when reading it.
        slots: Pieces of a time with their values, where it is over a time.
        head: What the values are, with the unit.
        short: The same in a word or two.
        cells: The table, where it is not over a time.
    """

    id: str
    heading: str
    drawing: Drawing | None
    told: str
    slots: tuple[tuple[datetime, datetime, str], ...] = ()
    head: str = ""
    short: str = ""
    cells: Cells | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """How many stations of a site are as left, were read, and were not."""

    as_left: int
    read: int
    unread: int


def part_of(
    site: str, estate: Estate, looks: Mapping[StationId, Looked], drifted: Collection[StationId]
) -> Part:
    """Count the stations of a site."""
    stations = [station for station in estate.stations if station.site == site]
    read = [one for one in stations if one in looks and isinstance(looks[one].last, AsFound)]
    return Part(sum(one not in drifted for one in read), len(read), len(stations) - len(read))


def as_left_plot(sites: Mapping[str, Site], parts: Mapping[str, Part]) -> Plot:
    """Draw the share of stations as left of each site, and of all; where there are many, of the lowest."""
    rows: list[tuple[str, Part]] = [(sites[name].title, part) for name, part in parts.items()]
    if len(rows) > 1:
        every = parts.values()
        rows.append(
            (
                "All sites",
                Part(
                    sum(one.as_left for one in every),
                    sum(one.read for one in every),
                    sum(one.unread for one in every),
                ),
            )
        )
    shown = [(title, wilson(part.as_left, part.read)) for title, part in rows]
    drawn = shown
    if len(rows) > _MOST_DRAWN + 1:
        # What is not known comes first: it is the worst of all.
        lowest = sorted(shown[:-1], key=lambda row: -1.0 if row[1] is None else row[1].share)
        drawn = [*lowest[:_MOST_DRAWN], shown[-1]]
    about = "; ".join(f"{title}: {_share_words(share)}" for title, share in drawn)
    few = f"; drawn are the {_MOST_DRAWN} lowest of {len(rows) - 1} sites" if drawn is not shown else ""
    return Plot(
        id="as-left",
        heading="Stations as left now",
        drawing=shares(drawn, title="Share of stations as left now", about=about, unit="share as left, %")
        if rows
        else None,
        told=f"Of the stations that were read at the last look{few}. The line is the 95 % interval (Wilson): few stations"
        " say little. A station that was not read is unknown, and counts on neither side.",
        cells=Cells(
            heads=("Site", "As left", "Read", "Share", "Interval", "Unknown"),
            rows=tuple(
                (title, str(part.as_left), str(part.read), *_share_cells(share), str(part.unread))
                for (title, part), (_, share) in zip(rows, shown, strict=True)
            ),
        ),
    )


def _share_words(share: Share | None) -> str:
    if share is None:
        return "no station was read"
    return f"{share.percent} of {share.of}, interval {share.interval}"


def _share_cells(share: Share | None) -> tuple[str, str]:
    if share is None:
        return "no data", "no data"
    return share.percent, share.interval


def over_time(
    events: Sequence[AlarmEvent], alarms: Sequence[Alarm], since: datetime, until: datetime, zone: str
) -> list[Plot]:
    """Draw alarms an hour, and stations with something standing."""
    pieces = slots_of(since, until)
    raised = raised_per_hour(events, pieces)
    standing = standing_at_once(events, alarms, pieces)
    most = max((slot.value for slot in raised if slot.value is not None), default=None)
    highest = max(int(slot.value or 0) for slot in standing)
    return [
        Plot(
            id="raised",
            heading="Alarms an hour",
            drawing=bars_over_time(
                raised,
                zone=zone,
                title="Alarms an hour over the time",
                about="No piece of the time is an hour long yet."
                if most is None
                else f"At most {most:.2f} an hour; the target is at most 12.",
                unit="alarms an hour",
                level=_TARGET,
            ),
            told="The mean of each piece of the time. Target for one person: about 6, at most 12 an hour"
            " (ISA-18.2-2016 table 5, IEC 62682).",
            slots=_slot_rows(raised, ".2f"),
            head="Alarms an hour",
            short="Alarms/h",
        ),
        Plot(
            id="standing",
            heading="Stations with something standing",
            drawing=bars_over_time(
                standing,
                zone=zone,
                title="Stations with something standing over the time",
                about=f"At most {highest} at once.",
                unit="stations at once, most",
                whole=True,
            ),
            told="The most stations at once in each piece of the time at which something was not as left, or which did"
            " not answer. How many were read then is not kept, so it is no share. An alarm about a whole site counts for"
            " no station.",
            slots=_slot_rows(standing, ".0f"),
            head="Stations at once, most",
            short="Stations",
        ),
    ]


def _slot_rows(slots: Sequence[Slot], form: str) -> tuple[tuple[datetime, datetime, str], ...]:
    """Give the rows of a table, the newest first."""
    return tuple(
        (slot.starts, slot.ends, "no data" if slot.value is None else format(slot.value, form))
        for slot in reversed(slots)
    )


def answers(made: Figures) -> list[Plot]:
    """Draw how long it took to detect, to acknowledge, to restore, and until it was as left again."""
    return [_answer_plot(*_ANSWERS[row.name], row.times) for row in made.rows if row.times is not None]


def _answer_plot(name: str, heading: str, told: str, taken: Taken) -> Plot:
    classes = by_class(taken.seconds)
    unknown = [("not known", taken.unknown)] * bool(taken.unknown)
    sums = _sums(taken)
    about = "; ".join([", ".join(f"{text}: {count}" for text, count in [*classes, *unknown]), *sums])
    return Plot(
        id=name,
        heading=heading,
        drawing=bars_by_class(classes, title=heading, about=f"{about}.", unit="alarms", along="time taken")
        if taken.seconds
        else None,
        told=" ".join(
            [told, *(f"{begun(sentence)}." for sentence in (*sums, *taken.why))]
            + ["There was none in this time."] * (not taken.seconds and not taken.unknown)
        ),
        cells=Cells(
            heads=("Time taken", "Alarms"),
            rows=tuple((text, str(count)) for text, count in [*classes, *unknown]),
        ),
    )


def _sums(taken: Taken) -> list[str]:
    if taken.median is None or taken.longest is None:
        return []
    most = "at most " if taken.bounded else ""
    return [
        f"of {len(taken.seconds)}: median {most}{period(taken.median)}, longest {most}{period(taken.longest)}"
    ]
