"""The plots of an account, each with the table behind it: stations as left week by week, and how long drift stood."""

from collections.abc import Sequence

from asleft.domain.evidence.account import Account, Week
from asleft.domain.statistics import by_class
from asleft.drawn.plots import bars_by_class, shares_by_week
from asleft.web.pages.figure_plots import Cells, Plot

__all__ = ["Plot", "account_plots", "weeks_plot"]


def weeks_plot(weeks: Sequence[Week]) -> Plot:
    """Draw the share of stations as left at the end of each week."""
    rows = tuple(
        (
            f"{one.since:%Y-%m-%d}",
            *(
                (
                    one.share.percent,
                    one.share.interval,
                    f"{one.share.part} of {one.share.of}",
                )
                if one.share
                else ("no data", "no data", "0 of 0")
            ),
        )
        for one in weeks
    )
    return Plot(
        id="weeks",
        heading="Stations as left, week by week",
        drawing=shares_by_week(
            [(f"{one.since:%d %b}", one.share) for one in weeks],
            title="Share of stations as left at the end of each week",
            about="; ".join(
                f"week from {row[0]}: {row[1]}, interval {row[2]}, {row[3]} stations" for row in rows
            ),
            unit="share as left, %",
        ),
        told="Counted at the end of each week, from Monday on, from the records. The line is the 95 % interval (Wilson): few"
        " stations say little. A station that was not read is unknown, and counts on neither side.",
        cells=Cells(heads=("Week from", "Share", "Interval", "Stations"), rows=rows),
    )


def account_plots(made: Account) -> tuple[Plot, ...]:
    """Draw what of an account can be drawn."""
    over = made.ended.seconds
    classes = by_class(over)
    return (
        weeks_plot(made.weeks),
        Plot(
            id="ended",
            heading="How long drift stood",
            drawing=bars_by_class(
                classes,
                title="How long drift stood until it was gone",
                about=", ".join(f"{words}: {count}" for words, count in classes),
                unit="drifts",
                along="time from find to end",
            )
            if over
            else None,
            told="From when the records show it until they show that it is gone, however it ended. What still stands is not in it."
            + ("" if over else " None ended in this time."),
            cells=Cells(
                heads=("Time", "Drifts"), rows=tuple((words, str(count)) for words, count in classes)
            ),
        ),
    )
