"""The command about figures: how many alarms there are, how well they are answered, beside their targets."""

from datetime import timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import clock_time, say, say_json, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asleft.domain.alarms.figures import Figures, Source
    from asleft.domain.alarms.times import Taken

__all__ = ["add_to"]

_HELD = {True: "met", False: "NOT MET", None: ""}


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="Figures of alarms and answers, beside their targets.")(figures)


def figures(
    home: HomeOption,
    days: Annotated[int, typer.Option("--days", min=1, max=366, help="How many days back.")] = 30,
    every: Annotated[
        str,
        typer.Option(
            "--round-every", metavar="TIME", help="Time between two rounds, as 5m: bounds the time to detect."
        ),
    ] = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Give figures of the last days, each beside the target that it is held against and where that stands."""
    from asleft.cli.alarm_times import read_for  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 as above
    from asleft.domain.alarms.times import Watch  # noqa: PLC0415 as above

    interval: timedelta | None = None
    if every:
        interval = read_for(every)
        if interval is None:
            raise typer.BadParameter("write the time between two rounds as 30s, 5m or 1h")
    with open_desk(home) as desk:
        made = desk.figures(days, watch=Watch(interval=interval))
    if as_json:
        say_json("figures", **_figures_json(made))
    else:
        tell_figures(made)


def tell_figures(made: "Figures") -> None:
    """Say the figures as a table, and what they are made of."""
    say(f"{made.alarms} alarms from {clock_time(made.since)} until {clock_time(made.until)}.", "")
    rows = [("figure", "value", "target", "", "source", "note")]
    rows += [(row.name, row.shown(), row.target, _HELD[row.good], row.source, row.note) for row in made.rows]
    say(*table(rows))
    _tell_sources("Sources of most alarms:", made.top)
    _tell_sources("Chattered:", made.chattering)
    if made.stale:
        from asleft.domain.alarms.journal import name_of  # noqa: PLC0415 keeps --help quick

        say("", "Stale, over 24 hours:")
        say(
            *table(
                [
                    (name_of(alarm.drift.key.station), clock_time(alarm.since), alarm.drift.what)
                    for alarm in made.stale
                ],
                indent="  ",
            )
        )
    if made.notices:
        say("", *made.notices)


def _tell_sources(title: str, sources: "Sequence[Source]") -> None:
    from asleft.domain.alarms.journal import name_of  # noqa: PLC0415 keeps --help quick

    if sources:
        say("", title)
        say(
            *table(
                [(f"{source.alarms}", name_of(source.station), source.what) for source in sources],
                indent="  ",
            )
        )


def _figures_json(made: "Figures") -> dict[str, object]:
    return {
        "since": made.since,
        "until": made.until,
        "alarms": made.alarms,
        "figures": [
            {
                "figure": row.name,
                "value": row.value,
                "unit": row.unit or None,
                "target": row.target or None,
                "met": row.good,
                "source": row.source or None,
                "note": row.note or None,
                "interval": {"low": row.share.low, "high": row.share.high, "of": row.share.of}
                if row.share
                else None,
                "times": row.times and _times_json(row.times),
            }
            for row in made.rows
        ],
        "top": [_source_json(source) for source in made.top],
        "chattering": [_source_json(source) for source in made.chattering],
        "stale": [
            {"station": alarm.drift.key.station, "since": alarm.since, "what": alarm.drift.what}
            for alarm in made.stale
        ],
        "notices": made.notices,
    }


def _times_json(taken: "Taken") -> dict[str, object]:
    from asleft.domain.statistics import by_class  # noqa: PLC0415 keeps --help quick

    return {
        "of": len(taken.seconds),
        "median": taken.median,
        "longest": taken.longest,
        "upper-bounds": taken.bounded,
        "unknown": taken.unknown,
        "classes": [{"taken": name, "count": count} for name, count in by_class(taken.seconds)],
    }


def _source_json(source: "Source") -> dict[str, object]:
    return {"station": source.station, "what": source.what, "alarms": source.alarms}
