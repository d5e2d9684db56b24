"""A person is told by mail of what happens to their own sign-in, by a real agent and a real mail server."""

from email.message import EmailMessage
from pathlib import Path

from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.outbox import SqliteOutbox
from daemon.agent.process import an_agent, until
from daemon.agent.test_agent import MAIL, SITES, WORDS, WREN, told_by_mail, words
from estates import IDRIS, Bench, asleft


def kept(bench: Bench, person: str) -> list[str]:
    """Give what is kept of a person, oldest first."""
    with bench.ledger() as ledger:
        return [str(one.event.move) for one in reversed(SqliteAccountEvents(ledger).events(person))]


def left(bench: Bench) -> tuple[object, object]:
    """Give what is yet to be sent, and what is told and not over."""
    with bench.ledger() as ledger:
        outbox = SqliteOutbox(ledger)
        return outbox.waiting(), outbox.open_causes()


def told(letter: EmailMessage) -> tuple[str, str]:
    """See that a letter is about one's own sign-in and says all; give to whom it went and what it says."""
    assert str(letter["Subject"]).startswith("About your sign-in to ")
    lines = words(letter)
    assert list(lines) == WORDS
    assert lines["What to do"].startswith("nothing, if it was you")
    return str(letter["To"]), lines["What"]


def test_with_and_without_an_agent_its_person_is_told(tmp_path: Path) -> None:
    """ASVS 5.0.0, 6.3.7: what a command does while no agent runs is kept, and told by the next agent; what an agent does, at once.

    Idris has no address: it is kept for the page, and nobody else is told in his place.
    """
    with told_by_mail(tmp_path) as (bench, room):
        room.open()
        with an_agent(bench.home, tmp_path) as agent:
            agent.until_looked(SITES)
        for key in (WREN, IDRIS):
            asleft("people", "add", key, "--home", bench.home)
        assert (kept(bench, WREN), kept(bench, IDRIS)) == (["link made"], ["link made"])
        assert room.is_empty()
        with an_agent(bench.home, tmp_path) as agent:
            agent.until_looked(SITES)
            to, what = told(room.next())
            assert to == MAIL
            assert what.startswith("A link was made by which your password can be set: until ")
            assert "; by the account " in what
            asleft("people", "token", "make", IDRIS, "wall", "--right", "look", "--home", bench.home)
            asleft("people", "token", "make", WREN, "wall", "--right", "look", "--home", bench.home)
            to, what = told(room.next())
            assert to == MAIL
            assert what.startswith("A token was made, by which a program acts as you: 'wall' (look) until ")
            until(lambda: left(bench) == ((), ()), "it is noted that the letter is gone", alive=agent)
        assert kept(bench, IDRIS) == ["link made", "token made"]
        assert room.is_empty()
