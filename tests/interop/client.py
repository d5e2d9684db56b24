"""Browse, read and set a station with PyPI aes70py 1.0.3, and print what it saw as one JSON document.

Usage: python client.py HOST PORT '[["Role/Path", value], …]', with a Python that has aes70py. An empty path is the device
manager's name; the value of a switch is the name of a position. The package's subscriptions do not work (aes70.md section
11), so what was set is read again instead.
"""

import asyncio
import functools
import json
import os
import sys
import traceback
from importlib import import_module
from typing import Any, Final

# The package is not installed where the checks of types run.
CONTROLLER: Final = import_module("aes70.controller.remote_device")
TCP: Final = import_module("aes70.controller.tcp_connection")
ROOT: Final = import_module("aes70.controller.control_classes.ocaroot")
MAKE: Final = import_module("aes70.controller.make_control_class")
ERRORS: Final = import_module("aes70.controller.remote_error")
ARGUMENTS: Final = import_module("aes70.controller.arguments")
MUTE: Final = import_module("aes70.types.ocamutestate")
BLOB: Final = import_module("aes70.ocp1.ocablob").OcaBlob
STRING: Final = import_module("aes70.ocp1.ocastring").OcaString
BYTE: Final = import_module("aes70.ocp1.ocauint8").OcaUint8

PATIENCE: Final = 20.0

# AES70-2023 class, which a package of AES70-2018 does not know.
INTERFACE: Final = MAKE.make_control_class(
    "OcaNetworkInterface",
    2,
    "\u0001\u0006",
    1,
    ROOT.OcaRoot,
    [["GetTargetNetworkSettings", 2, 15, [], [BLOB]]],
    [],
    [],
)

MAIN_PROPERTY: Final = {
    "OcaSwitch": "Position",
    "OcaGain": "Gain",
    "OcaMute": "State",
    "OcaBooleanActuator": "Setting",
    "OcaUint8Actuator": "Setting",
    "OcaStringActuator": "Setting",
    "OcaStringSensor": "String",
    "OcaIdentificationActuator": "Active",
    "OcaUint32Sensor": "Reading",
    "OcaFloat32Sensor": "Reading",
    "OcaNetworkInterface": "TargetNetworkSettings",
    "OcaDeviceManager": "DeviceName",
}


def plain(value: Any) -> Any:
    """Give a value as JSON can hold it."""
    if isinstance(value, ARGUMENTS.Arguments):
        return [plain(item) for item in value.values]
    return value.value if isinstance(value, MUTE.OcaMuteState) else value


def ip4_settings(blob: bytes) -> dict[str, Any]:
    """Read the fields of OcaIP4NetworkSettings up to the gateway."""
    data, at, fields = bytearray(blob), 0, []
    for kind in (STRING, BYTE, STRING, STRING):
        at, field = kind.decode_from(data, at)
        fields.append(field)
    return {"address": fields[0], "autoconfig": fields[1], "gateway": fields[3]}


async def read(thing: Any) -> dict[str, Any]:
    """Read an object's main property, and the names of a switch."""
    kind = thing.ClassName
    if kind == "OcaBlock":
        return {"class": kind}
    whole = plain(await getattr(thing, f"Get{MAIN_PROPERTY[kind]}")())
    if kind == "OcaNetworkInterface":
        return {"class": kind, "value": ip4_settings(whole)}
    if not isinstance(whole, list):
        return {"class": kind, "value": whole}
    seen = {"class": kind, **dict(zip(("value", "min", "max"), whole, strict=False))}
    if kind == "OcaSwitch":
        seen["names"] = await thing.GetPositionNames()
        seen["name"] = await thing.GetPositionName(seen["value"])
    return seen


async def set_and_read(thing: Any, value: Any) -> dict[str, Any]:
    """Set an object's main property and read it again."""
    kind = thing.ClassName
    wanted = value
    if kind == "OcaSwitch":
        _, least, _ = plain(await thing.GetPosition())
        wanted = least + (await thing.GetPositionNames()).index(value)
    await getattr(thing, f"Set{MAIN_PROPERTY[kind]}")(
        MUTE.OcaMuteState(value) if kind == "OcaMute" else wanted
    )
    return {"set": wanted, "after": (await read(thing))["value"]}


async def status_beyond_range(things: dict[str, Any]) -> int:
    """Set a gain to more than it takes and give the status of the answer."""
    gain = next(thing for thing in things.values() if thing.ClassName == "OcaGain")
    _, _, most = plain(await gain.GetGain())
    try:
        await gain.SetGain(most + 1)
    except ERRORS.RemoteError as error:
        status = error.status
        return int(getattr(status, "value", status))
    return 0


async def main(host: str, port: int, wishes: list[tuple[str, Any]]) -> dict[str, Any]:
    """Do it all over one connection."""
    device = CONTROLLER.RemoteDevice(TCP.connect(host=host, port=port))
    device.add_control_classes([INTERFACE])
    manager = device.DeviceManager
    description = await manager.GetModelDescription()
    things = await device.get_role_map("/")
    return {
        "manager": {
            "name": await manager.GetDeviceName(),
            "serial": await manager.GetSerialNumber(),
            "model": description.Name,
            "version": description.Version,
        },
        "objects": {path: await read(thing) for path, thing in things.items()},
        "sets": {
            path: await set_and_read(things[path] if path else manager, value) for path, value in wishes
        },
        "beyondRange": await status_beyond_range(things),
    }


if __name__ == "__main__":
    work = functools.partial(main, sys.argv[1], int(sys.argv[2]), json.loads(sys.argv[3]))
    code = 1
    try:
        document = asyncio.run(asyncio.wait_for(work(), PATIENCE))
        sys.stdout.write(json.dumps(document) + "\n")
        code = 0
    except Exception:  # noqa: BLE001 whatever it is, the test shows it
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        # The package's reading thread does not end with its connection.
        os._exit(code)
