"""The managers of a simulated station: who it is, and the numbers at which every controller looks for that.

Source: aes70.md section 5 (fixed numbers), 6 (OcaDeviceManager, OcaFirmwareManager, OcaNetworkManager).
"""

import re
from typing import Final

from asleft.devices.ocp1.codec import Ono
from asleft.devices.ocp1.structures import ManagerDescriptor, ModelDescription, ModelGuid, Version
from asleft.simulator.objects import CLASS_VERSION
from asleft.simulator.subscribing import offer_subscriptions
from asleft.simulator.table import Table

__all__ = ["add_managers"]

OCA_VERSION: Final = 2
"""AES70-2018 (section 6, OcaDeviceManager)."""

OPERATIONAL: Final = 1
COMPONENT: Final = 1
_NUMBER = re.compile(r"[0-9]{1,9}")
_MANAGERS: Final = (
    (Ono.DEVICE_MANAGER, "OcaDeviceManager", "Device manager"),
    (Ono.FIRMWARE_MANAGER, "OcaFirmwareManager", "Firmware manager"),
    (Ono.SUBSCRIPTION_MANAGER, "OcaSubscriptionManager", "Subscription manager"),
    (Ono.NETWORK_MANAGER, "OcaNetworkManager", "Network manager"),
)


def add_managers(table: Table, *, model_name: str, serial: str, firmware: str) -> None:
    """Have the managers of a station that say who it is, and the one that takes subscriptions."""
    for ono, class_name, role in _MANAGERS:
        table.manager(ono, class_name, role, lockable=ono == Ono.DEVICE_MANAGER)
    device = table.things[Ono.DEVICE_MANAGER]
    managers = tuple(
        ManagerDescriptor(
            ono=ono, name=role, class_id=table.things[ono].control.class_id, version=CLASS_VERSION
        )
        for ono, _, role in _MANAGERS
    )
    description = ModelDescription(manufacturer="asleft simulator", name=model_name, version=firmware)
    # The number names the model only, so any that differs between models will do.
    number = sum(model_name.encode()).to_bytes(4, "big")
    device.offer("OcaVersion", OCA_VERSION)
    device.offer("ModelGUID", ModelGuid(manufacturer=b"\xfa\x2e\xe9", model=number))
    device.offer("SerialNumber", serial)
    device.offer("DeviceName", "", settable=True)
    device.offer("ModelDescription", description)
    device.offer("Enabled", value=True)
    device.offer("State", OPERATIONAL)
    device.offer("Managers", managers)
    device.offer("DeviceRevisionID", firmware)
    numbers = [int(each) for each in _NUMBER.findall(firmware)[:3]]
    major, minor, build = numbers + [0] * (3 - len(numbers))
    version = Version(major=major, minor=minor, build=build, component=COMPONENT)
    table.things[Ono.FIRMWARE_MANAGER].offer("ComponentVersions", (version,))
    network = table.things[Ono.NETWORK_MANAGER]
    for name in ("Networks", "StreamNetworks", "ControlNetworks", "MediaTransportNetworks"):
        network.offer(name, ())
    offer_subscriptions(table.things[Ono.SUBSCRIPTION_MANAGER])
