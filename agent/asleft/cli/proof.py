"""The commands that prove the records from their commits alone, and hand the proof over."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.domain.proof.links import Proof

__all__ = ["add_to"]

FromOption = Annotated[
    str, typer.Option("--from", metavar="COMMIT", help="Commit of the records after which to begin.")
]
ToOption = Annotated[
    str,
    typer.Option("--to", metavar="COMMIT", help="Commit with which to end; the newest where none is named."),
]
SignersOption = Annotated[
    Path | None,
    typer.Option(help="Allowed-signers file with the agent's keys, instead of what the home says of them."),
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Prove that nothing in the records was rewritten.")(prove)
    app.command(short_help="Write out what proves the records.")(export)


def prove(
    home: HomeOption,
    since: FromOption = "",
    until: ToOption = "",
    signers: SignersOption = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Prove the records from their commits alone: chain, heads, signatures, orders, confirmations, writes, clock."""
    from asleft.daemon.proof import given_for  # noqa: PLC0415 keeps --help quick
    from asleft.domain.proof.telling import proof_values  # noqa: PLC0415 as above
    from asleft.work.proof.proving import prove as prove_it  # noqa: PLC0415 as above

    with given_for(home, signers=signers) as given:
        made = prove_it(given, since=since, until=until)
    if as_json:
        say_json("proof", **proof_values(made))
    else:
        _tell(made)
    if not made.holds:
        raise typer.Exit(Exit.REFUSED)


def _tell(made: "Proof") -> None:
    from asleft.domain.proof.telling import check_rows, summary  # noqa: PLC0415 keeps --help quick

    say(summary(made), "", *table(check_rows(made), indent="  "))
    for finding in made.findings:
        say(
            "",
            f"{finding.commit[:12]}  {finding.check}: {safe(finding.what)}",
            f"{'':14}{safe(finding.todo)}",
        )
    if made.notices:
        say("", *map(safe, made.notices))


def export(
    home: HomeOption,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="New folder, or new file that ends in .zip.")],
    since: FromOption = "",
    until: ToOption = "",
    signers: SignersOption = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Write out what proves the records: bundles for git, the proof, public keys, and how to check them without asleft."""
    from asleft.daemon.exporting import export as export_it  # noqa: PLC0415 keeps --help quick
    from asleft.domain.proof.telling import proof_values, summary  # noqa: PLC0415 as above

    made = export_it(home, out, since=since, until=until, signers=signers)
    if as_json:
        say_json("export", out=str(out), **proof_values(made))
    else:
        say(f"Written to {safe(out)}; its README.md says how it is checked.", summary(made))
    if not made.holds:
        raise typer.Exit(Exit.REFUSED)
