"""Commands that begin files of a baseline: new, schema."""

import shlex
from pathlib import Path
from typing import Annotated

import typer

from asleft.cli.output import safe, say

__all__ = ["add_to"]

_EstateOption = Annotated[Path, typer.Option("--estate", help="Folder of the estate.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    new = typer.Typer(
        no_args_is_help=True, help="Begin an estate or a part of it, as a small commented file."
    )
    new.command(short_help="An estate in a folder of its own.")(estate)
    new.command(short_help="A building or rig.")(site)
    new.command(short_help="A station, with the lowest free address of its site.")(station)
    new.command(short_help="What stations of one kind have in common.")(role)
    new.command(short_help="Something that can be on, as a performance.")(occasion)
    app.add_typer(new, name="new", short_help="Begin an estate, site, station, role or occasion.")
    app.command(short_help="Give the JSON Schema of a kind of file.")(schema)


def estate(
    folder: Annotated[Path, typer.Argument(help="Folder of the new estate.")],
    name: Annotated[str, typer.Option(help="Name of the estate as people read it.")],
    person: Annotated[
        str | None, typer.Option(help="Your name, to be the first who may confirm and approve.")
    ] = None,
) -> None:
    """Begin an estate: estate.yaml, people.yaml, and the schemas that editors check with."""
    from asleft.source.starts import new_estate  # noqa: PLC0415 keeps --help quick

    _told(folder, new_estate(folder, name=name, person=person))
    _next(
        f"cd {shlex.quote(str(folder))}",
        "git init --initial-branch=main",
        "asleft new site SITE",
        "git add --all && git commit --message='Begin the estate'",
        "asleft check",
    )


def site(
    site: Annotated[str, typer.Argument(help="Name of the new site, as harbour-hall.")],
    folder: _EstateOption = Path(),
    title: Annotated[str | None, typer.Option("--name", help="Name of the site as people read it.")] = None,
    time_zone: Annotated[str, typer.Option(help="IANA name of its time zone, as Europe/Berlin.")] = "UTC",
) -> None:
    """Begin a site; its subnet is an example that no other site has, to be put right."""
    from asleft.source.starts import new_site  # noqa: PLC0415 keeps --help quick

    written, subnet = new_site(folder, site, title=title, time_zone=time_zone)
    _told(folder, written)
    say(f"Its subnet, {subnet}, is an example: put the real addresses in its place.")
    _next(f"asleft new station {site}/STATION{_at(folder)}")


def station(
    station: Annotated[str, typer.Argument(help="New station, as site/station.")],
    role: Annotated[str | None, typer.Option(help="Its role.")] = None,
    folder: _EstateOption = Path(),
) -> None:
    """Begin a station at the lowest address of its site's range that no other station has."""
    from asleft.source.starts import new_station  # noqa: PLC0415 keeps --help quick

    written, address = new_station(folder, station, role=role)
    _told(folder, written)
    say(f"Its address is {address}. It is planned until you write its serial.")
    _next_check(folder)


def role(
    role: Annotated[str, typer.Argument(help="Name of the new role, as drums.")],
    folder: _EstateOption = Path(),
) -> None:
    """Begin a role."""
    from asleft.source.starts import new_role  # noqa: PLC0415 keeps --help quick

    _told(folder, new_role(folder, role))
    _next(f"asleft new station SITE/STATION --role {role}{_at(folder)}")


def occasion(
    occasion: Annotated[str, typer.Argument(help="Name of the new occasion, as rehearsal.")],
    folder: _EstateOption = Path(),
) -> None:
    """Begin an occasion."""
    from asleft.source.starts import new_occasion  # noqa: PLC0415 keeps --help quick

    _told(folder, new_occasion(folder, occasion))
    say(
        "It is the last under `occasions` in estate.yaml, where the strongest comes first: move it where it belongs.",
        f"CATEGORIES:{occasion} in sites/SITE/calendar.ics says when it is on.",
    )
    _next_check(folder)


def schema(
    kind: Annotated[
        str | None,
        typer.Argument(help="estate, people, concessions, role, occasion, site, station or profile."),
    ] = None,
    into: Annotated[
        Path | None, typer.Option(help="Write the schemas of every kind into this folder, as .schemas.")
    ] = None,
) -> None:
    """Give the JSON Schema of a kind of file, for editors; or write all of them into a folder."""
    from asleft.source.schemas import KINDS, schema_text, write_schemas  # noqa: PLC0415 keeps --help quick

    if (kind is None) == (into is None):
        raise typer.BadParameter("name a kind of file, or a folder with --into")
    if into is not None:
        write_schemas(into)
        say(f"{len(KINDS)} schemas are in {safe(into)}.")
    elif kind is not None:
        if kind not in KINDS:
            raise typer.BadParameter(f"'{safe(kind)}' is no kind of file; there are {', '.join(KINDS)}")
        say(schema_text(kind).rstrip("\n"))


def _at(folder: Path) -> str:
    return "" if folder == Path() else f" --estate {shlex.quote(str(folder))}"


def _told(folder: Path, written: tuple[str, ...]) -> None:
    say(*(f"written: {safe(folder / path)}" for path in written))


def _next_check(folder: Path) -> None:
    git = "git" if folder == Path() else f"git -C {shlex.quote(str(folder))}"
    where = "" if folder == Path() else f" {shlex.quote(str(folder))}"
    _next(f"{git} add --all && {git} commit --message='Begin a part of the estate'", f"asleft check{where}")


def _next(*commands: str) -> None:
    say("Next:", *(f"    {safe(command)}" for command in commands))
