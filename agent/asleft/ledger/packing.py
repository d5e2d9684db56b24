"""Domain values to JSON text and back, exactly: what goes into the ledger comes out equal."""

from typing import Any

from pydantic import TypeAdapter

from asleft.domain.drift import Drift
from asleft.domain.groups import Group
from asleft.domain.orders import Order
from asleft.domain.snapshot import AsFound, NotRead

__all__ = ["DRIFT", "FOUND", "GROUP", "LOOK", "ORDER", "pack"]

LOOK: TypeAdapter[AsFound | NotRead] = TypeAdapter(AsFound | NotRead)
FOUND: TypeAdapter[AsFound] = TypeAdapter(AsFound)
DRIFT: TypeAdapter[Drift] = TypeAdapter(Drift)
GROUP: TypeAdapter[Group] = TypeAdapter(Group)
ORDER: TypeAdapter[Order] = TypeAdapter(Order)


def pack(adapter: TypeAdapter[Any], value: Any) -> str:
    """Give a value as JSON text."""
    return adapter.dump_json(value).decode()
