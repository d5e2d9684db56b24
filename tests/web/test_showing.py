"""Filters of the templates: foreign text harmless, times as a site's clocks show them, states by shape and word."""

import re
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from asleft.domain.names import plural
from asleft.web.frame import Standing
from asleft.web.showing import Showing, ago, clock_time, db, names, shape, text

NOW = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    "foreign, shown",
    [
        ("<script>alert(1)</script>", "<bdi>&lt;script&gt;alert(1)&lt;/script&gt;</bdi>"),
        ('" onmouseover="x', "<bdi>&#34; onmouseover=&#34;x</bdi>"),
        ("\x1b]0;title\x07", "<bdi>\\x1b]0;title\\x07</bdi>"),
        ("a\u202egnp.exe", "<bdi>a\\u202egnp.exe</bdi>"),
        ("{{ 7 * 7 }}", "<bdi>{{ 7 * 7 }}</bdi>"),
        ("שלום", "<bdi>שלום</bdi>"),
    ],
)
def test_foreign_text(foreign: str, shown: str) -> None:
    """ASVS 1.2.1: markup, escapes, direction marks and template signs show as themselves and do nothing (UAX #9)."""
    assert str(text(foreign)) == shown


def test_long_text_is_cut() -> None:
    """10,000 characters do not fill a screen, and it says how many were cut."""
    assert str(text("a" * 10_000, longest=10)) == f"<bdi>{'a' * 10}… (9990 more characters)</bdi>"


def test_a_list_of_names_is_cut_between_them() -> None:
    """Whole names, then how many more people: what a page says may be asked is a name."""
    assert (
        str(names(["Wren <i>", "Idris Quill"], "person", "people"))
        == "<bdi>Wren &lt;i&gt;, Idris Quill</bdi>"
    )
    assert str(names(["Wren", "Idris Quill"], "person", "people", 5)) == "<bdi>Wren and 1 more person</bdi>"


@pytest.mark.parametrize(
    "apart, said",
    [
        (timedelta(0), "just now"),
        (timedelta(seconds=59), "just now"),
        (timedelta(minutes=3, seconds=30), "3 min ago"),
        (timedelta(minutes=59, seconds=59), "59 min ago"),
        (timedelta(hours=1), "1 h ago"),
        (timedelta(hours=47), "47 h ago"),
        (timedelta(hours=48), "2 days ago"),
        (timedelta(minutes=-14), "in 14 min"),
        (timedelta(seconds=-5), "in less than a minute"),
    ],
)
def test_how_long_ago(apart: timedelta, said: str) -> None:
    """The largest unit that fits, cut and never rounded up; ahead as well as ago."""
    assert ago(NOW - apart, NOW) == said


def test_times_are_the_sites_own() -> None:
    """The time is the site's; the date stands there where the site's day is another one, across midnight and new year."""
    assert clock_time(NOW, NOW, "Europe/Berlin") == "14:00"
    assert clock_time(NOW + timedelta(hours=10, minutes=30), NOW, "Europe/Berlin") == "Thu 11 Jun 00:30"
    assert clock_time(NOW + timedelta(hours=10, minutes=30), NOW, "Europe/London") == "23:30"
    assert clock_time(datetime(2025, 12, 31, 23, 30, tzinfo=UTC), NOW, "UTC") == "31 Dec 2025 23:30"


@pytest.mark.parametrize(
    "differ, zone, shown",
    [
        (False, "Europe/Berlin", "13:59, 1 min ago"),
        (True, "Europe/Berlin", "13:59 Europe/Berlin, 1 min ago"),
        (True, "Europe/Lisbon", "12:59 Europe/Lisbon, 1 min ago"),
        (True, "UTC", "11:59 UTC, 1 min ago"),
        (False, "UTC", "11:59 UTC, 1 min ago"),
    ],
)
def test_a_clock_is_named_where_there_are_several(*, differ: bool, zone: str, shown: str) -> None:
    """Where the sites that somebody sees have different clocks each time says by which it is; UTC is no site's, and says so always."""
    made = Showing(str)._environment.from_string("{{ at|when(zone) }}|{{ at|day(zone) }}")
    values = {"at": NOW - timedelta(minutes=1), "zone": zone, "now": NOW}
    told = made.render(**values, frame=SimpleNamespace(standing=Standing(zones_differ=differ)))
    assert re.sub("<[^>]*>", "", told) == f"{shown}|{shown.partition(',')[0]}"


def test_levels() -> None:
    """Levels have a sign, one digit and their unit."""
    assert [db(-6.0), db(0), db(12)] == ["−6.0 dB", "+0.0 dB", "+12.0 dB"]  # noqa: RUF001 the minus of typography


def test_counts() -> None:
    """A count has its noun in the right number."""
    assert [plural(0, "alarm"), plural(1, "alarm"), plural(2, "day off", "days off")] == [
        "0 alarms",
        "1 alarm",
        "2 days off",
    ]


@pytest.mark.parametrize("state", ["high", "medium", "low", "unknown", "shelved"])
def test_no_state_by_colour_alone(state: str) -> None:
    """WCAG 1.4.1: each state has a shape of its own and a word."""
    shapes = {str(shape(one)).partition("<svg")[2] for one in ("high", "medium", "low", "unknown", "shelved")}
    assert len(shapes) == 5
    assert state.title() in str(shape(state))


def test_templates_forget_nothing() -> None:
    """A template that names what is not there fails, rather than showing nothing."""
    with pytest.raises(Exception, match="frame"):
        Showing(str).render("wrong.html", {"view": None, "now": NOW})
