"""Hold locks on objects of a station with PyPI aes70py 1.0.3 until a line comes in, then give them back.

Usage: python hold.py HOST PORT '["Role/Path", …]', with a Python that has aes70py. It prints `held` once all are locked
with LockReadonly, and `free` once all are given back.
"""

import asyncio
import json
import os
import sys
import traceback
from importlib import import_module
from typing import Final

# The package is not installed where the checks of types run.
CONTROLLER: Final = import_module("aes70.controller.remote_device")
TCP: Final = import_module("aes70.controller.tcp_connection")


async def main(host: str, port: int, paths: list[str]) -> None:
    """Do it over one connection."""
    device = CONTROLLER.RemoteDevice(TCP.connect(host=host, port=port))
    things = await device.get_role_map("/")
    for path in paths:
        await things[path].LockReadonly()
    sys.stdout.write("held\n")
    sys.stdout.flush()
    await asyncio.to_thread(sys.stdin.readline)
    for path in paths:
        await things[path].Unlock()
    sys.stdout.write("free\n")


if __name__ == "__main__":
    code = 1
    try:
        asyncio.run(main(sys.argv[1], int(sys.argv[2]), json.loads(sys.argv[3])))
        code = 0
    except Exception:  # noqa: BLE001 whatever it is, the test shows it
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        # The package's reading thread does not end with its connection.
        os._exit(code)
