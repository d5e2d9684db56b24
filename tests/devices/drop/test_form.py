"""The form of a snapshot file, in YAML and in JSON: what is read, and what is refused in one sentence."""

import json
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from asleft.devices.drop.form import MAX_BYTES, BadSnapshot, Snapshot, found_in, read_snapshot, rfc3339
from asleft.devices.drop.trees import MAX_DEPTH, MAX_TEXT, MAX_VALUES
from asleft.domain.kinds import Foreign, Found
from asleft.domain.names import unprintable
from asleft.domain.snapshot import Unread, UnreadWhy
from asleft.ports.stations import Identity
from devices.drop.dropped import snapshot
from domain.made import LEFT, NOON, profile

GUIDE = Path(__file__).resolve().parents[3] / "shared" / "guide" / "drop-folder.md"
TEXT = """\
format: asleft-snapshot-1
serial: QS41-2107
model: stage-station
firmware: 2.4.1
taken: 2026-03-01T13:00:00+01:00
settings:
  label: Drums
  headphones:
    gain: -12 dB
    limiter: on
  panel: {menus: locked, display-dim: 40}
readings:
  service: {temperature: 41.26 °C, uptime: 70, errors: "?"}
unread:
  mix.heard: locked by the desk in the control room
  tone: {preset: missing}
"""


def found(text: str, *names: str, name: str = "drums.yaml") -> dict[str, Found | Unread]:
    read = read_snapshot(name, text.encode())
    return {one: found_in(read, profile(), one) for one in names}


def test_a_snapshot_is_read() -> None:
    """Identity, time, settings, readings and what is unread come as they stand, the time in UTC."""
    assert read_snapshot("drums.yaml", TEXT.encode()) == Snapshot(
        identity=Identity(serial="QS41-2107", model="stage-station", firmware="2.4.1"),
        taken=datetime(2026, 3, 1, 12, tzinfo=UTC),
        settings={
            "label": "Drums",
            "headphones.gain": "-12 dB",
            "headphones.limiter": "on",
            "panel.menus": "locked",
            "panel.display-dim": "40",
        },
        readings={"service.temperature": "41.26 °C", "service.uptime": "70", "service.errors": "?"},
        unread={
            "mix.heard": Unread(UnreadWhy.LOCKED, "by the desk in the control room"),
            "tone.preset": Unread(UnreadWhy.MISSING),
        },
    )


def test_texts_are_typed_by_the_profile() -> None:
    """A setting's kind reads its text; a reading is a number where it is one, rounded as from the wire."""
    names = ["headphones.gain", "headphones.limiter", "panel.display-dim", "label", "mix.heard", "room.lift"]
    assert found(TEXT, *names) == {
        "headphones.gain": -12.0,
        "headphones.limiter": True,
        "panel.display-dim": 40,
        "label": "Drums",
        "mix.heard": Unread(UnreadWhy.LOCKED, "by the desk in the control room"),
        "room.lift": Unread(UnreadWhy.MISSING, "its file does not name it"),
    }
    readings = ["service.temperature", "service.uptime", "service.errors", "unit.serial", "unit.firmware"]
    assert found(TEXT, *readings) == {
        "service.temperature": 41.3,
        "service.uptime": 70,
        "service.errors": "?",
        "unit.serial": "QS41-2107",
        "unit.firmware": "2.4.1",
    }


@pytest.mark.parametrize(
    "name, text",
    [
        ("headphones.gain", "-11 dB"),
        ("headphones.gain", "quiet"),
        ("headphones.limiter", "yes"),
        ("panel.display-dim", "101 %"),
        ("mix.heard", "Mix 17"),
        ("network.address", "127.20.1.011/24"),
        ("label", "\x1b[2J"),
        ("label", "x" * 25),
    ],
)
def test_what_is_no_value_of_its_kind_is_foreign(name: str, text: str) -> None:
    """It is shown as it came and can never be written; the rest of the file is read all the same."""
    assert found(snapshot({**LEFT, name: text}), name, "panel.menus") == {
        name: Foreign(text),
        "panel.menus": "locked",
    }


@pytest.mark.parametrize("name", ["drums.yaml", "drums.json", "drums.JSON"])
def test_both_ways_of_writing_say_the_same(name: str) -> None:
    """The same snapshot as JSON and as YAML gives the same; a number in JSON is the text that stands there."""
    tree = yaml.load(TEXT, Loader=yaml.BaseLoader)  # noqa: S506 the base loader makes text only
    text = json.dumps(tree).replace('"40"', "40").replace('"70"', "70")
    assert read_snapshot(name, text.encode()) == read_snapshot("drums.yaml", TEXT.encode())


SEGMENT = st.from_regex(r"[a-z][a-z0-9-]{0,12}", fullmatch=True)
VALUE = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\x85"), max_size=60
)  # PyYAML writes U+0085 bare


@given(
    st.dictionaries(st.tuples(SEGMENT, SEGMENT).map(".".join), VALUE, max_size=20),
    st.datetimes(min_value=datetime(1, 1, 3), max_value=datetime(9999, 12, 29)),  # noqa: DTZ001 the offset is drawn
    st.integers(-1439, 1439),
)
def test_what_is_written_is_read(settings: dict[str, str], moment: datetime, offset: int) -> None:
    """Any texts and any time, written by a writer of JSON, come back, and so they do from a writer of YAML."""
    minutes = abs(offset)
    sign = "-" if offset < 0 else "+"
    taken = f"{moment.isoformat()}{sign}{minutes // 60:02}:{minutes % 60:02}"
    text = snapshot({}, taken=NOON)
    tree = json.loads(text) | {"taken": taken, "settings": settings}
    as_json = read_snapshot("a.json", json.dumps(tree).encode())
    assert as_json.settings == settings
    assert as_json.taken == moment.replace(tzinfo=UTC) - timedelta(minutes=offset)
    written = yaml.dump(tree, Dumper=yaml.CSafeDumper, allow_unicode=False, default_style='"')
    assert read_snapshot("a.yaml", written.encode()) == as_json


@pytest.mark.parametrize(
    "text, moment",
    [
        # RFC 3339 section 5.8, all its examples; the leap seconds end the minute before 1991 began in UTC.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # Section 5.6: T and Z may be small, and a space may stand for T.
        ("1985-04-12t23:20:50z", datetime(1985, 4, 12, 23, 20, 50, 0, UTC)),
        ("1985-04-12 23:20:50Z", datetime(1985, 4, 12, 23, 20, 50, 0, UTC)),
        # Its grammar asks for an offset, two digits each, and a time that there is.
        ("1985-04-12T23:20:50", None),
        ("1985-04-12", None),
        ("1985-4-12T23:20:50Z", None),
        ("1985-02-29T23:20:50Z", None),
        ("1985-04-12T24:00:00Z", None),
        ("1985-04-12T23:20:50+24:00", None),
        ("1985-04-12T23:20:50+0100", None),
        ("1985-04-12T23:20:50.Z", None),
        ("0000-01-01T00:00:00Z", None),
        ("0001-01-01T00:00:00+01:00", None),
        ("9999-12-31T23:59:60Z", None),
        ("\u0661985-04-12T23:20:50Z", None),
        ("1985-04-12T23:20:50Z\n", None),
    ],
)
def test_times_are_read_as_rfc_3339_has_them(text: str, moment: datetime | None) -> None:
    """The examples of RFC 3339 section 5.8, and what its grammar of section 5.6 does not allow."""
    assert rfc3339(text) == moment


def deep(levels: int) -> str:
    return '{"a": ' * levels + '"x"' + "}" * levels


BAD: list[tuple[str, str | bytes, str, int]] = [
    ("a.yaml", b"", "nothing stands in it", 0),
    ("a.json", b"", "JSON cannot be read here", 1),
    ("a.yaml", "just text", "there is only text in it", 1),
    ("a.json", '"text"', "there is no object in it", 0),
    ("a.yaml", "- a\n- b\n", "a list stands here", 1),
    ("a.json", "[]", "there is no object in it", 0),
    ("a.yaml", "serial: QS41-2107\n", "it names no format", 0),
    ("a.yaml", TEXT.replace("-1\n", "-2\n", 1), "its format is 'asleft-snapshot-2'", 0),
    ("a.yaml", TEXT.replace("serial: QS41-2107\n", ""), "the key 'serial' is missing", 0),
    ("a.yaml", TEXT.replace("QS41-2107", '""'), "serial is empty", 0),
    ("a.yaml", TEXT.replace("QS41-2107", "X" * 65), "serial has 65 characters", 0),
    ("a.yaml", TEXT.replace("QS41-2107", '"\\e[2J"'), "serial holds U+001B", 0),
    ("a.yaml", TEXT.replace("serial: QS41-2107", "serial: {a: b}"), "serial is a group of values", 0),
    ("a.yaml", TEXT.replace("taken:", "token:"), "'token' is no key of a snapshot", 0),
    ("a.yaml", TEXT.replace("+01:00", ""), "taken is no time with its offset", 0),
    ("a.yaml", TEXT.replace("limiter: on", "limiter:"), "nothing stands after 'limiter'", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: ~"), "nothing stands after 'limiter'", 10),
    ("a.yaml", TEXT.replace("limiter: on", "gain: 0 dB"), "'gain' stands twice", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: [on]"), "a list stands here", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: &x on"), "an anchor stands here", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: *x"), "", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: !!bool on"), "a tag stands here", 10),
    (
        "a.yaml",
        TEXT.replace("limiter: on", "limiter: !!python/object/apply:os.system [ls]"),
        "a tag stands",
        10,
    ),
    ("a.yaml", TEXT.replace("limiter: on", "? {a: b}\n    : c"), "a name here is no plain text", 10),
    ("a.yaml", TEXT.replace("limiter: on", "'': on"), "a name is empty", 10),
    ("a.yaml", TEXT.replace("limiter: on", "lim iter: on"), "is no name of a setting", 0),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: o\x07n"), "a hidden control character, U+0007", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: o\u202en"), "a hidden control character, U+202E", 10),
    ("a.yaml", TEXT.replace("limiter: on", "limiter: on: off"), "YAML cannot be read here", 10),
    ("a.yaml", TEXT + "---\n" + TEXT, "a second document starts here", 17),
    (
        "a.yaml",
        TEXT.replace("mix.heard: locked", "mix.heard: lokced"),
        "why mix.heard is unread is 'lokced'",
        0,
    ),
    ("a.yaml", TEXT.replace("mix.heard:", "panel.menus:"), "panel.menus stands in settings and in unread", 0),
    (
        "a.yaml",
        TEXT.replace("  label", "  panel.menus: open\n  label"),
        "panel.menus stands twice in settings",
        0,
    ),
    (
        "a.yaml",
        TEXT.replace("label: Drums", f"label: {'x' * (MAX_TEXT + 1)}"),
        "a text has 1025 characters",
        7,
    ),
    ("a.yaml", TEXT.encode("utf-16"), "is not UTF-8 text", 1),
    ("a.yaml", TEXT.replace("Drums", "Prüfung").encode("latin-1"), "byte 0xfc is not UTF-8 text", 7),
    ("a.yaml", "settings: text\n" + TEXT.partition("settings:")[0], "settings is a text", 0),
    ("a.yaml", deep(MAX_DEPTH + 1), "levels deep", 1),
    ("a.json", deep(MAX_DEPTH + 1), "levels deep", 0),
    ("a.yaml", "{" * 100_000, "", 1),
    ("a.json", '{"a":' * 50_000, "levels deep", 0),
    ("a.json", "[" * 200_000, "levels deep", 0),
    ("a.yaml", "".join(f"k{at}: v\n" for at in range(MAX_VALUES)), "names and texts stand in it", 2049),
    ("a.json", json.dumps({f"k{at}": "v" for at in range(MAX_VALUES)}), "names and texts stand in it", 0),
    ("a.json", snapshot().replace('"on"', "true"), "'limiter' is true", 0),
    ("a.json", snapshot().replace('"on"', "null"), "nothing stands after 'limiter'", 0),
    ("a.json", snapshot().replace('"on"', "NaN"), "NaN is no JSON", 0),
    ("a.json", snapshot().replace('"on"', "[]"), "'limiter' is a list", 0),
    ("a.json", snapshot().replace('"on"', '"\\ud800"'), "half a character, U+D800", 0),
    ("a.json", snapshot().replace('"serial"', '"taken"'), "'taken' stands twice", 0),
    ("a.json", snapshot()[:-1], "JSON cannot be read here", 1),
    ("a.json", TEXT, "JSON cannot be read here", 1),
    ("a.yaml", b"x" * (MAX_BYTES + 1), f"the file has {MAX_BYTES + 1} bytes; 256 KiB is the most", 0),
]


@pytest.mark.parametrize("name, text, what, line", BAD, ids=[f"{at} {row[2]}" for at, row in enumerate(BAD)])
def test_bad_files_are_told_in_one_sentence(name: str, text: str | bytes, what: str, line: int) -> None:
    """Each says what is wrong, in which file and line, and what to do."""
    with pytest.raises(BadSnapshot) as told:
        read_snapshot(name, text if isinstance(text, bytes) else text.encode())
    assert what in told.value.what
    assert told.value.where == (f"{name}:{line}" if line else name)
    assert told.value.todo
    assert unprintable(str(told.value)) == ""


def test_aliases_that_would_fill_the_memory_are_refused_at_the_first() -> None:
    """Nine levels of nine aliases each stand for 9^9 texts; the first anchor already ends the reading."""
    names = "abcdefghi"
    lines = ["a: &a x"] + [
        f"{new}: &{new} {{" + ", ".join(f"k{at}: *{old}" for at in range(9)) + "}"
        for old, new in pairwise(names)
    ]
    with pytest.raises(BadSnapshot, match="an anchor stands here"):
        read_snapshot("a.yaml", "\n".join(lines).encode())


HOSTILE: st.SearchStrategy[bytes] = st.one_of(
    st.binary(max_size=400),
    st.text(max_size=400).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.builds(
        lambda at, cut, what: TEXT.encode()[:at] + what + TEXT.encode()[at + cut :],
        st.integers(0, len(TEXT)),
        st.integers(0, 60),
        st.binary(max_size=20),
    ),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
        max_leaves=30,
    ).map(lambda tree: json.dumps(tree).encode()),
    st.dictionaries(
        st.sampled_from(["format", "serial", "model", "firmware", "taken", "settings", "readings", "unread"]),
        st.recursive(
            st.sampled_from(["asleft-snapshot-1", "2026-03-01T12:00:00Z", "locked", "QS41-2107"])
            | st.text(max_size=9),
            lambda inner: st.dictionaries(st.text(max_size=9), inner, max_size=3),
            max_leaves=9,
        ),
    ).map(lambda tree: json.dumps(tree).encode()),
)


def read_or_told(name: str, data: bytes) -> Snapshot | BadSnapshot:
    try:
        return read_snapshot(name, data)
    except BadSnapshot as told:
        return told


@given(st.sampled_from(["a.yaml", "a.json", "\x1b.yaml"]), HOSTILE)
@example("a.yaml", b"a: !<\x00")
@example("a.yaml", b"%YAML 9.9\n---\na: b")
@example("a.yaml", b"? \n: ")
@example("a.json", b'{"a": 1e999999, "b": ' + b"9" * 5000 + b"}")
def test_whatever_stands_in_a_file_it_is_read_or_told(name: str, data: bytes) -> None:
    """Any bytes give a snapshot or one harmless sentence; and what is read can be kept."""
    read = read_or_told(name, data)
    if isinstance(read, BadSnapshot):
        assert unprintable(str(read)) == ""
        assert read.what
        assert read.todo
        return
    for one in (*profile().settings, *read.settings):
        value: Any = found_in(read, profile(), one)
        kept = value.raw if isinstance(value, Foreign) else value
        str(kept).encode()


def test_the_guide_shows_good_snapshots() -> None:
    """Both examples of the guide are read, say the same, and every value in them is one of its kind."""
    text = GUIDE.read_text("utf-8")
    blocks = [
        text.partition(f"```{kind}\nformat" if kind == "yaml" else "```json\n{") for kind in ("yaml", "json")
    ]
    as_yaml, as_json = (
        head + after.partition("\n```")[0]
        for (_, _, after), head in zip(blocks, ("format", "{"), strict=True)
    )
    read = read_snapshot("drums.yaml", as_yaml.encode())
    assert read == read_snapshot("drums.json", as_json.encode())
    assert len(read.settings) >= 5
    assert {name for name in read.settings if name not in profile().settings} == set()
    values = {name: found_in(read, profile(), name) for name in read.settings}
    assert [name for name, value in values.items() if isinstance(value, Foreign | Unread)] == []
    assert f"{MAX_BYTES // 1024} KiB" in text
    for why in UnreadWhy:
        assert f"`{why.name.lower()}`" in text
