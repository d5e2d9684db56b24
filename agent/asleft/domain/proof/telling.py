"""A proof in words and as plain values."""

from typing import Any

from asleft.domain.names import harmless, plural
from asleft.domain.proof.links import Check, Proof

__all__ = ["check_rows", "proof_text", "proof_values", "summary"]

_UNITS = {
    Check.CHAIN: "commits",
    Check.HEADS: "commits held against the heads that the agent kept",
    Check.SIGNED: "signatures",
    Check.ORDERS: "pages of orders",
    Check.CONFIRMED: "confirmations",
    Check.WRITES: "as-found pages",
    Check.CLOCK: "commits",
    Check.REMOTE: "remote asked",
}
_LONGEST = 2000


def summary(made: Proof) -> str:
    """Say in one sentence what was proved."""
    span = f"{made.commits} commits of the records until {made.last[:12]}, {made.until:%Y-%m-%d %H:%M:%S} UTC"
    after = f", after {made.since[:12]}" if made.since else ""
    if made.holds:
        return f"Proved: {span}{after}."
    return f"NOT proved: {plural(len(made.findings), 'finding')} in {span}{after}."


def check_rows(made: Proof) -> list[tuple[str, str, str]]:
    """Give a row a check: what, whether it holds, what was looked at."""
    rows: list[tuple[str, str, str]] = []
    for check in Check:
        count = sum(finding.check is check for finding in made.findings)
        seen = made.counted.get(check)
        word = f"{count} FOUND" if count else "not looked at" if seen is None else "holds"
        rows.append((str(check), word, "" if seen is None else f"{seen} {_UNITS[check]}"))
    return rows


def proof_text(made: Proof) -> str:
    """Give a proof as a text for people."""
    lines = [summary(made), ""]
    lines += [f"{check:24}{word:16}{seen}".rstrip() for check, word, seen in check_rows(made)]
    for finding in made.findings:
        lines += [
            "",
            f"{finding.commit}  {finding.check}: {_plain(finding.what)}",
            f"    {_plain(finding.todo)}",
        ]
    lines += ["", *map(_plain, made.notices)] if made.notices else []
    return "\n".join(lines) + "\n"


def proof_values(made: Proof) -> dict[str, Any]:
    """Give a proof as plain values; times as they are."""
    return {
        "holds": made.holds,
        "since": made.since or None,
        "last": made.last,
        "until": made.until,
        "commits": made.commits,
        "checks": [
            {
                "check": str(check),
                "looked-at": made.counted.get(check),
                "findings": sum(finding.check is check for finding in made.findings),
            }
            for check in Check
        ],
        "findings": [
            {
                "commit": finding.commit,
                "check": str(finding.check),
                "what": _plain(finding.what),
                "todo": _plain(finding.todo),
            }
            for finding in made.findings
        ],
        "notices": [*map(_plain, made.notices)],
    }


def _plain(text: str) -> str:
    return harmless(text, longest=_LONGEST)
