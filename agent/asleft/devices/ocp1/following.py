"""What a station tells by itself, in the domain's words: notified properties become settings, as a read would give them.

What each property is for is worked out once for all units of one make; a followed unit keeps only its last answers, and
equal answers of all units are kept once. Source: aes70.md section 2 (PropertyChanged), 6 (subscriptions), 12 (surprises).
"""

import asyncio
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Final

from asleft.devices.ocp1.datatypes import ElementId, MalformedBytes
from asleft.devices.ocp1.directory import Directory
from asleft.devices.ocp1.messages import Answer, Change, Notification, Response, Status, property_change
from asleft.devices.ocp1.plan import Plan, object_of
from asleft.devices.ocp1.session import Session
from asleft.devices.ocp1.translation import Row
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Found
from asleft.domain.snapshot import Unread
from asleft.ports.stations import NoAnswer, StationError

__all__ = ["Ear", "Listening", "Listenings"]

_Bare = tuple[int, int, bytes]
"""An answer without its handle, which differs every time: status, arity, params."""

_OK: Final = int(Status.OK)
_CURRENT: Final = int(Change.CURRENT)
_BARES: Final = 16_384
"""Different answers kept for all units of one make; one more makes all be forgotten, which costs only memory."""
_MEANINGS: Final = 256
_LISTENINGS: Final = 64
_READINGS: Final = 3
"""How often a reading is begun anew because something moved meanwhile."""
_LOOKS: Final = 8
"""How often a station is read again in one go because its notifications do not tell enough; rounds find the rest."""


class Listening(Plan):
    """How to follow some settings of a unit with a given directory: the reading, and what each notification means."""

    def __init__(self, rows: Mapping[str, Row], names: Collection[str], directory: Directory) -> None:
        super().__init__(rows, names, directory)
        self._bares: dict[_Bare, _Bare] = {}
        self._places: dict[tuple[int, ElementId], int] = {}
        self._ranged: set[int] = set()
        self._users: dict[int, list[int]] = {}
        emitters: set[int] = set()
        for at, (_, row, places, _) in enumerate(self._asked):
            ono = object_of(row, directory)
            assert ono is not None  # noqa: S101 the plan asks nothing of an object that is not there
            emitters.add(ono)
            properties = (asked for asked in (row.asked, row.names) if asked is not None)
            for asked, place in zip(properties, places, strict=True):
                self._places[ono, asked.id] = place
                self._users.setdefault(place, []).append(at)
                if asked.ranged:
                    self._ranged.add(place)
        self.emitters: Final = frozenset(emitters)
        """The objects that carry the settings."""

    def kept(self, answers: Iterable[Answer]) -> list[_Bare]:
        """Give answers as they are kept for a unit."""
        return [self._shared(answer[1:]) for answer in answers]

    def _shared(self, bare: _Bare) -> _Bare:
        if len(self._bares) >= _BARES:
            self._bares.clear()
        return self._bares.setdefault(bare, bare)

    def all_told(self, bares: Sequence[_Bare]) -> dict[str, Found | Unread]:
        """Say what a unit's answers mean, setting by setting."""
        found: dict[str, Found | Unread] = dict(self._missing)
        for at, (name, _, _, _) in enumerate(self._asked):
            found[name] = self._meaning(at, bares)
        return found

    def told(self, bares: list[_Bare], notification: Notification) -> list[tuple[str, Found | Unread]] | None:
        """Take a notified value into a unit's answers, and say what the settings are that it carries.

        Gives None where only reading again tells: a limit or an item moved, the subscription ended, the value was not
        readable before, or the notification makes no sense.
        """
        if notification.exception:
            return None
        try:
            change = property_change(notification.data)
        except MalformedBytes:
            return None
        place = self._places.get((notification.emitter, change.property))
        if place is None:
            return []
        status, arity, before = bares[place]
        if change.change != _CURRENT or status != _OK:
            return None
        value = change.value
        if place in self._ranged:
            # The notification leaves out min and max, and they have not moved: values with limits have a fixed size.
            if len(value) * arity != len(before):
                return None
            value += before[len(value) :]
        bares[place] = self._shared((status, arity, value))
        return [(self._asked[at][0], self._meaning(at, bares)) for at in self._users[place]]

    def _meaning(self, at: int, bares: Sequence[_Bare]) -> Found | Unread:
        _, row, places, meanings = self._asked[at]
        picked = tuple([bares[place] for place in places])
        key = picked[0] if len(places) == 1 else picked
        meant = meanings.get(key)
        if meant is None:
            if len(meanings) >= _MEANINGS:
                meanings.clear()
            meant = meanings[key] = row.understand([Response(0, *bare) for bare in picked])
        return meant


class Listenings:
    """Keeps each listening made once, bounded in number."""

    def __init__(self) -> None:
        self._kept: dict[tuple[int, str, tuple[str, ...]], tuple[Mapping[str, Row], Listening]] = {}

    def get(
        self, rows: Mapping[str, Row], packed: str, names: Collection[str], directory: Directory
    ) -> Listening:
        """Give the listening for some settings of a unit with a directory that packs to `packed`."""
        key = (id(rows), packed, tuple(names))
        kept = self._kept.get(key)
        if kept is None or kept[0] is not rows:
            if len(self._kept) >= _LISTENINGS:
                self._kept.clear()
            kept = self._kept[key] = (rows, Listening(rows, names, directory))
        return kept[1]


class Ear:
    """Hears one station: begun by a reading, kept right by what is notified, mended by reading again where need be.

    Args:
        heard: Called with each setting that a notification carries.
        lost: Called once when the session ends by itself, or the station ends a subscription.
    """

    __slots__ = (
        "_again",
        "_answers",
        "_asked",
        "_early",
        "_heard",
        "_listening",
        "_lost",
        "_session",
        "_task",
        "live",
    )

    def __init__(
        self, heard: Callable[[str, Found | Unread], None], lost: Callable[[StationError], None]
    ) -> None:
        self.live = False
        """Whether its end is to be told: not while it is begun, and not when it ended."""
        self._heard = heard
        self._lost = lost
        self._session: Session
        self._listening: Listening
        self._answers: list[_Bare] = []
        self._asked: frozenset[int] = frozenset()
        self._early: list[Notification] | None = None
        self._again = False
        self._task: asyncio.Task[None] | None = None

    def session_lost(self, error: AsleftError) -> None:
        """Tell that the session ended by itself."""
        if self.live:
            self.live = False
            self._lost(NoAnswer(error.what, where=error.where, todo=error.todo))

    async def subscribe(self, session: Session, listening: Listening) -> dict[int, int]:
        """Subscribe to every object; returns those refused, each with its status."""
        self._session = session
        self._listening = listening
        self._early = []
        fresh = listening.emitters - self._asked
        refused = await session.subscribe_all(sorted(fresh), self._notified)
        self._asked |= fresh - refused.keys()
        return refused

    async def begin(self) -> tuple[dict[str, Found | Unread], bool]:
        """Read everything; what was notified meanwhile is in it. Also says whether an object was not there.

        Raises:
            AsleftError: As `Session.ask` does.
        """
        listening = self._listening
        early: list[Notification] = []
        answers: Sequence[Answer] = ()
        for _ in range(_READINGS):
            self._early = early = []
            answers = await self._session.ask(listening.batch)
            self._answers = listening.kept(answers)
            if not early:
                break
        # A station never at rest: what it notified last is what holds, whichever way answers and events crossed.
        for notification in early:
            if listening.told(self._answers, notification) is None:
                self._look_again()
        self._early = None
        return listening.all_told(self._answers), listening.lost_an_object(answers)

    def _notified(self, notification: Notification) -> None:
        if notification.exception:
            self._ended(notification)
        elif self._early is not None:
            self._early.append(notification)
        else:
            told = self._listening.told(self._answers, notification)
            if told is None:
                self._look_again()
            for name, value in told or ():
                self._heard(name, value)

    def _ended(self, notification: Notification) -> None:
        """End the conversation with a subscription: half a station followed is worse than one begun anew."""
        self.session_lost(
            NoAnswer(
                f"it ended the subscription to object {notification.emitter}",
                where=self._session.peer,
                todo="nothing: it is asked again, and rounds go on",
            )
        )
        self._task = asyncio.get_running_loop().create_task(self._session.close(), name="hang up")

    def _look_again(self) -> None:
        self._again = True
        if self._task is None:
            self._task = asyncio.get_running_loop().create_task(self._reading(), name="look again")

    async def _reading(self) -> None:
        """Read again, once for all that asked for it meanwhile, and tell what is other than before."""
        try:
            for _ in range(_LOOKS):
                if not self._again:
                    return
                self._again = False
                before = self._listening.all_told(self._answers)
                after, _ = await self.begin()
                for name, value in after.items():
                    if value != before[name]:
                        self._heard(name, value)
        except AsleftError:
            # The session is over, and whoever holds it was told so.
            return
        finally:
            self._task = None
