"""People: who may do what, where, and by which rule the baseline is approved."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from asleft.domain.profile import Concern

__all__ = ["Approval", "Person", "Right"]


class Right(StrEnum):
    """What a person may do, weakest first."""

    LOOK = "look"
    ACKNOWLEDGE = "acknowledge"
    CONFIRM = "confirm"
    APPROVE = "approve"


class Approval(StrEnum):
    """By which rule a revision of the baseline is approved."""

    COMMIT = "commit"
    """Whatever is on the branch."""
    SIGNED = "signed"
    """Every commit since the last approved one is signed by an approver."""
    TAG = "tag"
    """The newest tag that an approver signed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """Someone named in people.yaml.

    Args:
        key: Name on the command line, as `wren-halloway`.
        name: Name as a person reads it.
        rights: What this person may do.
        sites: Sites for which; empty for all of them.
        signs_as: The principals in the allowed-signers file that are this person.
        concerns: Concerns of settings for which this person may confirm; empty for all of them.
    """

    key: str
    name: str
    rights: frozenset[Right]
    sites: frozenset[str]
    signs_as: frozenset[str] = frozenset()
    concerns: frozenset[Concern] = frozenset()

    def may(self, right: Right, site: str) -> bool:
        """Tell whether this person has a right at a site."""
        return right in self.rights and (not self.sites or site in self.sites)

    def may_confirm(self, site: str, concerns: Iterable[Concern]) -> bool:
        """Tell whether this person may confirm writes of settings with these concerns at a site."""
        return self.may(Right.CONFIRM, site) and (not self.concerns or self.concerns.issuperset(concerns))
