"""Every call of the local socket as somebody of one site of two makes it: what is done, and what is refused, and how."""

from dataclasses import dataclass
from typing import Any

from estates import HALL, IDRIS
from stage import DRUMS
from web.hidden_site import GONG, LUTE, ORLA, VAULT

__all__ = ["BASS", "CALLS", "LENT", "WHY", "Call"]

BASS = f"{HALL}/bass"
NOWHERE, NO_SITE = "no-hall/nothing", "no-hall"
NO_ORDER, NO_GROUP = "0123456789", "g012345678"


@dataclass(frozen=True, kw_only=True, slots=True)
class Call:
    """A call as somebody of the hall makes it.

    Args:
        own: What is asked for where they may look, each with the kind of its refusal; empty where it is done. Names in braces are
            those of `names_in`.
        elsewhere: What is asked for where they may not look, each beside the same about what is not there.
    """

    own: tuple[tuple[dict[str, Any], str], ...]
    elsewhere: tuple[tuple[dict[str, Any], dict[str, Any]], ...] = ()


WHY = {"by": IDRIS, "reason": "before doors"}
LENT = {"setting": "panel.display-dim", "value": "60 %", "seconds": 3600, **WHY}
_CONCEDED = {"setting": "panel.menus", "until": "2026-12-01", **WHY}
_FOUND: dict[str, Any] = {"roles": {}, "names": {}, **WHY}
_NEW = {"address": "127.0.0.9", "name": "new", **WHY}
_PLACES = (
    ({"name": GONG, **WHY}, {"name": NOWHERE, **WHY}),
    ({"name": VAULT, **WHY}, {"name": NO_SITE, **WHY}),
)


def _at_places(**more: Any) -> tuple[tuple[dict[str, Any], dict[str, Any]], ...]:
    return tuple(({**one, **more}, {**other, **more}) for one, other in _PLACES)


CALLS: dict[str, Call] = {
    "zone": Call(own=(({"site": HALL}, ""),), elsewhere=(({"site": VAULT}, {"site": NO_SITE}),)),
    "round": Call(
        own=(({}, ""), ({"sites": [HALL]}, "")),
        elsewhere=(
            ({"sites": [VAULT]}, {"sites": [NO_SITE]}),
            ({"sites": [HALL, VAULT]}, {"sites": [HALL, NO_SITE]}),
        ),
    ),
    "outlook": Call(
        own=(({"name": "{own}"}, ""), ({"name": "{group}"}, ""), ({"name": "{their-part}"}, "NoOrder")),
        elsewhere=(
            ({"name": "{hidden}"}, {"name": NO_ORDER}),
            ({"name": "{their-group}"}, {"name": NO_GROUP}),
        ),
    ),
    "acknowledge": Call(
        own=(({"name": DRUMS, **WHY}, ""), ({"name": DRUMS, **WHY}, "NoAlarm")), elsewhere=_PLACES
    ),
    "shelve": Call(
        own=(({"name": DRUMS, "until": "2026-06-11T12:00:00Z", **WHY}, ""),),
        elsewhere=_at_places(until="2026-06-11T12:00:00Z"),
    ),
    "unshelve": Call(own=(({"name": DRUMS, **WHY}, ""),), elsewhere=_PLACES),
    "out-of-service": Call(own=(({"name": DRUMS, **WHY}, ""),), elsewhere=_PLACES),
    "in-service": Call(own=(({"name": DRUMS, **WHY}, ""),), elsewhere=_PLACES),
    "restore": Call(
        own=(
            ({"names": [DRUMS]}, ""),
            ({"names": [HALL], "purpose": "set up"}, ""),
            ({"names": [], "role": "strings"}, ""),
            ({"names": [f"{HALL}/vexgon"]}, "NoStation"),
        ),
        elsewhere=(
            ({"names": [GONG]}, {"names": [NOWHERE]}),
            ({"names": [DRUMS, VAULT]}, {"names": [DRUMS, NO_SITE]}),
            ({"names": [], "role": "vexed"}, {"names": [], "role": "nobodys"}),
        ),
    ),
    "confirm-group": Call(
        own=(({"order": "{group}", **WHY}, "MayNot"),),
        elsewhere=(({"order": "{their-group}", **WHY}, {"order": NO_GROUP, **WHY}),),
    ),
    "stop": Call(
        own=(({"group": "{group}", **WHY}, ""),),
        elsewhere=(({"group": "{their-group}", **WHY}, {"group": NO_GROUP, **WHY}),),
    ),
    "confirm": Call(
        own=(
            ({"order": "{own}", **WHY}, "MayNot"),
            ({"order": "{own}", "accepted": "{accepted}", **WHY}, ""),
        ),
        elsewhere=(({"order": "{hidden}", **WHY}, {"order": NO_ORDER, **WHY}),),
    ),
    "undo": Call(own=(({"order": "{own}"}, ""),), elsewhere=(({"order": "{done}"}, {"order": NO_ORDER}),)),
    "withdraw": Call(
        own=(({"order": "{group}", **WHY}, "MayNot"), ({"order": "{other}", **WHY}, "")),
        elsewhere=(
            ({"order": "{hidden}", **WHY}, {"order": NO_ORDER, **WHY}),
            ({"order": "{their-group}", **WHY}, {"order": NO_GROUP, **WHY}),
        ),
    ),
    "looked-at": Call(
        own=(({"order": "{own}", **WHY}, "NoOrder"),),
        elsewhere=(({"order": "{hidden}", **WHY}, {"order": NO_ORDER, **WHY}),),
    ),
    "factory-state": Call(
        own=(({"name": DRUMS, "serial": "QS41-2011", "by": IDRIS}, ""),),
        elsewhere=(
            ({"name": GONG, "serial": "S", "by": IDRIS}, {"name": NOWHERE, "serial": "S", "by": IDRIS}),
        ),
    ),
    "identify": Call(
        own=(({"name": DRUMS, "by": IDRIS, "seconds": 1}, ""),),
        elsewhere=(({"name": GONG, "by": IDRIS}, {"name": NOWHERE, "by": IDRIS}),),
    ),
    "clear-errors": Call(own=(({"name": DRUMS, **WHY}, ""),), elsewhere=_PLACES),
    "lend": Call(
        own=(({"name": DRUMS, **LENT}, ""),),
        elsewhere=(({"name": LUTE, **LENT}, {"name": NOWHERE, **LENT}),),
    ),
    "give-back": Call(
        own=(({"name": DRUMS, **WHY}, "NoLoan"),),
        elsewhere=(({"name": LUTE, **WHY}, {"name": NOWHERE, **WHY}),),
    ),
    "adopt": Call(
        own=(({"name": BASS, "settings": ["headphones.gain"], "layer": "estate", **WHY}, ""),),
        elsewhere=(({"name": LUTE, **WHY}, {"name": NOWHERE, **WHY}),),
    ),
    "concede": Call(
        own=(({"name": DRUMS, "value": "open", "holder": IDRIS, **_CONCEDED}, ""),),
        elsewhere=(
            ({"name": LUTE, "holder": IDRIS, **_CONCEDED}, {"name": NOWHERE, "holder": IDRIS, **_CONCEDED}),
            ({"name": DRUMS, "holder": ORLA, **_CONCEDED}, {"name": DRUMS, "holder": "no-body", **_CONCEDED}),
        ),
    ),
    "exchange": Call(
        own=(
            ({"name": DRUMS, "serial": "VEX9-7012", **WHY}, "CannotPropose"),
            ({"name": DRUMS, "serial": "QS41-9999", **WHY}, ""),
        ),
        elsewhere=(({"name": LUTE, "serial": "S", **WHY}, {"name": NOWHERE, "serial": "S", **WHY}),),
    ),
    "enrol": Call(
        own=(({"site": HALL, **_NEW}, "CannotPropose"),),
        elsewhere=(({"site": VAULT, **_NEW}, {"site": NO_SITE, **_NEW}),),
    ),
    "capture": Call(
        own=(({"site": HALL, **_FOUND}, ""),),
        elsewhere=(({"site": VAULT, **_FOUND}, {"site": NO_SITE, **_FOUND}),),
    ),
    "people-add": Call(
        own=(({"person": IDRIS}, "MayNot"),), elsewhere=(({"person": ORLA}, {"person": "no-body"}),)
    ),
    "people-list": Call(own=(({}, "MayNot"),)),
    "people-sign-out": Call(
        own=(({"person": IDRIS}, ""),), elsewhere=(({"person": ORLA}, {"person": "no-body"}),)
    ),
    "people-remove": Call(
        own=(({"person": IDRIS}, "MayNot"),), elsewhere=(({"person": ORLA}, {"person": "no-body"}),)
    ),
    "token-make": Call(
        own=(({"person": IDRIS, "name": "a", "rights": ["look"], "days": 1}, "NoAccount"),),
        elsewhere=(
            (
                {"person": ORLA, "name": "a", "rights": ["look"], "days": 1},
                {"person": "no-body", "name": "a", "rights": ["look"], "days": 1},
            ),
        ),
    ),
    "token-list": Call(
        own=(({"person": IDRIS}, ""),), elsewhere=(({"person": ORLA}, {"person": "no-body"}),)
    ),
    "token-revoke": Call(
        own=(({"person": IDRIS, "name": "a"}, "NoToken"),),
        elsewhere=(({"person": ORLA, "name": "a"}, {"person": "no-body", "name": "a"}),),
    ),
    "try-alerts": Call(
        own=(({"by": IDRIS}, ""), ({"by": IDRIS, "to": "no-body"}, "NobodyToTell")),
        elsewhere=(
            ({"by": IDRIS, "to": ORLA}, {"by": IDRIS, "to": "no-body"}),
            ({"by": IDRIS, "to": "vexline"}, {"by": IDRIS, "to": "no-line"}),
            ({"by": IDRIS, "to": "vexmail"}, {"by": IDRIS, "to": "no-mail"}),
        ),
    ),
}
