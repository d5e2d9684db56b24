"""Profile files: what is shipped, and what is refused."""

import pytest

from asleft.devices.ocp1.classes import class_named, find_property
from asleft.domain.profile import Keeper, Place
from asleft.source.profiles import SHIPPED, read_profile, shipped_folder, shipped_profiles

SOUND = """\
format: asleft-profile-1
title: A station
model: test-station
identity: {serial: unit.serial, model: unit.model, firmware: unit.firmware}
reached-at: network.address
settings:
  network.address:
    meaning: address
    kind: address
    prefixed: yes
    concern: network
    matters: it is looked for there
    place: address
    object: {path: Net, class: OcaNetworkInterface}
  output-{each}.gain:
    meaning: gain of output {each}
    kind: level
    unit: dB
    lowest: -12
    highest: 12
    step: 12
    concern: hearing
    matters: it is louder
    place: level
    louder: higher
    factory: 0 dB
    each: ["1", "2"]
    object: {path: "Out {each}/Gain", class: OcaGain}
  menus:
    meaning: menus
    kind: choice
    values: [open, locked]
    concern: access
    matters: anyone can
    place: access
    opens: open
    object: {path: Menus, class: OcaSwitch}
  dim:
    meaning: brightness
    kind: whole
    lowest: 0
    highest: 100
    concern: comfort
    matters: it is bright
    place: light
    object: {path: Dim, class: OcaUint8Actuator}
  unit.serial: {meaning: serial, kind: reading, kept-by: device, concern: service, object: {class: OcaDeviceManager}}
  unit.model: {meaning: model, kind: reading, kept-by: device, concern: service, object: {class: OcaDeviceManager}}
  unit.firmware: {meaning: firmware, kind: reading, kept-by: device, concern: service, object: {class: OcaDeviceManager}}
"""


def test_a_sound_profile_is_read() -> None:
    """Rows become settings, one for every word of `each`."""
    profile, problems = read_profile("test", "profiles/test.yaml", SOUND.encode())
    assert problems == []
    assert profile is not None
    gains = [name for name in profile.settings if name.startswith("output")]
    assert gains == ["output-1.gain", "output-2.gain"]
    gain = profile.settings["output-2.gain"]
    assert gain.meaning == "gain of output 2"
    assert gain.point.path == ("Out 2", "Gain")
    assert gain.factory == 0.0
    assert profile.suggest("menu") == "did you mean 'menus'?"


@pytest.mark.parametrize(
    "old,new,line,said",
    [
        ("format: asleft-profile-1", "format: asleft-profile-9", 1, "asleft-profile-9"),
        ("title: A station\n", "", 1, "'title' is missing"),
        ("title: A station", "tittle: A station", 2, "'tittle' is not a key"),
        ("serial: unit.serial", "serial: unit.sireal", 4, "'unit.sireal' is no reading"),
        ("serial: unit.serial,", "serial: menus,", 4, "'menus' is no reading"),
        ("reached-at: network.address", "reached-at: menus", 5, "'menus' is no address with a prefix"),
        ("    prefixed: yes\n", "", 5, "is no address with a prefix"),
        ("  menus:\n", "  Menus:\n", 29, "'Menus' is no name for a setting"),
        ("  menus:\n", "  output-1.gain:\n", 29, "'output-1.gain' stands twice"),
        ('each: ["1", "2"]', 'each: ["1", "1"]', 15, "'output-1.gain' stands twice"),
        ("kind: choice", "kind: chioce", 31, "'chioce'"),
        ("values: [open, locked]", "values: [open]", 29, "at least two different values"),
        ("values: [open, locked]", "values: [open, open]", 29, "at least two different values"),
        ("opens: open", "opens: ajar", 36, "'ajar' is not one of the allowed values"),
        (
            "opens: open",
            "hands: {id: {path: Id, class: OcaStringSensor}}",
            36,
            "a setting that lets nobody in",
        ),
        ("opens: open", "louder: higher", 36, "a choice has no higher and lower"),
        ("lowest: -12", "lowest: 12", 15, "a level needs lowest and highest"),
        ("    lowest: -12\n", "", 15, "a level needs lowest and highest"),
        ("lowest: -12", "lowest: .nan", 19, "lowest"),
        ("step: 12", "step: 0", 21, "step"),
        ("step: 12", "step: .inf", 21, "step"),
        ("step: 12", "step: 12\n    tolerance: .inf", 22, "tolerance"),
        ("step: 12", "step: 12\n    tolerance: -1", 22, "tolerance"),
        ("factory: 0 dB", "factory: 1 dB", 26, "between two steps"),
        ("factory: 0 dB", "factory: loud", 26, "'loud' is not a number"),
        ("highest: 100", "highest: -1", 38, "no whole numbers in order"),
        ("highest: 100", "highest: 99.5", 38, "no whole numbers in order"),
        ("    place: level\n", "", 15, "its place in the safe order of writes is missing"),
        ("    matters: it is louder\n", "", 15, "does not say why it matters"),
        ("place: level", "place: levle", 24, "'levle'"),
        ("place: level", "place: light", 24, "a light is only seen"),
        ("place: access", "place: light", 35, "a light is only seen"),
        ("place: light", "place: light\n    heard: yes", 45, "a light is only seen"),
        ("concern: hearing", "concern: hering", 22, "'hering'"),
        ("meaning: brightness", "meaning: ''", 39, "meaning"),
        ("kind: reading, kept-by: device", "kind: reading", 47, "a reading is kept by the device"),
        (
            "concern: access\n",
            "concern: access\n    kept-by: device\n",
            29,
            "a reading is kept by the device",
        ),
        ("class: OcaSwitch", "clas: OcaSwitch", 37, "'settings.menus.object.class' is missing"),
        ("  menus:\n", "  menus: &a\n", 29, "anchor"),
        (
            "    place: access\n    opens",
            "    place: access\n    place: patch\n    opens",
            36,
            "stands twice",
        ),
    ],
)
def test_broken_rows(old: str, new: str, line: int, said: str) -> None:
    """A broken row is told at its line, with what would be right."""
    assert old in SOUND
    text = SOUND.replace(old, new, 1)
    profile, problems = read_profile("test", "profiles/test.yaml", text.encode())
    assert profile is None
    told = [(problem.line, problem.what) for problem in problems if said in problem.what]
    assert told, problems
    assert line in [at for at, _ in told], problems
    assert all(problem.fix and problem.file == "profiles/test.yaml" for problem in problems)


def test_every_broken_row_is_told_at_once() -> None:
    """One wrong row does not hide the next."""
    text = SOUND.replace("factory: 0 dB", "factory: loud").replace("opens: open", "opens: ajar")
    _, problems = read_profile("test", "profiles/test.yaml", text.encode())
    assert {problem.line for problem in problems} == {26, 36}


@pytest.mark.parametrize("name", SHIPPED)
def test_the_shipped_profiles_are_sound(name: str) -> None:
    """What comes with asleft has no problem, and identifies its stations."""
    file = shipped_folder("profiles") / f"{name}.yaml"
    profile, problems = read_profile(name, f"profiles/{name}.yaml", file.read_bytes())
    assert problems == []
    assert profile == shipped_profiles()[name]
    assert profile.model == name
    assert {setting.name for setting in profile.readings()} >= {"unit.serial", "unit.model", "unit.firmware"}
    assert all(
        setting.keeper is Keeper.ESTATE and setting.matters and setting.place for setting in profile.managed()
    )


@pytest.mark.parametrize("name", SHIPPED)
def test_the_shipped_profiles_speak_of_known_classes(name: str) -> None:
    """Every class and property that a shipped setting or action names is one of AES70."""
    profile = shipped_profiles()[name]
    points = [setting.point for setting in profile.settings.values()]
    points += [action.point for action in profile.actions.values()]
    points += [point for setting in profile.settings.values() for point in setting.hands.values()]
    assert len(points) > 20
    for point in points:
        assert find_property(class_named(point.class_name), point.property_name or None)
        assert point.path or point.class_name.endswith("Manager")


@pytest.mark.parametrize("name", SHIPPED)
def test_lights_are_what_is_only_seen(name: str) -> None:
    """The dimming of displays and keys may be written beside a show where an estate says so, and nothing else."""
    lights = {setting.name for setting in shipped_profiles()[name].managed() if setting.place is Place.LIGHT}
    assert lights == {one for one in shipped_profiles()[name].settings if one.endswith("-dim")}
    assert "panel.display-dim" in lights


@pytest.mark.parametrize("name", SHIPPED)
def test_everything_loud_is_known_to_be(name: str) -> None:
    """Each managed level in decibels that is a matter of hearing says which way is louder."""
    levels = [
        setting
        for setting in shipped_profiles()[name].managed()
        if setting.concern == "hearing" and setting.place == "level"
    ]
    assert levels
    assert all(setting.louder and setting.heard for setting in levels)
