"""Lights a station's lamp for a page: the answer does not wait until the lamp is off, but a refusal comes at once."""

import asyncio
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.web.asking import BadForm
from asleft.web.frame import Viewer
from asleft.web.web import Web
from asleft.work.acts import LONGEST_LAMP, LampOn, Lit

__all__ = ["SEEN_WITHIN", "Lamps"]

SEEN_WITHIN: Final = 2.0
"""Seconds for which a page waits for the end: what is refused, or does not answer, mostly says so within them."""


class Lamps:
    """Lights lamps, and tells in the next page what became of those that were lit.

    Args:
        web: Tells.
        within: As `SEEN_WITHIN`.
    """

    def __init__(self, web: Web, *, within: float = SEEN_WITHIN) -> None:
        self._web = web
        self._within = within
        self._lit: set[asyncio.Task[Lit]] = set()

    async def light(self, viewer: Viewer, station: StationId, seconds: str) -> str:
        """Light a lamp as a person, and say so.

        Raises:
            BadForm: For how long is not said.
            AsleftError: It was refused, or the station did not answer.
        """
        if not (seconds.isascii() and seconds.isdecimal() and len(seconds) < 4):  # noqa: PLR2004 the longest is 120
            raise BadForm("how long is not said", field="seconds", todo=f"give 1 to {LONGEST_LAMP} seconds")
        lighting = asyncio.create_task(
            self._web.parts.desk.doing.identify(str(station), by=viewer.person.key, seconds=int(seconds)),
            name=f"lamp of {station}",
        )
        self._lit.add(lighting)
        done, _ = await asyncio.wait({lighting}, timeout=self._within)
        if done:
            self._lit.discard(lighting)
            return _words(lighting.result())
        lighting.add_done_callback(lambda task: self._ended(task, station, viewer))
        return f"The lamp of {station} is being lit for {int(seconds)} s. It goes out by itself."

    def _ended(self, lighting: asyncio.Task[Lit], station: StationId, viewer: Viewer) -> None:
        self._lit.discard(lighting)
        if lighting.cancelled():
            return
        wrong = lighting.exception()
        if wrong is None:
            return
        self._web.parts.log.warning("a lamp that a page asked for", station=str(station), why=str(wrong))
        what = "the agent failed; its log says how"
        if isinstance(wrong, AsleftError):
            what = self._web.refusal(viewer.person, wrong).what
        still = "" if isinstance(wrong, LampOn) else "The lamp: "
        self._web.say(viewer.token, f"{station}: {still}{what}")


def _words(lit: Lit) -> str:
    on, off = lit.shown
    though = ", though the station said that it was off" if on is False else ""
    after = (
        "and it is off"
        if off is False
        else "and was told to go out; the station does not tell whether it did"
    )
    return f"{lit.station}: the lamp was on for {lit.seconds:g} s{though}, {after}."
