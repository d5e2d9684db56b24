"""What a confirmation has to be proved by, and why one was not taken, in the page's own words."""

from collections.abc import Sequence

from asleft.domain.canonical import digest
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.groups import hazards_together
from asleft.domain.kinds import Json
from asleft.domain.orders import Order, OrderState
from asleft.ports.signatures import BadSignature
from asleft.web.errands import Errand
from asleft.web.order_values import Given, PasskeyAsk, Trouble
from asleft.web.order_words import todo_for_page
from asleft.work.accounts.refusals import BadPasskey
from asleft.work.guards import asks_factor, check_reason
from asleft.work.ordering import MayNot
from asleft.work.outlook import Outlook, is_group

__all__ = ["about_of", "body_of", "kept_of", "name_of", "passkey_ask"]


def passkey_ask(estate: Estate, orders: Sequence[Order], name: str, count: int | None) -> PasskeyAsk | None:
    """Say which passkey a confirmation asks for; None where it asks for none, or for a signature instead.

    Args:
        estate: In force now.
        orders: What is confirmed together.
        name: Id by which they are confirmed.
        count: How many passkeys the person has; None where the page can have none.
    """
    why = "" if estate.orders.signed else asks_factor(estate.orders, orders)
    return PasskeyAsk(name=name, why=why, begin=f"/orders/{name}/passkey", count=count) if why else None


def name_of(outlook: Outlook) -> str:
    """Give the id under which an outlook was asked for: of a group where it has more orders than one."""
    if len(outlook.kepts) > 1 and outlook.group is not None:
        return outlook.group.id
    return outlook.kepts[0].id


def body_of(outlook: Outlook) -> dict[str, Json]:
    """Give what a confirmation is about, as it is signed or proved."""
    if outlook.group is not None and is_group(name_of(outlook)):
        return outlook.group.body()
    return outlook.kepts[0].order.body()


def about_of(outlook: Outlook) -> str:
    """Give what a passkey is asked about: the digest of the order, or of the group, which holds those of its orders."""
    return digest(body_of(outlook))


def kept_of(outlook: Outlook, errand: Errand) -> tuple[Given | None, Trouble | None]:
    """Give what a person typed, and why it was not taken, at the field that it is about."""
    wrong, given = errand.wrong, errand.given
    if wrong is None or not isinstance(given, Given):
        return None, None
    waiting = [kept for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP]
    late = not isinstance(wrong, MayNot | BadSignature | BadPasskey)
    if not waiting and not late:
        return None, None  # it was settled since, by somebody else
    wanted = [hazard for hazard, _ in hazards_together([kept.order for kept in waiting])]
    missing = [hazard for hazard in wanted if hazard not in given.accepted]
    return given, _trouble(wrong, given, missing, len(wanted), late=late and not waiting)


def _trouble(wrong: AsleftError, given: Given, missing: Sequence[str], wanted: int, *, late: bool) -> Trouble:
    """Put what the engine said to the field that it is about, in the page's own words."""
    if isinstance(wrong, BadSignature):
        return Trouble(what=wrong.what, todo=todo_for_page(wrong.todo), at="signature")
    if isinstance(wrong, BadPasskey):
        what = f"{wrong.what}: {wrong.where}" if wrong.where else wrong.what
        return Trouble(what=what, todo=wrong.todo, at="passkey")
    if isinstance(wrong, MayNot):
        if wrong.what == _wrong_with(given.why):
            return Trouble(what=wrong.what, todo=wrong.todo, at="reason")
        if missing and wrong.what.startswith(f"{len(missing)} of {wanted} hazard"):
            hazards, are = "hazard" if wanted == 1 else "hazards", "is" if len(missing) == 1 else "are"
            what = f"{len(missing)} of {wanted} {hazards} {are} not ticked"
            return Trouble(what=what, todo="see to what stands below it, then tick it", at="hazards")
        if "second factor" in wrong.what:
            return Trouble(what=wrong.what, todo="see below what it needs", at="passkey")
        if not given.signature.strip() and "signed confirmations" in wrong.what:
            todo = "sign it as said here, and put the signature into the field"
            return Trouble(what=wrong.what, todo=todo, at="signature")
    return Trouble(what=wrong.what, todo=todo_for_page(wrong.todo), late=late)


def _wrong_with(reason: str) -> str:
    try:
        check_reason(reason, "")
    except MayNot as wrong:
        return wrong.what
    return ""
