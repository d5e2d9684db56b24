"""What an independent controller must see of a station, from its profile alone. Sources: aes70.md sections 4, 6 and 10."""

import asyncio
import json
import random
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from asleft.domain.kinds import Choice, Kind, Level, Switch, Text, Value, Whole
from asleft.domain.profile import Profile, Setting
from asleft.simulator.fleet import Fleet, FleetThread, can_use_loopback_range
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

HERE: Final = Path(__file__).parent
UPTIME: Final = 4711
PATIENCE: Final = 60.0
PARAMETER_OUT_OF_RANGE: Final = 7
"""OcaStatus, AES70 framework data types (aes70.md section 4)."""

# Letters of one, two, three and four bytes: OcaString counts code points, not bytes (aes70.md section 3).
LABEL: Final = "K\u00e9ys \u266a\U0001d11e"

WISHES: Final[Mapping[str, Mapping[str, Value]]] = {
    "stage-station": {
        "label": LABEL,
        "mix.heard": "Mix 12",
        "headphones.limiter": False,
        "headphones.limiter-level": -6.0,
        "panel.display-dim": 15,
        "panel.menus": "open",
    },
    "headphone-distributor": {
        "label": LABEL,
        "output-3.gain": -6.0,
        "output-5.mute": False,
        "output-2.limiter": False,
        "output-8.volume": -33.5,
        "panel.menus": "open",
    },
}
"""What the controller sets, by profile; each differs from what the station begins with."""


def _beginning(kind: Kind) -> Value | None:
    match kind:
        case Choice(values=words):
            return words[min(2, len(words) - 1)]
        case Switch():
            return True
        case Level(highest=highest, step=step):
            return highest - step
        case Whole():
            return 37
        case Text():
            return "Gr\u00fcn 3"
        case _:
            return None


def _wire(setting: Setting, value: Value) -> Any:
    """Give a value as the class of the mapping carries it; of a switch, the name of the position."""
    match setting.point.class_name:
        case "OcaSwitch":
            return setting.kind.show(value)
        case "OcaMute":
            return 1 if value else 2
        case "OcaBooleanActuator" if setting.point.codes:
            return {"true": True, "false": False}[
                next(wire for wire, word in setting.point.codes.items() if word == value)
            ]
        case _:
            return value


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """One run of a controller against one station.

    Args:
        profile: The station's model.
        address: Where it stood.
        before: Settings by name, as the station had them before.
        seen: The controller's document.
        after: The settings that it set, as the station had them afterwards.
    """

    profile: Profile
    address: str
    before: Mapping[str, Value]
    seen: Mapping[str, Any]
    after: Mapping[str, Value]

    def classes(self) -> dict[str, str]:
        """Give role path to class of every object that the profile names, and of the blocks above them."""
        points = [row.point for row in self.profile.settings.values()]
        points += [row.point for row in self.profile.actions.values()]
        points += [point for row in self.profile.settings.values() for point in row.hands.values()]
        wanted = {"/".join(point.path): point.class_name for point in points if point.path}
        blocks = {
            "/".join(point.path[:end]): "OcaBlock" for point in points for end in range(1, len(point.path))
        }
        return blocks | wanted

    def values(self) -> dict[str, Any]:
        """Give role path to value of every setting and reading that has a path, as the mapping says."""
        rows = [row for row in self.profile.settings.values() if row.point.path and not row.point.part]
        return {"/".join(row.point.path): _wire(row, self.before[row.name]) for row in rows}

    def seen_values(self) -> dict[str, Any]:
        """Give the same as the controller saw it."""
        objects = self.seen["objects"]
        return {path: objects[path].get("name", objects[path].get("value")) for path in self.values()}

    def names_and_limits(self) -> dict[str, Any]:
        """Give names by position of every switch, and min and max of every level and whole number."""
        wanted: dict[str, Any] = {}
        for row in self.profile.settings.values():
            path, kind = "/".join(row.point.path), row.kind
            if row.point.class_name == "OcaSwitch" and isinstance(kind, Choice):
                wanted[path] = list(kind.values)
            elif row.point.class_name == "OcaSwitch" and isinstance(kind, Level):
                count = round((kind.highest - kind.lowest) / kind.step) + 1
                wanted[path] = [kind.show(kind.lowest + at * kind.step) for at in range(count)]
            elif isinstance(kind, Level | Whole):
                wanted[path] = [kind.lowest, kind.highest]
        return wanted

    def seen_names_and_limits(self) -> dict[str, Any]:
        """Give the same as the controller saw it; the name at the read position must be the one in the list."""
        found: dict[str, Any] = {}
        for path in self.names_and_limits():
            thing = self.seen["objects"][path]
            if "names" in thing:
                assert thing["names"][thing["value"] - thing["min"]] == thing["name"]
                found[path] = thing["names"]
            else:
                found[path] = [thing["min"], thing["max"]]
        return found

    def network(self) -> dict[str, Any]:
        """Give the fields of OcaIP4NetworkSettings; autoconfig 0 is a static address (aes70.md section 6)."""
        return {
            "address": self.before["network.address"],
            "autoconfig": 0,
            "gateway": self.before["network.gateway"],
        }

    def wishes(self) -> Mapping[str, Value]:
        """Give what was to be set, by name."""
        return WISHES[self.profile.model]

    def sets(self) -> Mapping[str, Any]:
        """Give what the controller says of each set, by setting."""
        return {
            name: self.seen["sets"]["/".join(self.profile.settings[name].point.path)]
            for name in self.wishes()
        }


def run_controller(model: str, command: list[str], environment: Mapping[str, str]) -> Run:
    """Stand one station up, away from factory state, and run a controller against it."""
    profile = shipped_profiles()[model]
    ranged = can_use_loopback_range()
    pick = random.SystemRandom().randrange
    address = f"127.31.{pick(1, 250)}.{pick(2, 250)}" if ranged else "127.0.0.1"
    values = {
        row.name: value for row in profile.settings.values() if (value := _beginning(row.kind)) is not None
    }
    values |= {
        "network.addressing": "static",
        "mix.heard": "Mix 3",
        "service.errors": 3,
        "service.temperature": 40.5,
    }
    now = [100.0]
    station = Station(
        profile=profile,
        serial="QS41-0007",
        firmware="2.4.1",
        address=address,
        port=0,
        values=values,
        clock=lambda: now[0],
        moves=ranged,
    )
    wishes = [
        ("/".join(profile.settings[name].point.path), _wire(profile.settings[name], value))
        for name, value in WISHES[profile.model].items()
    ]

    async def all_of(names: list[str]) -> dict[str, Value]:
        await asyncio.sleep(0)
        return {name: station.get(name) for name in names}

    with FleetThread(Fleet({"hall/one": station})) as thread:
        now[0] += UPTIME
        before = thread.call(all_of, list(profile.settings))
        assert values.items() <= before.items()
        done = subprocess.run(
            [*command, station.address, str(station.port), json.dumps(wishes)],
            capture_output=True,
            check=False,
            encoding="utf-8",
            env=dict(environment),
            timeout=PATIENCE,
        )
        after = thread.call(all_of, list(WISHES[profile.model]))
    assert done.returncode == 0, done.stderr
    return Run(profile=profile, address=address, before=before, seen=json.loads(done.stdout), after=after)
