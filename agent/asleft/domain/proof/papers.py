"""What goes with a proof that is handed over: how it is checked with git, a shell and OpenSSH, and the table for that."""

from collections.abc import Sequence
from datetime import UTC

from asleft.domain.proof.links import Proof, SignedWord

__all__ = ["SUMS", "TABLE", "handed_over", "words_table"]

SUMS = "SHA256SUMS"
TABLE = "confirmations.tsv"

_BEGIN = """# Records until {until}

{names}

Everything below needs git from 2.34 on, OpenSSH from 8.9 on, a POSIX shell with awk, and sha256sum, and no asleft. Do it in an
empty folder with this one's files in it, in this order. A command that prints a line with `NOT` in it, or that ends with
another status than 0, has found something.

## 1. What was handed over is whole; take the records out of their bundle
```sh
sha256sum -c {sums} > sums.txt || echo "NOT as it was handed over"
git clone --quiet records.bundle records
```
"""
_BASELINE = """```sh
git clone --quiet baseline.bundle baseline
git -C baseline fsck --strict --no-progress --no-dangling
```
"""
_CHAIN = """
## {number}. The chain of hashes
Each commit holds the hash of the one before it, so that one id stands for all of them. Compare this one with what you were
told on another way: a message, a paper, the copy at the remote.
```sh
git -C records fsck --strict --no-progress --no-dangling
test "$(git -C records rev-parse HEAD)" = {last} || echo "NOT this commit"
test "$(git -C records rev-list --min-parents=2 --count HEAD)" = 0 || echo "NOT one line"
test "$(git -C records rev-list --max-parents=0 --count HEAD)" = 1 || echo "NOT one beginning"
```

## {clock}. Time does not run backwards
```sh
git -C records log --reverse --format=%ct | sort -n -c || echo "NOT in order of time"
```
"""
_SIGNED = """
## {number}. The agent's signature under every commit
`agent-signers` has the agent's public key. Compare it with what the people who run the agent tell you.
```sh
git -C records -c gpg.format=ssh -c gpg.ssh.allowedSignersFile="$PWD/agent-signers" \\
  verify-commit $(git -C records rev-list {span}) 2> signatures.txt || echo "NOT every commit is signed by the agent"
```
"""
_UNSIGNED = """
## {number}. The agent's signature
The agent had no key: its commits are not signed. Who wrote them rests on the ids above, and on copies elsewhere.
"""
_ORDERS = """
## {number}. What was carried out is what was confirmed
The digest of an order is the SHA-256 of its canonical text (RFC 8785), and its first ten digits are the order's name.
```sh
for page in records/orders/*/*.yaml; do
  digest=$(sed -n 's/^canonical: "\\(.*\\)"$/\\1/p' "$page" | sed 's/\\\\"/"/g; s/\\\\\\\\/\\\\/g' | tr -d '\\n' | sha256sum | cut -c1-64)
  grep -q "^digest: $digest$" "$page" || echo "NOT what was confirmed: $page"
  test "$(basename "$page" .yaml)" = "$(echo "$digest" | cut -c1-10)" || echo "NOT its name: $page"
done
```
Who confirmed each, why, and which hazards were taken on stands under `life`, with `baseline`, the revision by which their
right was judged: `git -C baseline show REVISION:{people}`.
"""
_WORDS = """
## {number}. Signed confirmations
Each line of `{table}` is a signature, what it signs, the revision of the baseline that says whose key it is, the name there,
and when it was given.
```sh
while IFS="$(printf '\\t')" read -r signature document revision principal at; do
  git -C baseline show "$revision:{signers}" > signers
  git -C baseline show "$revision:{revoked}" > revoked 2> /dev/null || : > revoked
  ssh-keygen -Y verify -n order@asleft -I "$principal" -f signers -r revoked -O verify-time="$at" \\
    -s "records/$signature" < "records/$document" > /dev/null || echo "NOT signed: $signature"
done < {table}
for document in records/signed/*/[0-9a-f]*.json; do
  test "$(sha256sum < "$document" | cut -c1-10)" = "$(basename "$document" .json)" || echo "NOT that order: $document"
done
```
"""
_ACCOUNT = """
## {number}. The account
"""
_END = """
## What this does not show
That no commit was left out at the end, or that the records are the only ones: that takes a copy elsewhere, or the heads that
the agent kept, against which `proof.txt` was made. That somebody had the right to confirm, and that every write has its order,
`proof.txt` says commit by commit; the pages and revisions for that are here.
"""


def handed_over(
    made: Proof, *, baseline: bool, keys: bool, folder: str, account: str, files: Sequence[str]
) -> str:
    """Give the README of a proof.

    Args:
        made: The proof.
        baseline: Whether the baseline is there.
        keys: Whether the agent's public keys are there.
        folder: The folder of the estate in the baseline; empty for its top.
        account: What the account is, and how it is checked; empty where none is there.
        files: The names of all files but this one.
    """
    below = f"{folder}/" if folder else ""
    about = {
        "records.bundle": "the records, from their first commit on",
        "baseline.bundle": "the baseline, as far as the records name it",
        "proof.txt": "what asleft prove says, for people",
        "proof.json": "the same for programs",
        "agent-signers": "the agent's public keys, as an allowed-signers file",
        TABLE: "the signed confirmations",
        "account.txt": "what was in force, approved, found, restored and not read, in words",
        "account.html": "the same as a paper with plots, for any browser",
        "account.csv": "the same for spreadsheets and programs",
        SUMS: "the SHA-256 of every other file",
    }
    names = "\n".join(f"- `{name}`: {about[name]}" for name in files if name in about)
    if not account:
        names += "\n\nAn account is not part of it: none could be made of these records."
    parts = [_BEGIN.format(until=f"{made.until:%Y-%m-%d %H:%M:%S} UTC", names=names, sums=SUMS)]
    if baseline:
        parts.append(_BASELINE)
    parts.append(_CHAIN.format(number=2, clock=3, last=made.last))
    begin = made.unsigned or made.since
    span = f"{begin}..HEAD" if begin else "HEAD"
    parts.append(_SIGNED.format(number=4, span=span) if keys and made.signing else _UNSIGNED.format(number=4))
    number = 5
    if made.words or any(seen for check, seen in made.counted.items() if check.name == "ORDERS"):
        parts.append(_ORDERS.format(number=number, people=f"{below}people.yaml"))
        number += 1
    if made.words:
        parts.append(
            _WORDS.format(
                number=number, table=TABLE, signers=f"{below}allowed-signers", revoked=f"{below}revoked-keys"
            )
        )
        number += 1
    if account:
        parts += [_ACCOUNT.format(number=number), account]
    return "".join((*parts, _END))


def words_table(words: Sequence[SignedWord]) -> str:
    """Give the table of signed confirmations: fields between tabs, the time as `ssh-keygen -O verify-time` takes it."""
    return "".join(
        f"{word.signature}\t{word.document}\t{word.revision}\t{word.principal}\t{word.at.astimezone(UTC):%Y%m%d%H%M%SZ}\n"
        for word in words
    )
