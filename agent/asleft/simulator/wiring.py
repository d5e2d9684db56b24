"""From a profile to the objects of a station: which setting is which property of which object, and as what.

Source: aes70.md section 6 (classes) and 10 (which class for which setting).
"""

import dataclasses
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from asleft.devices.ocp1.classes import Kind as WireKind
from asleft.devices.ocp1.classes import Method, find_property
from asleft.devices.ocp1.codec import Status
from asleft.devices.ocp1.datatypes import Reader, encode_string, encode_u8
from asleft.devices.ocp1.structures import Autoconfig, Ip4Settings
from asleft.domain.kinds import Address, Choice, Kind, Level, NotAValue, Reading, Switch, Text, Value, Whole
from asleft.domain.profile import Setting
from asleft.simulator.manners import Manners
from asleft.simulator.objects import Answer, Call, Caller, Refusal, SimulatorError, Thing
from asleft.simulator.table import Table

__all__ = ["Binding", "bind", "first_value", "offer_switch"]

MUTED, UNMUTED = 1, 2
MILD: Final = 31.5
"""The temperature of a station that is well, in °C."""

NOISE: Final = 1e-4
"""How far past its limit a 32-bit float may lie and still be the limit."""

MOST_POSITIONS: Final = 0xFFFF
_INTEGERS: Final = frozenset(
    {
        WireKind.I8,
        WireKind.I16,
        WireKind.I32,
        WireKind.I64,
        WireKind.U8,
        WireKind.U16,
        WireKind.U32,
        WireKind.U64,
    }
)
_FLOATS: Final = frozenset({WireKind.F32, WireKind.F64})
_WIDEST: Final[Mapping[WireKind, tuple[Any, Any]]] = {
    WireKind.U8: (0, 2**8 - 1),
    WireKind.U16: (0, 2**16 - 1),
    WireKind.U32: (0, 2**32 - 1),
    WireKind.F32: (-3.4028234663852886e38, 3.4028234663852886e38),
}
"""Min and max of a sensor without limits of its own: some controllers cannot read one that leaves them out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Binding:
    """One setting and the property that carries it.

    Args:
        setting: The profile's row.
        thing: The object.
        name: The property.
        to_wire: The property's value for a value of the setting, given the property's value of now.
        from_wire: The setting's value for a value of the property.
    """

    setting: Setting
    thing: Thing
    name: str
    to_wire: Callable[[Value, Any], Any]
    from_wire: Callable[[Any], Value]

    def read(self) -> Value:
        """Give the setting's value of now."""
        return self.from_wire(self.thing.slots[self.name].value)

    def write(self, value: Value) -> None:
        """Set it from inside the station; subscribers are told."""
        self.thing.put(self.name, self.to_wire(value, self.thing.slots[self.name].value))


def first_value(setting: Setting, values: Mapping[str, Value], address: str) -> Value:
    """Give the value a station begins with: as told, else of its factory, else one that it makes up."""
    value = values.get(setting.name, setting.factory)
    if value is not None:
        return value
    kind = setting.kind
    if isinstance(kind, Level | Whole):
        return kind.lowest
    if isinstance(kind, Choice):
        return kind.values[0]
    if isinstance(kind, Address):
        return f"{address}/24" if kind.prefixed else f"{address.rpartition('.')[0]}.1"
    if isinstance(kind, Reading) and setting.point.class_name != "OcaStringSensor":
        return MILD if kind.unit == "°C" else 0
    return ""


def grid(kind: Kind) -> tuple[Value, ...]:
    """Give every value that a switch has a position for; none where the kind does not go on a switch."""
    match kind:
        case Choice(values=words):
            return words
        case Level(lowest=lowest, highest=highest, step=step):
            count = min(round((highest - lowest) / step) + 1, MOST_POSITIONS)
            return tuple(kind.settle(lowest + at * step) for at in range(count))
        case _:
            return ()


def _out_of_range(*, wrong: bool) -> None:
    if wrong:
        raise Refusal(Status.PARAMETER_OUT_OF_RANGE)


def offer_switch(thing: Thing, names: tuple[str, ...], position: int, base: int) -> None:
    """Have the properties and methods of OcaSwitch; the names of its positions can be written (section 6)."""
    last = base + len(names) - 1

    def check(value: Any) -> None:
        _out_of_range(wrong=not base <= value <= last)

    def check_names(value: Any) -> None:
        _out_of_range(wrong=len(value) != len(names))

    def number(reader: Reader) -> int:
        at = reader.u16()
        check(at)
        return at - base

    def get_name(reader: Reader, _: Caller) -> Answer:
        at = number(reader)
        reader.check_end()
        return Answer(1, encode_string(thing.slots["PositionNames"].value[at]))

    def set_name(reader: Reader, caller: Caller) -> Answer:
        at, name = number(reader), reader.string()
        reader.check_end()
        slot = thing.slots["PositionNames"]
        thing.write(slot, (*slot.value[:at], name, *slot.value[at + 1 :]), caller)
        return Answer()

    def get_enabled(reader: Reader, _: Caller) -> Answer:
        number(reader)
        reader.check_end()
        return Answer(1, encode_u8(1))

    thing.offer("Position", position, limits=(base, last), settable=True, check=check)
    thing.offer("PositionNames", names, settable=True, check=check_names)
    thing.offer("PositionEnableds", (True,) * len(names))
    thing.calls[Method.SWITCH_GET_POSITION_NAME] = Call(arity=1, writes=False, run=get_name)
    thing.calls[Method.SWITCH_SET_POSITION_NAME] = Call(arity=2, writes=True, run=set_name)
    thing.calls[4, 7] = Call(arity=1, writes=False, run=get_enabled)


def bind(table: Table, setting: Setting, value: Value, manners: Manners) -> Binding:
    """Add a setting's property to its object and give the binding; SimulatorError where the mapping has no such pair."""
    point = setting.point
    thing = table.add(point.path, point.class_name, lockable=not isinstance(setting.kind, Reading))
    name = find_property(thing.control, point.property_name or None).name
    if point.class_name == "OcaSwitch":
        return _bind_switch(thing, setting, value, 1 if manners.omit_min_max else manners.switch_base)
    if point.part and point.class_name == "OcaNetworkInterface":
        return _bind_part(thing, setting, name, value)
    to_wire, from_wire = _conversion(setting, thing, name)
    limits, check = _limits(setting.kind, find_property(thing.control, name).kind)
    if point.class_name == "OcaMute":
        check = _check_mute
    settable = not isinstance(setting.kind, Reading)
    thing.offer(name, to_wire(value), limits=limits, settable=settable, check=check)
    if isinstance(setting.kind, Text) and point.class_name == "OcaStringActuator":
        thing.offer("MaxLen", setting.kind.longest)
    return Binding(
        setting=setting, thing=thing, name=name, to_wire=lambda new, _: to_wire(new), from_wire=from_wire
    )


def _bind_switch(thing: Thing, setting: Setting, value: Value, base: int) -> Binding:
    values = grid(setting.kind)
    if not values:
        raise _no_pair(setting)
    wire_word = {word: wire for wire, word in setting.point.codes.items()}
    names = tuple(wire_word.get(shown, shown) for shown in map(setting.kind.show, values))

    def to_wire(new: Value, _: Any) -> int:
        try:
            return base + values.index(setting.kind.settle(new))
        except ValueError:
            raise SimulatorError(
                f"{setting.name} has no position for {new!r}", todo=f"allowed: {setting.kind.allowed()}"
            ) from None

    offer_switch(thing, names, to_wire(value, None), base)
    return Binding(
        setting=setting, thing=thing, name="Position", to_wire=to_wire, from_wire=lambda at: values[at - base]
    )


def _check_mute(value: Any) -> None:
    _out_of_range(wrong=value not in {MUTED, UNMUTED})


def _limits(kind: Kind, wire: WireKind) -> tuple[tuple[Any, ...], Callable[[Any], None] | None]:
    match kind:
        case Level(lowest=low, highest=high) | Whole(lowest=low, highest=high):
            return (low, high), lambda value: _out_of_range(wrong=not low - NOISE <= value <= high + NOISE)
        case Text(longest=longest):
            return (), lambda value: _out_of_range(wrong=len(value) > longest)
        case Reading() if wire in _WIDEST:
            return _WIDEST[wire], None
        case _:
            return (), None


def _conversion(
    setting: Setting, thing: Thing, name: str
) -> tuple[Callable[[Value], Any], Callable[[Any], Value]]:
    kind, codes = setting.kind, setting.point.codes
    wire = find_property(thing.control, name).kind
    if thing.control.name == "OcaMute" and isinstance(kind, Switch):
        return (lambda value: MUTED if value else UNMUTED), (lambda state: bool(state == MUTED))
    if wire is WireKind.BOOL and isinstance(kind, Switch):
        return bool, bool
    if wire is WireKind.BOOL and isinstance(kind, Choice) and set(codes) == {"true", "false"}:
        return (lambda word: word == codes["true"]), (lambda state: codes["true" if state else "false"])
    if wire in _FLOATS and isinstance(kind, Level | Reading):
        return float, (lambda number: kind.settle(_short(number)))
    if wire in _INTEGERS and isinstance(kind, Whole | Reading):
        return int, int
    if wire is WireKind.STRING and isinstance(kind, Text | Reading):
        return str, str
    raise _no_pair(setting)


def _short(number: float) -> float:
    """Give the 32-bit float that the wire would carry."""
    return float(struct.unpack(">f", struct.pack(">f", number))[0])


def _no_pair(setting: Setting) -> SimulatorError:
    return SimulatorError(
        f"{setting.name} is of kind {setting.kind.word}, which {setting.point.class_name} cannot carry here",
        todo="choose another object class in the profile",
    )


_WORDS: Final = {"static": Autoconfig.STATIC, "automatic": Autoconfig.DHCP}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Part:
    """One field of IPv4 settings that is a setting of its own."""

    setting: Setting
    field: str

    def to_wire(self, new: Value, now: Ip4Settings) -> Ip4Settings:
        text = str(new)
        if self.field == "address":
            return dataclasses.replace(now, address=text)
        if self.field == "gateway":
            return dataclasses.replace(now, gateway=text)
        wire = {word: wire for wire, word in self.setting.point.codes.items()}.get(text, text)
        return dataclasses.replace(now, autoconfig=int(_WORDS[wire]))

    def from_wire(self, now: Ip4Settings) -> Value:
        if self.field == "address":
            return now.address
        if self.field == "gateway":
            return now.gateway
        word = "static" if now.autoconfig == Autoconfig.STATIC else "automatic"
        return self.setting.point.codes.get(word, word)

    def check(self, new: Ip4Settings) -> None:
        try:
            self.setting.kind.parse(str(self.from_wire(new)))
        except NotAValue:
            raise Refusal(Status.PARAMETER_OUT_OF_RANGE) from None
        _out_of_range(wrong=new.autoconfig > max(Autoconfig))


def _bind_part(thing: Thing, setting: Setting, name: str, value: Value) -> Binding:
    """Bind one field of the IPv4 settings; the first of them makes the object's properties."""
    part = _Part(setting=setting, field=setting.point.part)
    if part.field not in {"addressing", "address", "gateway"}:
        raise SimulatorError(
            f"{setting.name} is the part {part.field!r}, which IPv4 settings do not have",
            todo="correct the profile",
        )
    if name not in thing.slots:
        blank = Ip4Settings(address="", autoconfig=int(Autoconfig.STATIC))
        thing.offer("Enabled", value=True)
        thing.offer("SystemIoInterfaceName", "control")
        thing.offer("AdaptationIdentifier", "OcaIP4")
        thing.offer("ActiveNetworkSettings", blank)
        thing.offer("NetworkSettingsPending", value=False)
        thing.offer(name, blank, settable=True, check=part.check)
    else:
        slot = thing.slots[name]
        slot.check = _both(slot.check, part.check)
    first = part.to_wire(value, thing.slots[name].value)
    thing.put("ActiveNetworkSettings", first)
    thing.put(name, first)
    return Binding(setting=setting, thing=thing, name=name, to_wire=part.to_wire, from_wire=part.from_wire)


def _both(first: Callable[[Any], None] | None, second: Callable[[Any], None]) -> Callable[[Any], None]:
    def check(value: Any) -> None:
        if first is not None:
            first(value)
        second(value)

    return check
