"""Every operation for programs, as a token of somebody of one site of two asks for it: each with how it is answered."""

from dataclasses import dataclass, field
from typing import Any

from estates import HALL, IDRIS
from stage import DRUMS
from web.every_page import BASS
from web.hidden_site import GONG, ORLA, VAULT

__all__ = ["OPERATIONS_ASKED", "Request"]

_WHY = {"reason": "before doors"}
_MENUS = {"name": DRUMS, "setting": "panel.menus"}
_LEND = {"setting": "panel.display-dim", "value": "60 %", "seconds": 3600, **_WHY}


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """One thing that is asked of an operation.

    Args:
        path: Behind the operation's address; empty where that is all of it.
        status: How it is answered, one of these.
        sent: What is sent; names in braces are those of `names_in`.
    """

    path: str = ""
    status: tuple[int, ...] = (200,)
    sent: dict[str, Any] = field(default_factory=dict)


def _at(*paths: str, status: tuple[int, ...] = (200,)) -> tuple[Request, ...]:
    return tuple(Request(path=path, status=status) for path in paths)


def _sent(*status: int, **sent: Any) -> Request:
    return Request(status=status, sent=sent)


OPERATIONS_ASKED: dict[str, tuple[Request, ...]] = {
    "openapi": _at("openapi.json"),
    "me": _at("me"),
    "now": _at("now"),
    "sites": _at("sites"),
    "site": (*_at(f"sites/{HALL}"), *_at("sites/no-hall", status=(404,))),
    "station": _at(f"stations/{DRUMS}", f"stations/{BASS}"),
    "why": (
        *_at(f"stations/{BASS}/panel.menus"),
        *_at(f"stations/{BASS}/panel.menu", status=(404,)),
    ),
    "alarms": (*_at("alarms", f"alarms?site={HALL}"), *_at(f"alarms?site={VAULT}", status=(404,))),
    "alarmsOfSite": _at(f"alarms/{HALL}"),
    "alarmsOfStation": _at(f"alarms/{BASS}"),
    "alarm": _at(f"alarms/{BASS}/exchanged"),
    "orders": _at("orders", "orders?all=true"),
    "order": (
        *_at("orders/{own}", "orders/{group}", "orders/{ended}", "orders/{ended-group}"),
        *_at("orders/{hidden}", status=(404,)),
    ),
    "history": _at("history", "history?kind=acknowledged,refused,halted"),
    "state": _at(f"state/{BASS}?at=now"),
    "who": (*_at("who/panel.menus"), *_at("who/panel.menu", status=(404,))),
    "account": _at("account?from=30d"),
    "figures": _at("figures"),
    "agenda": _at(f"agenda/{HALL}?days=60"),
    "addresses": _at(f"addresses/{HALL}"),
    "patch": _at(f"patch/{HALL}"),
    "hearing": _at(f"hearing/{HALL}"),
    "baseline": _at("baseline"),
    "effect": _at("effect"),
    "proposals": _at("proposals"),
    "proposal": _at("proposals/{proposal}", status=(200, 404)),
    "lent": _at("lent"),
    "acknowledge": (
        _sent(200, name=BASS, setting="panel.menus", **_WHY),
        _sent(409, name=BASS, setting="exchanged", **_WHY),
        _sent(409, name=BASS, setting="exchange", **_WHY),
        _sent(404, name=GONG, **_WHY),
    ),
    "shelve": (_sent(200, name=BASS, setting="exchanged", until="2026-06-11T12:00:00Z", **_WHY),),
    "unshelve": (_sent(200, name=BASS, setting="exchanged", **_WHY),),
    "outOfService": (_sent(200, name=BASS, **_WHY),),
    "inService": (_sent(200, name=BASS, **_WHY),),
    "identify": (_sent(200, 202, name=DRUMS, seconds=1),),
    "restore": (
        _sent(200, names=[HALL]),
        _sent(200, names=[HALL], role="strings"),
        _sent(404, names=[HALL], role="vexad"),
        _sent(404, names=[HALL], role="vexed"),
        _sent(404, names=[f"{HALL}/vexgon"]),
        _sent(404, names=[DRUMS, GONG]),
    ),
    "undo": (_sent(404, order="{ended}"), _sent(404, order="{hidden}")),
    "confirm": (
        _sent(403, order="{own}", **_WHY),
        _sent(403, order="{group}", **_WHY),
        _sent(403, 409, order="{ended-group}", **_WHY),
        _sent(409, order="{ended}", **_WHY),
        _sent(404, order="{hidden}", **_WHY),
    ),
    "stop": (_sent(200, group="{ended-group}"), _sent(200, group="{group}")),
    "lookedAt": (_sent(404, 409, order="{ended}", **_WHY),),
    "withdraw": (
        _sent(403, order="{group}"),
        _sent(200, order="{own}"),
        _sent(403, 404, 409, order="{ended-group}"),
        _sent(404, 409, order="{ended}"),
    ),
    "setUp": (_sent(200, names=[BASS]), _sent(200, names=[DRUMS])),
    "clearErrors": (_sent(200, name=DRUMS, **_WHY),),
    "lend": (_sent(200, 409, name=DRUMS, **_LEND), _sent(404, name=GONG, **_LEND)),
    "giveBack": (_sent(404, name=DRUMS, **_WHY), _sent(404, name=GONG, **_WHY)),
    "adopt": (
        _sent(200, settings=["headphones.gain"], layer="estate", name=DRUMS, **_WHY),
        _sent(409, settings=["panel.menus"], layer="estate", name=DRUMS, **_WHY),
        _sent(409, settings=["panel.menus"], name=BASS, **_WHY),
    ),
    "concede": (
        _sent(200, **_MENUS, holder=IDRIS, until="2026-12-01", **_WHY),
        _sent(409, **_MENUS, holder="orla-vexlei", until="2026-12-01", **_WHY),
        _sent(409, **_MENUS, holder=ORLA, until="2026-12-01", **_WHY),
    ),
    "exchange": (
        _sent(409, name=BASS, serial="QS41-2012", **_WHY),
        _sent(409, name=DRUMS, serial="VEX9-7011", **_WHY),
        _sent(200, name=DRUMS, serial="QS41-9999", **_WHY),
    ),
    "enrol": (
        _sent(409, site=HALL, address="127.0.0.9", name="new", **_WHY),
        _sent(404, site=VAULT, address="127.0.0.9", name="new", **_WHY),
    ),
}
"""By the operation's name, in the order in which they are asked for."""
