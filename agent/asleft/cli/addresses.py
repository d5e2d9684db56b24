"""The command about the addresses of a site: its plan filled in, and addresses for stations that have none."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import JsonOption
from asleft.cli.output import csv_lines, note, paint, safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.domain.allotment import PlanRow
    from asleft.domain.rules.rule import SiteView

__all__ = ["add_to"]

_COLUMNS = ("first", "last", "count", "use", "what", "station", "label", "serial", "model")


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="Print a site's address plan, or give free addresses.")(addresses)


def addresses(
    site: Annotated[str, typer.Argument(metavar="SITE", help="Name of the site.")],
    estate: Annotated[Path, typer.Option(help="Folder of the estate's git repository.")] = Path(),
    *,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Give the plan as comma-separated values (RFC 4180).")
    ] = False,
    as_json: JsonOption = False,
    allot: Annotated[
        bool,
        typer.Option(
            "--allot",
            help="Write free addresses into the files of stations that have none; nothing is committed.",
        ),
    ] = False,
) -> None:
    """Print who has which address at a site, what is reserved and what is free, as the newest commit says."""
    if as_csv and (as_json or allot):
        raise typer.BadParameter(f"choose one of --csv and {'--json' if as_json else '--allot'}")
    if allot:
        _allot(site, estate, as_json=as_json)
        return
    from asleft.daemon.review import check_estate  # noqa: PLC0415 keeps --help quick
    from asleft.domain.allotment import plan_of  # noqa: PLC0415 as above
    from asleft.domain.kinds import nearest  # noqa: PLC0415 as above
    from asleft.domain.rules.rule import SiteView  # noqa: PLC0415 as above
    from asleft.work.approved import BaselineUnusable  # noqa: PLC0415 as above
    from asleft.work.ordering import NoStation  # noqa: PLC0415 as above

    checked = check_estate(estate)
    loaded = checked.estate
    if loaded is None:
        raise BaselineUnusable(checked.revision.commit, checked.problems)
    below = [path for path in checked.uncommitted if path.startswith(f"sites/{site}/")]
    if below:
        listed = ", ".join(map(safe, below[:5])) + (f" and {len(below) - 5} more" if len(below) > 5 else "")  # noqa: PLR2004 a readable line
        note(f"asleft: not committed and therefore not in the plan: {listed}")
    if site not in loaded.sites:
        raise NoStation(
            f"there is no site '{safe(site)}'", where=str(estate), todo=nearest(site, list(loaded.sites))
        )
    view = SiteView(
        site=loaded.sites[site],
        stations={name.name: one for name, one in loaded.stations.items() if name.site == site},
        limits=loaded.limits,
        concessions=loaded.concessions,
    )
    rows = plan_of(view)
    if as_csv:
        say(*csv_lines([_COLUMNS, *map(_cells, rows)]))
    elif as_json:
        say_json("addresses", **_json(view, rows))
    else:
        _tell(view, rows)


def _free(rows: "Sequence[PlanRow]") -> int:
    return sum(row.count for row in rows if row.use == "free")


def _without(view: "SiteView") -> list[str]:
    return sorted(
        name for name, one in view.stations.items() if one.values.get(one.profile.reached_at) is None
    )


def _cells(row: "PlanRow") -> tuple[str, ...]:
    named = (row.what, row.station, row.label, row.serial, row.model)
    return (str(row.first), str(row.last), str(row.count), row.use.value, *named)


def _json(view: "SiteView", rows: "Sequence[PlanRow]") -> dict[str, object]:
    plan = view.site.addresses
    return {
        "site": view.site.name,
        "subnet": None if plan.subnet is None else str(plan.subnet),
        "gateway": None if plan.gateway is None else str(plan.gateway),
        "stations": str(plan.stations),
        "router": plan.router or None,
        "live": plan.live,
        "free": _free(rows),
        "without-address": _without(view),
        "rows": [
            {
                "first": str(row.first),
                "last": str(row.last),
                "count": row.count,
                "use": row.use.value,
                "what": row.what or None,
                "station": row.station or None,
                "label": row.label or None,
                "serial": row.serial or None,
                "model": row.model or None,
            }
            for row in rows
        ],
    }


def _tell(view: "SiteView", rows: "Sequence[PlanRow]") -> None:
    plan = view.site.addresses
    gateway = f"gateway {plan.gateway}" if plan.gateway else "no gateway"
    say(
        f"{paint(safe(view.site.title), 'strong')}: subnet {plan.subnet or 'not known'}, {gateway}, "
        f"stations {plan.stations}, {_free(rows)} free.",
        "",
    )
    say(*table([("address", "for", "label", "serial", "model"), *map(_line, rows)], indent="  "))
    without = _without(view)
    if without:
        say(
            "",
            f"No address yet: {', '.join(map(safe, without))}.",
            f"Next: asleft addresses {view.site.name} --allot",
        )


def _line(row: "PlanRow") -> tuple[str, ...]:
    span = str(row.first) if row.count == 1 else f"{row.first} - {row.last}"
    match row.use.value:
        case "station":
            return (span, row.station, row.label, row.serial or "planned", row.model)
        case "free":
            return (span, f"free ({row.count})", "", "", "")
        case "reserved":
            return (span, f"reserved: {row.what}", "", "", "")
        case "subnet":
            return (span, row.what, "", "", "")
        case use:
            return (span, use, "", "", "")


def _allot(site: str, estate: Path, *, as_json: bool) -> None:
    from asleft.daemon.allot import allot_addresses  # noqa: PLC0415 keeps --help quick

    given = allot_addresses(estate, site)
    if as_json:
        say_json(
            "allotment",
            site=site,
            written=[
                {"station": one.station, "address": one.address, "file": one.file, "line": one.line}
                for one in given
            ],
        )
        return
    if not given:
        say(f"Every station of {site} has an address; nothing is written.")
        return
    say(*table([(f"{one.file}:{one.line}", one.address) for one in given]))
    addresses = "1 address is" if len(given) == 1 else f"{len(given)} addresses are"
    say("", f"{addresses} written into the work tree; nothing is committed.")
    at = "" if estate == Path() else f" {safe(estate)}"
    say(f"Next: git{f' -C{at}' if at else ''} diff, then commit, then asleft check{at}")
