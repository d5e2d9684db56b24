"""Layers: merge patch, and the line behind every value."""

import copy
import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.layers import Layer, Naming, flatten, merge_patch, namings_of


# RFC 7396 appendix A, all rows.
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
def test_the_published_table(original: str, patch: str, result: str) -> None:
    """Every row of RFC 7396 appendix A, and neither argument is changed."""
    before, change = json.loads(original), json.loads(patch)
    assert merge_patch(before, change) == json.loads(result)
    assert before == json.loads(original)
    assert change == json.loads(patch)


JSON = st.recursive(
    st.one_of(st.none(), st.text("ab", max_size=2)),
    lambda inner: st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=50, deadline=None)
@given(JSON, JSON)
def test_a_patch_counts_once(original: Any, patch: Any) -> None:
    """Applying a patch again changes nothing more (follows from RFC 7396 section 2), and nothing is changed in place."""
    before, change = copy.deepcopy(original), copy.deepcopy(patch)
    once = merge_patch(original, patch)
    assert merge_patch(once, patch) == once
    assert (original, patch) == (before, change)


LINES = {("headphones", "gain"): 7, ("headphones",): 6, ("label",): 9}


def layer(name: str, tree: Mapping[str, Any]) -> Layer:
    return Layer(name=name, file=f"{name}.yaml", settings=tree, line_of=lambda path: LINES.get(path, 1))


def test_every_value_knows_its_line() -> None:
    """After merging, each leaf says which file and line named it."""
    estate = layer("estate", {"headphones": {"gain": "0 dB", "limiter": "on"}, "label": "Station"})
    role = layer("role", {"headphones": {"gain": "-12 dB"}})
    merged = merge_patch(merge_patch({}, estate.annotated()), role.annotated())
    found = {
        ".".join(path): (leaf.text, str(leaf.origin), leaf.origin.layer) for path, leaf in flatten(merged)
    }
    assert found == {
        "headphones.gain": ("-12 dB", "role.yaml:7", "role"),
        "headphones.limiter": ("on", "estate.yaml:1", "estate"),
        "label": ("Station", "estate.yaml:9", "estate"),
    }


def test_null_takes_a_setting_or_a_group_away() -> None:
    """A null in a stronger layer leaves the setting, or all of its group, unnamed."""
    estate = layer("estate", {"headphones": {"gain": "0 dB", "limiter": "on"}, "label": "x"}).annotated()
    one = merge_patch(estate, layer("site", {"headphones": {"gain": None}}).annotated())
    assert [path for path, _ in flatten(one)] == [("headphones", "limiter"), ("label",)]
    group = merge_patch(estate, layer("site", {"headphones": None}).annotated())
    assert [path for path, _ in flatten(group)] == [("label",)]


def test_namings_tell_the_whole_story_of_a_setting() -> None:
    """Each layer's word comes weakest first; a null above the setting speaks for it, and silence is left out."""
    layers = [
        layer("estate", {"headphones": {"gain": "0 dB"}}),
        layer("role", {"label": "Drums"}),
        layer("site", {"headphones": None}),
        layer("station", {"headphones": {"gain": None}}),
        layer("occasion", {"headphones": {"gain": "+12 dB"}}),
    ]
    told = [
        (naming.origin.layer, naming.text, naming.origin.line)
        for naming in namings_of(layers, "headphones.gain")
    ]
    assert told == [("estate", "0 dB", 7), ("site", None, 6), ("station", None, 7), ("occasion", "+12 dB", 7)]


def test_a_group_or_a_text_above_is_no_naming() -> None:
    """A mapping where the setting stands, or a text where its group stands, names nothing."""
    layers = [
        layer("estate", {"headphones": {"gain": {"deeper": "1"}}}),
        layer("role", {"headphones": "loud"}),
    ]
    assert namings_of(layers, "headphones.gain") == ()


def test_a_layer_lists_what_it_names() -> None:
    """Nulls are namings too, in the order of the file."""
    namings = dict(layer("role", {"label": None, "headphones": {"gain": "0 dB"}}).namings())
    assert {name: naming.text for name, naming in namings.items()} == {
        "label": None,
        "headphones.gain": "0 dB",
    }
    assert isinstance(namings["label"], Naming)
