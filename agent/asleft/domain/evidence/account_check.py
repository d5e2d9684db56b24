"""How a stranger checks the numbers of an account against the two repositories, with git, awk and a shell."""

from datetime import datetime
from typing import Final

from asleft.domain.evidence.account import Account
from asleft.domain.evidence.pieces import ENDED

__all__ = ["account_check"]

_ABOUT: Final = """`account.txt`, `account.html` and `account.csv` say the same: what was in force, approved, found, restored and not read from {since}
until {until}. The first is for reading, the second for printing, the third for spreadsheets (RFC 4180; times in
UTC, lengths in seconds). asleft made them from the two repositories alone, so every line can be held against its commit.

Every commit that the account names is in one of the two:
```sh
grep -Eo '[0-9a-f]{{40}}' account.csv | sort -u | while read -r commit; do
  git -C records cat-file -e "$commit^{{commit}}" 2> /dev/null || git -C baseline cat-file -e "$commit^{{commit}}" 2> /dev/null \\
    || echo "NOT in records or baseline: $commit"
done
```
"""
_COUNTS: Final = """The account counts {carried} orders carried out and {unfinished} that were refused, lapsed or halted; so does git, by subjects and trailers:
```sh
git -C records log --format='%ct%x09%(trailers:key=Order,valueonly,separator=%x2C)%x09%s' > subjects.txt
awk -F '\\t' '$1 > {after} && $2 != "" && $3 ~ /^[^:]*: ({done})( |$)/' subjects.txt | wc -l | grep -qx ' *{carried}' \\
  || echo "NOT as many orders carried out"
awk -F '\\t' '$1 > {after} && $2 ~ /^[0-9a-f]+$/ && $3 ~ ("order " $2 " (refused|lapsed|halted)")' subjects.txt | wc -l \\
  | grep -qx ' *{unfinished}' || echo "NOT as many orders refused, lapsed or halted"
```
"""
_CLOCK: Final = """Some commits carry times that their order contradicts; so orders cannot be counted by their times here.
"""
_LINES: Final = """Any other number is checked line by line: in `account.csv` a line of drift, an order or a gap has its commit, and
`git -C records show COMMIT` shows the lines that moved; a line that was approved has its own, for `git -C baseline show COMMIT`.
A station's whole life is `git -C records log -p -- as-found/SITE/STATION.yaml`.
"""


def account_check(made: Account, after: datetime | None) -> str:
    """Give the part of a README that says what the account is, and how it is checked.

    Args:
        made: The account, of all sites.
        after: The time of the commit after which it begins; None where it begins with the first one.
    """
    parts = [
        _ABOUT.format(
            since=f"{made.since:%Y-%m-%d %H:%M:%S} UTC", until=f"{made.until:%Y-%m-%d %H:%M:%S} UTC"
        )
    ]
    if made.in_order:
        parts.append(
            _COUNTS.format(
                carried=len(made.restores),
                unfinished=len(made.unfinished),
                after=f"{after.timestamp():.0f}" if after else "0",
                done="|".join(ENDED.values()),
            )
        )
    else:
        parts.append(_CLOCK)
    return "\n".join((*parts, _LINES))
