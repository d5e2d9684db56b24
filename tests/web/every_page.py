"""Every page, and all that is sent to one, as somebody of one site of two asks for it: each with how it is answered."""

from dataclasses import dataclass, field

from estates import HALL, IDRIS
from stage import DRUMS
from web.hidden_site import ORLA

__all__ = ["BASS", "PAGES", "Visit"]

BASS = f"{HALL}/bass"
_ALARM, _EXCHANGED = f"/alarms/{DRUMS}/panel.menus", f"/alarms/{BASS}/exchanged"
_WHY = {"reason": "before doors"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Visit:
    """One thing that is asked of a page.

    Args:
        path: The path; names in braces are those of `names_in`, and stand for one path each.
        status: How it is answered, one of these.
        fields: What a form holds beside its token.
    """

    path: str
    status: tuple[int, ...] = (200,)
    fields: dict[str, str | list[str]] = field(default_factory=dict)


def _at(*paths: str, status: tuple[int, ...] = (200,)) -> tuple[Visit, ...]:
    return tuple(Visit(path=path, status=status) for path in paths)


def _sent(path: str, *status: int, **fields: str | list[str]) -> Visit:
    return Visit(
        path=path, status=status, fields={key.replace("_", "-"): value for key, value in fields.items()}
    )


PAGES: dict[str, tuple[Visit, ...]] = {
    "GET /": _at("/"),
    "GET /accounting": _at("/accounting", "/accounting?from=30d", f"/accounting?site={HALL}"),
    "GET /accounting.csv": _at("/accounting.csv?from=30d"),
    "GET /addresses/{site}": _at(f"/addresses/{HALL}"),
    "GET /agenda/{site}": _at(f"/agenda/{HALL}?days=60"),
    "GET /alarms/{site}": _at(
        f"/alarms/{HALL}", f"/alarms/{HALL}?cause=exchanged", f"/alarms/{HALL}?cause=unit exchanged"
    ),
    "GET /alarms/{site}/{name}": _at(f"/alarms/{DRUMS}", f"/alarms/{BASS}"),
    "GET /alarms/{site}/{name}/{setting}": _at(_ALARM, _EXCHANGED),
    "GET /baseline": _at("/baseline"),
    "GET /baseline/proposals/{commit}": _at("/baseline/proposals/{proposal}", status=(200, 404)),
    "GET /figures": _at("/figures", "/figures?days=7"),
    "GET /hearing/{site}": _at(f"/hearing/{HALL}"),
    "GET /help": _at("/help"),
    "GET /history": _at("/history", "/history?kind=acknowledged", "/history?kind=refused&kind=halted"),
    "GET /history.csv": _at("/history.csv"),
    "GET /history/{commit}": _at("/history/{commit}", status=(200, 404)),
    "GET /orders/{name}": (
        *_at("/orders/{own}", "/orders/{group}", "/orders/{ended}", "/orders/{ended-group}"),
        *_at("/orders/{hidden}", status=(404,)),
    ),
    "GET /orders/{name}/canonical": _at("/orders/{own}/canonical", "/orders/{ended}/canonical"),
    "GET /orders": _at("/orders"),
    "GET /account/passkeys": _at("/account/passkeys", status=(200, 404)),
    "GET /patch/{site}": _at(f"/patch/{HALL}"),
    "GET /people": _at("/people"),
    "GET /sign-in": _at("/sign-in", status=(200, 303)),
    "GET /first/{token}": _at("/first/no-such-token", status=(404, 409, 410)),
    "GET /account": _at("/account"),
    "GET /sites/{site}": _at(f"/sites/{HALL}"),
    "GET /state": _at("/state", f"/state?station={BASS}&at=now"),
    "GET /state/{site}/{name}": _at(f"/state/{BASS}", f"/state/{DRUMS}"),
    "GET /stations/{site}/{name}": _at(f"/stations/{BASS}", f"/stations/{DRUMS}"),
    "GET /stations/{site}/{name}/{setting}": (
        *_at(f"/stations/{BASS}/panel.menus"),
        *_at(f"/stations/{BASS}/panel.menu", status=(404,)),
    ),
    "GET /who/{setting}": (*_at("/who/panel.menus"), *_at("/who/panel.menu", status=(404,))),
    "POST /alarms/{site}": (
        _sent(f"/alarms/{HALL}", 303, act="acknowledge", cause="exchanged", **_WHY),
        _sent(f"/alarms/{HALL}", 303, act="restore", cause="panel.menus"),
        _sent(f"/alarms/{HALL}", 422, act="nothing such"),
    ),
    "POST /alarms/{site}/{name}": (
        _sent(f"/alarms/{BASS}", 303, act="shelve", until="for 30", **_WHY),
        _sent(f"/alarms/{BASS}", 303, act="out-of-service", **_WHY),
        _sent(f"/alarms/{BASS}", 303, act="in-service"),
    ),
    "POST /alarms/{site}/{name}/{setting}": (
        _sent(_EXCHANGED, 303, act="unshelve"),
        _sent(_ALARM, 422, act="concede", holder="orla-vexlei", day="2026-12-01", **_WHY),
        _sent(_ALARM, 422, act="concede", holder=ORLA, day="2026-12-01", **_WHY),
        _sent(_ALARM, 303, act="concede", holder=IDRIS, day="2026-12-01", **_WHY),
        _sent(f"/alarms/{DRUMS}/headphones.gain", 303, act="adopt", layer="estate", **_WHY),
        _sent(_ALARM, 422, act="adopt", layer="estate", **_WHY),
        _sent(_ALARM, 422, act="adopt", layer="vexed", **_WHY),
    ),
    "POST /orders/{name}/passkey": (_sent("/orders/{own}/passkey", 409),),
    "POST /orders/{name}": (
        _sent("/orders/{own}", 409, **_WHY),
        _sent("/orders/{group}", 409, **_WHY),
        _sent("/orders/{ended}", 303, **_WHY),
    ),
    "POST /orders/{name}/undo": (
        _sent("/orders/{ended}/undo", 409),
        _sent("/orders/{ended-group}/undo", 404),
    ),
    "POST /orders/{name}/stop": (
        _sent("/orders/{ended-group}/stop", 303),
        _sent("/orders/{own}/stop", 404),
    ),
    "POST /orders/{name}/looked-at": (_sent("/orders/{ended}/looked-at", 409, **_WHY),),
    "POST /orders/{name}/withdraw": (
        _sent("/orders/{group}/withdraw", 409),
        _sent("/orders/{ended-group}/withdraw", 303),
        _sent("/orders/{own}/withdraw", 303, 409),
    ),
    "POST /sites/{site}": (_sent(f"/sites/{HALL}", 303),),
    "POST /stations/{site}/{name}": (
        _sent(f"/stations/{BASS}", 422, act="exchange", serial="VEX9-7011", **_WHY),
        _sent(f"/stations/{BASS}", 422, act="exchange", serial="QS41-2012", **_WHY),
        _sent(f"/stations/{BASS}", 422, act="restore"),
        _sent(f"/stations/{DRUMS}", 303, act="adopt", setting=["headphones.gain"], layer="site", **_WHY),
        _sent(f"/stations/{DRUMS}", 303, act="identify", seconds="1"),
        _sent(f"/stations/{DRUMS}", 303, 422, act="in-service"),
    ),
    "POST /look": (_sent("/look", 303, look="dark", to="/"),),
    "POST /account/seen": (_sent("/account/seen", 303, number="1"),),
    "POST /account/passkeys/begin": (_sent("/account/passkeys/begin", 422, password="no"),),
    "POST /account/passkeys": (_sent("/account/passkeys", 422, name="no"),),
    "POST /account/passkeys/remove": (_sent("/account/passkeys/remove", 404, 409, 422, passkey="no"),),
    "POST /account/password": (_sent("/account/password", 422, password="no", new="no", again="no"),),
    "POST /account/end": (_sent("/account/end", 404, session="no"),),
    "POST /people/sign-out": (
        _sent("/people/sign-out", 403, 404, 409, person=ORLA),
        _sent("/people/sign-out", 303, 403, person="sorrel-vane"),
    ),
    "POST /first/{token}": (_sent("/first/no-such-token", 404, 409, 410, password="no", again="no"),),
    "POST /account/end-all": (_sent("/account/end-all", 303),),
    "POST /sign-in": (_sent("/sign-in", 303, 401, 409, 422, person=ORLA, password="no"),),
    "POST /sign-out": (_sent("/sign-out", 303),),
}
"""By method and route, in the order in which they are asked for."""
