"""One order, or a group of them: exactly what will be written, what can go wrong, who confirms, and what became of it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.canonical import canonical
from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.domain.orders import OrderState, Purpose
from asleft.ports.orders import KeptOrder
from asleft.web.carrying import CHANGED, carried, fresh
from asleft.web.errands import HAND_MOMENT, MOMENT, Errand, Errands, Stopping
from asleft.web.frame import Viewer
from asleft.web.logged import note
from asleft.web.order_proof import about_of, body_of, kept_of, name_of
from asleft.web.order_values import Given, Trouble
from asleft.web.order_view import group_page, order_page
from asleft.web.order_words import GOING, SUGGESTED, gone_on_words, taken_words, todo_for_page
from asleft.web.refusals import HIDDEN
from asleft.web.web import Web
from asleft.work.accounts.refusals import BadPasskey
from asleft.work.accounts.sessions import Here
from asleft.work.guards import Confirming, Prove
from asleft.work.handing import Handed, Waiting, to_hand
from asleft.work.ordering import MayNot, NoOrder
from asleft.work.outlook import Outlook, is_group

__all__ = ["routes"]

_DIGITS: Final = frozenset("0123456789abcdef")
_ID_LENGTH: Final = 10
_LONGEST_TYPED: Final = 2000
_LONGEST_SIGNATURE: Final = 64 * 1024
_NOT_READ: Final = (
    "It takes longer than this page waits, and goes on. What the station hands out is not read from it now."
    " Once it is lent, this page says how to come by that."
)


def routes(web: Web) -> list[Route]:
    """Give the routes of orders and groups."""
    page = _OrderPages(web)
    return [
        Route("/orders/{name}", page.show, methods=["GET"]),
        Route("/orders/{name}", page.confirm, methods=["POST"]),
        Route("/orders/{name}/passkey", page.passkey, methods=["POST"]),
        Route("/orders/{name}/undo", page.undo, methods=["POST"]),
        Route("/orders/{name}/stop", page.stop, methods=["POST"]),
        Route("/orders/{name}/withdraw", page.withdraw, methods=["POST"]),
        Route("/orders/{name}/looked-at", page.looked_at, methods=["POST"]),
        Route("/orders/{name}/canonical", page.canonical, methods=["GET"]),
    ]


class _OrderPages:
    """Shows orders, and takes what people do about them.

    Args:
        web: The frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._desk = web.parts.desk
        self._errands: Errands = web.parts.errands

    async def show(self, request: Request) -> Response:
        """Show an order or a group."""
        viewer = self._web.viewer(request)
        return self._shown(request, viewer, self._found(request, viewer))

    async def canonical(self, request: Request) -> Response:
        """Give exactly the bytes that a confirmation signs."""
        viewer = self._web.viewer(request)
        outlook = self._found(request, viewer)
        headers = {"Content-Disposition": f'attachment; filename="{name_of(outlook)}.json"'}
        return Response(canonical(body_of(outlook)), headers=headers, media_type="application/json")

    async def passkey(self, request: Request) -> Response:
        """Say to a script what a passkey is to sign: a challenge that is good for this order in this session, once."""
        viewer = self._web.viewer(request)
        await self._web.form(request)
        about = about_of(self._found(request, viewer))
        try:
            asked = self._web.parts.accounts.passkeys.begin_proof(_here(viewer), about)
        except BadPasskey as wrong:
            return self._web.told(request, {"wrong": f"{wrong.what}; {wrong.todo}"}, status=409)
        return self._web.told(request, {"get": json.loads(asked)})

    def _prove(self, request: Request, viewer: Viewer, answer: str) -> Prove | None:
        if not answer:
            return None
        passkeys, here, whence = self._web.parts.accounts.passkeys, _here(viewer), self._web.whence(request)
        return lambda about: passkeys.proof(here, about, answer, whence)

    async def confirm(self, request: Request) -> Response:
        """Take a confirmation: it goes on by itself, whoever waits; what refuses it at once is shown at once."""
        viewer = self._web.viewer(request)
        fields = await self._web.form(request)
        outlook = self._found(request, viewer)
        name, me = name_of(outlook), viewer.person.key
        given = Given(
            reason=_first(fields.get("reason"))[:_LONGEST_TYPED],
            accepted=tuple(dict.fromkeys(fields.get("accept", []))),
            signature=_first(fields.get("signature"))[:_LONGEST_SIGNATURE].replace("\r\n", "\n"),
            suggested=_suggested(fields, outlook),
        )
        confirming = Confirming(
            by=me,
            reason=given.why,
            accepted=given.accepted,
            signature=given.signature.strip(),
            prove=self._prove(request, viewer, _first(fields.get("passkey"))),
        )
        already = self._already(outlook, viewer)
        if already:
            note(request, "not-now")
            return self._web.back(request, f"/orders/{name}", already)
        hand = Waiting() if self._hands(outlook) else None
        try:
            errand = self._errands.begin(
                (name, me),
                lambda: carried(self._web.parts, name, lambda: confirming, hand=hand),
                given,
                self._web.parts.log,
            )
        except Stopping as wrong:
            trouble = Trouble(what=wrong.what, todo=wrong.todo)
            return self._shown(request, viewer, outlook, given=given, trouble=trouble, status=503)
        if hand is None:
            await errand.wait(MOMENT)
        else:
            try:
                await errand.wait(HAND_MOMENT)
            finally:
                hand.gone = True  # nobody can be shown anything any more, also where the browser has left
            if hand.handed:
                return self._shown(request, viewer, self._found(request, viewer), handed=hand.handed.pop())
        if errand.wrong is None:
            said = _NOT_READ if hand and errand.runs else taken_words(self._found(request, viewer).kepts)
            return self._web.back(request, f"/orders/{name}", said)
        return self._refused(request, viewer, name, errand)

    def _hands(self, outlook: Outlook) -> tuple[str, ...]:
        """Say what a station hands to who confirms; nothing for a group, whose stations open nothing to anybody."""
        if len(outlook.kepts) > 1:
            return ()
        return to_hand(self._desk.estate_now(), outlook.kepts[0].order)

    async def undo(self, request: Request) -> Response:
        """Draw up the order that undoes this one."""
        viewer = self._web.viewer(request)
        fields = await self._web.form(request)
        outlook = self._found(request, viewer)
        name, why = name_of(outlook), _first(fields.get("cannot-wait")).strip()[:_LONGEST_TYPED]
        if is_group(name):
            raise NoOrder("a group is undone order by order", todo="open one of its orders")
        await fresh(self._web.parts)
        try:
            async with self._web.parts.turn():
                made = await self._desk.undo(name, by=viewer.person.key, cannot_wait=why)
        except AsleftError as wrong:
            trouble = _trouble_of(wrong)
            return self._shown(
                request,
                viewer,
                self._found(request, viewer),
                undo_trouble=trouble,
                cannot_wait=why,
                status=409,
            )
        self._web.parts.live.changed(CHANGED)
        return self._web.back(
            request, f"/orders/{made.id}", f"Drawn up to undo order {name}. Nothing is written yet."
        )

    async def stop(self, request: Request) -> Response:
        """Begin no further station of a group. Whoever may act at one of its sites may: nothing gets worse by it."""
        viewer = self._web.viewer(request)
        await self._web.form(request)
        outlook = self._found(request, viewer)
        name = name_of(outlook)
        if outlook.group is None or not is_group(name):
            raise NoOrder(f"order {name} is no group", todo="open the group that it belongs to")
        going = [kept for kept in outlook.kepts if kept.state in GOING]
        if not going:
            note(request, "not-now")
            return self._web.back(request, f"/orders/{name}", "This group is not being carried out.")
        self._desk.stop(name, by=viewer.person.key)
        self._web.parts.log.warning("a group is stopped", group=name, person=viewer.person.key)
        under_way = ", ".join(
            str(kept.order.station)
            for kept in going
            if kept.state is OrderState.UNDER_WAY and viewer.sees(kept.order.station.site)
        )
        more = f" Finished first: {under_way}." if under_way else ""
        return self._web.back(request, f"/orders/{name}", f"No further station is begun.{more}")

    async def withdraw(self, request: Request) -> Response:
        """Take back an order or a group that waits."""
        viewer = self._web.viewer(request)
        fields = await self._web.form(request)
        outlook = self._found(request, viewer)
        name = name_of(outlook)
        if not any(kept.state is OrderState.DRAWN_UP for kept in outlook.kepts):
            note(request, "not-now")
            return self._web.back(request, f"/orders/{name}", self._gone_on(outlook.kepts, viewer.person.key))
        await fresh(self._web.parts)
        try:
            self._desk.withdraw(
                name, by=viewer.person.key, reason=_first(fields.get("reason"))[:_LONGEST_TYPED]
            )
        except AsleftError as wrong:
            self._web.parts.live.changed(CHANGED)
            trouble = _trouble_of(wrong, late=True)
            again = self._found(request, viewer)
            return self._shown(request, viewer, again, given=Given(), trouble=trouble, status=409)
        self._web.parts.live.changed(CHANGED)
        return self._web.back(request, f"/orders/{name}", "It is withdrawn. Nothing was written.")

    async def looked_at(self, request: Request) -> Response:
        """Take a person's word that they have looked at the station of a halted order."""
        viewer = self._web.viewer(request)
        fields = await self._web.form(request)
        outlook = self._found(request, viewer)
        name, reason = name_of(outlook), _first(fields.get("reason"))[:_LONGEST_TYPED]
        if is_group(name):
            raise NoOrder(
                "a group has many stations", todo="open the order of the station that you looked at"
            )
        if outlook.kepts[0].state is OrderState.HALTED and not outlook.halted:
            note(request, "not-now")
            return self._web.back(request, f"/orders/{name}", "It is settled already.")
        await fresh(self._web.parts)
        try:
            self._desk.looked_at(name, by=viewer.person.key, reason=reason)
        except AsleftError as wrong:
            trouble = _trouble_of(wrong)
            return self._shown(
                request,
                viewer,
                self._found(request, viewer),
                look_trouble=trouble,
                look_given=reason,
                status=409,
            )
        self._web.parts.live.changed(CHANGED)
        return self._web.back(request, f"/orders/{name}", "It is noted that you looked at the station.")

    def _found(self, request: Request, viewer: Viewer) -> Outlook:
        """Give an order or a group that a person may see.

        Raises:
            NoOrder: There is none, or it is where this person may not look: both sound the same.
        """
        name: str = request.path_params["name"]
        none = NoOrder(f"there is no order '{harmless(name, longest=40)}'", todo="see the page Orders")
        if len(name) != _ID_LENGTH or not _DIGITS.issuperset(name[is_group(name) :]):
            raise none
        try:
            outlook = self._web.in_part(viewer.person).outlook(name)
        except NoOrder:
            raise none from None
        if not any(viewer.sees(kept.order.station.site) for kept in outlook.kepts):
            note(request, HIDDEN)
            raise none
        return outlook

    def _already(self, outlook: Outlook, viewer: Viewer) -> str:
        """Say why a confirmation that comes once more changes nothing; empty where it is a first one."""
        name, me = name_of(outlook), viewer.person.key
        waiting = [kept for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP]
        if not waiting:
            return self._gone_on(outlook.kepts, me)
        before = self._errands.find((name, me))
        if before is not None and before.runs:
            return "Your confirmation is being taken already. Nothing is done twice."
        if all(any(move.by == me for move in kept.confirmed) for kept in waiting):
            return "Your confirmation counts already. It waits for a second person."
        return ""

    def _gone_on(self, kepts: Sequence[KeptOrder], me: str) -> str:
        return gone_on_words(kepts, me, self._web.name_of)

    def _refused(self, request: Request, viewer: Viewer, name: str, errand: Errand) -> Response:
        outlook = self._found(request, viewer)
        gone = not any(kept.state is OrderState.DRAWN_UP for kept in outlook.kepts)
        if gone and isinstance(errand.wrong, MayNot | NoOrder):
            # Somebody else was quicker: what this one gave was not taken, and nothing is wrong.
            self._errands.forget((name, viewer.person.key))
            note(request, "not-now")
            return self._web.back(request, f"/orders/{name}", self._gone_on(outlook.kepts, viewer.person.key))
        return self._shown(request, viewer, outlook, ticked=True, status=409)

    def _shown(
        self,
        request: Request,
        viewer: Viewer,
        outlook: Outlook,
        *,
        given: Given | None = None,
        trouble: Trouble | None = None,
        undo_trouble: Trouble | None = None,
        cannot_wait: str = "",
        look_trouble: Trouble | None = None,
        look_given: str = "",
        handed: Handed | None = None,
        ticked: bool = False,
        status: int = 200,
    ) -> Response:
        name, now = name_of(outlook), self._web.parts.clock()
        estate, person = self._desk.estate_now(), viewer.person
        errand = self._errands.find((name, person.key))
        taking = errand is not None and errand.runs
        keys = self._web.parts.accounts.passkeys
        passkeys = len(keys.of(person.key)) if keys.place is not None else None
        if errand is not None and errand.wrong is not None and given is None:
            given, trouble = kept_of(outlook, errand)
            if given is not None and not ticked:
                # A hazard is ticked by who looks at it now: not by an earlier visit, nor in another browser.
                given = replace(given, accepted=())
        told = self._web.in_part(person)
        trouble, undo_trouble, look_trouble = (
            one and one.told(told.withheld) for one in (trouble, undo_trouble, look_trouble)
        )
        if is_group(name):
            group = group_page(
                outlook,
                estate,
                person,
                now,
                given=given,
                trouble=trouble,
                passkeys=passkeys,
                taking=taking,
            )
            return self._web.show(request, "group.html", title=f"Group {name}", view=group, status=status)
        view = order_page(
            outlook,
            estate,
            person,
            now,
            given=given,
            trouble=trouble,
            passkeys=passkeys,
            taking=taking,
            busy=self._errands.runs(name),
            undo_trouble=undo_trouble,
            cannot_wait=cannot_wait,
            look_trouble=look_trouble,
            look_given=look_given,
            behind=self._behind(outlook.kepts[0]),
            handed=handed,
            open_now=any(loan.id == name and loan.opened for loan in told.loans()),
        )
        response = self._web.show(
            request, "order.html", title=f"Order for {view.station}", view=view, status=status
        )
        if handed is not None:
            response.headers["Cache-Control"] = "no-store"  # whatever the door says of other pages
        return response

    def _behind(self, kept: KeptOrder) -> str:
        """Give the set-up that waits behind a factory state; empty where none does."""
        if kept.order.purpose is not Purpose.FACTORY or kept.state is not OrderState.RESTORED:
            return ""
        waiting = [
            view.kept.order
            for view in self._desk.order_views()
            if view.kept.state is OrderState.DRAWN_UP and view.kept.order.station == kept.order.station
        ]
        return next((order.id for order in waiting if order.purpose is Purpose.SET_UP), "")


def _here(viewer: Viewer) -> Here:
    return Here(person=viewer.person, session=viewer.session)


def _trouble_of(wrong: AsleftError, *, late: bool = False) -> Trouble:
    """Put what the engine refused in the page's own words."""
    return Trouble(what=wrong.what, todo=todo_for_page(wrong.todo), late=late)


def _first(values: Sequence[str] | None) -> str:
    return values[0] if values else ""


def _suggested(fields: Mapping[str, list[str]], outlook: Outlook) -> str:
    """Give the reason that was chosen; empty where it is none of those that this page offers."""
    chosen = _first(fields.get("suggested"))
    return chosen if chosen in SUGGESTED[outlook.kepts[0].order.purpose] else ""
