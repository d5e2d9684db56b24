"""The units: what systemd itself says of them, and what the readme beside them says."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[2] / "systemd"
UNITS = sorted(FOLDER.glob("*.service"))
ANALYZE = shutil.which("systemd-analyze")
# In the checks of a change nothing is skipped: there systemd has to be installed.
WITH_SYSTEMD = pytest.mark.skipif(
    ANALYZE is None and not os.environ.get("CI"), reason="systemd-analyze is not installed here"
)
# systemd.exec(5) and standards.md E9; each name with what it must be set to, None where the value is looked at elsewhere.
HARDENED = {
    "DynamicUser": "yes",
    "NoNewPrivileges": "yes",
    "ProtectSystem": "strict",
    "ProtectHome": "yes",
    "PrivateTmp": "yes",
    "PrivateDevices": "yes",
    "DevicePolicy": "closed",
    "PrivateUsers": "yes",
    "ProtectKernelTunables": "yes",
    "ProtectKernelModules": "yes",
    "ProtectKernelLogs": "yes",
    "ProtectControlGroups": "yes",
    "ProtectClock": "yes",
    "ProtectHostname": "yes",
    "ProtectProc": "invisible",
    "ProcSubset": "pid",
    "RestrictAddressFamilies": "AF_INET AF_INET6 AF_UNIX",
    "RestrictNamespaces": "yes",
    "RestrictRealtime": "yes",
    "RestrictSUIDSGID": "yes",
    "LockPersonality": "yes",
    "MemoryDenyWriteExecute": "yes",
    "SystemCallArchitectures": "native",
    "CapabilityBoundingSet": "",
    "AmbientCapabilities": "",
    "RemoveIPC": "yes",
    "UMask": "0077",
    "KeyringMode": "private",
    "IPAddressDeny": "any",
}


def rows(unit: Path) -> list[tuple[str, str]]:
    """Give what a unit sets, in order."""
    found = re.findall(r"^(\w+)=(.*)$", unit.read_text("utf-8"), re.MULTILINE)
    return [(str(key), str(value)) for key, value in found]


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Ask systemd-analyze."""
    assert ANALYZE is not None, "install systemd: under CI its absence is a failure"
    return subprocess.run(
        [ANALYZE, *map(str, words)], capture_output=True, text=True, check=False, timeout=60
    )


def test_both_units_are_there() -> None:
    """One for a single agent, and a template for one agent a site."""
    assert [unit.name for unit in UNITS] == ["asleft.service", "asleft@.service"]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_everything_is_taken_away_that_the_agent_does_not_need(unit: Path) -> None:
    """Every setting of the hardening set stands in the unit, once."""
    found = rows(unit)
    assert {key: [value for name, value in found if name == key] for key in HARDENED} == {
        key: [value] for key, value in HARDENED.items()
    }
    assert [value for key, value in found if key == "SystemCallFilter"] == [
        "@system-service",
        "~@privileged @resources",
    ]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_the_agent_is_watched_reloaded_and_stopped_as_it_expects(unit: Path) -> None:
    """Readiness is notified, the watchdog is on, a reload is SIGHUP, and there is more time to end than the agent takes."""
    found = dict(rows(unit))
    assert (found["Type"], found["NotifyAccess"]) == ("notify", "main")
    assert float(found["WatchdogSec"]) >= 10
    assert found["ExecReload"] == "kill -HUP $MAINPID"
    assert float(found["TimeoutStopSec"]) > 5
    assert found["ExecStart"].endswith("/asleft run")


@WITH_SYSTEMD
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_finds_little_exposure(unit: Path) -> None:
    """`systemd-analyze security --offline=true` says at most 2.0 of 10; its threshold counts tenths."""
    done = analyze("security", "--offline=true", "--threshold=20", "--no-pager", unit)
    (level,) = re.findall(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert float(level) <= 2.0
    assert done.returncode == 0, done.stdout


@WITH_SYSTEMD
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_can_read_the_unit(unit: Path, tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say, with a program where the unit looks for one, and with every secret on."""
    program = tmp_path / "asleft"
    program.write_text("#!/bin/sh\n", "utf-8")
    program.chmod(0o755)
    text = unit.read_text("utf-8").replace("/usr/local/bin/asleft", str(program))
    copy = tmp_path / unit.name
    for given in (text, re.sub(r"^#(?=LoadCredential|Environment)", "", text, flags=re.MULTILINE)):
        copy.write_text(given, "utf-8")
        done = analyze("verify", "--man=no", copy)
        assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_the_template_is_the_unit_with_names() -> None:
    """But for the instance's name in its folders and secrets, both units are the same."""
    single, template = (dict.fromkeys(rows(unit)) for unit in UNITS)
    differ = {key for key, _ in single.keys() ^ template.keys()}
    assert differ == {"Description", "Environment", "StateDirectory", "RuntimeDirectory", "WorkingDirectory"}
    assert dict(rows(UNITS[1]))["StateDirectory"] == "asleft-%i"


def test_the_readme_names_what_is_there() -> None:
    """Every setting that the readme explains stands in the unit, and every unit is named in it."""
    said = (FOLDER / "README.md").read_text("utf-8")
    named = set(re.findall(r"`([A-Z]\w+)=", said))
    known = {key for key, _ in rows(UNITS[0])} | {"LoadCredential", "SupplementaryGroups", "Environment"}
    assert len(named) >= 8
    assert named <= known
    assert "asleft.service" in said
    assert "asleft@NAME.service" in said
