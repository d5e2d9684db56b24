"""What is a host, and what only looks like one."""

import pytest

from asleft.alerts.addresses import is_host


@pytest.mark.parametrize(
    "host",
    [
        "post",
        "post.quillfen.example",
        "127.20.0.5",
        "::1",
        "2001:db8::5",
        "fe80::1",
        "a_b.example",
        "9.example",
        "a" * 63,
    ],
)
def test_hosts(host: str) -> None:
    """Names and addresses of both families are hosts."""
    assert is_host(host)


@pytest.mark.parametrize(
    "host",
    [
        "",
        " ",
        "a b",
        "a\n",
        "-a",
        ".a",
        "a..b",
        "a.",
        "zoë.example",
        "a" * 64,
        "a." * 127 + "aa",
        "[::1]",
        "a:25",
        "a/b",
        "u@h",
    ],
)
def test_what_is_no_host(host: str) -> None:
    """Ports, brackets, blanks, empty or overlong labels and letters beyond ASCII are not."""
    assert not is_host(host)
