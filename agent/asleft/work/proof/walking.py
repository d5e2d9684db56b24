"""One commit after another: reads what each changed, and asks the pure checks about it."""

from collections.abc import Callable, Iterator
from functools import lru_cache

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.journal import Page, parse_page
from asleft.domain.names import harmless
from asleft.domain.order_pages import signature_path, signed_path
from asleft.domain.proof.confirming import (
    agreed_before,
    is_agreed_before,
    unconfirmed,
    unlike_shown,
    unsigned_over,
)
from asleft.domain.proof.growing import grown, out_of_time, told, trailers_unlike, untold, without_order
from asleft.domain.proof.links import Changed, Check, Finding, Link, SignedWord
from asleft.domain.proof.pages import Happened, OrderText, read_order, unlike
from asleft.domain.stations import StationId
from asleft.ports.proof import ProofBaseline, ProofRecords
from asleft.ports.signatures import BadSignature
from asleft.work.proof.approving import Approvals

__all__ = ["Walk"]

_AS_FOUND = "as-found/"
_ORDERS = "orders/"
_YEARS_BACK = 2
_PAGES = 4096
"""So many pages of stations are kept as read."""
_LOOK = "see that commit with git show, and compare it with a copy of the records that was made before"
_ASK = "ask the people who are named there, and compare the commit with a copy of the records"
_CLOCK = "see how the agent's computer was set at that time; compare with a copy of the records that was made before"


class Walk:
    """Looks at commits in their order. What it keeps does not grow with them, but for how many orders it counted.

    Args:
        records: The records.
        baseline: The baseline.
        counted: How much each check looked at; added to.
        whole: Whether it begins with the first commit of all.
    """

    def __init__(
        self, records: ProofRecords, baseline: ProofBaseline, counted: dict[Check, int], *, whole: bool
    ) -> None:
        self._records = records
        self._baseline = baseline
        self.approvals = Approvals(baseline, whole=whole)
        self._counted = counted
        self._estates: Callable[[str], Estate | None] = baseline.estate
        self._last: Link | None = None
        # What a commit made of a page is what the next one at that station began with.
        self._parsed = lru_cache(maxsize=_PAGES)(lambda blob: parse_page(records.content(blob)))
        self.revisions: set[str] = set()
        self.words: list[SignedWord] = []
        """What whoever checks without asleft needs to know."""

    def look(self, link: Link, *, follows: str | None) -> Iterator[Finding]:
        """Give what does not hold in one commit.

        Args:
            link: The commit.
            follows: The commit that it must come right after; None for the first of all.
        """
        yield from self._chained(link, follows)
        orders: list[OrderText] = []
        pages: list[tuple[StationId, Page]] = []
        revisions: list[str] = []
        for changed in link.changed:
            try:
                yield from self._changed(link, changed, orders, pages, revisions)
            except (ValueError, KeyError, TypeError) as wrong:
                what = f"{harmless(changed.path)} cannot be read: {harmless(str(wrong))}"
                yield self._finding(Check.ORDERS, link, what, _LOOK)
            except AsleftError as wrong:
                what = f"{harmless(changed.path)} cannot be read: {wrong.what}"
                yield self._finding(Check.CHAIN, link, what, wrong.todo)
        there = (what for station, page in pages for order in orders for what in told(order, page, station))
        for what in (*without_order(link), *trailers_unlike(link, orders), *there):
            yield self._finding(Check.WRITES, link, what, _LOOK)
        # A confirmation's right comes from a revision that no trailer needs to name.
        for revision in dict.fromkeys([*revisions, *link.named("Baseline")]):
            yield from self._approved(link, revision)

    def _changed(
        self,
        link: Link,
        changed: Changed,
        orders: list[OrderText],
        pages: list[tuple[StationId, Page]],
        revisions: list[str],
    ) -> Iterator[Finding]:
        if not changed.after:
            what = f"it takes {harmless(changed.path)} away, and nothing is ever taken away"
            yield self._finding(Check.WRITES, link, what, _LOOK)
        elif changed.path.startswith(_AS_FOUND):
            yield from self._page(link, changed, pages)
        elif changed.path.startswith(_ORDERS):
            before = read_order(self._records.content(changed.before)) if changed.before else None
            order = read_order(self._records.content(changed.after))
            orders.append(order)
            yield from self._order(link, changed.path, before, order)
            yield from self._confirmed(link, before, order, revisions)
        elif changed.before:
            what = f"it changes {harmless(changed.path)}, which is never changed"
            yield self._finding(Check.WRITES, link, what, _LOOK)

    def _approved(self, link: Link, revision: str) -> Iterator[Finding]:
        self.revisions.add(revision)
        why = self.approvals.why_not(revision, link.when)
        if why:
            what = f"its revision {harmless(revision[:10])} {why}"
            yield self._finding(Check.CONFIRMED, link, what, "ask who approves the baseline about it")

    def _chained(self, link: Link, follows: str | None) -> Iterator[Finding]:
        self._count(Check.CHAIN)
        if link.parents != (() if follows is None else (follows,)):
            wanted = "nothing" if follows is None else follows[:12]
            what = f"it does not follow {wanted} alone: the records are one line without branches"
            yield self._finding(Check.CHAIN, link, what, _LOOK)
        self._count(Check.CLOCK)
        if self._last is not None and link.at < self._last.at:
            back = self._last.at - link.at
            what = f"its time is {back} s before that of {self._last.commit[:12]}, which it follows"
            yield self._finding(Check.CLOCK, link, what, _CLOCK)
        self._last = link

    def _page(self, link: Link, changed: Changed, pages: list[tuple[StationId, Page]]) -> Iterator[Finding]:
        self._count(Check.WRITES)
        station = StationId.parse(changed.path.removeprefix(_AS_FOUND).removesuffix(".yaml"))
        if station is None:
            yield self._finding(Check.WRITES, link, f"{harmless(changed.path)} is no station's page", _LOOK)
            return
        before = self._parsed(changed.before) if changed.before else None
        after = self._parsed(changed.after)
        pages.append((station, after))
        for what in untold(link, station, before, after):
            yield self._finding(Check.WRITES, link, what, _LOOK)

    def _order(self, link: Link, path: str, before: OrderText | None, order: OrderText) -> Iterator[Finding]:
        self._count(Check.ORDERS)
        about = f"order {harmless(order.id)}"
        shown = unlike_shown(order, self._estates) if before is None else ()
        for what in (*unlike(order, path), *shown):
            yield self._finding(Check.ORDERS, link, f"{about}: {what}", _LOOK)
        for what in grown(before, order):
            yield self._finding(Check.WRITES, link, f"{about}: {what}", _LOOK)
        for what in out_of_time(order, link):
            yield self._finding(Check.CLOCK, link, f"{about}: {what}", _CLOCK)

    def _confirmed(
        self, link: Link, before: OrderText | None, order: OrderText, revisions: list[str]
    ) -> Iterator[Finding]:
        known = {row.lasting for row in before.confirmed} if before is not None else set[tuple[object, ...]]()
        fresh = [row for row in order.confirmed if row.lasting not in known]
        revisions += (row.baseline for row in fresh if row.baseline)
        self._count(Check.CONFIRMED, len(fresh))
        together = max(1, len(link.named("Order")))
        said = [*unconfirmed(order, fresh, self._estates, together=together)]
        said += [what for row in fresh for what in self._signature(link, order, row)]
        if fresh and is_agreed_before(order):
            said += agreed_before(order, self._lending(link, order))
        for what in said:
            yield self._finding(Check.CONFIRMED, link, f"order {harmless(order.id)}: {what}", _ASK)

    def _signature(self, link: Link, order: OrderText, row: Happened) -> Iterator[str]:
        if not row.signed:
            return
        name, year = row.over or order.id, int(order.top["drawn-up"][:4])
        word = SignedWord(
            signature=signature_path(name, year, row.by),
            document=signed_path(name, year),
            revision=row.baseline or order.top["baseline"],
            principal=row.signed.rpartition(" ")[0],
            at=row.at,
        )
        self.words.append(word)
        self.revisions.add(word.revision)
        document = self._records.file(link.commit, word.document)
        yield from unsigned_over(order, row, document)
        signature = self._records.file(link.commit, word.signature)
        if signature is None:
            yield f"the signature of {harmless(row.by)} is not kept"
        elif document is not None:
            yield from self._holds(document, signature, order, row)

    def _holds(self, document: bytes, signature: bytes, order: OrderText, row: Happened) -> Iterator[str]:
        revision = row.baseline or order.top["baseline"]
        estate = self._estates(revision)
        person = estate.people.get(row.by) if estate is not None else None
        if person is None:
            return  # said already
        try:
            text = signature.decode("ascii", "replace")
            by = self._baseline.signer(document, text, person=person, revision=revision, at=row.at)
        except BadSignature as wrong:
            yield wrong.what
        else:
            if harmless(by) != row.signed:
                yield f"the page says that it is signed by {harmless(row.signed)}, and it is by {harmless(by)}"

    def _lending(self, link: Link, order: OrderText) -> OrderText | None:
        """Give the order that lent what an order gives back."""
        undoes, year = str(order.body.get("undoes", "")), int(order.top["drawn-up"][:4])
        for one in range(year, year - _YEARS_BACK, -1):
            data = self._records.file(link.commit, f"orders/{one:04}/{undoes}.yaml")
            if data is not None:
                return read_order(data)
        return None

    def _count(self, check: Check, by: int = 1) -> None:
        self._counted[check] = self._counted.get(check, 0) + by

    def _finding(self, check: Check, link: Link, what: str, todo: str) -> Finding:
        return Finding(check=check, commit=link.commit, what=what, todo=todo)
