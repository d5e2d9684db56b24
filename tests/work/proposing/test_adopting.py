"""Adopting, held against RFC 7396 by an implementation of its own: exactly the named settings of exactly one station.

The reference is the pseudocode of RFC 7396 section 2, written down once more here and tried against every row of the RFC's
appendix A. Files are read by ruamel.yaml, which asleft does not use.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from asleft.domain.comparison import compare, differing
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.kinds import Found
from asleft.domain.layers import Layer
from asleft.domain.people import Person, Right
from asleft.domain.resolving import Typing, resolve
from asleft.domain.snapshot import AsFound
from asleft.ports.ledger import Looked, Standing
from asleft.source.documents import read_document
from asleft.source.profiles import shipped_profiles
from asleft.source.proposal_texts import edited
from asleft.work.proposing.adopt import adopt
from asleft.work.proposing.words import Asking, CannotPropose, Plan

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
PROFILE = shipped_profiles()["stage-station"]
DRUMS, BASS = StationId("quay", "drums"), StationId("quay", "bass")
WREN = Person(key="wren-halloway", name="Wren Halloway", rights=frozenset(Right), sites=frozenset())
POOL: Final[Mapping[str, tuple[str, ...]]] = {
    "headphones.gain": ("-12 dB", "0 dB", "+12 dB"),
    "headphones.limiter": ("on", "off"),
    "panel.display-dim": ("10 %", "40 %", "80 %"),
    "panel.key-dim": ("10 %", "40 %", "80 %"),
    "panel.groups": ("by offset", "set"),
    "room.lift": ("0 dB", "+3 dB", "+6.5 dB"),
    "tone.preset": ("flat", "deep"),
    "mix.heard": ("Mix 1", "Mix 2"),
}
FILES: Final = {
    "estate": "estate.yaml",
    "role": "roles/drums.yaml",
    "site": "sites/quay/site.yaml",
    "station": "sites/quay/stations/drums.yaml",
    "occasion": "occasions/rehearsal.yaml",
}
NAMES: Final = {
    "estate": "estate",
    "role": "role drums",
    "site": "site quay",
    "station": "station drums",
    "occasion": "occasion rehearsal",
}
OTHER: Final = "sites/quay/stations/bass.yaml"


def reference(target: Any, patch: Any) -> Any:
    """Do what the pseudocode of RFC 7396 section 2 does."""
    if isinstance(patch, dict):
        result = {**target} if isinstance(target, dict) else {}
        for name, value in patch.items():
            if value is None:
                result.pop(name, None)
            else:
                result[name] = reference(result.get(name), value)
        return result
    return patch


@pytest.mark.parametrize(
    "original,patch,result",
    [
        ('{"a":"b"}', '{"a":"c"}', '{"a":"c"}'),
        ('{"a":"b"}', '{"b":"c"}', '{"a":"b","b":"c"}'),
        ('{"a":"b"}', '{"a":null}', "{}"),
        ('{"a":"b","b":"c"}', '{"a":null}', '{"b":"c"}'),
        ('{"a":["b"]}', '{"a":"c"}', '{"a":"c"}'),
        ('{"a":"c"}', '{"a":["b"]}', '{"a":["b"]}'),
        ('{"a":{"b":"c"}}', '{"a":{"b":"d","c":null}}', '{"a":{"b":"d"}}'),
        ('{"a":[{"b":"c"}]}', '{"a":[1]}', '{"a":[1]}'),
        ('["a","b"]', '["c","d"]', '["c","d"]'),
        ('{"a":"b"}', '["c"]', '["c"]'),
        ('{"a":"foo"}', "null", "null"),
        ('{"a":"foo"}', '"bar"', '"bar"'),
        ('{"e":null}', '{"a":1}', '{"e":null,"a":1}'),
        ("[1,2]", '{"a":"b","c":null}', '{"a":"b"}'),
        ("{}", '{"a":{"bb":{"ccc":null}}}', '{"a":{"bb":{}}}'),
    ],
)
def test_the_reference_does_what_the_rfc_says(original: str, patch: str, result: str) -> None:
    """RFC 7396 appendix A, every row of it."""
    assert reference(json.loads(original), json.loads(patch)) == json.loads(result)


@dataclass(frozen=True, kw_only=True)
class Case:
    """Files, and what was found at the drummer's station."""

    files: Mapping[str, str]
    names: tuple[str, ...]
    found: Mapping[str, str]


def nested(said: Mapping[str, str | None], nulls: frozenset[str]) -> dict[str, Any]:
    """Give what a layer says as a tree; a group that is taken away wins over what is said in it."""
    tree: dict[str, Any] = {}
    for name, text in said.items():
        group, _, key = name.partition(".")
        if group not in nulls:
            tree.setdefault(group, {})[key] = text
    return {**tree, **dict.fromkeys(nulls)}


def written(kind: str, tree: Mapping[str, Any], *, flow: bool, top: str) -> str:
    """Write a layer as a file, with comments above, beside and below."""
    lines = [f"# above {kind}", f"format: asleft-{kind}-1", *([top] if top else [])]
    if tree:
        lines.append("settings:  # beside settings")
    for group, inner in tree.items():
        if inner is None:
            lines.append(f"  {group}: null  # taken away")
        elif flow:
            pairs = ", ".join(f"{key}: {'null' if text is None else text}" for key, text in inner.items())
            lines.append(f"  {group}: {{{pairs}}}  # beside {group}")
        else:
            lines.append(f"  {group}:")
            lines.extend(
                f"    {key}: {'null' if text is None else text}  # {key}" for key, text in inner.items()
            )
    return "\n".join([*lines, "# below", ""])


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Make five layers, another station beside, and a station that was found otherwise."""
    files: dict[str, str] = {}
    for kind, path in FILES.items():
        said = draw(
            st.dictionaries(
                st.sampled_from(list(POOL)),
                st.none(),
                min_size=4 if kind == "estate" else 0,
                max_size=7 if kind == "estate" else 3,
            )
        )
        full: dict[str, str | None] = {
            name: draw(st.sampled_from(POOL[name]))
            if kind == "estate"
            else draw(st.sampled_from((*POOL[name], None)))
            for name in said
        }
        groups = st.frozensets(st.sampled_from(["panel", "tone", "headphones"]), max_size=1)
        nulls = draw(groups) if kind in {"site", "station"} and draw(st.integers(0, 4)) == 0 else frozenset()
        tree = nested(full, nulls)
        top = "serial: QS41-2107  # on the lid" if kind == "station" else ""
        if kind == "station":
            tree["network"] = {"address": "127.20.1.11/24"}
        if kind == "occasion":
            top = "meaning: The house is empty"
        files[path] = written(kind, tree, flow=draw(st.booleans()), top=top)
    files[OTHER] = written("station", {"network": {"address": "127.20.1.12/24"}}, flow=True, top="")
    names = draw(st.lists(st.sampled_from(list(POOL)), min_size=1, max_size=3, unique=True))
    return Case(
        files=files,
        names=tuple(names),
        found={name: draw(st.sampled_from(texts)) for name, texts in POOL.items()},
    )


def layers(files: Mapping[str, str], station: str, *, occasion: bool) -> tuple[Layer, ...]:
    """Give the layers of a station as asleft reads them."""
    made: list[Layer] = []
    for kind, name in NAMES.items():
        path = station if kind == "station" else FILES[kind]
        document, problems = read_document(path, files[path].encode())
        assert document is not None
        assert not problems
        if kind != "occasion" or occasion:
            made.append(
                Layer(
                    name=name,
                    file=path,
                    settings=document.tree.get("settings", {}),
                    line_of=lambda path, document=document: document.line(("settings", *path)),  # type: ignore[misc]
                )
            )
    return tuple(made)


def as_left(files: Mapping[str, str], station: StationId, file: str, *, occasion: bool) -> AsLeft:
    """Give a station as asleft resolves it."""
    own = layers(files, file, occasion=occasion)
    resolved = resolve(PROFILE, own, Typing())
    return AsLeft(
        station=station,
        serial="QS41-2107",
        role="drums",
        profile=PROFILE,
        firmware=(),
        values=resolved.values,
        origins=resolved.origins,
        layers=own,
        file=file,
    )


def by_the_rfc(files: Mapping[str, str], station: str, *, occasion: bool) -> dict[str, str]:
    """Give what the files say of a station, read by another YAML library and merged by the reference."""
    merged: Any = {}
    for kind, path in FILES.items():
        if kind == "occasion" and not occasion:
            continue
        text = files[station if kind == "station" else path]
        merged = reference(merged, strings(YAML(typ="rt").load(text).get("settings", {}), text))
    return {f"{group}.{key}": text for group, inner in merged.items() for key, text in inner.items()}


def strings(tree: Any, text: str) -> Any:
    """Give a tree with every leaf as the text that stands in the file: `on` stays `on`, and `0 dB` is one already."""
    if isinstance(tree, dict):
        return {str(key): strings(value, text) for key, value in tree.items()}
    return tree if tree is None or isinstance(tree, str) else {True: "on", False: "off"}.get(tree, str(tree))


def asking(left: AsLeft) -> Asking:
    """Ask as Wren, on an estate of one station."""
    estate = Estate(
        name="Quay", commit="c" * 40, sites={}, stations={left.station: left}, people={WREN.key: WREN}
    )
    return Asking(estate=estate, here=estate, now=NOON, person=WREN, reason="it is better so")


def look(left: AsLeft, found: Mapping[str, Found]) -> AsFound:
    """Give a look at a station."""
    values = {name: found.get(name, value) for name, value in left.values.items()}
    return AsFound(
        at=NOON,
        address="127.20.1.11",
        serial="QS41-2107",
        model="stage-station",
        firmware="2.4.1",
        values=values,
        unread={},
        readings={},
    )


def standing(left: AsLeft, looked: AsFound) -> list[Standing]:
    """Give the drifts that stand after a look."""
    return [Standing(drift=drift, since=NOON, seen=NOON) for drift in compare(left, looked)]


def tried(
    left: AsLeft,
    looked: AsFound,
    names: Sequence[str],
    *,
    drifts: Sequence[Standing] = (),
    layer: str = "station",
) -> Plan | CannotPropose:
    """Adopt, or give why not."""
    known = Looked(last=looked, found=looked)
    try:
        return adopt(asking(left), left.station, known, drifts, names=names, layer=layer)
    except CannotPropose as refused:
        return refused


@settings(deadline=None)
@given(case=cases(), occasion=st.booleans(), everything=st.booleans())
def test_exactly_the_named_settings_of_exactly_that_station_change(
    case: Case,
    occasion: bool,  # noqa: FBT001 hypothesis gives it by name
    everything: bool,  # noqa: FBT001 as above
) -> None:
    """By the reference, over the edited files: named settings are as found, all else and all others as before."""
    left = as_left(case.files, DRUMS, FILES["station"], occasion=occasion)
    typed = {name: PROFILE.settings[name].kind.parse(text) for name, text in case.found.items()}
    chosen = [name for name in left.values if name in typed and (everything or name in case.names)]
    looked = look(left, {name: typed[name] for name in chosen})
    names = differing(PROFILE, left.values, looked.values)
    if not names:
        event("nothing drifts")
        return
    drifts = standing(left, looked)
    plan = tried(left, looked, () if everything else names, drifts=drifts)
    if isinstance(plan, CannotPropose):
        event("refused")
        above = left.layers[-1].settings if occasion else {}
        hidden = any(name.partition(".")[0] in above for name in names)
        taken_away = "null  # taken away" in case.files[FILES["station"]]
        assert (hidden and "wins" in plan.what) or (taken_away and "would change with it" in plan.what)
        return
    event(f"adopted {len(names)}")
    changed = edited(case.files.get, plan.edits)
    after = {**case.files, **{path: text for path, (_, text) in changed.items()}}
    assert changed.keys() == {FILES["station"]}
    before_text = by_the_rfc(case.files, FILES["station"], occasion=occasion)
    after_text = by_the_rfc(after, FILES["station"], occasion=occasion)
    wanted = {**before_text, **{name: case.found[name] for name in names}}
    shown = {
        name: PROFILE.settings[name].show(PROFILE.settings[name].kind.parse(text))
        for name, text in after_text.items()
    }
    assert shown == {
        name: PROFILE.settings[name].show(PROFILE.settings[name].kind.parse(text))
        for name, text in wanted.items()
    }
    assert by_the_rfc(after, OTHER, occasion=occasion) == by_the_rfc(case.files, OTHER, occasion=occasion)
    kept = after[FILES["station"]].splitlines()
    assert kept[0] == "# above station"
    assert kept[2] == "serial: QS41-2107  # on the lid"
    assert "# below" in kept


@settings(deadline=None)
@given(case=cases(), word=st.sampled_from(["role", "site", "estate"]))
def test_a_higher_layer_says_it_or_the_line_that_wins_is_named(case: Case, word: str) -> None:
    """Either the reference gives the found value from that layer's file alone, or a stronger layer hides it."""
    left = as_left(case.files, DRUMS, FILES["station"], occasion=False)
    typed = {name: PROFILE.settings[name].kind.parse(text) for name, text in case.found.items()}
    looked = look(left, {name: typed[name] for name in case.names if name in left.values})
    names = differing(PROFILE, left.values, looked.values)
    if not names:
        event("nothing drifts")
        return
    stronger = list(FILES)[list(FILES).index(word) + 1 : -1]
    merged = [by_the_rfc_layer(case.files[FILES[kind]]) for kind in stronger]
    hidden = [
        name for name in names if any(name in said or name.partition(".")[0] in said for said in merged)
    ]
    plan = tried(left, looked, names, layer=word)
    if isinstance(plan, CannotPropose):
        event("refused")
        if "wins" in plan.what:
            assert hidden
            assert any(f"{FILES[kind]}:" in plan.what for kind in stronger)
        else:
            assert "would change with it" in plan.what
        return
    event("adopted")
    assert not hidden
    changed = edited(case.files.get, plan.edits)
    assert changed.keys() == {FILES[word]}
    after = {**case.files, **{path: text for path, (_, text) in changed.items()}}
    said = by_the_rfc(after, FILES["station"], occasion=False)
    for name in names:
        setting = PROFILE.settings[name]
        assert setting.kind.parse(said[name]) == typed[name]


def by_the_rfc_layer(text: str) -> set[str]:
    """Name what a file says: settings, and groups that it takes away."""
    tree = YAML(typ="rt").load(text).get("settings", {})
    return {
        name
        for group, inner in tree.items()
        for name in ([group] if inner is None else [f"{group}.{key}" for key in inner])
    }
