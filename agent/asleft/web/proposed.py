"""Proposals that are made from a page: what is said of one to somebody who may not look everywhere."""

from asleft.web.frame import Viewer
from asleft.work.proposing.words import Proposed

__all__ = ["proposed_words"]


def proposed_words(proposed: Proposed, viewer: Viewer) -> str:
    """Say what was proposed and how it comes into force, as far as somebody may look."""
    said = [
        f"{proposed.subject}: branch {proposed.branch}. Nothing changes until it is approved: {proposed.approve}."
    ]
    said += [f"It is not at the remote yet: {proposed.why_not}."] if proposed.why_not else []
    said += [f"{warning.rstrip('.')}." for warning in proposed.warned(viewer.sees)]
    return " ".join(said)
