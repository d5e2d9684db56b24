"""Labels for the stations of a site: name, address, serial, and a code that opens the station's page."""

from dataclasses import dataclass

from asleft.domain.allotment import label_of
from asleft.domain.estate import AsLeft
from asleft.papers.given import Given
from asleft.papers.labels.sizes import Place, Sizes
from asleft.papers.paper import Frame

__all__ = ["Label", "Labels", "book"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """One label.

    Args:
        place: Where it lies on its page.
        name: The station's name.
        called: What the station calls itself, where that is another name.
        address: Its address; empty where it has none yet.
        serial: Its serial; empty where it is planned.
        model: Its model in words.
        opens: Address of the station's page; empty where nobody said where that is.
    """

    place: Place
    name: str
    called: str
    address: str
    serial: str
    model: str
    opens: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Labels:
    """Sheets of labels.

    Args:
        frame: What stands on every label.
        sizes: The measures of the sheets.
        pages: Label by label, page by page.
    """

    frame: Frame
    sizes: Sizes
    pages: tuple[tuple[Label, ...], ...]

    @property
    def code(self) -> float:
        """Side of the code on each label, in millimetres: as high as the label, and at most two fifths of its width."""
        return round(min(self.sizes.height - 4.0, 0.4 * self.sizes.width), 2)


def book(given: Given, sizes: Sizes, *, skip: int = 0) -> Labels:
    """Put the labels of a site together, by the names of its stations.

    Args:
        given: What they are made from.
        sizes: The measures of the sheets.
        skip: So many labels of the first sheet are used already.
    """
    stations = list(given.stations().items())
    places = [divmod(at + skip, sizes.count) for at in range(len(stations))]
    pages: dict[int, list[Label]] = {}
    for (page, at), (name, left) in zip(places, stations, strict=True):
        pages.setdefault(page, []).append(_label(given, name, left, sizes.place(at)))
    return Labels(
        frame=given.frame("Labels", sizes.paper),
        sizes=sizes,
        pages=tuple(tuple(pages.get(page, ())) for page in range(max(pages, default=-1) + 1)),
    )


def _label(given: Given, name: str, left: AsLeft, place: Place) -> Label:
    called = label_of(left)
    return Label(
        place=place,
        name=name,
        called="" if called == name else called,
        address=left.address if left.profile.reached_at in left.values else "",
        serial=left.serial,
        model=left.profile.title,
        opens=f"{given.pages}/stations/{given.site.name}/{name}" if given.pages else "",
    )
