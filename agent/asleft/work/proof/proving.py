"""Proves the records: the chain, the heads that the agent kept, its signatures, and what every commit says."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain, islice
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.proof.links import Check, Finding, Link, Proof
from asleft.ports.ledger import KeptHead
from asleft.ports.proof import CannotProve, ProofBaseline, ProofRecords
from asleft.work.proof.walking import Walk

__all__ = ["MOST_FINDINGS", "Given", "prove"]

MOST_FINDINGS: Final = 500
"""So many findings are told; a history that is not this agent's at all would give one a commit."""
_MOST_UNSIGNED: Final = 20
_MOST_MISSING: Final = 20
_BATCH: Final = 2048
"""So many commits are kept to have their signatures asked about together."""
_COPY: Final = "compare with a copy of the records that was made before: a clone, a bundle, the remote"


@dataclass(frozen=True, kw_only=True, slots=True)
class Given:
    """What a proof is made from.

    Args:
        records: The records.
        baseline: The baseline.
        heads: The heads that the agent kept, in order; empty where nobody kept any.
        signs: Whether the agent is said to sign.
        remote: Gives the commit that the records' remote is at, None where it has none; None where there is no remote.
        refused: Why the remote refused the last push; empty where it did not.
    """

    records: ProofRecords
    baseline: ProofBaseline
    heads: Sequence[KeptHead] = ()
    signs: bool = False
    remote: Callable[[], str | None] | None = None
    refused: str = ""


@dataclass(slots=True)
class _Going:
    counted: dict[Check, int] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    last: Link | None = None
    commits: int = 0
    walk: Walk | None = None
    unsigned: str = ""
    signing: bool = False


def prove(given: Given, *, since: str = "", until: str = "") -> Proof:
    """Prove the records, or a part of them.

    Args:
        given: What from.
        since: The commit after which to begin; with the first of all where empty.
        until: The commit with which to end; the newest where empty.

    Raises:
        CannotProve: One of them is no commit of the records, or there is nothing between them.
    """
    records, going = given.records, _Going()
    last = records.resolve(until) if until else records.head()
    first = records.resolve(since) if since else None
    if first is not None and (first == last or not records.follows(last, first)):
        raise CannotProve(
            f"commit {last[:12]} does not come after {first[:12]}", todo="name them the other way round"
        )
    going.counted[Check.CHAIN] = 0
    with ThreadPoolExecutor(max_workers=1) as beside:
        # git's own check has a core to itself meanwhile; what it finds is told first all the same.
        damage = beside.submit(lambda: [*_damaged(given, last)])
        said = chain(_walked(given, first, last, going, newest=not until), _pushed(given, last, going))
        found = [*islice(said, MOST_FINDINGS + 1)]
        findings = [*damage.result(), *found]
    if len(findings) > MOST_FINDINGS:
        going.notices.append(f"There are more than {MOST_FINDINGS} findings; the rest is left out.")
    return Proof(
        since=first or "",
        last=last,
        until=going.last.when if going.last else datetime.fromtimestamp(0, UTC),
        commits=going.commits,
        counted={check: going.counted[check] for check in Check if check in going.counted},
        findings=tuple(findings[:MOST_FINDINGS]),
        notices=tuple(going.notices),
        revisions=tuple(sorted(going.walk.revisions)) if going.walk else (),
        words=tuple(dict.fromkeys(going.walk.words)) if going.walk else (),
        unsigned=going.unsigned if going.signing else "",
        signing=going.signing,
    )


def _damaged(given: Given, last: str) -> Iterator[Finding]:
    for name, damage in (("records", given.records.damage), ("baseline", given.baseline.damage)):
        for line in damage():
            yield Finding(
                check=Check.CHAIN,
                commit=last,
                what=f"git fsck of the {name}: {line}",
                todo=f"put the {name} back from a copy; what was changed by hand no longer has the name that it had",
            )


def _walked(given: Given, first: str | None, last: str, going: _Going, *, newest: bool) -> Iterator[Finding]:
    walk = going.walk = Walk(given.records, given.baseline, going.counted, whole=first is None)
    signing = _Signing(given, going)
    if given.signs and first is not None:
        signing.begun = given.records.signed(first)
    follows = first
    owned = _Owned(given, going)
    try:
        for link in given.records.links(first, last):
            going.commits += 1
            yield from walk.look(link, follows=follows)
            yield from owned.look(link)
            yield from signing.look(link)
            follows, going.last = link.commit, link
        if walk.approvals.on_trust:
            going.notices.append(walk.approvals.on_trust)
        yield from signing.end()
        yield from owned.end(first, last, newest=newest)
    except AsleftError as wrong:
        at = going.last.commit if going.last else last
        yield Finding(check=Check.CHAIN, commit=at, what=f"after it {wrong.what}", todo=wrong.todo or _COPY)
        return
    if follows != last:
        what = f"the chain does not reach {last[:12]}: it ends here"
        yield Finding(check=Check.CHAIN, commit=follows or last, what=what, todo=_COPY)


class _Owned:
    """Looks whether each commit is one that the agent wrote, and in which order, once the first that it kept was met."""

    def __init__(self, given: Given, going: _Going) -> None:
        self._heads = given.heads
        self._records = given.records
        self._going = going
        self._places = {head.commit: place for place, head in enumerate(given.heads)}
        self._seen = bytearray(len(given.heads))
        self._at = -1

    def look(self, link: Link) -> Iterator[Finding]:
        """Give what does not hold of one commit."""
        place = self._places.get(link.commit)
        if place is None and self._at < 0:
            return  # from before anybody kept heads
        self._going.counted[Check.HEADS] = self._going.counted.get(Check.HEADS, 0) + 1
        if place is None:
            what = "the agent did not write this commit: it is not among the heads that it kept"
            yield Finding(check=Check.HEADS, commit=link.commit, what=what, todo=f"find out who did; {_COPY}")
            return
        self._seen[place] = 1
        if place < self._at:
            what = f"it stands after {self._heads[self._at].commit[:12]}, which the agent wrote later"
            yield Finding(check=Check.HEADS, commit=link.commit, what=what, todo=_COPY)
        self._at = max(self._at, place)

    def end(self, first: str | None, last: str, *, newest: bool) -> Iterator[Finding]:
        """Say which commits that the agent wrote are not there.

        Args:
            first: The commit after which the proof began; None for the first of all.
            last: The one with which it ended.
            newest: Whether that is the newest one.
        """
        going = self._going
        if not self._heads:
            going.notices.append(
                "No heads were kept beside these records: they cannot say whether one is missing."
            )
            return
        begin = self._places.get(first, -1) + 1 if first is not None else 0
        end = len(self._heads) - 1 if newest else self._places.get(last, self._at)
        missing = [
            head
            for place, head in enumerate(self._heads[begin : end + 1], begin)
            if head.kept and not self._seen[place]
        ]
        for head in missing[:_MOST_MISSING]:
            if (
                first is not None
                and self._records.has(head.commit)
                and self._records.follows(first, head.commit)
            ):
                continue
            at = f", written {head.at:%Y-%m-%d %H:%M:%S} UTC," if head.at else ""
            what = f"this commit{at} is no longer part of the records: they were rewritten, or it was dropped"
            yield Finding(check=Check.HEADS, commit=head.commit, what=what, todo=_COPY)
        if len(missing) > _MOST_MISSING:
            going.notices.append(
                f"{len(missing)} commits are no longer there; the first {_MOST_MISSING} are named."
            )


def _pushed(given: Given, last: str, going: _Going) -> Iterator[Finding]:
    if given.remote is None:
        return
    going.counted[Check.REMOTE] = 1
    if given.refused:
        what = f"the remote refused the records: {given.refused}"
        yield Finding(
            check=Check.REMOTE, commit=last, what=what, todo="find out what stands there and who put it there"
        )
    try:
        there = given.remote()
    except AsleftError as wrong:
        going.notices.append(f"The remote of the records could not be asked: {wrong.what}.")
        return
    if there is None:
        going.notices.append("Nothing was pushed to the remote of the records yet.")
    elif not given.records.has(there) or not given.records.follows(given.records.head(), there):
        what = "the remote has this commit, and these records do not go on from it"
        yield Finding(
            check=Check.REMOTE,
            commit=there,
            what=what,
            todo=f"{_COPY}: {there[:12]} was pushed by this agent",
        )


class _Signing:
    """Has signatures asked about many at a time; from the first signed commit on, all must be."""

    def __init__(self, given: Given, going: _Going) -> None:
        self._given = given
        self._going = going
        self._waiting: list[str] = []
        self._told = 0
        self.begun = False

    def look(self, link: Link) -> Iterator[Finding]:
        if not self._given.signs:
            return
        if self._given.records.signed(link.commit):
            self.begun = self._going.signing = True
            self._waiting.append(link.commit)
            if len(self._waiting) >= _BATCH:
                yield from self._ask()
        elif self.begun:
            yield from self._bad(link.commit, "it is not signed, and commits before it are")
        else:
            self._going.unsigned = link.commit

    def end(self) -> Iterator[Finding]:
        if not self._given.signs:
            self._going.notices.append("No key of the agent is known, so no signature was asked for.")
            return
        yield from self._ask()
        if not self.begun:
            self._going.notices.append("None of these commits is signed, although the agent has a key now.")

    def _ask(self) -> Iterator[Finding]:
        asked, self._waiting = self._waiting, []
        counted = self._going.counted
        counted[Check.SIGNED] = counted.get(Check.SIGNED, 0) + len(asked)
        for commit in self._given.records.refused(asked, most=max(0, _MOST_UNSIGNED - self._told)):
            yield from self._bad(
                commit, "its signature does not hold: it is not by the agent's key, or it was altered"
            )

    def _bad(self, commit: str, what: str) -> Iterator[Finding]:
        self._told += 1
        if self._told <= _MOST_UNSIGNED:
            yield Finding(check=Check.SIGNED, commit=commit, what=what, todo=_COPY)
        elif self._told == _MOST_UNSIGNED + 1:
            self._going.notices.append(
                f"More than {_MOST_UNSIGNED} signatures do not hold; the rest is left out."
            )
