"""The one door to WeasyPrint: HTML in, a PDF out that is the same bytes for the same HTML, fonts and versions."""

import gc
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

from asleft.papers.needs import needing

__all__ = ["pdf_of"]

_SYSTEM = "install them; on Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"


def pdf_of(html: str) -> bytes:
    """Print a page of HTML.

    Its dates are those that its own `dcterms` lines say; its id follows from the HTML. Nothing is fetched, whatever
    the HTML asks for.

    Raises:
        NotInstalled: WeasyPrint is not there, or what it needs of the operating system.
    """
    with needing("WeasyPrint", _SYSTEM):
        import weasyprint  # noqa: PLC0415 papers are an extra, and it takes a second to load
    identifier = hashlib.sha256(html.encode()).digest()[:16]
    document = weasyprint.HTML(string=html, base_url=None, url_fetcher=_refuser(weasyprint.urls.URLFetcher))
    with _uncollected():
        made: bytes = document.write_pdf(pdf_identifier=identifier, pdf_tags=True)
    return made


@contextmanager
def _uncollected() -> Iterator[None]:
    """Search for no garbage meanwhile: all of a paper's boxes live until its end, and a quarter of the time went into looking."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()  # always: whoever asked whether it ran would ask beside a thread that has just switched it off


def _refuser(base: Any) -> Any:
    """Give what WeasyPrint asks for files by; it refuses them all, since a paper carries everything in itself."""

    class Refuser(base):  # type: ignore[misc]  # the library has no types
        def fetch(self, url: str, headers: object = None) -> NoReturn:  # noqa: ARG002 its signature
            raise ValueError(f"a paper fetches nothing: {url[:80]}")

    return Refuser()
