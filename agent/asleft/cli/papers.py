"""Commands that make papers: handover, visit, labels."""

import hashlib
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import safe, say, say_json
from asleft.domain.errors import AsleftError
from asleft.papers.choices import Form, Sheet

if TYPE_CHECKING:
    from asleft.daemon.papers import Papers
    from asleft.papers.paper import Frame
    from asleft.work.visiting import Span

__all__ = ["NotWritten", "NothingToPrint", "OutOption", "SheetOption", "add_to", "write_paper"]

SiteArgument = Annotated[str, typer.Argument(metavar="SITE", help="Name of the site.")]
OutOption = Annotated[
    Path, typer.Option("--out", help="Folder that the paper is written into; it is made where it is missing.")
]
FormOption = Annotated[Form, typer.Option("--format", help="What the paper is written as.")]
SheetOption = Annotated[Sheet, typer.Option("--paper", help="The paper it is printed on.")]


class NothingToPrint(AsleftError):
    """There is nothing that this paper could tell of."""


class NotWritten(AsleftError):
    """A paper could not be written."""


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Print the handover book of a site.")(handover)
    app.command(short_help="Print the sheet of a visit: as found, what was done, as left.")(visit)
    app.command(short_help="Print labels for the stations of a site.")(labels)


def handover(
    site: SiteArgument,
    home: HomeOption,
    out: OutOption = Path(),
    form: FormOption = Form.PDF,
    paper: SheetOption = Sheet.A4,
    *,
    as_json: JsonOption = False,
) -> None:
    """Print the handover book of a site, from the revision in force and the records; made again it is the same file."""
    from asleft.daemon.papers import open_papers  # noqa: PLC0415 keeps --help quick
    from asleft.papers.handover.book import book  # noqa: PLC0415 as above
    from asleft.papers.making import handover_paper  # noqa: PLC0415 as above

    with open_papers(home) as papers:
        made = book(papers.given(site), paper)
    write_paper(
        out, f"handover-{site}", form, made.frame, lambda: handover_paper(made, form), as_json=as_json
    )


def visit(
    site: SiteArgument,
    home: HomeOption,
    since: Annotated[
        str | None,
        typer.Option(
            "--from",
            help="When it began, by the clocks at the site, as '2026-11-25 14:00'. The last day with an order where it is left out.",
        ),
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="When it ended; the end of that day where it is left out.")
    ] = None,
    out: OutOption = Path(),
    form: FormOption = Form.PDF,
    paper: SheetOption = Sheet.A4,
    *,
    as_json: JsonOption = False,
) -> None:
    """Print the sheet of a visit: each station as found on arrival, what was done, as left on leaving."""
    from asleft.daemon.papers import open_papers  # noqa: PLC0415 keeps --help quick
    from asleft.papers.making import visit_paper  # noqa: PLC0415 as above
    from asleft.papers.visit.book import book  # noqa: PLC0415 as above

    with open_papers(home) as papers:
        given = papers.given(site, _span(papers, site, since, until))
    if given.visited is None:
        raise NothingToPrint(
            f"nothing is recorded of {safe(site)} yet",
            where=str(home),
            todo="asleft round reads its stations",
        )
    made = book(given, given.visited, paper)
    name = f"visit-{site}-{given.visited.visit.span.since:%Y-%m-%d}"
    write_paper(out, name, form, made.frame, lambda: visit_paper(made, form), as_json=as_json)


def labels(
    site: SiteArgument,
    home: HomeOption,
    sheet: Annotated[
        str,
        typer.Option(
            "--sheet",
            help="Measures of one label in mm, as 70x37, 99.1x38.1 or 66.7x25.4; margins and gaps as 60x30+LEFT+TOP+ACROSS+DOWN.",
        ),
    ] = "70x37",
    skip: Annotated[
        int, typer.Option("--skip", min=0, help="Labels of the first sheet that are used up.")
    ] = 0,
    out: OutOption = Path(),
    form: FormOption = Form.PDF,
    paper: Annotated[
        Sheet | None,
        typer.Option(
            "--paper",
            help="The paper; the usual one of such labels where it is left out.",
            show_default=False,
        ),
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Print labels with name, address and serial, and a code that opens the station's page where pages-url is set."""
    from asleft.daemon.papers import open_papers  # noqa: PLC0415 keeps --help quick
    from asleft.papers.labels.book import book  # noqa: PLC0415 as above
    from asleft.papers.labels.sizes import read_sizes  # noqa: PLC0415 as above
    from asleft.papers.making import labels_paper  # noqa: PLC0415 as above

    if form is Form.XLSX:
        raise typer.BadParameter("labels are printed: choose pdf or html", param_hint="--format")
    sizes = read_sizes(sheet, paper)
    if skip >= sizes.count:
        raise typer.BadParameter(f"one sheet has {sizes.count} labels", param_hint="--skip")
    with open_papers(home) as papers:
        made = book(papers.given(site, visited=False), sizes, skip=skip)
    if not made.pages:
        raise NothingToPrint(f"{safe(site)} has no stations", todo="asleft new station makes one")
    write_paper(out, f"labels-{site}", form, made.frame, lambda: labels_paper(made, form), as_json=as_json)


def _span(papers: "Papers", site: str, since: str | None, until: str | None) -> "Span | None":
    from datetime import timedelta  # noqa: PLC0415 keeps --help quick
    from zoneinfo import ZoneInfo  # noqa: PLC0415 as above

    from asleft.work.visiting import Span  # noqa: PLC0415 as above

    zone = papers.zone_of(site)
    if since is None:
        if until is not None:
            raise typer.BadParameter("say when it began, too", param_hint="--from")
        return None
    begins = _time(since, zone, "--from")
    if until is not None:
        ends = _time(until, zone, "--to")
    else:
        midnight = begins.astimezone(ZoneInfo(zone)).replace(
            hour=0, minute=0, second=0, microsecond=0, fold=0
        )
        ends = midnight + timedelta(days=1)  # the next one by the clock on the wall
    if ends <= begins:
        raise typer.BadParameter("it ended before it began", param_hint="--to")
    return Span(since=begins, until=ends)


def _time(text: str, zone: str, option: str) -> datetime:
    """Read a day, or a day and a time, by the clocks at a site; a time alone is none, for no paper knows today."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415 keeps --help quick

    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise typer.BadParameter(
            f"'{safe(text)}' is no time; write it as 2026-11-25 14:00", param_hint=option
        ) from None
    return at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))


def write_paper(
    folder: Path, name: str, form: Form, frame: "Frame", make: Callable[[], bytes], *, as_json: bool
) -> None:
    """Write a paper into a folder, the whole of it or nothing, and say where it is."""
    data = make()
    path = folder / f"{name}.{form}"
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            fresh.write_bytes(data)
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
    except OSError as wrong:
        raise NotWritten(
            f"the paper cannot be written: {wrong.strerror}",
            where=str(path),
            todo="name another folder with --out",
        ) from wrong
    digest = hashlib.sha256(data).hexdigest()
    if as_json:
        say_json(
            "paper",
            file=str(path),
            kind=frame.kind,
            site=frame.site,
            commit=frame.revision.commit,
            bytes=len(data),
            sha256=digest,
        )
        return
    say(f"{safe(path)}: {frame.kind.lower()} of {safe(frame.title)} at {frame.commit}, {len(data)} bytes.")
