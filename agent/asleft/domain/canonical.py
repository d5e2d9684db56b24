"""Canonical JSON (RFC 8785) and what rests on it: digests, and patches that hold only if nothing moved (RFC 6902)."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import jsonpatch
import jsonpointer
import rfc8785

from asleft.domain.kinds import Json

__all__ = ["GuardFailed", "apply_guarded", "canonical", "digest", "replacement"]


class GuardFailed(ValueError):
    """A `test` of a patch does not hold: the document is not what the patch was made for."""

    def __init__(self, path: str, wanted: Json, found: Json) -> None:
        super().__init__(f"{path}: {found!r} stands where {wanted!r} was expected")
        self.path = path
        self.wanted = wanted
        self.found = found


def canonical(value: Any) -> bytes:
    """Give the one byte form of a JSON value (RFC 8785).

    Raises:
        rfc8785.CanonicalizationError: The value is not JSON, or a number that JSON cannot carry exactly.
    """
    return rfc8785.dumps(value)


def digest(value: Any) -> str:
    """Give the SHA-256 of the canonical form, in hexadecimal."""
    return hashlib.sha256(canonical(value)).hexdigest()


def replacement(name: str, before: Json, after: Json) -> list[dict[str, Json]]:
    """Give the pair of operations that replaces one member, only if it still is what it was (RFC 6902 4.6, 4.3)."""
    path = f"/{jsonpointer.escape(name)}"
    return [{"op": "test", "path": path, "value": before}, {"op": "replace", "path": path, "value": after}]


_ABSENT = object()


def apply_guarded(document: Any, patch: Sequence[Mapping[str, Any]]) -> Any:
    """Apply a patch to a document and give the result; the document itself stays as it is.

    A `test` compares canonical forms, so that `1`, `true` and `"1"` are three values (RFC 6902 section 4.6).

    Raises:
        GuardFailed: A test does not hold; nothing of the patch counts.
        jsonpatch.JsonPatchException: The patch itself is not well formed.
    """
    result = document
    for operation in patch:
        if operation.get("op") != "test":
            result = jsonpatch.apply_patch(result, [dict(operation)])
            continue
        found = jsonpointer.resolve_pointer(result, operation["path"], _ABSENT)
        if found is _ABSENT or canonical(found) != canonical(operation["value"]):
            raise GuardFailed(operation["path"], operation["value"], None if found is _ABSENT else found)
    return result
