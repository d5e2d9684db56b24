"""Simulated stations as independent controllers find them.

Source of every check: npm aes70 1.1.16 and PyPI aes70py 1.0.3, two independent controllers. The second one's subscriptions
are broken, so notifications are checked with the first.
"""

import os
from pathlib import Path

import pytest

from interop.wire import HERE, LABEL, PARAMETER_OUT_OF_RANGE, UPTIME, WISHES, Run, run_controller


def _node(request: pytest.FixtureRequest, model: str) -> Run:
    modules: Path = request.getfixturevalue("node_modules")
    return run_controller(model, ["node", str(HERE / "client.js")], {**os.environ, "NODE_PATH": str(modules)})


def _python(request: pytest.FixtureRequest, model: str) -> Run:
    python: Path = request.getfixturevalue("newer_python")
    return run_controller(model, [str(python), str(HERE / "client.py")], os.environ)


CONTROLLERS = {"npm aes70": _node, "PyPI aes70py": _python}


@pytest.fixture(
    scope="module",
    params=[(controller, model) for controller in CONTROLLERS for model in sorted(WISHES)],
    ids=" with ".join,
)
def run(request: pytest.FixtureRequest) -> Run:
    """Run each controller once per model."""
    controller, model = request.param
    return CONTROLLERS[controller](request, model)


@pytest.fixture(scope="module", params=sorted(WISHES))
def notified(request: pytest.FixtureRequest) -> Run:
    """Run the controller that can subscribe once per model."""
    return _node(request, request.param)


def test_browsing_finds_the_profile(run: Run) -> None:
    """Role paths and classes found are those of the profile's settings and actions, and the blocks above them."""
    assert {path: thing["class"] for path, thing in run.seen["objects"].items()} == run.classes()


def test_every_value_is_read_as_the_station_has_it(run: Run) -> None:
    """Each setting and reading comes in the class, type and position name that the mapping says."""
    assert run.seen_values() == run.values()
    assert run.seen_values().get("Service/Uptime", UPTIME) == UPTIME
    assert run.seen["objects"]["Network/Control port"]["value"] == run.network()


def test_what_an_open_session_hands_over_is_read_as_strings(run: Run) -> None:
    """Id and password of a service session that is open come to another controller as two strings."""
    (row,) = (row for row in run.profile.settings.values() if row.hands)
    assert row.show(run.before[row.name]) == "open"
    handed = [run.seen["objects"]["/".join(point.path)]["value"] for point in row.hands.values()]
    assert all(isinstance(one, str) and len(one) >= 6 for one in handed)
    assert len(set(handed)) == len(handed) == 2


def test_names_and_limits_are_those_of_the_profile(run: Run) -> None:
    """Switches name their positions in the profile's order; levels and whole numbers tell min and max."""
    assert run.seen_names_and_limits() == run.names_and_limits()


def test_the_device_manager_tells_who_it_is(run: Run) -> None:
    """Name, serial, model and firmware come from the device manager."""
    assert run.seen["manager"] == {
        "name": run.before["label"],
        "serial": "QS41-0007",
        "model": run.profile.model,
        "version": "2.4.1",
    }


def test_what_is_set_arrives(run: Run) -> None:
    """Every set value is the station's own afterwards, and what the controller reads again."""
    assert run.after == run.wishes()
    assert all(run.before[name] != value for name, value in run.after.items())
    assert {name: told["after"] for name, told in run.sets().items()} == {
        name: told["set"] for name, told in run.sets().items()
    }
    assert run.sets()["label"]["after"] == LABEL


def test_a_value_out_of_range_is_refused(run: Run) -> None:
    """A gain above its maximum is answered with the status that the standard has for it."""
    assert run.seen["beyondRange"] == PARAMETER_OUT_OF_RANGE


def test_the_notification_brings_the_new_value(notified: Run) -> None:
    """A subscriber hears each change once made, as OcaPropertyChangeType 1, current value changed."""
    assert {name: told["heard"] for name, told in notified.sets().items()} == {
        name: {"value": told["set"], "change": 1} for name, told in notified.sets().items()
    }
