"""The form of a syslog message, against RFC 5424."""

import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asleft.alerts.syslog_format import FACILITIES, SEVERITIES, Element, Message, cut, frame, timestamp

PACIFIC = timezone(timedelta(hours=-7))
BOM = b"\xef\xbb\xbf"
EXAMPLE = Element(
    id="exampleSDID@32473", params=[("iut", "3"), ("eventSource", "Application"), ("eventID", "1011")]
)
YEARS = (datetime(2, 1, 1), datetime(9998, 1, 1))  # noqa: DTZ001 hypothesis wants bounds without zones
GRAMMAR = re.compile(
    rb"<(?:0|[1-9][0-9]?|1[0-8][0-9]|19[01])>1"
    rb" (?:-|[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,6})?(?:Z|[+-][0-9]{2}:[0-9]{2}))"
    rb" [!-~]{1,255} [!-~]{1,48} [!-~]{1,128} [!-~]{1,32}"
    rb' (?:-|(?:\[[!#-<>-\\^-~]{1,32}(?: [!#-<>-\\^-~]{1,32}="(?:[^"\\\]]|\\["\\\]])*")*\])+)'
    rb"(?: (?:\xef\xbb\xbf)?.*)?\Z",
    re.DOTALL,
)
"""The ABNF of RFC 5424 section 6, written as one expression; only escapes that the standard knows are taken."""


def message(facility: int = 20, severity: int = 5, **changes: object) -> Message:
    fields: dict[str, object] = {
        "facility": facility,
        "severity": severity,
        "time": datetime(2003, 10, 11, 22, 14, 15, 3000, tzinfo=UTC),
        "hostname": "mymachine.example.com",
        "app_name": "evntslog",
        "procid": "",
        "msgid": "ID47",
    }
    return Message(**(fields | changes))  # type: ignore[arg-type]  # the names are those of the class


@pytest.mark.parametrize(
    "facility,severity,pri",
    [
        ("kern", "emergency", 0),
        ("local4", "notice", 165),
        ("auth", "critical", 34),
        ("local0", "warning", 132),
        ("log-audit", "notice", 109),
        ("local7", "debug", 191),
        ("user", "notice", 13),
    ],
)
def test_pri_is_eight_times_the_facility_and_the_severity(facility: str, severity: str, pri: int) -> None:
    """RFC 5424 6.2.1 with tables 1 and 2: kernel emergency 0, local4 notice 165; the others by the same rule."""
    sent = bytes(message(FACILITIES[facility], SEVERITIES[severity]))
    assert sent.startswith(f"<{pri}>1 ".encode())


def test_the_tables_are_whole() -> None:
    """RFC 5424 tables 1 and 2 have 24 facilities and 8 severities, numbered from 0."""
    assert list(FACILITIES.values()) == list(range(24))
    assert list(SEVERITIES.values()) == list(range(8))
    assert (FACILITIES["daemon"], FACILITIES["authpriv"], FACILITIES["local0"]) == (3, 10, 16)


@pytest.mark.parametrize(
    "made,expected",
    [
        (
            message(4, 2, app_name="su", text="'su root' failed on /dev/pts/8"),
            b"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
            + BOM
            + b"'su root' failed on /dev/pts/8",
        ),
        (
            message(
                time=datetime(2003, 8, 24, 5, 14, 15, 3, tzinfo=PACIFIC),
                hostname="192.0.2.1",
                app_name="myproc",
                procid="8710",
                msgid="",
                text=b"%% It's time to make the do-nuts.",
            ),
            b"<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.",
        ),
        (
            message(data=[EXAMPLE], text="An application event log entry..."),
            b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47"
            b' [exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
            + BOM
            + b"An application event log entry...",
        ),
        (
            message(data=[EXAMPLE, Element(id="examplePriority@32473", params=[("class", "high")])]),
            (
                b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47"
                b' [exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"]'
                b'[examplePriority@32473 class="high"]'
            ),
        ),
    ],
)
def test_the_examples_of_the_standard(made: Message, expected: bytes) -> None:
    """RFC 5424 6.5, examples 1 to 4 (the free text of the first without the person's name): same fields, same bytes.

    Read in secondary copies of the examples, as other programs' tests hold them.
    """
    assert bytes(made) == expected
    assert GRAMMAR.match(expected)


@pytest.mark.parametrize(
    "time,expected",
    [
        (datetime(1985, 4, 12, 23, 20, 50, 520000, tzinfo=UTC), "1985-04-12T23:20:50.52Z"),
        (
            datetime(1985, 4, 12, 19, 20, 50, 520000, tzinfo=timezone(timedelta(hours=-4))),
            "1985-04-12T19:20:50.52-04:00",
        ),
        (datetime(2003, 10, 11, 22, 14, 15, 3000, tzinfo=UTC), "2003-10-11T22:14:15.003Z"),
        (datetime(2003, 8, 24, 5, 14, 15, 3, tzinfo=PACIFIC), "2003-08-24T05:14:15.000003-07:00"),
        (
            datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(timedelta(hours=-8))),
            "1996-12-19T16:39:57-08:00",
        ),
    ],
)
def test_times_are_those_of_the_standards(time: datetime, expected: str) -> None:
    """RFC 5424 6.2.3.1, examples 1 to 4, and RFC 3339 5.8."""
    assert timestamp(time) == expected


def test_a_zone_that_cannot_be_written_is_not() -> None:
    """An offset with seconds, as local mean times have, is told in UTC: the same instant."""
    odd = datetime(1937, 1, 1, 12, 0, 27, tzinfo=timezone(timedelta(minutes=19, seconds=32)))
    assert timestamp(odd) == "1937-01-01T11:40:55Z"


def test_values_are_escaped() -> None:
    """RFC 5424 6.3.3: quote, backslash and closing bracket get a backslash before them, nothing else does."""
    element = Element(id="x@32473", params=[("a", 'b"c\\d]e[f')])
    assert str(element) == '[x@32473 a="b\\"c\\\\d\\]e[f"]'


def test_fields_are_kept_within_their_limits() -> None:
    """RFC 5424 section 6: HOSTNAME 255, APP-NAME 48, PROCID 128, MSGID 32, names of structured data 32 characters."""
    made = message(
        hostname="h" * 300,
        app_name="a" * 300,
        procid="p" * 300,
        msgid="m" * 300,
        data=[Element(id="i" * 300, params=[("n" * 300, "")])],
    )
    fields = bytes(made).split(b" ")[2:]
    assert [len(field) for field in fields] == [255, 48, 128, 32, 1 + 32, 32 + len('=""]')]


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    facility=st.integers(0, 23),
    severity=st.integers(0, 7),
    time=st.none() | st.datetimes(*YEARS, timezones=st.timezones()),
    texts=st.lists(st.text(), min_size=4, max_size=4),
    data=st.lists(
        st.builds(
            lambda name, params: Element(id=name, params=params),
            st.text(),
            st.lists(st.tuples(st.text(), st.text())),
        )
    ),
    text=st.none() | st.text(),
)
def test_whatever_comes_in_the_grammar_holds(
    facility: int,
    severity: int,
    time: datetime | None,
    texts: list[str],
    data: list[Element],
    text: str | None,
) -> None:
    """Any fields at all, foreign text, spaces and controls in them too, make a message of the standard's grammar."""
    hostname, app_name, procid, msgid = texts
    made = Message(
        facility=facility,
        severity=severity,
        time=time,
        hostname=hostname,
        app_name=app_name,
        procid=procid,
        msgid=msgid,
        data=data,
        text=text,
    )
    assert GRAMMAR.match(bytes(made))


@pytest.mark.parametrize("longest,expected", [(5, "aüü"), (4, "aü"), (3, "aü"), (2, "a"), (1, "a"), (0, "")])
def test_a_cut_never_halves_a_character(longest: int, expected: str) -> None:
    """What is left after a cut is whole UTF-8."""
    assert cut("aüü".encode(), longest) == expected.encode()


def test_a_frame_counts_bytes() -> None:
    """RFC 6587 3.4.1: the length in octets, a space, the message; a newline in it changes nothing."""
    assert frame("ü\nx".encode()) == b"4 \xc3\xbc\nx"
