"""A remote that refuses the records is told to people by a real agent and taken back once it takes them again."""

from pathlib import Path

from daemon.agent.process import an_agent
from daemon.agent.test_agent import SITES, told_by_mail, words
from daemon.test_pushing import bare
from estates import HALL, asleft, git


def test_a_refusal_is_told_by_mail_until_it_is_over(tmp_path: Path) -> None:
    """A hook of a real bare repository says no; a letter says so, and another one that it is over."""
    remote = bare(tmp_path / "remote")
    hook = remote / "hooks" / "pre-receive"
    hook.parent.mkdir(exist_ok=True)
    hook.write_text("#!/bin/sh\necho the shelf is full >&2\nexit 1\n")
    hook.chmod(0o755)
    with told_by_mail(tmp_path) as (bench, room):
        with (bench.home / "settings.yaml").open("a", encoding="utf-8") as settings:
            settings.write(f"records-remote: {remote}\n")
        with an_agent(bench.home, tmp_path) as agent:
            room.open()
            agent.until_looked(SITES)
            letter = room.next()
            assert str(letter["Subject"]) == "High everywhere: the remote refuses the records"
            told = words(letter)
            assert told["What"].startswith("The remote refused the records: ")
            assert "pre-receive hook declined" in told["What"]
            assert told["Where"] == f"the agent, copy of the records at {remote}"
            assert "asleft prove" in told["What to do"]
            proved = asleft("prove", "--home", bench.home)
            assert (proved.code, "copy at the remote: the remote refused the records" in proved.out) == (
                6,
                True,
            )
            hook.unlink()
            # A new commit is tried at once.
            bench.meddle(f"{HALL}/drums", "panel.key-dim", "90 %")
            letter = room.next()
            assert str(letter["Subject"]) == "All clear, high everywhere: the remote refuses the records"
            assert words(letter)["What"].startswith("It is over; it was: the remote refused the records: ")
            assert asleft("prove", "--home", bench.home).code == 0
            head = git(bench.home / "records", "rev-parse", "main")
            assert git(remote, "rev-parse", "main") == head
    assert room.is_empty()
