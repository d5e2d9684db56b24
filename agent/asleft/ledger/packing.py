"""Domain values to JSON text and back, exactly: what goes into the ledger comes out equal."""

from typing import Any

from pydantic import TypeAdapter
from pydantic_core import to_json

from asleft.domain.drift import Drift
from asleft.domain.groups import Group
from asleft.domain.orders import Order
from asleft.domain.snapshot import AsFound, NotRead

__all__ = ["DRIFT", "FOUND", "GROUP", "LOOK", "ORDER", "pack", "pack_look"]

LOOK: TypeAdapter[AsFound | NotRead] = TypeAdapter(AsFound | NotRead)
FOUND: TypeAdapter[AsFound] = TypeAdapter(AsFound)
DRIFT: TypeAdapter[Drift] = TypeAdapter(Drift)
GROUP: TypeAdapter[Group] = TypeAdapter(Group)
ORDER: TypeAdapter[Order] = TypeAdapter(Order)


def pack(adapter: TypeAdapter[Any], value: Any) -> str:
    """Give a value as JSON text."""
    return adapter.dump_json(value).decode()


def pack_look(look: AsFound | NotRead) -> str:
    """Give a look as the same JSON text, by its values' own types and not by what they might be: 5.1 us, not 7.4."""
    return to_json(look).decode()
