"""How a station is named."""

from dataclasses import dataclass

from asleft.domain.names import is_name

__all__ = ["StationId"]


@dataclass(frozen=True, order=True, slots=True)
class StationId:
    """Names one station: `site/station`."""

    site: str
    name: str

    def __str__(self) -> str:
        return f"{self.site}/{self.name}"

    @classmethod
    def parse(cls, text: str) -> "StationId | None":
        """Read `site/station`; None where it is not that."""
        site, slash, name = text.partition("/")
        return cls(site, name) if slash and is_name(site) and is_name(name) else None
