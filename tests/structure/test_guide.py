"""The integrator's guide does what it says: its commands run in order, and what it names is there."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import typer.main
import yaml
from junitparser import JUnitXml

from asleft.cli.app import app, open_rooms
from asleft.source.documents import read_document
from asleft.source.files.estate import ConcessionsFile, EstateFile
from asleft.source.files.parts import validate

TOP = Path(__file__).resolve().parents[2]
GUIDE = TOP / "shared" / "guide" / "integrator.md"
SNIPPETS = GUIDE.parent / "snippets"
TEXT = GUIDE.read_text("utf-8")
BLOCK = re.compile(r"^```([a-z]*)( run)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
RUN = [found[3] for found in BLOCK.finditer(TEXT) if found[2]]
YAML = [found[3] for found in BLOCK.finditer(TEXT) if found[1] == "yaml"]
open_rooms(())
COMMANDS: Mapping[str, Any] = getattr(typer.main.get_command(app), "commands")  # noqa: B009 typer types it as a plain command


def world(home: Path) -> dict[str, str]:
    """Give the environment of a reader who has asleft on the path, and a name in git, and nothing else set up."""
    home.mkdir(exist_ok=True)
    (home / ".gitconfig").write_text(
        "[user]\n  name = Wren Halloway\n  email = wren.halloway@quillfen.example\n", "utf-8"
    )
    kept = {key: value for key, value in os.environ.items() if not key.startswith(("GIT_", "ASLEFT_"))}
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    return kept | {"PATH": path, "HOME": str(home), "XDG_CONFIG_HOME": str(home), "GIT_CONFIG_NOSYSTEM": "1"}


def shell(script: str, folder: Path, environment: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """Run a script that ends with the first command that fails, showing each."""
    return subprocess.run(
        ["sh", "-eux", "-c", script],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Do what the first blocks of the guide say, up to an estate that is committed, and give the folder that it is in."""
    folder = tmp_path_factory.mktemp("guide")
    done = shell("".join(RUN[:2]), folder, world(folder / "reader"))
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def estate(begun: Path, tmp_path: Path) -> Path:
    """Give a copy of that estate."""
    shutil.copytree(begun, tmp_path, dirs_exist_ok=True)
    return tmp_path / "my-stages"


def test_the_blocks_are_found() -> None:
    """The guide has blocks to run, and each asks asleft for something."""
    assert len(RUN) >= 7
    assert [block for block in RUN if "asleft " not in block] == []
    assert TEXT.count("```") == 2 * len(list(BLOCK.finditer(TEXT)))


def test_the_guide_can_be_followed(tmp_path: Path) -> None:
    """All its commands, one after the other as a reader types them, end with 0, and none of them says a word of trouble."""
    done = shell("".join(RUN), tmp_path, world(tmp_path / "reader"))
    assert done.returncode == 0, done.stderr
    assert "asleft: unexpected" not in done.stderr
    assert ": error: " not in done.stdout
    assert "panel.display-dim" in done.stdout
    assert (tmp_path / "home" / "records").is_dir()


def test_every_command_that_the_guide_names_is_there() -> None:
    """Whatever stands behind `asleft` in the guide is a command of the program."""
    named = set(re.findall(r"(?<![-\w])asleft ([a-z][a-z-]*)", "\n".join(re.findall(r"`[^`\n]+`", TEXT))))
    named |= {word for block in RUN for word in re.findall(r"^asleft ([a-z-]+)", block, re.MULTILINE)}
    assert len(named) >= 12
    assert named <= COMMANDS.keys()


def test_every_option_that_the_guide_shows_is_there() -> None:
    """The table's options belong to the command in whose row they stand."""
    rows = re.findall(r"^\| `asleft ([a-z]+).*", TEXT, re.MULTILINE)
    options = [
        (command, option)
        for command, row in zip(rows, re.findall(r"^\| `asleft .*", TEXT, re.MULTILINE), strict=True)
        for option in re.findall(r"`(--[a-z-]+)`", row)
    ]
    assert len(options) >= 2
    for command, option in options:
        known = {name for parameter in COMMANDS[command].params for name in parameter.opts}
        assert option in known, command


def test_the_files_that_the_guide_shows_are_valid() -> None:
    """Each piece of YAML in the guide may stand in the file that it is about."""
    checks, concessions = YAML
    head = "format: asleft-estate-1\nname: My Stages\nprofile: stage-station\n"
    for model, text in ((EstateFile, head + checks), (ConcessionsFile, concessions)):
        document, problems = read_document("a.yaml", text.encode())
        assert document is not None
        assert problems == []
        assert validate(model, document)[1] == []


def test_every_link_leads_somewhere() -> None:
    """Files that the guide links to are there, and every snippet is linked."""
    links = set(re.findall(r"\]\(([^)]+)\)", TEXT))
    assert {link for link in links if not (GUIDE.parent / link).is_file()} == set()
    assert {f"snippets/{file.name}" for file in SNIPPETS.iterdir()} == links


def test_the_hook_definition_is_what_a_baseline_asks_for() -> None:
    """The hook that the snippet asks for is defined at the top of our repository, and never gets file names."""
    (hook,) = yaml.safe_load((TOP / ".pre-commit-hooks.yaml").read_text("utf-8"))
    (repo,) = yaml.safe_load((SNIPPETS / "pre-commit-config.yaml").read_text("utf-8"))["repos"]
    assert [one["id"] for one in repo["hooks"]] == [hook["id"]]
    assert (hook["language"], hook["pass_filenames"], hook["always_run"]) == ("python", False, True)
    assert (
        "pre-commit" not in hook["stages"]
    )  # the newest commit is read, and before a commit that is the old one
    program, command = hook["entry"].split()
    assert (program, command in COMMANDS) == ("asleft", True)


def test_the_hook_lets_good_commits_through_and_no_others(estate: Path) -> None:
    """As git's own pre-push hook, the check lets a good commit out and keeps one with an error in."""
    environment = world(estate.parent / "reader")
    shutil.copy(SNIPPETS / "pre-push", estate / ".git" / "hooks" / "pre-push")
    assert (
        shell("git init --quiet --bare ../hub && git remote add hub ../hub", estate, environment).returncode
        == 0
    )
    assert shell("git push --quiet hub main", estate, environment).returncode == 0
    bad = "echo 'role: nobody' >> sites/harbour-hall/stations/bass.yaml && git commit --quiet --all --message=Bad"
    assert shell(bad, estate, environment).returncode == 0
    done = shell("git push --quiet hub main", estate, environment)
    assert done.returncode != 0
    assert "[station.role]" in done.stdout + done.stderr
    log = shell("git -C ../hub log --format=%s main", estate, environment)
    assert log.stdout.splitlines() == ["Begin with Harbour Hall"]


@pytest.mark.parametrize("good", [True, False])
def test_the_snippet_for_ci_leaves_its_reports(estate: Path, *, good: bool) -> None:
    """A change leaves a log, a report and its effect, and passes; one with an error leaves both reports and fails."""
    environment = world(estate.parent / "reader")
    line = "'  panel: {display-dim: 10 %}'" if good else "'role: nobody'"
    change = f"git switch --quiet --create change && echo {line} >> sites/harbour-hall/stations/bass.yaml"
    assert (
        shell(f"{change} && git commit --quiet --all --message=Change", estate, environment).returncode == 0
    )
    done = shell(f"sh {SNIPPETS / 'ci.sh'} main", estate, environment)
    assert done.returncode == (0 if good else 4), done.stderr
    log = json.loads((estate / "asleft.sarif").read_text("utf-8"))
    levels = {result["level"] for result in log["runs"][0]["results"]}
    assert ("error" in levels) is not good
    assert (JUnitXml.fromfile(str(estate / "asleft.xml")).failures == 0) is good
    effect = estate / "effect.md"
    assert effect.exists() is good
    if good:
        assert "panel.display-dim" in effect.read_text("utf-8")


def test_the_job_runs_the_snippet_and_keeps_what_it_leaves() -> None:
    """The job's script is the snippet, and it keeps the files that the snippet writes."""
    job = yaml.safe_load((SNIPPETS / "ci.yaml").read_text("utf-8"))["check-baseline"]
    script = (SNIPPETS / "ci.sh").read_text("utf-8")
    assert job["script"][-1].split()[:2] == ["sh", "ci.sh"]
    assert job["artifacts"]["paths"] == re.findall(r"> ([a-z.]+\.[a-z]+)", script)
