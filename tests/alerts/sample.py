"""Alerts to send, good and hostile; everything in them is invented."""

from dataclasses import replace
from datetime import UTC, datetime

from asleft.domain.alerts.alert import Alert
from asleft.domain.profile import Priority

CREATED = datetime(2026, 10, 6, 19, 42, 7, tzinfo=UTC)
DRUMS = Alert(
    id="quillfen-hall/drums/output.limit@3",
    receiver="wren-halloway",
    channel="mail",
    address="wren@quillfen.example",
    subject="Quillfen Hall, drums: output limit 12 dB over",
    text=(
        "What: the output limit is 12 dB higher than as left.\n"
        "Where: Quillfen Hall, drums.\n"
        "Since: 6 October 2026, 21:42.\n"
        "Why it matters: 12 dB are sixteen times the energy at the ear.\n"
        "What to do: restore it, or ask “who?”.\n"
    ),
    data={"site": "quillfen-hall", "station": "drums", "over": 12.0, "loud": True, "parts": ["a", None]},
    priority=Priority.HIGH,
    created=CREATED,
    cause="quillfen-hall/drums/output.limit",
)
INJECTION = "x\r\nBcc: everyone@quillfen.example\r\n\r\nRCPT TO:<a@b.example>\n.\r\n\x00\x07\x1b]0;t\x07\u202e\u2028\ud800"
HOSTILE = replace(
    DRUMS,
    id=INJECTION,
    receiver=INJECTION,
    subject=INJECTION,
    text=f"{INJECTION}\n.\n..\r.\r\nFrom someone\n{'ü' * 100_000}\n" + ("line " * 40 + "\n") * 2_000,
    data={INJECTION: INJECTION, '"] x="': '\\"]'},
    cause=INJECTION,
)
