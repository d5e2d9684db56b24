"""A unit from another site is told by mail, by a real agent and a real mail server: to each person by what they may look at."""

import json
from email.message import EmailMessage
from pathlib import Path

from asleft.domain.alerts.alert import Alert
from asleft.ledger.outbox import SqliteOutbox
from daemon.agent.process import MailRoom, an_agent
from daemon.agent.test_agent import BASS, DRUMS, MAIL, ready, told_by_mail
from estates import HALL, IDRIS, Bench, commit

CHAPEL, ORGAN, MAUD = "brackle-chapel", "brackle-chapel/organ", "maud-tarrant"
REACH = {IDRIS: ("Idris Quill", "idris@quillfen.example"), MAUD: ("Maud Tarrant", "maud@quillfen.example")}
OF_CHAPEL = ("brackle", "organ", "tarrant", "maud")
OF_HALL = ("quillfen-hall", "quillfen hall", "drums", "idris")


def letters(room: MailRoom, count: int) -> dict[tuple[str, str], str]:
    """Give so many letters by who got them and which site they are about: all that is in them, head and text."""

    def whole(letter: EmailMessage) -> str:
        heads = "\n".join(f"{name}: {value}" for name, value in letter.items() if name not in {"To", "From"})
        return f"{heads}\n{letter.get_content()}"

    came = [room.next() for _ in range(count)]
    return {
        (str(one["To"]), HALL if "Hall" in str(one["Subject"]) else CHAPEL): whole(one).replace("\r\n", "\n")
        for one in came
    }


def two_are_changed_over(bench: Bench) -> None:
    """Approve two units each at the other one's place, and routes to three people: each to the sites where they may look."""
    people, estate = (bench.repository / name for name in ("people.yaml", "estate.yaml"))
    text = people.read_text("utf-8")
    for name, address in REACH.values():
        line = f"    name: {name}\n"
        assert line in text
        text = text.replace(line, f"{line}    reach: {{mail: {address}}}\n")
    people.write_text(text, "utf-8")
    with estate.open("a", encoding="utf-8") as file:
        file.writelines(
            f"  - {{who: {who}, by: mail, sites: [{site}]}}\n"
            for who, site in ((IDRIS, HALL), (MAUD, CHAPEL))
        )
    paths = [
        bench.repository / f"sites/{site}/stations/{name}.yaml"
        for site, _, name in (one.partition("/") for one in (DRUMS, ORGAN))
    ]
    texts = [path.read_text("utf-8") for path in paths]
    serials = [text.partition("serial: ")[2].partition("\n")[0] for text in texts]
    for path, text, own, other in zip(paths, texts, serials, reversed(serials), strict=True):
        path.write_text(text.replace(own, other), "utf-8")
    commit(bench.repository, "Change two units over")


def kept(bench: Bench, receiver: str) -> list[Alert]:
    """Give what somebody was told and is not over, as the outbox has it."""
    with bench.ledger() as ledger:
        outbox = SqliteOutbox(ledger)
        return [
            alert
            for cause in outbox.open_causes()
            for alert in outbox.told(cause)
            if alert.receiver == receiver
        ]


def among(words: tuple[str, ...], text: str) -> list[str]:
    """Give those that stand in a text."""
    return [word for word in words if word in text.lower()]


def test_each_is_told_of_a_unit_from_elsewhere_by_their_own_sight(tmp_path: Path) -> None:
    """Who may look everywhere is told where it came from; a person of one site is told no name of there, in letter and data."""
    with told_by_mail(tmp_path, "high, medium, low") as (bench, room):
        two_are_changed_over(bench)
        room.open()
        with an_agent(bench.home, tmp_path) as agent:
            ready(agent)
            came = letters(room, 4)
            assert came.keys() == {
                (MAIL, HALL),
                (MAIL, CHAPEL),
                (REACH[IDRIS][1], HALL),
                (REACH[MAUD][1], CHAPEL),
            }
            assert f"the unit of {ORGAN}; approved is " in came[MAIL, HALL]
            assert f"the unit of {DRUMS}; approved is " in came[MAIL, CHAPEL]
            for (key, (_, address)), site, station, hidden in zip(
                REACH.items(), (HALL, CHAPEL), (DRUMS, ORGAN), (OF_CHAPEL, OF_HALL), strict=True
            ):
                told = came[address, site]
                assert "the unit of another site's station; approved is " in told
                assert f"({station})" in told
                assert among(hidden, told) == []
                (alert,) = kept(bench, f"{key} by mail")
                assert among(hidden, json.dumps(dict(alert.data))) == []
                (row,) = json.loads(json.dumps(alert.data["drifts"]))
                assert "the unit of another site's station" in row["what"]
            # What was told in part is known as told: the next one that comes is about something else.
            bench.meddle(BASS, "headphones.gain", "+12 dB")
            after = letters(room, 2)
            assert after.keys() == {(MAIL, HALL), (REACH[IDRIS][1], HALL)}
            assert all("bass" in one and "unit exchanged" not in one for one in after.values())
        assert room.is_empty()
