"""Mail to a real server, over real TLS."""

import ssl
from dataclasses import replace
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import pytest

from alerts.conftest import Certificates
from alerts.post_office import PostOffice, open_office
from alerts.sample import CREATED, DRUMS, HOSTILE
from alerts.servers import listening
from asleft.alerts.mail import Mail, MailServer, Tls, message_for
from asleft.domain.alerts.alert import Alert
from asleft.domain.profile import Priority
from asleft.ports.alerts import NotDelivered, Undeliverable

SENDER = "desk@quillfen.example"
PASSWORD = "kettle-and-saucer"


def channel(
    port: int,
    context: ssl.SSLContext,
    *,
    tls: Tls = Tls.STARTTLS,
    user: str = "",
    password: str = "",
    seconds: float = 10.0,
) -> Mail:
    server = MailServer(
        host="127.0.0.1",
        port=port,
        tls=tls,
        sender=SENDER,
        hello="desk.quillfen.example",
        user=user,
        password=password,
    )
    return Mail("mail", server, context=context, seconds=seconds)


async def test_a_mail_is_delivered_over_starttls(certificates: Certificates) -> None:
    """The receiver gets the alert's words, the envelope names sender and receiver, and the way was encrypted."""
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving) as port:
        sender = channel(port, certificates.trusting)
        await sender.send(DRUMS)
        await sender.close()
    (letter,) = office.letters()
    assert letter.get_content().replace("\r\n", "\n") == DRUMS.text
    assert (office.receivers, office.encrypted) == ([DRUMS.address], [True])
    assert office.heard == [f"MAIL {SENDER}", f"RCPT {DRUMS.address}"]
    assert {
        name: str(letter[name]) for name in ("From", "To", "Subject", "Auto-Submitted", "Importance")
    } == {
        "From": f"asleft <{SENDER}>",
        "To": DRUMS.address,
        "Subject": DRUMS.subject,
        "Auto-Submitted": "auto-generated",
        "Importance": "high",
    }
    assert parsedate_to_datetime(str(letter["Date"])) == CREATED
    assert letter.get_content_type() == "text/plain"
    assert letter.get_content_charset() == "utf-8"


async def test_a_mail_is_delivered_over_implicit_tls(certificates: Certificates) -> None:
    """TLS from the first byte works too, with a user."""
    office = PostOffice()
    async with open_office(office, implicit=certificates.serving, sign_in=True) as port:
        sender = channel(
            port, certificates.trusting, tls=Tls.IMPLICIT, user=office.user, password=office.password
        )
        await sender.send(DRUMS)
    assert office.receivers == [DRUMS.address]
    assert office.heard[0].startswith("AUTH ")


async def test_a_mail_goes_in_the_clear_only_where_the_settings_say_so(certificates: Certificates) -> None:
    """With tls none nothing is encrypted, even where the server could."""
    office = PostOffice()
    async with open_office(office) as port:
        await channel(port, certificates.trusting, tls=Tls.NONE).send(DRUMS)
    assert office.encrypted == [False]


async def test_nothing_is_said_to_a_server_without_starttls(certificates: Certificates) -> None:
    """Where STARTTLS is not offered, neither the password nor the mail goes out."""
    office = PostOffice()
    async with open_office(office) as port:
        sender = channel(port, certificates.trusting, user=office.user, password=office.password)
        with pytest.raises(NotDelivered, match="offers no STARTTLS, so nothing was sent"):
            await sender.send(DRUMS)
    assert office.heard == []


@pytest.mark.parametrize("tls", [Tls.STARTTLS, Tls.IMPLICIT])
async def test_nothing_is_said_to_a_server_with_another_certificate(
    tls: Tls, certificates: Certificates, distrusting: ssl.SSLContext
) -> None:
    """A certificate of an authority that is not trusted ends the call before the password."""
    office = PostOffice()
    opened = (
        open_office(office, starttls=certificates.serving)
        if tls is Tls.STARTTLS
        else open_office(office, implicit=certificates.serving)
    )
    async with opened as port:
        sender = channel(port, distrusting, tls=tls, user=office.user, password=office.password)
        with pytest.raises(
            NotDelivered, match=f"channel mail, 127.0.0.1:{port}: its certificate is not accepted"
        ):
            await sender.send(DRUMS)
    assert office.heard == []


async def test_a_user_signs_in(certificates: Certificates) -> None:
    """User and password open a server that wants both."""
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving, sign_in=True) as port:
        await channel(port, certificates.trusting, user=office.user, password=office.password).send(DRUMS)
    assert office.receivers == [DRUMS.address]


async def test_a_wrong_password_is_told_without_it(certificates: Certificates) -> None:
    """A server that wants another password is tried again after it was mended, and no error repeats the password."""
    office = PostOffice(password="another-one")
    async with open_office(office, starttls=certificates.serving, sign_in=True) as port:
        sender = channel(port, certificates.trusting, user=office.user, password=PASSWORD)
        with pytest.raises(
            NotDelivered, match=r"does not let us sign in \(code 535\); check user and credential"
        ) as failed:
            await sender.send(DRUMS)
    assert PASSWORD not in str(failed.value)
    assert failed.value.__cause__ is None
    assert office.receivers == []


async def test_a_server_that_repeats_the_password_is_quoted_without_it(certificates: Certificates) -> None:
    """Whatever a server says in a refusal, the password is taken out before it is told."""
    office = PostOffice(to_receiver=f"550 5.1.1 not for {PASSWORD}")
    async with open_office(office, starttls=certificates.serving, sign_in=True) as port:
        sender = channel(port, certificates.trusting, user=office.user, password=PASSWORD)
        with pytest.raises(Undeliverable, match=r"not for \(secret\)") as failed:
            await sender.send(DRUMS)
    assert PASSWORD not in str(failed.value)


async def test_a_server_that_wants_a_user_does_not_condemn_the_receiver(certificates: Certificates) -> None:
    """Without a user such a server refuses everything (RFC 4954, 530): the settings are at fault, so it is tried again."""
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving, sign_in=True) as port:
        with pytest.raises(NotDelivered, match="530"):
            await channel(port, certificates.trusting).send(DRUMS)


@pytest.mark.parametrize(
    "answer", ["550 5.1.1 no such mailbox", "553 5.1.3 not here", "530 5.7.0 sign in first"]
)
async def test_a_refused_receiver(answer: str, certificates: Certificates) -> None:
    """5yz for the receiver is for good (RFC 5321 4.2.1), but 530 is not about the receiver."""
    office = PostOffice(to_receiver=answer)
    expected = NotDelivered if answer.startswith("530") else Undeliverable
    async with open_office(office, starttls=certificates.serving) as port:
        with pytest.raises(expected, match=f"refuses '{DRUMS.address}': {answer}"):
            await channel(port, certificates.trusting).send(DRUMS)
    assert office.taken == []


@pytest.mark.parametrize(
    "office,expected,said",
    [
        (PostOffice(to_receiver="451 4.7.1 come back later"), NotDelivered, "451 4.7.1 come back later"),
        (PostOffice(to_receiver="421 4.3.2 closing"), NotDelivered, "421"),
        (PostOffice(to_sender="451 4.3.0 busy"), NotDelivered, "refuses the sender .*451"),
        (
            PostOffice(to_sender="550 5.7.1 not yours"),
            NotDelivered,
            "refuses the sender .*550.*check from and user",
        ),
        (PostOffice(to_message="452 4.3.1 disk full"), NotDelivered, "refuses the message: 452"),
        (PostOffice(to_message="554 5.6.0 no"), Undeliverable, "refuses the message: 554"),
        (PostOffice(to_message="550 \x1b[2J" + "x" * 300), Undeliverable, r"550 \\x1b\[2J"),
    ],
    ids=lambda value: (
        value.to_sender + value.to_receiver + value.to_message[:9] if isinstance(value, PostOffice) else ""
    ),
)
async def test_what_the_server_says_decides(
    office: PostOffice, expected: type[Exception], said: str, certificates: Certificates
) -> None:
    """4yz is tried again, 5yz to the message is not, and 5yz to the sender is a matter of the settings."""
    async with open_office(office, starttls=certificates.serving) as port:
        with pytest.raises(expected, match=said) as failed:
            await channel(port, certificates.trusting).send(DRUMS)
    assert len(str(failed.value)) < 500
    assert str(failed.value).isprintable()


async def test_a_connection_cut_after_the_message_is_tried_again_and_known_again(
    certificates: Certificates,
) -> None:
    """Where the answer to the message is lost it goes out twice, with the same message id: the same bytes, in fact."""
    office = PostOffice(hang_up=True)
    async with open_office(office, starttls=certificates.serving) as port:
        sender = channel(port, certificates.trusting)
        with pytest.raises(NotDelivered, match="dropped the connection"):
            await sender.send(DRUMS)
        office.hang_up = False
        await sender.send(DRUMS)
    first, second = office.taken
    assert first == second
    assert b"Message-ID: <alert-" in first


async def test_a_server_that_hangs_is_given_up(certificates: Certificates) -> None:
    """A server that does not answer to the message holds up one mail for its limit only."""
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving) as port:
        office.go.clear()
        with pytest.raises(NotDelivered, match=r"did not answer within 0\.5 s"):
            await channel(port, certificates.trusting, seconds=0.5).send(DRUMS)


async def test_a_server_that_never_greets_is_given_up(certificates: Certificates) -> None:
    """A port that accepts and says nothing is no mail server, and is told after the limit."""

    async def talk(reader: object, writer: object) -> None:
        del writer
        await reader.read()  # type: ignore[attr-defined]  # a stream reader

    async with listening(talk) as port:
        with pytest.raises(NotDelivered, match=r"did not answer within 0\.2 s"):
            await channel(port, certificates.trusting, seconds=0.2).send(DRUMS)


async def test_a_server_that_fails_at_the_farewell_has_the_mail(certificates: Certificates) -> None:
    """Once the server took the mail, a connection that breaks at QUIT changes nothing: it is not sent twice."""
    heard: list[bytes] = []

    async def talk(reader: object, writer: object) -> None:
        writer.write(b"220 hello\r\n")  # type: ignore[attr-defined]
        answers = {b"EHLO": b"250 post", b"MAIL": b"250 OK", b"RCPT": b"250 OK", b"DATA": b"354 go on"}
        while line := await reader.readline():  # type: ignore[attr-defined]
            heard.append(line[:4])
            if line == b".\r\n":
                writer.write(b"250 taken\r\n")  # type: ignore[attr-defined]
            elif line[:4] == b"QUIT":
                return
            elif line[:4] in answers:
                writer.write(answers[line[:4]] + b"\r\n")  # type: ignore[attr-defined]

    async with listening(talk) as port:
        await channel(port, certificates.trusting, tls=Tls.NONE).send(DRUMS)
    assert heard[-1] == b"QUIT"


async def test_a_closed_port_is_told(certificates: Certificates, closed_port: int) -> None:
    """Where nothing listens, the alert waits for another try."""
    with pytest.raises(NotDelivered, match="nothing accepts connections there"):
        await channel(closed_port, certificates.trusting).send(DRUMS)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "wren",
        "wren@",
        "@quillfen.example",
        "wren@quillfen.example, all@quillfen.example",
        "wren@quillfen.example\r\nBcc: all@quillfen.example",
        "wren@quillfen.example\n",
        "<wren@quillfen.example>",
        "wren@quillfen.example> SIZE=1",
        '"a b"@quillfen.example',
        "wren@@quillfen.example",
        "wren@quillfen..example",
        "w\u202eren@quillfen.example",
        "w" * 65 + "@quillfen.example",
    ],
)
async def test_an_address_that_is_none_is_never_tried(
    address: str, certificates: Certificates, closed_port: int
) -> None:
    """What is no plain address is undeliverable before any connection; nothing of it can reach a header or a command."""
    with pytest.raises(Undeliverable, match="is no mail address") as failed:
        await channel(closed_port, certificates.trusting).send(replace(DRUMS, address=address))
    assert str(failed.value).isprintable()


@pytest.mark.parametrize("utf8", [True, False])
async def test_an_address_beyond_ascii(*, utf8: bool, certificates: Certificates) -> None:
    """It is written as it is to a server that knows SMTPUTF8 (RFC 6531), and is undeliverable to any other."""
    alert = replace(DRUMS, address="zoë@quillfen.example")
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving, utf8=utf8) as port:
        sender = channel(port, certificates.trusting)
        if utf8:
            await sender.send(alert)
        else:
            with pytest.raises(Undeliverable, match="letters beyond ASCII"):
                await sender.send(alert)
    assert office.receivers == ([alert.address] if utf8 else [])


async def test_a_hostile_alert_is_one_plain_mail(certificates: Certificates) -> None:
    """Line breaks, controls, dots and 100,000 letters stay what they are: text, bounded, to one receiver."""
    office = PostOffice()
    async with open_office(office, starttls=certificates.serving) as port:
        await channel(port, certificates.trusting).send(HOSTILE)
    (letter,) = office.letters()
    assert office.receivers == [HOSTILE.address]
    assert letter["Bcc"] is None
    assert letter.defects == []
    assert str(letter["Subject"]).isprintable()
    lines = letter.get_content().splitlines()
    assert "." in lines
    assert all(line.isprintable() for line in lines)
    assert 1000 < len(office.taken[0]) < 200_000
    # RFC 5322 2.1.1
    assert max(len(line) for line in office.taken[0].split(b"\r\n")) <= 998


@pytest.mark.parametrize(
    "priority,importance", [(Priority.HIGH, "high"), (Priority.MEDIUM, "normal"), (Priority.LOW, "low")]
)
def test_priority_is_importance(priority: Priority, importance: str) -> None:
    """The three priorities are the three values of RFC 2156 5.3.4 (from memory)."""
    assert message_for(replace(DRUMS, priority=priority), SENDER)["Importance"] == importance


@pytest.mark.parametrize("sender", [SENDER, f"desk@{'long-name.' * 9}example"])
@pytest.mark.parametrize("alert", [DRUMS, HOSTILE], ids=["good", "hostile"])
def test_mails_of_one_cause_are_one_thread(alert: Alert, sender: str) -> None:
    """Two alerts of one cause have ids of their own and the same reference; another cause has another; none is folded."""
    first = message_for(alert, sender)
    again = message_for(
        replace(alert, id="all clear", subject="All clear", created=datetime(2026, 10, 7, tzinfo=UTC)), sender
    )
    other = message_for(replace(alert, cause="another"), sender)
    assert first["Message-ID"] != again["Message-ID"]
    assert first["References"] == again["References"] != other["References"]
    domain = sender.partition("@")[2].encode()
    for name in (b"Message-ID", b"References", b"In-Reply-To"):
        (line,) = (line for line in first.as_bytes().split(b"\r\n") if line.startswith(name + b": "))
        assert line.endswith(b"@" + domain + b">")


def test_the_password_shows_nowhere(certificates: Certificates) -> None:
    """Neither the server's settings nor the channel show the password when they are printed."""
    sender = channel(1, certificates.trusting, user="desk", password=PASSWORD)
    assert PASSWORD not in repr(sender) + repr(sender._server) + str(vars(sender))
