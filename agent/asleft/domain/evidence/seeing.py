"""What of the evidence may be told to somebody who may look at some sites alone."""

from dataclasses import dataclass, field, replace
from typing import Final, Self

from asleft.domain.estate import Estate
from asleft.domain.evidence.pieces import Piece, Source
from asleft.domain.people import Person
from asleft.domain.withheld import Withheld

__all__ = ["Scope"]

_SAFE_IN_PART: Final = frozenset({"Site", "Station", "Baseline"})
"""Trailers that stay where only some of the sites of a piece may be told."""


@dataclass(frozen=True, slots=True)
class Scope:
    """The sites of which may be told.

    Args:
        sites: Their names; empty for all of them, and for what concerns no site.
        withheld: Knows the names that texts about these sites may not tell; of those that may be told of no other is the same.
    """

    sites: frozenset[str] = field(default_factory=frozenset)
    withheld: Withheld = field(default_factory=Withheld.nothing, compare=False, repr=False)

    @classmethod
    def of(cls, estate: Estate, person: Person) -> Self:
        """Give what a person may be told of; who may look nowhere is told nothing of any site."""
        return cls(person.sites, Withheld.of(estate, person))

    @property
    def everywhere(self) -> bool:
        """Whether nothing is held back."""
        return not self.sites

    def holds(self, site: str) -> bool:
        """Tell whether a site may be told of."""
        return not self.sites or site in self.sites

    def see(self, piece: Piece) -> Piece | None:
        """Give what of a piece may be told; None where that is nothing.

        A piece that concerns no site is for those who may look everywhere, for its text may name any site. Of one that is about
        other sites, too, only lines, files and changes of the sites that may be told of are left, and who wrote it. What is left
        may say whose unit a station has, or which station of its group went wrong: another site has no name there.
        """
        if self.everywhere:
            return piece
        sites = {*piece.sites}
        seen = sorted(filter(self.holds, sites))
        if not seen:
            return None
        below = "as-found" if piece.source is Source.RECORDS else "sites"
        own = tuple(f"{below}/{site}/" for site in seen)
        # A page of an order or a loan is about the stations that the trailers name; a file of the estate may name any site.
        shared = piece.source is Source.BASELINE and any(not path.startswith(own) for path, _ in piece.files)
        return self._said(
            piece if len(seen) == len(sites) and not shared else self._in_part(piece, seen, own)
        )

    def _said(self, piece: Piece) -> Piece:
        if self.withheld.everywhere:
            return piece
        say = self.withheld.say
        return replace(
            piece,
            subject=say(piece.subject),
            body=say(piece.body),
            trailers=tuple((key, say(value)) for key, value in piece.trailers),
        )

    def _in_part(self, piece: Piece, sites: list[str], own: tuple[str, ...]) -> Piece:
        begins = tuple(f"{site}/" for site in sites)
        records = piece.source is Source.RECORDS
        return replace(
            piece,
            subject=f"{', '.join(sites)}: a part of what was {'recorded' if records else 'committed'} together with more",
            body="\n".join(line for line in piece.body.split("\n") if line.startswith(begins)),
            trailers=tuple(
                (key, value)
                for key, value in piece.trailers
                if records and key in _SAFE_IN_PART and (key == "Baseline" or f"{value}/".startswith(begins))
            ),
            files=tuple((path, blob) for path, blob in piece.files if path.startswith(own)),
            changes=tuple(change for change in piece.changes if self.holds(change.station.site)),
        )
