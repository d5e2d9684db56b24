"""The example estate as a git repository of its own."""

from datetime import datetime
from pathlib import Path

from asleft.source.door import LOCAL, Unreadable, last_line
from asleft.source.profiles import shipped_folder
from asleft.source.program import Git

__all__ = ["plant_example"]

_AUTHOR = ("Wren Halloway", "wren.halloway@quillfen.example")


def plant_example(folder: Path, *, port: int | None, when: datetime) -> None:
    """Make a repository of the example estate, approved in one commit.

    Args:
        folder: The new folder.
        port: Port of the stations, where the one in the files is not to be used.
        when: Time of the commit.
    """
    source = shipped_folder("estate")
    for file in sorted(one for one in source.rglob("*") if one.suffix in {".yaml", ".ics"}):
        target = folder / file.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        text = file.read_text("utf-8")
        if port is not None and file.name == "site.yaml":
            text = text.replace("port: 7310", f"port: {port}")
        target.write_text(text, "utf-8")
    name, email = _AUTHOR
    env = dict(
        LOCAL,
        GIT_AUTHOR_NAME=name,
        GIT_AUTHOR_EMAIL=email,
        GIT_AUTHOR_DATE=when.isoformat(),
        GIT_COMMITTER_NAME=name,
        GIT_COMMITTER_EMAIL=email,
        GIT_COMMITTER_DATE=when.isoformat(),
    )
    for command in (
        ["init", "--quiet", "--initial-branch=main"],
        ["add", "--all"],
        ["commit", "--quiet", "--message=Approve the settings of all three venues"],
    ):
        status, _, why = Git(folder).run(command, env)
        if status:
            raise Unreadable(f"the example could not be committed: {last_line(why)}", where=str(folder))
