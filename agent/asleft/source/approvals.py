"""Who approved a revision, by the rule, the people and the keys of the revision in force.

A new revision never lets itself in: what it says of rule, people and keys counts only once it is in force itself.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from typing import Final

from asleft.domain.names import harmless
from asleft.domain.people import Approval, Person, Right
from asleft.ports.baseline import Approved, Approver, Objection, Revision, Verdict
from asleft.source.checkout import Commits, Unreadable
from asleft.source.history import Commit, Tag, commits_after, differing, tags_of, touched
from asleft.source.trust import TRUST_FILES, Signer, Trust, Verifier, trust_at, verifier

__all__ = ["MOST_SIGNATURES", "judge"]

MOST_SIGNATURES: Final = 300
"""So many signatures are verified at most in one judgement; each takes git about 10 ms."""
MOST_COMMITS: Final = 20_000
"""So many commits may one tag approve; they are listed and not verified."""
SKEW: Final = timedelta(minutes=5)
"""Clocks of two people, or of a person and the agent, may differ by this much.

It is the same both ways: a date further ahead would have everybody else refused as back-dated once it was in force.
"""
_TOO_MANY: Final = (
    "push the branch in parts, each fetched by a round of its own, or make a home anew with asleft init"
)
_ASTRAY: Final = 20  # tags outside the branch that are looked at, newest first
_SITE_FILE: Final = 3  # sites / name / something


class _FaultError(Exception):
    """A commit or tag is not approved: why, and what to do."""

    def __init__(self, what: str, fix: str) -> None:
        super().__init__(what)
        self.what = what
        self.fix = fix


def judge(commits: Commits, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
    """Judge what came after the revision in force, by what that one says of rule, people and keys.

    Args:
        commits: The repository.
        newest: The newest revision.
        since: The revision in force; None at the beginning, where a revision is judged by what it says itself.
        now: The time, against which a date in the future shows; None where no date is called one in the future.

    Raises:
        Unreadable: The repository does not have the newest revision, or is damaged.
    """
    if newest == since:
        return Verdict()
    head = commits.revision(newest)
    if since is None:
        return _begin(commits, head, now)
    try:
        trust, force = trust_at(commits, since), commits.revision(since)
    except Unreadable:
        what = f"the revision in force, {since[:10]}, is no longer in the repository, so nothing can be judged by it"
        return Verdict(
            objections=(Objection(revision=head, what=what, fix="make a home anew with asleft init"),)
        )
    if trust.rule is Approval.COMMIT:
        return _by_commit(commits, head)
    return _After(commits, trust, force, head, now).verdict()


def _by_commit(commits: Commits, head: Revision) -> Verdict:
    locked = _locked_out(trust_at(commits, head.commit), head)
    return Verdict(objections=(locked,)) if locked else Verdict(steps=(Approved(revision=head),))


def _begin(commits: Commits, head: Revision, now: datetime | None) -> Verdict:
    """Judge the first revision of all, for which there is nothing to trust but what it says itself."""
    trust = trust_at(commits, head.commit)
    if trust.rule is None or trust.rule is Approval.COMMIT:
        return Verdict(steps=(Approved(revision=head),))
    if trust.rule is Approval.SIGNED:
        try:
            with _judging(commits, trust, None, now) as judging:
                (one,) = commits_after(commits, None, head.commit, most=1)
                approver = judging.commit(one)
        except _FaultError as fault:
            return Verdict(objections=(_objection(head, fault),))
        return Verdict(steps=(Approved(revision=head, by=approver),))
    objections: list[Objection] = []
    merged = tags_of(commits, "--merged", head.commit)
    for tag in sorted(merged, key=lambda tag: (tag.at, tag.name), reverse=True)[:MOST_SIGNATURES]:
        revision, own = commits.revision(tag.commit), trust_at(commits, tag.commit)
        try:
            with _judging(commits, own, None, now) as judging:
                approver = judging.tag(tag, revision)
        except _FaultError as fault:
            objections.append(_objection(revision, fault, tag))
            continue
        return Verdict(steps=(Approved(revision=revision, by=approver),))
    if not objections:
        objections.append(_untagged(head))
    return Verdict(objections=tuple(reversed(objections)))


class _After:
    """The judgement of what came after a revision in force whose rule asks for signatures."""

    def __init__(
        self, commits: Commits, trust: Trust, force: Revision, head: Revision, now: datetime | None
    ) -> None:
        self.commits = commits
        self.trust = trust
        self.force = force
        self.head = head
        self.now = now
        self.objections: list[Objection] = []

    def verdict(self) -> Verdict:
        steps = self.steps()
        return Verdict(steps=steps, objections=tuple(self.objections))

    def object(self, revision: Revision, what: str, fix: str) -> tuple[Approved, ...]:
        self.objections.append(Objection(revision=revision, what=what, fix=fix))
        return ()

    def steps(self) -> tuple[Approved, ...]:
        force, head = self.force.commit, self.head
        if self.trust.lack:
            what = f"nothing can be approved by the revision in force, {force[:10]}: {self.trust.lack}"
            return self.object(head, what, "make a home anew with asleft init")
        status, _, _ = self.commits.ask("merge-base", "--is-ancestor", force, head.commit)
        if status:
            what = f"the branch was rewritten: it no longer contains the revision in force, {force[:10]}"
            return self.object(head, what, f"push a branch that goes on from {force[:10]}")
        by_tag = self.trust.rule is Approval.TAG
        most = MOST_COMMITS if by_tag else MOST_SIGNATURES
        chain = commits_after(self.commits, force, head.commit, most=most + 1)
        if len(chain) > most:
            what = f"there are more than {most} commits since the revision in force, {force[:10]}"
            return self.object(head, what, _TOO_MANY)
        tags = self.tags(chain) if by_tag else []
        if len(tags) > MOST_SIGNATURES:
            what = f"there are more than {MOST_SIGNATURES} tags since the revision in force, {force[:10]}"
            return self.object(head, what, _TOO_MANY)
        with _judging(self.commits, self.trust, self.force, self.now) as judging:
            if by_tag:
                approved = self.tagged(judging, tags, chain)
                return self.in_steps(approved, {one.revision.commit for one in approved})
            return self.in_steps(self.signed(judging, chain), self.touching())

    def signed(self, judging: "_Judging", chain: Sequence[Commit]) -> list[Approved]:
        """Give the revisions on the branch's own line before which nothing is unsigned, oldest first."""
        clean: dict[str, Approver] = {}
        within = {one.revision.commit for one in chain}
        follows = {self.force.commit}
        tainted: set[str] = set()
        for one in chain:
            commit = one.revision.commit
            if not follows.isdisjoint(one.parents):
                follows.add(commit)
            try:
                clean[commit] = judging.commit(one)
            except _FaultError as fault:
                self.objections.append(_objection(one.revision, fault))
                tainted.add(commit)
            if not tainted.isdisjoint(one.parents):
                tainted.add(commit)
        # The line of first parents: other commits were on the branch only as part of something.
        line: list[Approved] = []
        by_commit = {one.revision.commit: one for one in chain}
        at = self.head.commit
        while at in within:
            if at not in tainted and at in follows:
                line.append(Approved(revision=by_commit[at].revision, by=clean[at]))
            at = next(iter(by_commit[at].parents), "")
        return line[::-1]

    def tags(self, chain: Sequence[Commit]) -> list[Tag]:
        """Give the tags of what follows the revision in force, the least far along first."""
        follows = {self.force.commit: -1}
        for place, one in enumerate(chain):
            if any(parent in follows for parent in one.parents):
                follows[one.revision.commit] = place
        del follows[self.force.commit]
        found = [tag for tag in tags_of(self.commits, "--merged", self.head.commit) if tag.commit in follows]
        return sorted(found, key=lambda tag: (follows[tag.commit], tag.at, tag.name))

    def tagged(self, judging: "_Judging", tags: Iterable[Tag], chain: Sequence[Commit]) -> list[Approved]:
        """Give the revisions that an approver tagged, the least far along first."""
        revisions = {one.revision.commit: one.revision for one in chain}
        approved: dict[str, Approved] = {}
        for tag in tags:
            revision = revisions[tag.commit]
            try:
                approver = judging.tag(tag, revision)
            except _FaultError as fault:
                self.objections.append(_objection(revision, fault, tag))
            else:
                approved[tag.commit] = Approved(revision=revision, by=approver)
        self.astray(judging)
        if self.head.commit not in approved:
            self.objections.append(_untagged(self.head))
        return list(approved.values())

    def astray(self, judging: "_Judging") -> None:
        """Object to good tags of commits that are not on the branch; others are nobody's business here."""
        others = sorted(
            tags_of(self.commits, "--no-merged", self.head.commit), key=lambda tag: tag.at, reverse=True
        )
        for tag in others[:_ASTRAY]:
            if not tag.annotated or tag.at <= self.force.committed_at:
                continue
            revision = self.commits.revision(tag.commit)
            with suppress(_FaultError):
                judging.tag(tag, revision)
                what, fix = "the commit that it names is not on the branch", "tag a commit of the branch"
                self.objections.append(Objection(revision=revision, what=what, fix=fix, tag=tag.name))

    def touching(self) -> set[str]:
        """Give the commits on the branch's own line that touch a file that decides who may approve."""
        below = f"{self.commits.prefix}/" if self.commits.prefix else ""
        span = f"{self.force.commit}..{self.head.commit}"
        listed = self.commits.read(
            "rev-list", "--first-parent", span, "--", *(below + name for name in TRUST_FILES)
        )
        return set(listed.decode().split())

    def in_steps(self, approved: Sequence[Approved], touching: set[str]) -> tuple[Approved, ...]:
        """Give what may come into force in the order to try: first whatever changes who may approve, then the last.

        So a key that an approved revision revokes signs nothing after it, even where both are fetched together.
        """
        steps: list[Approved] = []
        own, locked = self.trust, None
        for one in approved:
            if one.revision.commit in touching:
                own = trust_at(self.commits, one.revision.commit)
                locked = _locked_out(own, one.revision)
                if locked:
                    self.objections.append(locked)
            if locked is None and (own != self.trust or one is approved[-1]):
                steps.append(one)
        return tuple(steps)


class _Judging:
    """Judges one signature after another by one trusted revision.

    Raises:
        _FaultError: In each method, where nobody who may has approved.
    """

    def __init__(
        self, commits: Commits, trust: Trust, verify: Verifier, force: Revision | None, now: datetime | None
    ) -> None:
        self._commits = commits
        self._trust = trust
        self._verify = verify
        self._force = force
        self._now = now

    def commit(self, one: Commit) -> Approver:
        """Give who approved a commit by signing it."""
        fix = "have it signed by an approver, and push the branch with the signed commits in its place"
        person, signer = self._approver("commit", one.revision.commit, fix)
        anew = "rebase it onto the revision in force, which dates it anew, and have it signed again by an approver"
        self._dated(one.revision.committed_at, anew)
        self._allowed(person, lambda: touched(self._commits, one), fix)
        return Approver(person=person.key, name=person.name, principal=signer.principal, key=signer.key)

    def tag(self, tag: Tag, revision: Revision) -> Approver:
        """Give who approved a commit, and all that it has over the revision in force, by signing a tag of it."""
        fix = "have an approver sign a new tag of this commit"
        if not tag.annotated:
            raise _FaultError("it is a plain tag, which nobody can sign", fix)
        person, signer = self._approver("tag", tag.id, fix)
        self._dated(tag.at, fix)
        if tag.at < revision.committed_at - SKEW:
            raise _FaultError(f"it is dated {_day(tag.at)}, before the commit that it names", fix)
        self._allowed(person, lambda: differing(self._commits, self._force, revision), fix)
        return Approver(
            person=person.key, name=person.name, principal=signer.principal, key=signer.key, tag=tag.name
        )

    def _approver(self, kind: str, target: str, fix: str) -> tuple[Person, Signer]:
        signer = self._verify.signer(kind, target)
        if signer is None:
            raise _FaultError(self._verify.why_not(kind, target), fix)
        who = harmless(signer.principal)
        people = [person for person in self._trust.people.values() if signer.principal in person.signs_as]
        if not people:
            raise _FaultError(f"it is signed as {who}, and nobody in people.yaml signs as that", fix)
        if len(people) > 1:
            names = " and ".join(person.name for person in people)
            raise _FaultError(f"it is signed as {who}, and more than one person signs as that: {names}", fix)
        if Right.APPROVE not in people[0].rights:
            raise _FaultError(f"{people[0].name} signed it, who does not have the right approve", fix)
        return people[0], signer

    def _dated(self, at: datetime, fix: str) -> None:
        """Refuse dates that a key which is no longer valid could have been given on purpose.

        A signature is judged at the date that stands beside it (standards.md E8), so that date has to be plausible.
        """
        if self._force is not None and at < self._force.committed_at - SKEW:
            force = f"the revision in force, {self._force.commit[:10]} of {_day(self._force.committed_at)}"
            raise _FaultError(f"it is dated {_day(at)}, before {force}, and may be back-dated", fix)
        if self._now is not None and at > self._now + SKEW:
            raise _FaultError(f"it is dated {_day(at)}, in the future", fix)

    def _allowed(self, person: Person, paths: Callable[[], Iterable[str]], fix: str) -> None:
        if not person.sites:
            return
        below = f"{self._commits.prefix}/" if self._commits.prefix else ""
        for path in paths():
            inside = path.startswith(below)
            shown = path.removeprefix(below) if inside else f"{path}, beside the estate"
            parts = shown.split("/")
            if not inside or parts[0] != "sites" or len(parts) < _SITE_FILE:
                sites = ", ".join(sorted(person.sites))
                what = f"{person.name} signed it, who may approve at {sites} only, and it touches {harmless(shown)}"
                raise _FaultError(what, fix)
            if not person.may(Right.APPROVE, parts[1]):
                raise _FaultError(
                    f"{person.name} signed it, who may not approve for {harmless(parts[1])}", fix
                )


@contextmanager
def _judging(
    commits: Commits, trust: Trust, force: Revision | None, now: datetime | None
) -> Iterator[_Judging]:
    """Get ready to judge by a revision.

    Raises:
        _FaultError: Nothing can be approved by it.
    """
    if trust.lack:
        raise _FaultError(
            f"nothing can be approved by {trust.commit[:10]}: {trust.lack}", "add what is missing"
        )
    with verifier(commits, trust) as verify:
        yield _Judging(commits, trust, verify, force, now)


def _locked_out(own: Trust, revision: Revision) -> Objection | None:
    """Object to a revision after which nothing could ever be approved."""
    if own.rule in {None, Approval.COMMIT} or not own.lack:
        return None
    what = f"it asks for the rule {own.rule}, but {own.lack}: nothing after it could be approved"
    return Objection(revision=revision, what=what, fix="add what is missing, or leave the rule as it was")


def _untagged(head: Revision) -> Objection:
    return Objection(
        revision=head,
        what="no approver has tagged it",
        fix="sign a tag of it: git tag -s NAME, and push the tag",
    )


def _objection(revision: Revision, fault: _FaultError, tag: Tag | None = None) -> Objection:
    name = "" if tag is None else tag.name
    return Objection(revision=revision, what=fault.what, fix=fault.fix, tag=name)


def _day(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
