"""A large invented estate, for measuring."""

import socket
import subprocess
from pathlib import Path

__all__ = ["approve", "plant_large", "put_in_a_pack"]

_PER_SITE = 100
_ESTATE = """format: asleft-estate-1
name: Measured estate
profile: stage-station
settings:
  network: {addressing: static}
  tone: {preset: flat}
  headphones: {gain: 0 dB, limiter: on, limiter-level: -6 dB}
  room: {microphones: off, lift: 0 dB}
  input: {gain: 0 dB, joins-mix: off}
  outputs: {network: off, line: off, network-follows-mix: off}
  panel: {menus: locked, pages: groups only, raise-unmutes: off, groups: by offset, display-dim: 40 %, key-dim: 40 %}
  service: {log-detail: normal, remote-session: closed}
"""


def plant_large(folder: Path, stations: int) -> int:
    """Make a repository of an estate of so many stations, 100 a site; give the port that all of them use."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    folder.mkdir(parents=True)
    (folder / "estate.yaml").write_text(_ESTATE)
    (folder / "people.yaml").write_text(
        "format: asleft-people-1\npeople:\n  wren-halloway: {name: Wren Halloway, rights: [confirm]}\n"
    )
    for number in range(stations):
        site, at = divmod(number, _PER_SITE)
        home = folder / "sites" / f"site-{site}"
        block = f"127.{21 + site // 256}.{site % 256}"
        if at == 0:
            (home / "stations").mkdir(parents=True)
            (home / "site.yaml").write_text(
                f"format: asleft-site-1\nname: Site {site}\ntime-zone: Europe/Berlin\n"
                f"addresses: {{live: no, subnet: {block}.0/24, stations: {block}.10-{block}.200}}\n"
                f"reach: {{by: ocp1, port: {port}}}\nsettings:\n  network: {{gateway: {block}.1}}\n"
            )
        (home / "stations" / f"s{at}.yaml").write_text(
            f"format: asleft-station-1\nserial: M-{number:05d}\nsettings:\n  label: Station {at}\n"
            f"  network: {{address: {block}.{10 + at}/24}}\n  mix: {{heard: Mix {at % 16 + 1}}}\n"
        )
    subprocess.run(["git", "init", "-q", "-b", "main", str(folder)], check=True)
    approve(folder, "Approve")
    return port


def approve(folder: Path, subject: str) -> None:
    """Commit all that stands in a repository."""
    who = ("-c", "user.name=Measure", "-c", "user.email=measure@quillfen.example")
    git = ["git", "-C", str(folder), *who, "-c", "gc.auto=0"]  # none that goes on while it is cloned
    subprocess.run([*git, "add", "-A"], check=True)
    subprocess.run([*git, "commit", "-q", "-m", subject], check=True)


def put_in_a_pack(folder: Path) -> None:
    """Have a repository's objects stand in one pack, as they come from a remote (git-fetch(1)), and not each in a file."""
    subprocess.run(["git", "-C", str(folder), "repack", "-a", "-d", "-q"], check=True)
