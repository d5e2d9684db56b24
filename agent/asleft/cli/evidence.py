"""Questions about the past, answered from the two git repositories alone: history, state, who, account."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import safe, say, say_json
from asleft.cli.papers import OutOption, SheetOption, write_paper
from asleft.papers.choices import Form, Sheet

if TYPE_CHECKING:
    from asleft.domain.evidence.account import Account
    from asleft.domain.evidence.asked import Asked
    from asleft.domain.evidence.pieces import Kind
    from asleft.work.evidence.desk import EvidenceDesk

__all__ = ["add_to"]

_DEFAULT = 50
_WHEN = "Date, now, today, yesterday, 3d, '1 minute ago', or an RFC 3339 time."
CsvOption = Annotated[
    bool, typer.Option("--csv", help="Give comma-separated values (RFC 4180), times in UTC.")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Read what was approved, found and done, newest first.")(history)
    app.command(short_help="Say how a station was, as left and as found, at a time.")(state)
    app.command(short_help="Say who approved each value that a setting ever had.")(who)
    app.command(short_help="Account for a time: approved, drift, restores, concessions.")(account)


def history(
    home: HomeOption,
    station: Annotated[
        str | None, typer.Argument(help="Station, as site/station or its name; all where none is named.")
    ] = None,
    site: Annotated[str, typer.Option(help="Only this site.")] = "",
    role: Annotated[str, typer.Option(help="Only stations that had this role then.")] = "",
    setting: Annotated[
        str, typer.Option(help="Only this setting, as headphones.gain, or this group, as headphones.")
    ] = "",
    concern: Annotated[str, typer.Option(help="Only settings with this concern, as hearing.")] = "",
    person: Annotated[str, typer.Option(help="Only where this name, key or address takes part.")] = "",
    occasion: Annotated[str, typer.Option(help="Only while this was on at the site.")] = "",
    kind: Annotated[
        list[str] | None,
        typer.Option(help="Only this kind, as found or restored; may be given more than once."),
    ] = None,
    since: Annotated[str, typer.Option("--from", metavar="TIME", help=f"From when on. {_WHEN}")] = "",
    until: Annotated[
        str, typer.Option("--to", metavar="TIME", help="Until when; a date means its end.")
    ] = "",
    limit: Annotated[
        int | None,
        typer.Option("--limit", "-n", min=1, help=f"How many entries at most; {_DEFAULT}, and all in CSV."),
    ] = None,
    *,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Read both repositories as one time line, newest first: what was approved, found, confirmed and done."""
    from asleft.daemon.evidence import open_evidence  # noqa: PLC0415 keeps --help quick

    _one_of(as_json, as_csv)
    with open_evidence(home) as desk:
        from asleft.domain.evidence.asked import Asked  # noqa: PLC0415 as above

        first, last = _times(desk, [site] if site else [], since, until)
        asked = Asked(
            site=site,
            station=station or "",
            setting=setting.lower(),
            person=person,
            kinds=frozenset(map(_kind, kind or ())),
            since=first,
            until=last,
            role=role,
            concern=_concern(concern),
            occasion=occasion,
        )
        _see_station(asked)
        found = desk.history(asked, limit=limit or (None if as_csv else _DEFAULT))
    from asleft.cli.evidence_text import tell_history  # noqa: PLC0415 as above
    from asleft.work.evidence.data import HEADINGS, piece_cells, piece_json  # noqa: PLC0415 keeps --help quick

    if as_json:
        say_json("history", entries=[piece_json(piece) for piece in found.pieces], notes=[*found.notes])
    elif as_csv:
        _say_csv([HEADINGS, *map(piece_cells, found.pieces)])
    else:
        tell_history(found, everything=asked.everything)


def state(
    home: HomeOption,
    station: Annotated[
        str, typer.Argument(help="Station, as site/station; one long gone may be named, too.")
    ],
    at: Annotated[str, typer.Option("--at", metavar="TIME", help=f"When. {_WHEN}")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Say how a station was at a time: as left, with what was on then, and as found; unknown where nothing was read."""
    from asleft.daemon.evidence import open_evidence  # noqa: PLC0415 keeps --help quick

    with open_evidence(home) as desk:
        when = _time(desk, [station.partition("/")[0]], at, "--at")
        made = desk.instant(station, when)
    from asleft.cli.evidence_text import tell_instant  # noqa: PLC0415 as above
    from asleft.work.evidence.data import instant_json  # noqa: PLC0415 keeps --help quick

    if as_json:
        say_json("state", **instant_json(made))
    else:
        tell_instant(made)


def who(
    home: HomeOption,
    setting: Annotated[str, typer.Argument(help="Setting, as headphones.gain.")],
    site: Annotated[
        list[str] | None, typer.Option(help="Only this site; may be given more than once.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Give each value that a setting ever had as left: on which stations, who approved it, and how long it stood."""
    from asleft.daemon.evidence import open_evidence  # noqa: PLC0415 keeps --help quick

    with open_evidence(home) as desk:
        found = desk.who(setting, site or ())
        zone = desk.zone(site or ())
    from asleft.cli.evidence_text import tell_stood  # noqa: PLC0415 as above
    from asleft.work.evidence.data import stood_json  # noqa: PLC0415 keeps --help quick

    if as_json:
        say_json("who", setting=setting, values=[stood_json(one) for one in found])
        return
    tell_stood(found, zone)


def account(
    home: HomeOption,
    since: Annotated[str, typer.Option("--from", metavar="TIME", help=f"From when on. {_WHEN}")],
    until: Annotated[
        str, typer.Option("--to", metavar="TIME", help="Until when; a date means its end; now otherwise.")
    ] = "",
    site: Annotated[
        list[str] | None, typer.Option(help="Only this site; may be given more than once.")
    ] = None,
    form: Annotated[
        Form | None,
        typer.Option(
            "--format",
            help="Make a paper of it, written as this. Its time ends with the newest record at the latest.",
        ),
    ] = None,
    out: OutOption = Path(),
    paper: SheetOption = Sheet.A4,
    *,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Account for a time (ISO 10007:2017, status accounting): what was approved, drift, restores, concessions, gaps."""
    from asleft.cli.evidence_text import tell_account  # noqa: PLC0415 as above
    from asleft.daemon.clock import now  # noqa: PLC0415 as above
    from asleft.daemon.evidence import open_evidence  # noqa: PLC0415 as above
    from asleft.domain.evidence.account_rows import account_rows  # noqa: PLC0415 as above
    from asleft.work.evidence.data import account_json  # noqa: PLC0415 keeps --help quick

    _one_of(as_json, as_csv)
    if as_csv and form is not None:
        raise typer.BadParameter("give --format or --csv, not both")
    with open_evidence(home) as desk:
        first, last = _times(desk, site or [], since, until)
        # A paper knows no time but a commit's: what has not come yet ends with the newest of them.
        end = last or now() if form is None else last if last and last <= now() else None
        made = desk.account(site or (), first or now(), end)
    if form is not None:
        _print_account(made, form, paper, out, as_json=as_json)
        return
    if as_json:
        say_json("account", **account_json(made))
    elif as_csv:
        _say_csv(account_rows(made))
    else:
        tell_account(made)


def _print_account(made: "Account", form: Form, sheet: Sheet, out: Path, *, as_json: bool) -> None:
    from zoneinfo import ZoneInfo  # noqa: PLC0415 keeps --help quick

    from asleft.papers.account.book import book  # noqa: PLC0415 as above
    from asleft.papers.making import account_paper  # noqa: PLC0415 as above

    paper = book(made, sheet)
    here = made.sites[0] if len(made.sites) == 1 else f"{len(made.sites)}-sites"
    day = made.since.astimezone(ZoneInfo(made.zone))
    name = f"account-{here}-{day:%Y-%m-%d}"
    write_paper(out, name, form, paper.frame, lambda: account_paper(paper, form), as_json=as_json)


def _one_of(as_json: bool, as_csv: bool) -> None:  # noqa: FBT001 two switches in their order
    if as_json and as_csv:
        raise typer.BadParameter("give --json or --csv, not both")


def _say_csv(rows: Sequence[Sequence[str]]) -> None:
    from asleft.domain.tables import csv_rows  # noqa: PLC0415 keeps --help quick

    # `say` ends each line with the LF of its CRLF.
    say(csv_rows(rows).removesuffix("\n"))


def _times(
    desk: "EvidenceDesk", sites: Sequence[str], since: str, until: str
) -> tuple[datetime | None, datetime | None]:
    first = _time(desk, sites, since, "--from") if since else None
    last = _time(desk, sites, until, "--to", end=True) if until else None
    if first and last and first >= last:
        raise typer.BadParameter("the time ends before it begins; change --from or --to")
    return first, last


def _time(
    desk: "EvidenceDesk", sites: Sequence[str], text: str, option: str, *, end: bool = False
) -> datetime:
    from asleft.daemon.clock import now  # noqa: PLC0415 keeps --help quick
    from asleft.domain.evidence.asked import read_time  # noqa: PLC0415 as above

    found = read_time(text, now(), desk.zone(sites), end=end)
    if found is None:
        raise typer.BadParameter(
            f"{option}: write 2026-05-01, now, today, yesterday, 3d, '1 minute ago' or an RFC 3339 time, not '{safe(text)}'"
        )
    return found.astimezone(UTC)


def _kind(word: str) -> "Kind":
    from asleft.domain.evidence.pieces import Kind  # noqa: PLC0415 keeps --help quick
    from asleft.domain.kinds import nearest  # noqa: PLC0415 as above

    plain = word.lower().replace("-", " ")
    if plain not in set(Kind):
        raise typer.BadParameter(f"'{safe(word)}' is no kind; {nearest(plain, [*Kind])}")
    return Kind(plain)


def _concern(word: str) -> Any:
    from asleft.domain.kinds import nearest  # noqa: PLC0415 keeps --help quick
    from asleft.domain.profile import Concern  # noqa: PLC0415 as above

    if word and word not in set(Concern):
        raise typer.BadParameter(f"'{safe(word)}' is no concern; {nearest(word, [*Concern])}")
    return Concern(word) if word else None


def _see_station(asked: "Asked") -> None:
    from asleft.domain.names import is_name  # noqa: PLC0415 keeps --help quick
    from asleft.work.ordering import NoStation  # noqa: PLC0415 as above

    if asked.station and not all(map(is_name, asked.station.split("/", 1))):
        raise NoStation(f"'{safe(asked.station)}' is not a station", todo="write it as site/station")
