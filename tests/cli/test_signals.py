"""The commands about signals: what they say of a small estate, as text, as JSON and as CSV."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from asleft.cli.output import csv_lines
from estates import Told, asleft, commit, git

ESTATE = """\
format: asleft-estate-1
name: Quays
profile: stage-station
occasions: [recording, rehearsal]
checks:
  patch.loop: {level: off, reason: the example wants to see it}
"""
PEOPLE = """\
format: asleft-people-1
people:
  wren-halloway: {name: Wren Halloway, rights: [confirm]}
"""
SITE = """\
format: asleft-site-1
name: The Quay
time-zone: Europe/Berlin
addresses:
  subnet: 127.99.1.0/24
  stations: 127.99.1.10-127.99.1.60
  live: no
reach: {by: ocp1, port: 7310}
patch:
  sources: [Kick, Voice]
  buses: {Vocals: [Voice, From drums]}
  mixes: {Mix 1: [Kick, Vocals], Mix 3: [Vocals]}
  returns: {From drums: {station: drums, pair: network, channels: 33-34}}
  inputs: {drums: Kick}
streams:
  links:
    stage: {speed: 100 Mb/s, stations: [drums, bass]}
recording: {disk-free: 10 GB, hours: 2}
settings:
  mix: {heard: Mix 1}
  outputs: {network: off}
"""
BARE = """\
format: asleft-site-1
name: The Shed
time-zone: Europe/Berlin
addresses:
  subnet: 127.99.2.0/24
  stations: 127.99.2.10-127.99.2.60
  live: no
reach: {by: ocp1, port: 7310}
"""


def occasion(name: str, settings: str) -> str:
    """Write an occasion's file."""
    return f"format: asleft-occasion-1\nmeaning: a {name}\nperformance: no\nsettings: {settings}\n"


def seat(last: int, settings: str, site: int = 1) -> str:
    """Write a station's file."""
    return (
        f"format: asleft-station-1\nserial: QS4{site}-{last}\n"
        f"settings: {{network: {{address: 127.99.{site}.{last}/24}}, label: L{site}{last}, {settings}}}\n"
    )


FILES = {
    "estate.yaml": ESTATE,
    "people.yaml": PEOPLE,
    "sites/quay/site.yaml": SITE,
    "sites/quay/stations/drums.yaml": seat(
        11, "mix: {heard: Mix 3}, outputs: {network: local input}, input: {joins-mix: on}"
    ),
    "sites/quay/stations/bass.yaml": seat(12, "mix: {heard: Mix 1}"),
    "sites/shed/site.yaml": BARE,
    "sites/shed/stations/organ.yaml": seat(11, "mix: {heard: Mix 5}", site=2),
    "occasions/recording.yaml": occasion("recording", "{outputs: {network: room microphones}}"),
    "occasions/rehearsal.yaml": occasion("rehearsal", "{outputs: {network: mix after fader}}"),
}


@pytest.fixture
def made(tmp_path: Path) -> Callable[..., Path]:
    """Give a maker of a small estate's repository, in which some files can be other than usual."""

    def make(**changed: str) -> Path:
        for path, text in {**FILES, **changed}.items():
            file = tmp_path / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, "utf-8")
        git(tmp_path, "init", "--quiet", "--initial-branch=main")
        commit(tmp_path, "Approve the quay")
        return tmp_path

    return make


def document(told: Told) -> dict[str, Any]:
    """Read the one JSON document that a command gave."""
    value = json.loads(told.out)
    assert isinstance(value, dict)
    assert value["version"] == 1
    return value


def test_the_patch_of_a_site(made: Callable[..., Path]) -> None:
    """Each mix stands with what feeds it and who hears it, each return with what it brings, and what is freed."""
    told = asleft("patch", "quay", "--estate", made())
    assert (told.code, told.err) == (0, "")
    lines = [" ".join(line.split()) for line in told.out.splitlines()]
    assert "Mix 1 Kick, Vocals bass" in lines
    assert "Mix 3 Vocals drums" in lines
    assert "Vocals Voice, From drums" in lines
    assert "From drums network pair of drums local input 33-34 Vocals" in lines
    assert "drums Kick" in lines
    assert (
        "Sources that go over the network free 2 channels of the stage boxes (two a stereo source)." in lines
    )
    assert lines[-1] == "No signal comes back to where it was."


def test_the_patch_as_json(made: Callable[..., Path]) -> None:
    """The same as one document, for programs."""
    found = document(asleft("patch", "quay", "--estate", made(), "--json"))
    assert found["schema"] == "asleft-patch"
    assert found["mixes"] == {
        "Mix 1": {"fed-by": ["Kick", "Vocals"], "heard-at": ["bass"]},
        "Mix 3": {"fed-by": ["Vocals"], "heard-at": ["drums"]},
    }
    assert found["returns"] == {
        "From drums": {
            "station": "drums",
            "pair": "network",
            "channels": [33, 34],
            "sends": "input",
            "feeds": ["Vocals"],
        }
    }
    assert (found["freed_channels"], found["loops"], found["declared"]) == (2, [], True)


def test_a_loop_on_an_occasion(made: Callable[..., Path]) -> None:
    """A patch that is well as a rule can go in a loop on an occasion; its path is told, and the exit code says so."""
    folder = made()
    told = asleft("patch", "quay", "--estate", folder, "--occasion", "rehearsal")
    assert told.code == 4
    way = "Mix 3 → heard at drums → network pair of drums → return From drums → bus Vocals → Mix 3"
    assert f"A signal comes back to where it was:\n  {way}\n" in told.out
    found = document(asleft("patch", "quay", "--estate", folder, "--occasion", "rehearsal", "--json"))
    assert [" → ".join([*loop["path"], loop["path"][0]]) for loop in found["loops"]] == [way]


def test_a_site_that_declares_nothing(made: Callable[..., Path]) -> None:
    """Without a patch the stations' own mixes are told; without a network, what one stream takes."""
    folder = made()
    told = asleft("patch", "shed", "--estate", folder)
    assert told.code == 0
    assert told.out.startswith("sites/shed/site.yaml declares no patch")
    assert "Mix 5  not declared  organ" in told.out
    assert asleft("streams", "shed", "--estate", folder).out.startswith(
        "sites/shed/site.yaml declares no network"
    )


def test_the_streams_of_a_site(made: Callable[..., Path]) -> None:
    """Both directions of a link stand by themselves (366 bytes on the wire: RFC 3190, 3550, 768, 791, IEEE 802.3)."""
    folder = made()
    told = asleft("streams", "quay", "--estate", folder)
    assert (told.code, told.err) == (0, "")
    assert (
        "288 bytes of audio in a frame of 346, 366 on the wire, 1000 packets a second: 2.928 Mb/s" in told.out
    )
    lines = [" ".join(line.split()) for line in told.out.splitlines()]
    assert "stage to stations 2 5.9 % 75.0 % 23" in lines
    assert "from stations 1 2.9 % 75.0 % 24" in lines
    found = document(asleft("streams", "quay", "--estate", folder, "--occasion", "recording", "--json"))
    assert found["links"]["stage"]["from-stations"] == {"streams": 2, "share": 0.05856, "more": 23}
    assert found["stream"]["wire-bits-per-second"] == 2_928_000


def test_the_track_list(made: Callable[..., Path]) -> None:
    """The tracks are those of the recording's occasion, which is stronger than a station's own file (RIFF sizes: EBU Tech 3285)."""
    told = asleft("recording", "quay", "--estate", made())
    assert (told.code, told.err) == (0, "")
    lines = [" ".join(line.split()) for line in told.out.splitlines()]
    assert "1 bass room microphones 01-bass.wav 1-2" in lines
    assert "2 drums room microphones 02-drums.wav 1-2" in lines
    assert "2 stereo pairs in 2 files, 24 bits, 48000 Hz: 2.07 GB an hour." in lines
    assert "Each file reaches 4 GiB after 4:08:33; beyond that it has to be RF64, or split." in lines
    assert "The disk is full after 4:49:21." in lines
    assert "After the planned 2 h 5.85 GB are left." in lines


def test_one_file_for_all_tracks(made: Callable[..., Path]) -> None:
    """Where all tracks go into one file, each has its channels in it."""
    site = SITE.replace("hours: 2}", "hours: 2, files: one}")
    told = asleft("recording", "quay", "--estate", made(**{"sites/quay/site.yaml": site}), "--json")
    found = document(told)
    assert [(track["file"], track["channels"]) for track in found["tracks"]] == [
        ("01-quay.wav", [1, 2]),
        ("01-quay.wav", [3, 4]),
    ]
    assert (found["files"], found["bytes-per-hour"], found["disk-left"]) == (1, 2_073_600_000, 5_852_800_000)


def test_the_track_list_as_csv(made: Callable[..., Path]) -> None:
    """Each row ends with CR and LF, and all have as many cells as the heading (RFC 4180 section 2)."""
    told = asleft("recording", "quay", "--estate", made(), "--csv")
    assert told.out.endswith("\r\n")
    assert told.out.count("\r\n") == told.out.count("\n") == told.out.count("\r") == 3
    assert list(csv.reader(io.StringIO(told.out, newline=""))) == [
        ["track", "station", "sends", "mix", "file", "first channel", "last channel"],
        ["1", "bass", "room microphones", "", "01-bass.wav", "1", "2"],
        ["2", "drums", "room microphones", "", "02-drums.wav", "1", "2"],
    ]


def test_cells_that_a_spreadsheet_would_reckon_with() -> None:
    """What begins like a formula gets an apostrophe; commas and quotes are quoted (RFC 4180 section 2)."""
    assert csv_lines([("=1+1", "+a", "-b", "@c", "d=")]) == ["'=1+1,'+a,'-b,'@c,d=\r"]
    assert csv_lines([("a,b", 'say "go"', "\r\n")]) == ['"a,b","say ""go""",\\r\\n\r']


def test_a_recording_of_nothing(made: Callable[..., Path]) -> None:
    """Without a station that sends anything there is a sentence, and a list with its heading alone."""
    folder = made()
    told = asleft("recording", "shed", "--estate", folder)
    assert told.code == 0
    assert "01-organ.wav" in told.out  # the occasion is the estate's own, and has every pair send
    quiet = made(**{"occasions/recording.yaml": occasion("recording", "{outputs: {network: off}}")})
    told = asleft("recording", "shed", "--estate", quiet)
    assert "no station sends anything over its network pair: nothing to record" in told.out
    assert asleft("recording", "shed", "--estate", quiet, "--csv").out.count("\r\n") == 1
    assert document(asleft("recording", "shed", "--estate", quiet, "--json"))["tracks"] == []


def test_an_occasion_that_is_not_there(made: Callable[..., Path]) -> None:
    """An occasion that the estate does not have is refused, in the recording's row and on the command line."""
    site = SITE.replace("recording: {", "recording: {occasion: matinee, ")
    told = asleft("recording", "quay", "--estate", made(**{"sites/quay/site.yaml": site}))
    assert (told.code, told.out) == (4, "")
    assert "no occasion 'matinee'" in told.err
    folder = made()
    told = asleft("streams", "quay", "--estate", folder, "--occasion", "rehersal")
    assert told.code == 2
    assert "did you mean 'rehearsal'?" in " ".join(told.err.split())


def test_wrong_usage(made: Callable[..., Path]) -> None:
    """A site that does not exist, and two forms at once, are wrong usage, told in a sentence."""
    folder = made()
    for command in ("patch", "streams", "recording"):
        told = asleft(command, "quai", "--estate", folder)
        assert (told.code, told.out) == (2, "")
        assert "there is no site 'quai'" in told.err
        assert "did you mean 'quay'?" in told.err
    assert asleft("recording", "quay", "--estate", folder, "--csv", "--json").code == 2
