"""Commands that take units into the baseline: find, capture."""

from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import note, paint, safe, say, say_json, table
from asleft.cli.proposals import WITHHELD
from asleft.cli.running import run

if TYPE_CHECKING:
    from pathlib import Path

    from asleft.ports.discovery import Announced
    from asleft.work.commissioning.capturing import Captured
    from asleft.work.commissioning.finding import Findings, Unit

__all__ = ["add_to", "captured_json", "findings_json", "tell_captured", "tell_findings"]

_LISTENED = 3.0
"""Seconds: a unit answers a question within 0.5 s, and is asked again after 1 s and 2 s more (RFC 6762 section 5.2, 6)."""
_LONGEST = 600.0
_FEW = 6
"""Units that are named where many have the same next step."""
_SHOWN = 80
"""Characters of an announced text that are shown."""


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Look which units are there, and what each is to the baseline.")(find)
    app.command(short_help="Propose a whole site as it is found.")(capture)


def find(
    site: Annotated[str, typer.Argument(metavar="SITE", help="Name of the site.")],
    home: HomeOption,
    seconds: Annotated[
        float, typer.Option(min=0.1, max=_LONGEST, help="How long to listen for announcements (DNS-SD).")
    ] = _LISTENED,
    interface: Annotated[
        list[str] | None,
        typer.Option(help="Listen on this interface only, by its IPv4 address; may be given again."),
    ] = None,
    *,
    no_announcements: Annotated[
        bool, typer.Option("--no-announcements", help="Only look through the site's station range.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Look through a site's station range and listen to announcements; nothing is written, nothing else connected to."""
    from asleft.daemon.seeking import seek  # noqa: PLC0415 keeps --help quick

    listened = None if no_announcements else seconds
    found = run(seek(home, site, seconds=listened, interfaces=interface or ()))
    for sentence in found.notices:
        note(f"asleft: {safe(sentence)}")
    if as_json:
        say_json("find", **findings_json(found))
    else:
        tell_findings(found, home)
    if any(unit.found_as not in {"known", "elsewhere"} for unit in found.units):
        raise typer.Exit(Exit.DRIFT)


def findings_json(found: "Findings") -> dict[str, object]:
    """Give what was found as JSON holds it; foreign text is bounded where it was read."""
    return {
        "site": found.site,
        "looked-through": found.looked_through,
        "units": [
            {
                "found-as": unit.found_as,
                "address": unit.address or None,
                "port": unit.port or None,
                "serial": unit.serial or None,
                "model": unit.model or None,
                "firmware": unit.firmware or None,
                "station": str(unit.station) if unit.station else None,
                "stands-at": str(unit.stands_at) if unit.stands_at else None,
                "approved-address": unit.approved or None,
                "note": unit.note or None,
                "announced": None
                if unit.announced is None
                else {
                    "name": unit.announced.name,
                    "addresses": unit.announced.addresses,
                    "port": unit.announced.port,
                    "text": [[key, value] for key, value in unit.announced.text],
                },
            }
            for unit in found.units
        ],
        "notices": found.notices,
    }


def tell_findings(found: "Findings", home: "Path") -> None:
    """Say what was found: a row a unit, then what to do about each that is not as left."""
    known = sum(unit.found_as == "known" for unit in found.units)
    say(
        f"{paint(safe(found.site), 'strong')}: {known} of its stations are where they are approved, "
        f"in {found.looked_through}."
    )
    if found.units:
        head = ("address", "is", "station", "serial", "model", "firmware", "")
        say("", *table([head, *map(_row, found.units)], indent="  "))
    told = [_announced(unit.announced) for unit in found.units if unit.announced is not None]
    if told:
        say("", "Announced, as the units themselves say it:", *told)
    steps: dict[str, list[str]] = {}
    for unit in found.units:
        steps.setdefault(_next(unit, found.site, home), []).append(_called(unit))
    steps.pop("", None)
    if steps:
        say("", "Next:")
    for step, units in steps.items():
        more = f" and {len(units) - _FEW} more" if len(units) > _FEW else ""
        say(f"  {', '.join(map(safe, units[:_FEW]))}{more}:", f"      {safe(step)}")


def _row(unit: "Unit") -> tuple[str, ...]:
    return (
        unit.address or "nowhere",
        unit.found_as,
        _station(unit),
        _cut(unit.serial),
        _cut(unit.model),
        _cut(unit.firmware),
        unit.note,
    )


def _station(unit: "Unit") -> str:
    """Say whose unit it is, and in whose place it stands."""
    whose = str(unit.station) if unit.station else ""
    match unit.found_as:
        case "moved":
            return f"{whose}, approved at {unit.approved}"
        case "missing":
            return f"{whose}, approved at {unit.approved}"
        case "exchanged":
            return f"{whose or 'nobody'}'s, in place of {unit.stands_at}"
        case "elsewhere":
            return f"approved address of {unit.stands_at}" if unit.stands_at else ""
        case "of another site":
            return f"{whose}{f', in place of {unit.stands_at}' if unit.stands_at else ''}"
        case _:
            return whose


def _cut(text: str) -> str:
    return safe(text[:_SHOWN]) + ("…" if len(text) > _SHOWN else "")


def _announced(told: "Announced") -> str:
    """Say in one line what a unit announces."""
    at = f", at {', '.join(map(safe, told.addresses))}" if told.addresses else ""
    texts = [f"{_cut(key)}={_cut(value)}" if value else _cut(key) for key, value in told.text]
    return f"  {_cut(told.name)}, port {told.port}{at}" + (f": {', '.join(texts)}" if texts else "")


def _called(unit: "Unit") -> str:
    if unit.found_as == "missing" and unit.station:
        return str(unit.station)
    return unit.address or (_cut(unit.announced.name) if unit.announced else "")


_EXCHANGE = "asleft exchange {place} --serial {serial} {sign}"
_STEPS = {
    "moved": "asleft restore {station} --home {home}, which brings it back to {approved}",
    "swapped": f"put the units back in their places, or: {_EXCHANGE}",
    "exchanged": f"put the approved unit back, or: {_EXCHANGE}",
    "planned": f"if this is the unit that was planned: {_EXCHANGE}",
    "unknown": "asleft enrol {site} {address} --name NAME {sign}; or all at once: asleft capture {site} {sign}",
    "of another site": "bring it back to {station}, or take it out of its file there before it is enrolled here",
    "twice": "find the units, and have their maker give each a serial of its own",
    "missing": "see whether it is switched on and plugged in",
    "announced only": "see what kind of device this is, and whether its address and port are right",
    "elsewhere": "if it belongs to {site}, give it an address in the station range",
}
"""What a person would do about a unit, by what it is."""


def _next(unit: "Unit", site: str, home: "Path") -> str:
    """Say what a person would do about a unit; nothing where it is as left."""
    case = str(unit.found_as)
    if case == "exchanged" and unit.station:
        case = "swapped"
    elif case == "unknown" and unit.stands_at:
        case = "planned"
    elif case == "elsewhere" and unit.stands_at:
        case = ""  # it is where the baseline has a station of another site
    return _STEPS.get(case, "").format(
        place=unit.stands_at,
        serial=_argument(unit.serial),
        sign=f"--by NAME --reason TEXT --home {home}",
        station=unit.station,
        home=home,
        approved=unit.approved,
        site=site,
        address=unit.address,
    )


def _argument(text: str) -> str:
    """Give a serial as it can be pasted into a shell; foreign text must not become a command."""
    import shlex  # noqa: PLC0415 keeps --help quick

    return shlex.quote(safe(text))


def capture(
    site: Annotated[str, typer.Argument(metavar="SITE", help="Name of the site.")],
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who proposes it: a key in people.yaml.")],
    reason: Annotated[str, typer.Option("--reason", help="Why, in a few words.")],
    role: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=STATION,STATION",
            help="Stations of a role, which is begun where it is not there; once a role.",
        ),
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="ADDRESS=NAME", help="Name of the new station at an address; once a station."),
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Propose, on a branch of its own, files that say how a whole site was found, in the fewest lines; stations are only read."""
    from asleft.cli.rounds import tell_notices  # noqa: PLC0415 keeps --help quick
    from asleft.cli.through import desk_at  # noqa: PLC0415 as above
    from asleft.work.commissioning.choosing import Wish  # noqa: PLC0415 as above

    roles = {
        key: [one.strip() for one in listed.split(",")] for key, listed in _pairs(role, "--role").items()
    }
    wish = Wish(roles=roles, names=_pairs(name, "--name"))
    with desk_at(home, "asleft capture") as desk:
        captured = run(desk.proposing.capture(site, wish, by=by, reason=reason))
    tell_notices(desk.notices)
    if as_json:
        say_json("capture", **captured_json(captured))
    else:
        tell_captured(captured)


def _pairs(given: list[str] | None, option: str) -> dict[str, str]:
    """Read KEY=VALUE pairs, each key once."""
    found: dict[str, str] = {}
    for text in given or []:
        key, equals, value = text.partition("=")
        if not equals or not key.strip() or not value.strip():
            raise typer.BadParameter(f"write it with an equals sign: {text}", param_hint=option)
        if key.strip() in found:
            raise typer.BadParameter(f"{key.strip()} is named twice", param_hint=option)
        found[key.strip()] = value.strip()
    return found


def captured_json(captured: "Captured") -> dict[str, object]:
    """Give what was captured as JSON holds it."""
    return {
        "site": captured.site,
        "stations": captured.stations,
        "new": dict(captured.new),
        "lines": {"station-by-station": captured.plain, "proposed": captured.lines},
        "left-out": [
            {"station": one.station, "setting": one.setting or None, "why": one.why}
            for one in captured.left_out
        ],
        "louder": [
            {
                "station": one.station,
                "setting": one.setting,
                "found": one.found,
                "held-against": one.held_against,
                "words": one.words,
            }
            for one in captured.louder
        ],
        "caution": captured.caution or None,
        "branch": captured.branch or None,
        "commit": captured.commit or None,
        "base": captured.base,
        "files": [{"file": path, "diff": diff or None} for path, diff in captured.files],
        "problems": [
            {"rule": one.rule, "level": one.level, "where": one.where, "what": one.what, "fix": one.fix}
            for one in captured.problems
        ],
        "pushed": captured.pushed,
        "why-not": captured.why_not or None,
        "approve": captured.approve or None,
    }


def tell_captured(captured: "Captured") -> None:
    """Say what was captured: how much, what is left out, what can be louder, the files, and how it is approved."""
    many = "station" if len(captured.stations) == 1 else "stations"
    say(f"{paint(safe(captured.site), 'strong')}: {len(captured.stations)} {many} read.")
    if not captured.branch:
        say("The files say all of it already; nothing is proposed.")
    else:
        say(
            f"  on branch {safe(captured.branch)}, commit {captured.commit[:10]}; nothing is approved and nothing written yet",
            f"  {captured.lines} lines of settings; with every station by itself they would be {captured.plain}",
        )
    if captured.new:
        say("", "New stations:", *table(captured.new, indent="  "))
    if captured.left_out:
        rows = [(one.station, one.setting or "the unit", one.why) for one in captured.left_out]
        say("", "Not written:", *table(rows, indent="  "))
    if captured.louder:
        risen = [(one.station, one.setting, one.found, one.held_against) for one in captured.louder]
        say("", paint("■ It can be louder at the ear:", "high"), *table(risen, indent="  "))
        say(f"  {captured.caution}")
    for problem in captured.problems:
        say(f"  {problem.level}: {safe(problem.where)}: {safe(problem.what)}; {safe(problem.fix)}")
    for path, diff in captured.files:
        say("", *(f"  {safe(line)}" for line in (diff or f"{path}: {WITHHELD}").split("\n")))
    if captured.why_not:
        say("", f"It is not at the remote: {safe(captured.why_not)}")
    if captured.approve:
        say("", f"To approve it: {safe(captured.approve)}")
