"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["HomeOption", "JsonOption"]

HomeOption = Annotated[
    Path, typer.Option("--home", envvar="ASLEFT_HOME", help="The agent's home folder.", show_default=False)
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Give one JSON document, whose keys are only ever added to.")
]
