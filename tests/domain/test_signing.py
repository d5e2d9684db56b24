"""Signed web calls: who may be believed, and for how long."""

import hashlib
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.signing import LEAST_SECRET, SIGNATURE, TIMESTAMP, NotSigned, sign, verify, weak

SECRET = "kettle-kettle-kettle-kettle-kettle"
THEN = datetime(2026, 10, 6, 12, 0, tzinfo=UTC)
BODY = b'{"a":1}'
MINUTES = timedelta(minutes=5)


def by_definition(key: bytes, message: bytes) -> str:
    """HMAC written out from RFC 2104 section 2, for the 64-byte blocks of SHA-256."""
    block = (hashlib.sha256(key).digest() if len(key) > 64 else key).ljust(64, b"\0")
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in block) + message).digest()
    return hashlib.sha256(bytes(byte ^ 0x5C for byte in block) + inner).hexdigest()


def test_the_definition_in_this_file_is_the_published_one() -> None:
    """RFC 4231 section 4.3, test case 2."""
    assert (
        by_definition(b"Jefe", b"what do ya want for nothing?")
        == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )


def test_a_signature_is_what_another_program_computes() -> None:
    """`printf '1791288000.{"a":1}' | openssl dgst -sha256 -hmac …` gave this digest (OpenSSL 3.0)."""
    assert sign(BODY, SECRET, at=THEN) == {
        TIMESTAMP: "1791288000",
        SIGNATURE: "v1=c69ff01414fc6e576844c6d80e9b4ac43cbc43f8361568baefa5a449271ea926",
    }


@settings(deadline=None)
@given(
    body=st.binary(max_size=300),
    secret=st.text(min_size=LEAST_SECRET, max_size=100),
    at=st.datetimes(datetime(1970, 1, 2), datetime(2500, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 hypothesis wants bounds without zones
)
def test_what_was_signed_is_accepted(body: bytes, secret: str, at: datetime) -> None:
    """Every body signed with a secret is accepted with it, and its signature follows the definition of HMAC."""
    headers = sign(body, secret, at=at)
    key = secret.encode("utf-8")
    assert headers[SIGNATURE] == "v1=" + by_definition(key, headers[TIMESTAMP].encode() + b"." + body)
    verify(headers, body, secret, now=at, tolerance=timedelta(seconds=1))


@pytest.mark.parametrize("apart", [timedelta(minutes=-5), timedelta(), timedelta(minutes=5)])
def test_a_call_within_the_tolerance_is_accepted(apart: timedelta) -> None:
    """Clocks may be apart by the tolerance, both ways, its end included; header names come in any case."""
    headers = {name.lower(): value for name, value in sign(BODY, SECRET, at=THEN).items()}
    verify(headers, BODY, SECRET, now=THEN + apart, tolerance=MINUTES)


@pytest.mark.parametrize("apart", [timedelta(minutes=-5, seconds=-1), timedelta(minutes=5, seconds=1)])
def test_a_call_beyond_the_tolerance_is_refused(apart: timedelta) -> None:
    """A recorded call cannot be played again later, nor one be made for the future."""
    with pytest.raises(NotSigned, match="301 s away from now"):
        verify(sign(BODY, SECRET, at=THEN), BODY, SECRET, now=THEN + apart, tolerance=MINUTES)


@pytest.mark.parametrize(
    "changes,body,said",
    [
        ({}, BODY + b" ", "does not fit"),
        ({}, b"", "does not fit"),
        ({TIMESTAMP: "1791288001"}, BODY, "does not fit"),
        ({SIGNATURE: "v1=" + "0" * 64}, BODY, "does not fit"),
        ({SIGNATURE: "v2=" + "0" * 64}, BODY, "wrong form"),
        ({SIGNATURE: "v1=" + "0" * 63}, BODY, "wrong form"),
        ({SIGNATURE: "v1=" + "0" * 64 + "\n"}, BODY, "wrong form"),
        ({SIGNATURE: "v1=" + "é" * 64}, BODY, "wrong form"),
        ({SIGNATURE: ""}, BODY, "wrong form"),
        ({TIMESTAMP: "-1791288000"}, BODY, "no whole number"),
        ({TIMESTAMP: "1791288000.0"}, BODY, "no whole number"),
        ({TIMESTAMP: "1" * 13}, BODY, "no whole number"),
        ({TIMESTAMP: "١٧٩١"}, BODY, "no whole number"),
        ({TIMESTAMP.upper(): "1791288000"}, BODY, "twice"),
        ({SIGNATURE.lower(): ""}, BODY, "twice"),
    ],
)
def test_a_call_that_was_touched_is_refused(changes: dict[str, str], body: bytes, said: str) -> None:
    """Another body, another time, another or no signature, or a header given twice is refused, each in words."""
    with pytest.raises(NotSigned, match=said):
        verify(sign(BODY, SECRET, at=THEN) | changes, body, SECRET, now=THEN, tolerance=MINUTES)


@pytest.mark.parametrize("missing", [TIMESTAMP, SIGNATURE])
def test_a_call_without_a_header_is_refused(missing: str) -> None:
    """Both headers have to be there."""
    headers = sign(BODY, SECRET, at=THEN)
    del headers[missing]
    with pytest.raises(NotSigned, match=f"{missing} is missing"):
        verify(headers, BODY, SECRET, now=THEN, tolerance=MINUTES)


def test_another_secret_is_refused_and_none_is_told() -> None:
    """Who holds another secret is refused, and no error holds either secret or the right signature."""
    headers = sign(BODY, SECRET, at=THEN)
    other = "saucer" * 6
    with pytest.raises(NotSigned) as refused:
        verify(headers, BODY, other, now=THEN, tolerance=MINUTES)
    told = str(refused.value)
    assert "kettle" not in told
    assert "saucer" not in told
    assert sign(BODY, other, at=THEN)[SIGNATURE] not in told


@pytest.mark.parametrize("secret", ["", "short", "x" * (LEAST_SECRET - 1)])
def test_a_weak_secret_is_never_believed(secret: str) -> None:
    """With no secret set, or a short one, nothing is accepted, even if it was signed with it."""
    assert weak(secret)
    with pytest.raises(NotSigned, match="too short"):
        verify(sign(BODY, secret, at=THEN), BODY, secret, now=THEN, tolerance=MINUTES)


@pytest.mark.parametrize("secret", ["x" * LEAST_SECRET, "é" * (LEAST_SECRET // 2)])
def test_strength_counts_bytes(secret: str) -> None:
    """A secret is long enough by its bytes in UTF-8."""
    assert not weak(secret)
