"""Signed web calls to a real web server."""

import json
import logging
import ssl
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from alerts.conftest import Certificates
from alerts.sample import CREATED, DRUMS, HOSTILE
from alerts.servers import WebServer, listening
from asleft.alerts.webhook import ID, AskedToWait, Webhook, body_of
from asleft.domain.alerts.alert import Alert
from asleft.domain.signing import NotSigned, verify
from asleft.ports.alerts import NotDelivered, Undeliverable

SECRET = "kettle-kettle-kettle-kettle-kettle"
NOW = datetime(2026, 10, 6, 20, 0, tzinfo=UTC)
PATH = "/hooks/T0KEN-0f-the-room?key=S4UCER"


def channel(
    port: int, *, scheme: str = "http", context: ssl.SSLContext | None = None, seconds: float = 10.0
) -> Webhook:
    return Webhook(
        "control-room",
        f"{scheme}://127.0.0.1:{port}{PATH}",
        SECRET,
        context=context or ssl.create_default_context(),
        clock=lambda: NOW,
        seconds=seconds,
    )


async def test_an_alert_arrives_signed(web: WebServer) -> None:
    """One POST holds the whole alert as JSON; its signature is good for who knows the secret, at that time."""
    sender = channel(web.port)
    await sender.send(DRUMS)
    await sender.close()
    (call,) = web.calls
    assert call.path == PATH
    assert call.headers["Content-Type"] == "application/json"
    verify(call.headers, call.body, SECRET, now=NOW, tolerance=timedelta(seconds=1))
    with pytest.raises(NotSigned):
        verify(call.headers, call.body + b" ", SECRET, now=NOW, tolerance=timedelta(seconds=1))
    assert json.loads(call.body) == {
        "schema": "asleft-alert",
        "version": 1,
        "id": DRUMS.id,
        "receiver": DRUMS.receiver,
        "priority": "high",
        "created": CREATED.isoformat(),
        "cause": DRUMS.cause,
        "subject": DRUMS.subject,
        "text": DRUMS.text.rstrip("\n"),
        "data": dict(DRUMS.data),
    }


async def test_a_cause_is_told_as_data_tells_it(web: WebServer) -> None:
    """The cause itself is made of what is, and may name what its receiver may not be told."""
    sender = channel(web.port)
    await sender.send(replace(DRUMS, cause="raw", data={"cause": "told"}))
    await sender.close()
    (call,) = web.calls
    assert b"raw" not in call.body
    assert json.loads(call.body)["cause"] == "told"


async def test_an_alert_arrives_over_tls(web_tls: WebServer, certificates: Certificates) -> None:
    """Over https the server's certificate is checked and the call made."""
    await channel(web_tls.port, scheme="https", context=certificates.trusting).send(DRUMS)
    assert [call.body for call in web_tls.calls] == [body_of(DRUMS)]


async def test_nothing_goes_to_who_has_another_certificate(
    web_tls: WebServer, distrusting: ssl.SSLContext
) -> None:
    """A certificate of another authority is refused before a byte of the call, and no part of the path is told."""
    with pytest.raises(NotDelivered, match="certificate is not accepted") as failed:
        await channel(web_tls.port, scheme="https", context=distrusting).send(DRUMS)
    assert str(failed.value).startswith(f"channel control-room, https://127.0.0.1:{web_tls.port}: ")
    assert web_tls.calls == []


async def test_the_same_alert_has_the_same_id_and_body(web: WebServer) -> None:
    """A repeat can be told by its header, which holds any id on one line."""
    alert = replace(DRUMS, id="a b/ü\r\nX: y")
    for _ in range(2):
        await channel(web.port).send(alert)
    assert [call.headers[ID] for call in web.calls] == ["a%20b%2F%C3%BC%0D%0AX%3A%20y"] * 2
    assert web.calls[0].body == web.calls[1].body


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
async def test_any_success_is_delivered(web: WebServer, status: int) -> None:
    """2xx means delivered (RFC 9110 15.3)."""
    web.status = status
    await channel(web.port).send(DRUMS)
    assert len(web.calls) == 1


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504, 599])
async def test_what_may_pass_is_tried_again(web: WebServer, status: int) -> None:
    """5xx, and the 4xx that are about time, wait for another try."""
    web.status = status
    with pytest.raises(NotDelivered, match=f"the receiver answers {status}") as failed:
        await channel(web.port).send(DRUMS)
    assert not isinstance(failed.value, AskedToWait)


@pytest.mark.parametrize("status", [400, 401, 403, 404, 410, 413, 422])
async def test_what_will_not_pass_is_given_up(web: WebServer, status: int) -> None:
    """Any other 4xx is for good."""
    web.status = status
    with pytest.raises(Undeliverable, match=f"the receiver answers {status}; check url and secret"):
        await channel(web.port).send(DRUMS)


@pytest.mark.parametrize("status", [301, 302, 307, 308])
async def test_a_redirection_is_not_followed(web: WebServer, status: int) -> None:
    """The alert goes to the address in the settings or nowhere; one call is made, and the other address is not told."""
    web.status = status
    web.headers = {"Location": f"http://127.0.0.1:{web.port}/T0-another-place"}
    with pytest.raises(NotDelivered, match="no redirection is followed; write the new address") as failed:
        await channel(web.port).send(DRUMS)
    assert [call.path for call in web.calls] == [PATH]
    assert "T0-another" not in str(failed.value)


@pytest.mark.parametrize(
    "status,told,seconds",
    [
        (429, "120", 120),
        (503, "0", 0),
        (503, "Tue, 06 Oct 2026 20:01:30 GMT", 90),
        (503, "Tue, 06 Oct 2026 19:00:00 GMT", 0),
        (429, "9" * 400, 86_400),
    ],
)
async def test_a_wait_that_is_asked_for_is_passed_on(
    web: WebServer, status: int, told: str, seconds: int
) -> None:
    """Retry-After (RFC 9110 10.2.3) comes as seconds or as a date, and is believed up to a day."""
    web.status, web.headers = status, {"Retry-After": told}
    with pytest.raises(AskedToWait) as asked:
        await channel(web.port).send(DRUMS)
    assert asked.value.retry_after == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    "told", ["soon", "-5", "1.5", "Tue, 99 Oct 2026 20:01:30 GMT", "Tue, 06 Oct 2026 20:01:30"]
)
async def test_a_wait_that_is_none_is_ignored(web: WebServer, told: str) -> None:
    """What is neither seconds nor a date in GMT asks for nothing."""
    web.status, web.headers = 429, {"Retry-After": told}
    with pytest.raises(NotDelivered) as failed:
        await channel(web.port).send(DRUMS)
    assert not isinstance(failed.value, AskedToWait)


async def test_a_receiver_that_hangs_is_given_up(web: WebServer) -> None:
    """A receiver that does not answer holds up one call for its limit only."""
    web.held.clear()
    with pytest.raises(NotDelivered, match=r"did not answer within 0\.3 s"):
        await channel(web.port, seconds=0.3).send(DRUMS)


async def test_an_answer_without_end_is_left(web: WebServer) -> None:
    """The status counts; of the answer's body little is read, then the call is ended."""
    web.status, web.endless = 200, True
    await channel(web.port).send(DRUMS)
    assert web.left.wait(10)


async def test_a_receiver_that_drops_the_call_is_told(web: WebServer) -> None:
    """A connection that ends without an answer is tried again."""
    web.status = 0
    with pytest.raises(NotDelivered, match="dropped the connection"):
        await channel(web.port).send(DRUMS)


async def test_what_does_not_speak_http_is_told() -> None:
    """Another service on that port is not taken for a receiver."""

    async def talk(reader: object, writer: object) -> None:
        await reader.readuntil(b"}")  # type: ignore[attr-defined]  # a stream reader
        writer.write(b"220 post.quillfen.example\r\n")  # type: ignore[attr-defined]  # a stream writer
        await writer.drain()  # type: ignore[attr-defined]

    async with listening(talk) as port:
        with pytest.raises(NotDelivered, match="dropped the connection, or does not speak HTTP"):
            await channel(port).send(DRUMS)


async def test_a_closed_port_is_told(closed_port: int) -> None:
    """Where nothing listens, the alert waits for another try."""
    with pytest.raises(NotDelivered, match="nothing accepts connections there"):
        await channel(closed_port).send(DRUMS)


async def test_a_hostile_alert_is_plain_json(web: WebServer) -> None:
    """Whatever the alert holds, the call is one, its JSON is ASCII and bounded, and its data are as they were."""
    await channel(web.port).send(HOSTILE)
    (call,) = web.calls
    assert call.body.isascii()
    assert len(call.body) < 200_000
    told = json.loads(call.body)
    assert told["data"] == HOSTILE.data
    assert told["subject"].isprintable()
    assert all(line.isprintable() for line in told["text"].split("\n"))
    assert "everyone" not in call.headers.get("Bcc", "")


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
async def test_what_json_cannot_hold_is_given_up(closed_port: int, value: float) -> None:
    """A number that JSON has no form for is told as our own fault, before any call."""
    with pytest.raises(Undeliverable, match="a value that JSON cannot"):
        await channel(closed_port).send(replace(DRUMS, data={"over": value}))


@pytest.mark.parametrize("status", [204, 500])
async def test_no_log_holds_the_address_or_the_signature(
    web: WebServer, caplog: pytest.LogCaptureFixture, status: int
) -> None:
    """With every logger open, neither path nor key nor signature is logged."""
    caplog.set_level(logging.DEBUG)
    web.status = status
    try:
        await channel(web.port).send(DRUMS)
    except NotDelivered as failed:
        caplog.handler.stream.write(str(failed))
    said = caplog.text
    for secret in ("T0KEN", "S4UCER", SECRET, web.calls[0].headers["X-Asleft-Signature"]):
        assert secret not in said


async def test_the_environment_has_no_say(
    web: WebServer, closed_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A proxy in the environment is not used."""
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, f"http://127.0.0.1:{closed_port}")
    await channel(web.port).send(DRUMS)
    assert len(web.calls) == 1


def test_bodies_differ_where_alerts_do() -> None:
    """The body is made of the alert alone."""
    later: Alert = replace(DRUMS, created=CREATED + timedelta(seconds=1))
    assert body_of(DRUMS) == body_of(replace(DRUMS))
    assert body_of(DRUMS) != body_of(later)
