"""Canonical JSON and guarded patches against the published vectors."""

import copy
import hashlib
import json
import struct
from typing import Any

import jsonpatch
import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.canonical import GuardFailed, apply_guarded, canonical, digest, replacement

# RFC 8785 section 3.2.2.
SAMPLE = r"""{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],
"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"""
SAMPLE_OUT = (
    '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    r'"string":"€$\u000f\nA' + r"""'B\"\\\\\"/"}"""
)


def test_the_sample_of_the_standard() -> None:
    """The sample of RFC 8785 section 3.2.2 gives its 118 bytes and their SHA-256."""
    value = json.loads(SAMPLE)
    assert canonical(value) == SAMPLE_OUT.encode()
    assert len(canonical(value)) == 118
    expected = "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"
    assert digest(value) == expected
    assert hashlib.sha256(canonical(value)).hexdigest() == expected


def test_keys_sort_by_their_utf_16_units() -> None:
    """RFC 8785 section 3.2.3: an emoji sorts before U+FB33, for its first unit is a surrogate."""
    right = ["\r", "1", "\u0080", "ö", "€", "\U0001f600", "\ufb33"]
    written = canonical(dict.fromkeys(reversed(right), 0))
    assert list(json.loads(written)) == right


def test_nested_members_are_sorted_too() -> None:
    """Order of members is the only freedom, at every depth; lists keep theirs."""
    assert canonical({"b": 1, "a": {"z": None, "y": [3, 2, 1]}}) == b'{"a":{"y":[3,2,1],"z":null},"b":1}'


# RFC 8785 appendix B.
@pytest.mark.parametrize(
    "bits,text",
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("41b3de4355555553", "333333333.3333332"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_of_the_standard(bits: str, text: str) -> None:
    """The number table of RFC 8785 appendix B."""
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number).decode() == text


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf"), 2**53 + 1, -(2**53) - 1])
def test_numbers_that_json_cannot_carry(number: float) -> None:
    """RFC 8785 section 3.2.2.3 and appendix B refuse NaN and infinity; beyond 2^53 a double is not exact."""
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical(number)


def test_a_failed_test_leaves_the_document_untouched() -> None:
    """RFC 6902 A.9: the test fails, and nothing of the patch counts."""
    document = {"baz": "qux"}
    with pytest.raises(GuardFailed) as caught:
        apply_guarded(
            document,
            [{"op": "replace", "path": "/baz", "value": 1}, {"op": "test", "path": "/baz", "value": "bar"}],
        )
    assert document == {"baz": "qux"}
    assert (caught.value.path, caught.value.wanted, caught.value.found) == ("/baz", "bar", 1)


def test_escaped_pointers() -> None:
    """RFC 6902 A.14: `/~01` points at the member named `~1`."""
    document = {"/": 9, "~1": 10}
    assert apply_guarded(document, [{"op": "test", "path": "/~01", "value": 10}]) == document


def test_a_number_is_no_text() -> None:
    """RFC 6902 A.15: 10 is not "10"."""
    with pytest.raises(GuardFailed):
        apply_guarded({"/": 9, "~1": 10}, [{"op": "test", "path": "/~01", "value": "10"}])


@pytest.mark.parametrize(
    "found,wanted", [(1, True), (True, 1), (0, False), (False, 0), ("1", 1), (None, False)]
)
def test_a_switch_is_no_number(found: Any, wanted: Any) -> None:
    """RFC 6902 section 4.6: values of different JSON types are never equal."""
    with pytest.raises(GuardFailed):
        apply_guarded({"a": found}, [{"op": "test", "path": "/a", "value": wanted}])


def test_equal_numbers_are_equal() -> None:
    """RFC 6902 section 4.6: numbers are equal when their values are."""
    assert apply_guarded({"a": 1.0}, [{"op": "test", "path": "/a", "value": 1}]) == {"a": 1.0}


def test_a_test_on_nothing_fails() -> None:
    """Where no member stands a test fails, even one for null."""
    with pytest.raises(GuardFailed):
        apply_guarded({}, [{"op": "test", "path": "/a", "value": None}])


def test_a_broken_patch_says_so() -> None:
    """An operation that RFC 6902 does not know is an error of the patch."""
    with pytest.raises(jsonpatch.JsonPatchException):
        apply_guarded({"a": 1}, [{"op": "destroy", "path": "/a"}])


NAMES = st.text(alphabet="ab/~.01", min_size=1, max_size=6)
VALUES = st.one_of(st.booleans(), st.integers(-1000, 1000), st.text(max_size=5), st.floats(-100, 100))


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(NAMES, VALUES, min_size=1), VALUES, st.data())
def test_a_replacement_replaces_one_member(document: dict[str, Any], after: Any, data: st.DataObject) -> None:
    """Whatever the member is called, its pair of operations replaces it alone and leaves the document as it is."""
    name = data.draw(st.sampled_from(sorted(document)))
    before = copy.deepcopy(document)
    result = apply_guarded(document, replacement(name, document[name], after))
    assert result == {**document, name: after}
    assert document == before
