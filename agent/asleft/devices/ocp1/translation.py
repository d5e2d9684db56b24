"""A profile's settings in AES70's terms: which reads ask for one, what the answers mean, what a write sends.

Pure. The property and its methods follow from the class that the profile names.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from asleft.devices.ocp1.classes import (
    Kind,
    Property,
    Reading,
    class_named,
    decode_reading,
    encode_value,
    find_property,
)
from asleft.devices.ocp1.datatypes import MalformedBytes
from asleft.devices.ocp1.messages import Command, Ono, Response, Status, is_unsupported, status_name
from asleft.devices.ocp1.structures import Autoconfig, Ip4Settings, ModelDescription, Version
from asleft.domain import kinds
from asleft.domain.kinds import Foreign, Found, NotAValue, Value
from asleft.domain.profile import Action, Setting
from asleft.domain.snapshot import Unread, UnreadWhy

__all__ = [
    "MANAGERS",
    "Row",
    "action_command",
    "action_property",
    "row_of",
    "understand_action",
    "unread_for",
]

MANAGERS: Final = {
    "OcaDeviceManager": Ono.DEVICE_MANAGER,
    "OcaFirmwareManager": Ono.FIRMWARE_MANAGER,
    "OcaNetworkManager": Ono.NETWORK_MANAGER,
}
"""Classes with a fixed object number: they are no members of any block."""

_MUTED, _UNMUTED = 1, 2


@dataclass(frozen=True, slots=True)
class Row:
    """One setting of a profile, ready to be asked for.

    Args:
        setting: The setting.
        asked: Its property.
        names: The property that holds the words of a switch's positions; None where there is none.
    """

    setting: Setting
    asked: Property
    names: Property | None

    def reads(self, ono: int) -> list[Command]:
        """Give the commands that ask for the setting."""
        return [Command(ono, asked.getter) for asked in (self.asked, self.names) if asked is not None]

    def understand(self, answers: Sequence[Response]) -> Found | Unread:
        """Say what the answers to `reads` mean."""
        for answer in answers:
            if answer.status != Status.OK:
                return unread_for(answer.status)
        try:
            readings = [
                decode_reading(asked, answer.arity, answer.params)
                for asked, answer in zip((self.asked, self.names), answers, strict=False)
                if asked is not None
            ]
            found = self._found(self._raw(readings))
        except MalformedBytes as wrong:
            return Unread(UnreadWhy.UNCLEAR, str(wrong))
        # One object for equal texts, as left and as found, for as long as somebody holds it.
        return sys.intern(found) if isinstance(found, str) else found

    def _raw(self, readings: Sequence[Reading]) -> Any:
        """Give the word or number of the wire: a position becomes its name, a structure its part."""
        reading, point = readings[0], self.setting.point
        value = reading.value
        if self.names is not None:
            # Positions run from the least, or from 1 where the station does not say (aes70.md section 6, OcaSwitch).
            first = 1 if reading.least is None else reading.least
            names = readings[1].value
            return names[value - first] if 0 <= value - first < len(names) else Foreign(f"position {value}")
        match value:
            case Ip4Settings():
                return _network_part(value, point.part)
            case ModelDescription():
                return getattr(value, point.part or "name", "")
            case tuple() if value and isinstance(value[0], Version):
                own = next((version for version in value if version.component), value[0])
                return f"{own.major}.{own.minor}.{own.build}"
        return value

    def _found(self, raw: Any) -> Found:
        """Type what came from the wire; what the profile does not know stays as it came."""
        kind, point = self.setting.kind, self.setting.point
        if isinstance(raw, Foreign):
            return raw
        if isinstance(kind, kinds.Reading):
            return kind.settle(raw)
        if isinstance(kind, kinds.Switch) and point.class_name == "OcaMute":
            return {_MUTED: True, _UNMUTED: False}.get(raw, Foreign(str(raw)))
        if isinstance(raw, bool):
            if isinstance(kind, kinds.Switch):
                return raw
            raw = "true" if raw else "false"
        if isinstance(raw, int | float):
            return self._number(raw)
        text = point.codes.get(str(raw), str(raw))
        try:
            return kind.parse(text)
        except NotAValue:
            return Foreign(text)

    def _number(self, raw: float) -> Found:
        kind = self.setting.kind
        if isinstance(kind, kinds.Whole) and isinstance(raw, int):
            return raw
        if isinstance(kind, kinds.Level) and abs(raw) < 1e9:  # noqa: PLR2004 no level of any unit is near it
            return kind.settle(float(raw))
        return Foreign(repr(raw))

    def write(self, ono: int, value: Value, current: Sequence[Response]) -> Command | str:
        """Give the command that writes a value, or the reason why there is none.

        Args:
            ono: The object.
            value: What to write.
            current: Answers to `reads`, which say where a switch's words stand and what a structure holds besides.
        """
        if self.asked.setter is None:
            return "the station does not let it be written"
        try:
            raw = self._unfound(
                value,
                [
                    decode_reading(asked, answer.arity, answer.params)
                    for asked, answer in zip((self.asked, self.names), current, strict=False)
                    if asked is not None
                ],
            )
        except LookupError:
            return f"the station has no {self.setting.show(value)} to choose"
        return Command(ono, self.asked.setter, 1, encode_value(self.asked.kind, raw))

    def _unfound(self, value: Value, readings: Sequence[Reading]) -> Any:
        kind, point = self.setting.kind, self.setting.point
        if point.class_name == "OcaMute":
            return _MUTED if value else _UNMUTED
        if isinstance(kind, kinds.Switch):
            return value
        if self.names is not None:
            reading, names = readings
            first = 1 if reading.least is None else reading.least
            for at, name in enumerate(names.value):
                if self._found(name) == value:
                    return first + at
            raise LookupError(value)
        if self.asked.kind is Kind.IP4_SETTINGS:
            return _with_part(readings[0].value, point.part, str(value))
        word = self._wire_word(self.setting.show(value))
        return word == "true" if self.asked.kind is Kind.BOOL else value

    def _wire_word(self, text: str) -> str:
        return next((wire for wire, word in self.setting.point.codes.items() if word == text), text)

    @property
    def settles_later(self) -> bool:
        """Whether a write is only taken note of until the interface is told to apply it."""
        return self.asked.kind is Kind.IP4_SETTINGS


def unread_for(status: int) -> Unread:
    """Say why a read gave no value. A lock says nothing about the value: unknown, never drift."""
    if status == Status.LOCKED:
        return Unread(UnreadWhy.LOCKED)
    if is_unsupported(status) or status == Status.BAD_ONO:
        return Unread(UnreadWhy.MISSING, status_name(status))
    return Unread(UnreadWhy.REFUSED, status_name(status))


def _network_part(settings: Ip4Settings, part: str) -> str:
    match part:
        case "addressing":
            return "static" if settings.autoconfig == Autoconfig.STATIC else "automatic"
        case "address":
            return settings.address
        case _:
            return settings.gateway


def _with_part(settings: Ip4Settings, part: str, text: str) -> Ip4Settings:
    match part:
        case "addressing":
            return replace(settings, autoconfig=Autoconfig.STATIC if text == "static" else Autoconfig.DHCP)
        case "address":
            return replace(settings, address=text)
        case _:
            return replace(settings, gateway=text)


def row_of(setting: Setting) -> Row:
    """Make a setting ready to be asked for.

    Raises:
        LookupError: The profile names a class or property that is not known here.
    """
    point = setting.point
    control = class_named(point.class_name)
    asked = find_property(control, point.property_name or None)
    names = find_property(control, "PositionNames") if asked.name == "Position" else None
    return Row(setting, asked, names)


def action_command(action: Action, ono: int, serial: str, *, on: bool) -> Command | str:
    """Give the command that does an action, or the reason why there is none.

    Args:
        action: What is to be done.
        ono: The object.
        serial: The serial of the unit, for an action that asks for it.
        on: Whether it begins or ends.
    """
    point = action.point
    try:
        asked = find_property(class_named(point.class_name), point.property_name or None)
    except LookupError as wrong:
        return str(wrong)
    if asked.setter is None:
        return "the station does not let it be done"
    # An action that asks for the serial is one that must not be done to the wrong unit, nor by mistake: a yes or no is
    # too little for it, and to end it must never mean to do it.
    match asked.kind, action.asks_serial:
        case (Kind.STRING, True) if on:
            return Command(ono, asked.setter, 1, encode_value(Kind.STRING, serial))
        case (Kind.STRING, True):
            return "it does not last, and so it cannot be ended"
        case (Kind.BOOL, False):
            return Command(ono, asked.setter, 1, encode_value(Kind.BOOL, on))
    needs = "takes no serial" if action.asks_serial else "takes no yes or no"
    return f"the profile does it through {point.class_name}, which {needs}"


def action_property(action: Action) -> Property | None:
    """Give the property that tells whether an action is on; None where its object has none that does."""
    try:
        asked = find_property(class_named(action.point.class_name), action.point.property_name or None)
    except LookupError:
        return None
    return asked if asked.kind is Kind.BOOL and not action.asks_serial else None


def understand_action(asked: Property, answer: Response) -> bool | None:
    """Say what the answer to the getter of an action's property means; None where it means nothing."""
    if answer.status != Status.OK:
        return None
    try:
        return bool(decode_reading(asked, answer.arity, answer.params).value)
    except MalformedBytes:
        return None
