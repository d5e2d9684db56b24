"""The frame that every page stands in: who looks, the form that comes back, and what is shown round a page."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import parse_qs, quote, urlsplit

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from asleft.domain.account_events import KeptEvent
from asleft.domain.accounts import Whence
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.people import Person, Right
from asleft.domain.withheld import Withheld
from asleft.web.cookies import LOOK, SESSION, VISIT, drop_cookie, get_cookie, set_cookie
from asleft.web.frame import Frame, Standing, Viewer, links, standing
from asleft.web.judged import Judged
from asleft.web.own_events import OwnNews, news_of
from asleft.web.parts import Parts
from asleft.web.past import Past
from asleft.web.refusals import FormRefused, SignInFirst, page_asked
from asleft.web.showing import Showing
from asleft.web.statics import Statics
from asleft.work.accounts.proxy import address_through, person_through
from asleft.work.accounts.refusals import NotSignedIn
from asleft.work.accounts.secret import digest_of, form_token, is_form_token, secret_text
from asleft.work.accounts.sessions import SignedIn
from asleft.work.alarms.desk import Board
from asleft.work.in_part import InPart

__all__ = ["FORM_TOKEN", "LIVE_HEADER", "LOOKS", "Web", "own_path"]

FORM_TOKEN: Final = "form-token"  # noqa: S105 the name of a field
LIVE_HEADER: Final = "x-asleft-live"
"""A page that keeps itself up to date says so: that holds no session open, and takes no message away."""
LOOKS: Final = ("system", "light", "dark")
_MOST_FIELDS: Final = 2000
_FORM: Final = "application/x-www-form-urlencoded"
_MOST_SAID: Final = 1000
_A_YEAR: Final = 365 * 24 * 3600
_ALWAYS: Final = 3
"""So many ways are in reach of the thumb; the others are below on a phone."""


class Web:
    """Serves the pages their frame.

    Args:
        parts: What the page is given.
    """

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.past = Past(parts.evidence)
        self.judged = Judged(parts.desk, parts.clock)
        self.statics = Statics()
        self.paths: frozenset[str] = frozenset()
        """Paths of pages that are there; the way to any other is not shown."""
        self._showing = Showing(self.statics.path)
        self._said: OrderedDict[str, str] = OrderedDict()
        self._in_part: tuple[Estate, dict[tuple[frozenset[str], bool], InPart]] | None = None

    def viewer(self, request: Request) -> Viewer:
        """Give who looks.

        Raises:
            SignInFirst: Nobody is signed in.
        """
        found = self.find_viewer(request)
        if found is None:
            raise SignInFirst(own_path(page_asked(request)))
        return found

    def find_viewer(self, request: Request) -> Viewer | None:
        """Give who looks; None where nobody is signed in."""
        if not hasattr(request.state, "viewer"):
            # Where it cannot be found out the page that tells so is shown to nobody (ASVS 16.5.3).
            request.state.viewer = None
            # Before anything is read for the page: what is told from here on may be newer than what it shows.
            request.state.told = self.parts.live.last
            request.state.viewer = self._look_up(request)
        found: Viewer | None = request.state.viewer
        return found

    def _look_up(self, request: Request) -> Viewer | None:
        accounts, token = self.parts.accounts, self.session_token(request)
        acting = LIVE_HEADER not in request.headers and request.url.path != "/live"
        try:
            here = accounts.sessions.whose(token, acting=acting)
        except NotSignedIn:
            here = None
        named = None
        if self.parts.proxy is not None:
            people = self.parts.desk.in_force().estate.people
            named = person_through(self._peer(request), request.headers.items(), self.parts.proxy, people)
        if named is not None and (here is None or here.person.key != named):
            begun = accounts.sign_in_through_proxy(named, self.whence(request), old=token)
            request.state.begun, token = begun.token, begun.token
            here = accounts.sessions.whose(token)
        if here is None:
            return None
        return Viewer(person=here.person, session=here.session, form_token=form_token(token), token=token)

    def tls(self, request: Request) -> bool:
        """Tell whether cookies of this page are for TLS only."""
        return self.parts.is_public_tls or request.url.scheme == "https"

    def session_token(self, request: Request) -> str:
        """Give the session's token as the browser sent it; empty where it sent none."""
        return get_cookie(request, SESSION, tls=self.tls(request))

    def _peer(self, request: Request) -> str:
        return request.client.host if request.client else ""

    def whence(self, request: Request) -> Whence:
        """Say from where a request comes."""
        address = address_through(self._peer(request), request.headers.items(), self.parts.proxy)
        return Whence(address or "the local socket", request.headers.get("user-agent", ""))

    def in_part(self, person: Person) -> InPart:
        """Give what the desk answers, as far as it may be told to a person; all that a page or an operation tells comes from it.

        It is kept for all who may look at the same sites, as long as the same revision is in force.
        """
        estate = self.parts.desk.in_force().estate
        if self._in_part is None or self._in_part[0] is not estate:
            self._in_part = estate, {}
        kept, key = self._in_part[1], (person.sites, Right.LOOK in person.rights)
        if key not in kept:
            kept[key] = InPart(self.parts.desk, Withheld.of(estate, person))
        return kept[key]

    def refusal(self, person: Person, wrong: AsleftError) -> AsleftError:
        """Give a refusal as far as it may be told to a person; without a baseline nobody knows who may hear of which site."""
        if not person.sites:
            return wrong
        try:
            withheld = self.in_part(person).withheld
        except AsleftError:
            return AsleftError("no baseline can be used", todo="ask who looks after the agent")
        return withheld.refusal(wrong)

    def board(self, request: Request) -> Board:
        """Give the alarms as they are now to who is signed in; once a request, however often it is asked for."""
        if not hasattr(request.state, "board"):
            request.state.board = self.in_part(self.viewer(request).person).alarms()
        found: Board = request.state.board
        return found

    def show(
        self, request: Request, template: str, *, title: str, view: object, status: int = 200
    ) -> Response:
        """Show a page.

        Args:
            request: The request.
            template: Name of the template; it extends `base.html`, and has the view as `view`.
            title: What the page is about, in a few words.
            view: All that the page tells, a frozen value.
            status: The HTTP status.
        """
        secret, fresh = self._secret(request)
        frame = self._frame(request, title, secret)
        values: dict[str, Any] = {"frame": frame, "view": view, "now": self.parts.clock()}
        response = HTMLResponse(self._showing.render(template, values), status)
        if fresh:
            set_cookie(response, VISIT, secret, tls=self.tls(request))
        return self._dressed(request, response)

    def told(
        self,
        request: Request,
        values: Mapping[str, object],
        *,
        status: int = 200,
        begun: SignedIn | None = None,
    ) -> Response:
        """Answer a script of ours.

        Args:
            request: The request.
            values: What it is told, as JSON.
            status: The HTTP status.
            begun: A session that begins in this browser with the answer; the script is given its form token, too.
        """
        if begun is not None:
            request.state.begun = begun.token
            values = {**values, FORM_TOKEN: form_token(begun.token)}
        return self._dressed(request, JSONResponse(values, status))

    def back(self, request: Request, to: str, said: str = "") -> Response:
        """Lead to another page after something was done (303, RFC 9110 §15.4.4), with a message that is shown there once."""
        response = RedirectResponse(quote(own_path(to), safe="/?&=%#:"), 303)
        if said:
            secret, fresh = self._secret(request)
            self.say(secret, said)
            if fresh:
                set_cookie(response, VISIT, secret, tls=self.tls(request))
        return self._dressed(request, response)

    def say(self, secret: str, said: str) -> None:
        """Have a message shown once on the next page of a session or visit."""
        self._said[digest_of(secret)] = said
        while len(self._said) > _MOST_SAID:
            self._said.popitem(last=False)

    async def form(self, request: Request) -> Mapping[str, list[str]]:
        """Give the fields of a form that came from a page of ours; ask for the viewer first where one is needed.

        Raises:
            FormRefused: It came from elsewhere, or is no form; nothing was done.
        """
        self._check_origin(request)
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != _FORM:
            raise FormRefused("this is no form", why="no-form", todo="use the page's own buttons")
        try:
            body = (await request.body()).decode("utf-8")
            fields = parse_qs(body, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict")
        except ValueError as wrong:
            raise FormRefused(
                "this form cannot be read", why="not-readable", todo="go back, load the page again"
            ) from wrong
        given = fields.pop(FORM_TOKEN, [])
        secret, fresh = self._secret(request)
        if fresh or len(given) != 1 or not is_form_token(secret, given[0]):
            raise FormRefused(
                "this form was made before you signed in or out, so nothing was done",
                why="form-of-another-session",
                todo="go back, load the page again, and repeat it there",
            )
        return fields

    def signed_in(self, request: Request, begun: SignedIn, to: str, said: str = "") -> Response:
        """Begin a session in this browser, and lead on."""
        request.state.begun = begun.token
        if said:
            self.say(begun.token, said)
        response = self.back(request, to)
        drop_cookie(response, VISIT, tls=self.tls(request))
        return response

    def signed_out(self, request: Request, said: str) -> Response:
        """Forget the session in this browser, and lead to the sign-in page."""
        tls = self.tls(request)
        visit = secret_text(self.parts.chance)
        self.say(visit, said)
        response = RedirectResponse("/sign-in", 303, {"Clear-Site-Data": '"cache"'})
        drop_cookie(response, SESSION, tls=tls)
        set_cookie(response, VISIT, visit, tls=tls)
        return response

    def choose_look(self, request: Request, look: str, to: str) -> Response:
        """Keep light, dark or the system's own look in this browser."""
        response = self.back(request, to)
        if look in LOOKS[1:]:
            set_cookie(response, LOOK, look, tls=self.tls(request), seconds=_A_YEAR)
        else:
            drop_cookie(response, LOOK, tls=self.tls(request))
        return response

    def _check_origin(self, request: Request) -> None:
        """Refuse what another site had a browser send (ASVS 3.5.1; Fetch §3.2, Fetch Metadata §2.4)."""
        origins, sites = request.headers.getlist("origin"), request.headers.getlist("sec-fetch-site")
        own = {f"{request.url.scheme}://{request.url.netloc}".lower()}
        if self.parts.url:
            parsed = urlsplit(self.parts.url)
            own.add(f"{parsed.scheme}://{parsed.netloc}".lower())
        good_origin = [origin.lower() in own for origin in origins]
        good_site = [site == "same-origin" for site in sites]
        # Fail closed: what says nothing of where it comes from is no browser of today.
        if not all([*good_origin, *good_site]) or not (good_origin or good_site):
            raise FormRefused(
                "this form was not sent from a page of asleft, so nothing was done",
                why="from-elsewhere",
                todo="open asleft yourself and repeat it there",
                about={"origin": origins, "site": sites},
            )

    def _secret(self, request: Request) -> tuple[str, bool]:
        """Give what forms are tied to, and whether it was made just now."""
        viewer = self.find_viewer(request)
        if viewer is not None:
            return viewer.token, False
        visit = get_cookie(request, VISIT, tls=self.tls(request))
        if visit:
            return visit, False
        if not hasattr(request.state, "visit"):
            request.state.visit = secret_text(self.parts.chance)
        made: str = request.state.visit
        return made, True

    def _dressed(self, request: Request, response: Response) -> Response:
        begun: str = getattr(request.state, "begun", "")
        if begun:
            set_cookie(response, SESSION, begun, tls=self.tls(request))
        return response

    def _frame(self, request: Request, title: str, secret: str) -> Frame:
        viewer = self.find_viewer(request)
        look = get_cookie(request, LOOK, tls=self.tls(request))
        live = LIVE_HEADER in request.headers
        told = self._standing(request, viewer) if viewer else Standing()
        at = request.url.path
        ways = links(at, self.paths) if viewer else ()
        return Frame(
            title=f"({told.alarms}) {title}" if told.alarms else title,
            viewer=viewer,
            nav=tuple(ways[:_ALWAYS]),
            more=tuple(ways[_ALWAYS:]),
            standing=told,
            form_token=form_token(secret),
            said="" if live else self._said.pop(digest_of(secret), ""),
            look=look if look in LOOKS else "system",
            path=at if request.method == "GET" else "/",
            version=self.parts.version,
            own=news_of(self.own_news(viewer), self.name_of) if viewer else OwnNews(),
            told=request.state.told if viewer else "",
        )

    def own_news(self, viewer: Viewer) -> Sequence[KeptEvent]:
        """Give what happened to the viewer's own sign-in and was not seen yet, the newest first."""
        return self.parts.accounts.events.news(viewer.person.key, viewer.session.id)

    def name_of(self, key: str) -> str:
        """Give the name of a person by key; the key where it cannot be told."""
        try:
            person = self.parts.desk.in_force().estate.people.get(key)
        except AsleftError:
            return key
        return person.name if person else key

    def _standing(self, request: Request, viewer: Viewer) -> Standing:
        try:
            estate = self.parts.desk.in_force().estate
            board = self.board(request)
        except AsleftError as wrong:
            said = "the agent cannot tell how things stand" if viewer.person.sites else str(wrong)
            return Standing(ails=(said,))
        return standing(estate, board, self.parts.health(), viewer)


def own_path(text: str) -> str:
    """Give a path of this page as it was asked for, or the first page where it leads anywhere else (ASVS 3.7.2 in spirit)."""
    plain = text.startswith("/") and not text.startswith("//") and text.isascii() and text.isprintable()
    return text if plain and "\\" not in text and " " not in text else "/"
