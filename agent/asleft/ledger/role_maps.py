"""Role maps in the ledger: which object of a unit has which role, as its gateway packed it; one copy for all alike."""

from pathlib import Path
from typing import Final

from asleft.ledger.file import LedgerFile

__all__ = ["RoleMapTables"]

_AT_HAND: Final = 256
"""Maps held in memory; one more makes all be read anew. A site has units of a few makes."""


class RoleMapTables(LedgerFile):
    """Keeps role maps.

    Args:
        path: As in `LedgerFile`.
        look_only: Likewise.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        super().__init__(path, look_only=look_only)
        self._maps: dict[str, str] = {}
        """By number, which is never given to another map."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give the kept role map of a unit, as its gateway packed it; the same object for all units of one make."""
        rows = self.rows("SELECT role_map FROM unit WHERE serial = ? AND firmware = ?", (serial, firmware))
        if not rows:
            return None
        number = rows[0][0]
        if number not in self._maps:
            ((packed,),) = self.rows("SELECT packed FROM role_map WHERE number = ?", (number,))
            if len(self._maps) >= _AT_HAND:
                self._maps.clear()
            self._maps[number] = packed
        return self._maps[number]

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep the role map of a unit; the one of its last firmware goes, and with the last unit the map itself."""
        with self.change() as change:
            before = change.execute("SELECT role_map FROM unit WHERE serial = ?", (serial,)).fetchone()
            # Asked first: a number that is drawn and not used is written into the file all the same.
            known = change.execute("SELECT number FROM role_map WHERE packed = ?", (packed,)).fetchone()
            if known is None:
                change.execute("INSERT INTO role_map (packed) VALUES (?)", (packed,))
                known = change.execute("SELECT number FROM role_map WHERE packed = ?", (packed,)).fetchone()
            change.execute(
                "INSERT OR REPLACE INTO unit (serial, firmware, role_map) VALUES (?, ?, ?)",
                (serial, firmware, *known),
            )
            if before is not None and before != known:
                change.execute(
                    "DELETE FROM role_map WHERE number = ? AND NOT EXISTS (SELECT 1 FROM unit WHERE role_map = ?)",
                    (*before, *before),
                )
