"""Where the command begins: what has to be said to Python before anything large is loaded."""

import gc
import os

__all__ = ["start"]


def start() -> None:
    """Run the asleft command.

    Loading makes many objects that all stay: collecting garbage meanwhile takes a seventh of a short command's time, and
    going through them once more when Python ends another (measured). No plugin of somebody else's is to change how files
    are validated, nor to be looked for.
    """
    gc.set_threshold(200_000, 20, 50)
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "1"
    from asleft.cli.app import main  # noqa: PLC0415 after what it depends on

    try:
        main()
    finally:
        gc.freeze()  # what is still there ends with the process: nobody needs to look through it
