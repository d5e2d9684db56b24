"""Which event loop an agent runs on."""

import asyncio
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from asleft.daemon.agent.loops import NoSuchLoop, loop_in, loop_name
from asleft.daemon.settings.settings import BadSettings

FAST = "uvloop"


def a_home(folder: Path, wanted: str) -> Path:
    line = f"event-loop: {wanted}\n" if wanted else ""
    (folder / "settings.yaml").write_text(f"baseline: /srv/estate\n{line}", "utf-8")
    return folder


def runs_on(home: Path) -> str:
    async def name() -> str:
        return loop_name()

    with asyncio.Runner(loop_factory=loop_in(home)) as runner:
        return runner.run(name())


@pytest.mark.parametrize("wanted", ["", "auto"])
def test_the_fast_loop_is_taken_where_it_is_installed(tmp_path: Path, wanted: str) -> None:
    """Which of both it is depends on what is installed here, and on nothing else."""
    assert runs_on(a_home(tmp_path, wanted)) == ("asyncio" if find_spec(FAST) is None else FAST)


def test_the_loop_of_python_can_be_asked_for(tmp_path: Path) -> None:
    """The way back where the fast one is suspected of something."""
    assert runs_on(a_home(tmp_path, "asyncio")) == "asyncio"


def test_without_the_extra_the_loop_is_that_of_python(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None in sys.modules makes an import fail as it does where nothing is installed (The Python Language Reference, 5.3.1)."""
    monkeypatch.setitem(sys.modules, FAST, None)
    assert runs_on(a_home(tmp_path, "auto")) == "asyncio"


def test_a_loop_that_is_asked_for_and_missing_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No agent runs on another loop than the one that was named."""
    monkeypatch.setitem(sys.modules, FAST, None)
    with pytest.raises(NoSuchLoop) as told:
        loop_in(a_home(tmp_path, FAST))
    assert told.value.where == f"event-loop in {tmp_path / 'settings.yaml'}"
    assert "asleft[fast]" in told.value.todo


def test_another_word_is_refused(tmp_path: Path) -> None:
    """As every setting that is one of a few words."""
    with pytest.raises(BadSettings, match="event-loop"):
        loop_in(a_home(tmp_path, "quickest"))
