"""The schemas for editors: fresh, valid, and of one mind with the check."""

import json
import re
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BeforeValidator, PlainValidator
from ruamel.yaml import YAML

from asleft.domain.names import is_name
from asleft.source import schemas
from asleft.source.documents import read_document
from asleft.source.files.parts import Name, Part, SettingTree, validate
from asleft.source.profiles import shipped_folder
from asleft.source.schemas import KINDS, schema_of, schema_text, write_schemas

SHARED = Path(__file__).resolve().parents[2] / "shared" / "schemas"
PLACES = (
    ("estate", re.compile(r"estate\.yaml")),
    ("people", re.compile(r"people\.yaml")),
    ("concessions", re.compile(r"concessions\.yaml")),
    ("role", re.compile(r"roles/[^/]+\.yaml")),
    ("occasion", re.compile(r"occasions/[^/]+\.yaml")),
    ("site", re.compile(r"sites/[^/]+/site\.yaml")),
    ("station", re.compile(r"sites/[^/]+/stations/[^/]+\.yaml")),
    ("profile", re.compile(r"[^/]+-(?:station|distributor)\.yaml")),
)
SHIPPED = [
    (kind, file)
    for folder in (shipped_folder("estate"), shipped_folder("profiles"))
    for file in sorted(folder.rglob("*.yaml"))
    for kind, place in PLACES
    if place.fullmatch(file.relative_to(folder).as_posix())
]
SITE = """
format: asleft-site-1
name: Quillfen Hall
time-zone: Europe/Berlin
addresses: {subnet: 127.20.1.0/24, stations: 127.20.1.10-127.20.1.60}
reach: {by: ocp1, port: 7310}
"""
FULL_SITE = """
format: asleft-site-1
name: Quillfen Hall
time-zone: Europe/Berlin
addresses:
  subnet: 127.20.1.0/24
  gateway: 127.20.1.1
  stations: 127.20.1.10-127.20.1.60
  reserved: {mixers and stage boxes: 127.20.1.2-127.20.1.9}
  router: house
  live: no
reach: {by: ocp1, port: 7310}
patch:
  sources: [Kick, Lead voice]
  buses: {Drums: [Kick]}
  mixes: {Mix 1: [Drums, Lead voice, From drums]}
  returns: {From drums: {station: drums, pair: network, channels: 33-34}}
  inputs: {drums: Kick, bass: {station: drums, pair: line}}
streams:
  sample-rate: 48000
  bits: 24
  packet-time: 1 ms
  vlan: no
  share: 75 %
  links: {stage to control: {speed: 1 Gb/s, stations: [drums, bass]}}
recording: {occasion: recording, disk-free: 500 GB, hours: 3, files: one, sample-rate: 48000, bits: 24}
hearing: {sensitivity: 110 dB/mW, impedance: 16 ohm, voltage: 1 V, source-impedance: 10 ohm}
"""
FULL_ESTATE = """
format: asleft-estate-1
name: Quillfen Stages Trust
profile: stage-station
limits: {level: 118 dB, allowed-time: 5 min}
occasions: [performance, recording, rehearsal]
checks: {address.documentation: {level: off, reason: an example needs them}}
approval: signed
"""
CONCESSIONS = """
format: asleft-concessions-1
concessions:
  late-rig:
    setting: panel.menus
    value: open
    where: [quillfen-hall, tarnwick-yard/bass]
    holder: idris-quill
    reason: the rig is still being set up
    until: 2026-12-31
"""
OCCASION = (
    "format: asleft-occasion-1\nmeaning: A performance\nperformance: yes\nsettings: {panel: {key-dim: 10}}\n"
)
STATION = "format: asleft-station-1\n"
PEOPLE = "format: asleft-people-1\npeople: {wren-halloway: {name: Wren Halloway, rights: [look]}}\n"


def as_editor(text: str, *, version: str = "1.2") -> Any:
    """Read YAML as an editor does, with YAML's own types: by version 1.2 or 1.1; a date is text in JSON."""
    if version == "1.1":
        return json.loads(json.dumps(yaml.safe_load(text), default=str))
    return json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))


@cache
def validator(kind: str) -> Draft202012Validator:
    """Give what checks by a schema, made once: each makes the shipped profiles be read."""
    return Draft202012Validator(schema_of(kind))


def marked(kind: str, tree: Any) -> list[str]:
    """Give what an editor would mark as wrong."""
    return [error.message for error in validator(kind).iter_errors(tree)]


def refused(kind: str, text: str) -> bool:
    """Tell whether the check refuses a file."""
    document, problems = read_document("a.yaml", text.encode())
    assert document is not None
    assert problems == []
    return validate(KINDS[kind], document)[0] is None


@pytest.mark.parametrize("kind", KINDS)
def test_the_shared_schemas_are_fresh(kind: str) -> None:
    """shared/schemas holds what the models give now; `python -m asleft.source.schemas shared/schemas` renews it."""
    assert (SHARED / f"{kind}.json").read_text("utf-8") == schema_text(kind)


def test_all_are_written_and_nothing_else_lies_there(tmp_path: Path) -> None:
    """Each kind has one file, in a new folder as in shared/schemas."""
    write_schemas(tmp_path / "new")
    names = {f"{kind}.json" for kind in KINDS}
    assert {file.name for file in (tmp_path / "new").iterdir()} == names
    assert {file.name for file in SHARED.iterdir()} == names


@pytest.mark.parametrize("kind", KINDS)
def test_each_is_a_schema(kind: str) -> None:
    """Every schema is valid by the meta-schema of draft 2020-12, names itself, and has no reference into nothing."""
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"asleft:schema/{kind}-1"
    assert schema["title"].endswith(".yaml")
    named = set(re.findall(r'"\$ref": "#/\$defs/([^"]+)"', schema_text(kind)))
    assert named == schema.get("$defs", {}).keys()


def test_every_kind_of_file_is_among_the_shipped_ones() -> None:
    """The test below sees the files that come with asleft, of each kind that they have."""
    assert {kind for kind, _ in SHIPPED} >= {"estate", "people", "role", "site", "station", "profile"}


@pytest.mark.parametrize("version", ["1.1", "1.2"])
@pytest.mark.parametrize("kind,file", SHIPPED, ids=[f"{kind}:{file.name}" for kind, file in SHIPPED])
def test_an_editor_marks_nothing_in_a_shipped_file(kind: str, file: Path, version: str) -> None:
    """What asleft takes does not show as wrong, whichever version of YAML an editor types scalars by."""
    assert marked(kind, as_editor(file.read_text("utf-8"), version=version)) == []


@pytest.mark.parametrize(
    "kind,text",
    [
        ("site", SITE.replace("port: 7310", "port: '7310'")),
        ("site", FULL_SITE),
        ("site", FULL_SITE.replace("files: one", "files: a pair").replace("vlan: no", "vlan: yes")),
        ("estate", FULL_ESTATE),
        ("concessions", CONCESSIONS),
        ("occasion", OCCASION),
        ("site", SITE + "settings: {panel: {menus: locked, key-dim: 40, groups: null}, own: {thing: on}}\n"),
        ("site", SITE.replace("Quillfen Hall", "1904")),
        ("station", STATION + "serial: 2114\n"),
        ("station", STATION + "serial: yes\nrole: null\nsettings: {headphones: {gain: 12, limiter: yes}}\n"),
        (
            "estate",
            "format: asleft-estate-1\nname: on\nprofile: a\nfirmware: {a: [2.4]}\nsettings: {room: null}\n",
        ),
    ],
)
def test_scalars_may_be_typed_as_an_editor_likes(kind: str, text: str) -> None:
    """Numbers and switches stand where the check takes text, text where it takes a number."""
    assert not refused(kind, text)
    assert marked(kind, as_editor(text, version="1.1")) == []
    assert marked(kind, as_editor(text, version="1.2")) == []


@pytest.mark.parametrize(
    "kind,text",
    [
        ("site", SITE.replace("reach:", "reech:")),
        ("site", SITE.replace("by: ocp1", "by: guess")),
        ("site", SITE.replace("7310", "70000")),
        ("site", SITE.replace("time-zone: Europe/Berlin\n", "")),
        ("site", SITE + "settings: locked\n"),
        ("station", STATION.replace("station", "site")),
        ("station", STATION + "role: Bass Guitar\n"),
        ("station", STATION + "settings: [panel]\n"),
        ("people", PEOPLE.replace("[look]", "[rule]")),
        ("people", PEOPLE.replace("wren-halloway:", "Wren Halloway:")),
        ("people", PEOPLE.replace("[look]", "look")),
        ("site", FULL_SITE.replace("vlan:", "lan:")),
        ("site", FULL_SITE.replace("sources: [Kick, Lead voice]", "sources: Kick")),
        ("estate", FULL_ESTATE.replace("level: off", "level: ignore")),
        ("estate", FULL_ESTATE.replace(", reason: an example needs them", "")),
        ("concessions", CONCESSIONS.replace("    holder: idris-quill\n", "")),
        ("occasion", OCCASION.replace("meaning", "means")),
    ],
)
def test_editor_and_check_refuse_alike(kind: str, text: str) -> None:
    """What an editor can see to be wrong is wrong for the check too."""
    assert refused(kind, text)
    assert marked(kind, as_editor(text)) != []


def test_settings_are_offered_with_their_meaning() -> None:
    """An editor can offer the settings of the shipped profiles; what players keep and stations tell is none."""
    offered = schema_of("role")["$defs"]["settings"]["properties"]
    menus = offered["panel"]["properties"]["menus"]
    assert menus["examples"] == ["open", "locked"]
    assert menus["description"] == "menus: open, locked"
    assert "gain" in offered["headphones"]["properties"]
    assert "volume" not in offered["headphones"]["properties"]
    assert "unit" not in offered
    assert "send" not in offered


@given(text=st.text("abz09-A. ", max_size=42))
def test_a_name_is_the_same_for_both(text: str) -> None:
    """The pattern of names agrees with `is_name`."""
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schemas._NAME
    assert Draft202012Validator(schema).is_valid(text) == is_name(text)


class _Made(Part):
    """A file made to hold what the real ones may come to hold."""

    format: Literal["asleft-made-1"]
    switch: bool = False
    bits: Literal["16", "24"] = "24"
    weight: Literal["warn", "off"] = "warn"
    rate: Annotated[int, BeforeValidator(int)] = 48000
    channels: Annotated[tuple[int, int], BeforeValidator(lambda text: tuple(text.split("-")))] = (1, 2)
    share: Annotated[float, PlainValidator(float)] = 0.75
    either: Name | dict[str, Name] = "a"
    settings: SettingTree


def test_whatever_a_model_reads_itself_may_be_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """Values with a reader of their own, switches and words that look like numbers pass in each typing."""
    monkeypatch.setattr(schemas, "KINDS", {"made": _Made})
    text = (
        "format: asleft-made-1\nswitch: yes\nbits: 24\nweight: off\nrate: 48000\nchannels: 33-34\nshare: 75\n"
        "either: {b: c}\nsettings: {a: 1}\n"
    )
    for version in ("1.1", "1.2"):
        assert marked("made", as_editor(text, version=version)) == []
    wrong = as_editor(text.replace("bits: 24", "bits: 20").replace("{b: c}", "[b]"))
    assert len(marked("made", wrong)) == 2
