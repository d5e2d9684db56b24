"""Commands about accounts of the page: people add, list, sign-out, remove, token."""

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import clock_time, note, safe, say, say_json, table
from asleft.cli.running import run

if TYPE_CHECKING:
    from asleft.daemon.local.people_calls import RemotePeople
    from asleft.daemon.local.people_handlers import OwnPeople
    from asleft.domain.accounts import AccountEvent, ApiToken
    from asleft.work.accounts.desk import AccountView

__all__ = ["add_to"]

PersonArgument = Annotated[str, typer.Argument(metavar="NAME", help="A key in people.yaml.")]
TokenArgument = Annotated[
    str, typer.Argument(metavar="TOKEN", help="What the token is for, in a word or two.")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    people = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
    people.command(short_help="Make the link by which a person sets a password.")(add)
    people.command("list", short_help="Say who has an account.")(list_people)
    people.command("sign-out", short_help="End all sessions of a person.")(sign_out)
    people.command(short_help="Remove an account, with all that opens it.")(remove)
    token = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
    token.command(short_help="Make a token by which a program acts as a person.")(make)
    token.command("list", short_help="Say which tokens a person has.")(list_tokens)
    token.command(short_help="Revoke a token.")(revoke)
    people.add_typer(token, name="token", help="Tokens by which programs act as people.")
    app.add_typer(people, name="people", help="Accounts of the people who use the page.")


@contextmanager
def _people_at(home: Path, what: str) -> "Iterator[OwnPeople | RemotePeople]":
    """Give who sees to accounts: the agent that runs in a home, or this process where none does."""
    from asleft.daemon.local.client import listens, socket_of  # noqa: PLC0415 keeps --help quick

    path = socket_of(home)
    if listens(path):
        yield _remote(path)
        return
    from asleft.daemon.accounts import own_accounts, this_account  # noqa: PLC0415 as above
    from asleft.daemon.home import HomeInUse  # noqa: PLC0415 as above
    from asleft.daemon.local.people_handlers import OwnPeople  # noqa: PLC0415 as above

    with ExitStack() as stack:
        asked: OwnPeople | RemotePeople
        try:
            asked = OwnPeople(stack.enter_context(own_accounts(home, what, _tell)), this_account())
        except HomeInUse:
            # An agent that started just now may answer by now.
            if not listens(path):
                raise
            asked = _remote(path)
        yield asked


def _remote(path: Path) -> "RemotePeople":
    from asleft.daemon.local.people_calls import RemotePeople  # noqa: PLC0415 keeps --help quick

    return RemotePeople(path)


def _tell(event: "AccountEvent") -> None:
    # Without an agent there is no log: what is done to an account is said here, for whoever keeps what commands say.
    more = f": {event.detail}" if event.detail else ""
    note(
        f"asleft: {clock_time(event.at)}: {event.move}, {safe(event.person)}, by {safe(event.by)}{safe(more)}"
    )


def add(person: PersonArgument, home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Make the one-time link by which a person sets a password for the page; the one before no longer works.

    Give it only to that person: whoever opens it first has the account. It is shown here once.
    """
    with _people_at(home, "asleft people add") as people:
        link = run(people.make_link(person))
    if as_json:
        say_json("people-add", person=link.person, path=link.path, ends=link.ends, again=link.again)
        return
    say(
        f"{link.person} sets a password at this address of the agent's page:",
        f"    {_page_of(home)}{link.path}",
    )
    say(
        f"It works once, until {clock_time(link.ends)}. Give it to nobody else: whoever opens it has the account."
    )
    if link.again:
        say("The password that is set now holds until then.")


def _page_of(home: Path) -> str:
    """Give the address of a home's page, as its settings have it; the path alone has to do where they name none."""
    from asleft.daemon.home import Home  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.settings.settings import read_settings  # noqa: PLC0415 as above

    settings = read_settings(Home(home).settings)
    if settings.pages_url:
        return settings.pages_url
    listen = settings.pages_listen
    if listen == "off" or listen.startswith("unix:"):
        return ""
    return f"{'https' if settings.pages_certificate else 'http'}://{listen}"


def list_people(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say who has an account, who is signed in, and what waits."""
    with _people_at(home, "asleft people list") as people:
        views = run(people.views())
    if as_json:
        say_json(
            "people",
            people=[
                {
                    "person": one.person,
                    "name": one.name or None,
                    "in-people-yaml": bool(one.name),
                    "account": one.has_account,
                    "password-set": one.password_set,
                    "link-until": one.link_ends,
                    "sessions": one.sessions,
                    "tokens": one.tokens,
                    "passkeys": one.passkeys,
                }
                for one in views
            ],
        )
        return
    say(*table([(one.person, one.name, _how_it_stands(one)) for one in views]))


def _how_it_stands(one: "AccountView") -> str:
    if not one.has_account:
        return "no account"
    parts = [
        "no password yet" if one.password_set is None else f"password set {clock_time(one.password_set)}"
    ]
    if not one.name:
        parts.insert(0, "no longer in people.yaml: cannot sign in")
    if one.link_ends is not None:
        parts.append(f"link until {clock_time(one.link_ends)}")
    counts = (("session", one.sessions), ("token", one.tokens), ("passkey", one.passkeys))
    parts += [f"{count} {word}{'' if count == 1 else 's'}" for word, count in counts if count]
    return "; ".join(parts)


def sign_out(person: PersonArgument, home: HomeOption, *, as_json: JsonOption = False) -> None:
    """End all sessions of a person; tokens stay."""
    with _people_at(home, "asleft people sign-out") as people:
        count = run(people.sign_out(person))
    if as_json:
        say_json("people-sign-out", person=person, sessions=count)
        return
    say(f"{safe(person)}: {count} {'session' if count == 1 else 'sessions'} ended.")


def remove(
    person: PersonArgument,
    home: HomeOption,
    *,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Remove an account: password, link, sessions, tokens and passkeys. people.yaml stays as it is."""
    if not yes:
        if not sys.stdin.isatty():
            raise typer.BadParameter("nobody can be asked here: say so with --yes", param_hint="--yes")
        if not typer.confirm(
            f"Remove the account of {safe(person)}, with its tokens and passkeys?", err=True
        ):
            note("asleft: nothing was changed")
            raise typer.Exit(Exit.REFUSED)
    with _people_at(home, "asleft people remove") as people:
        run(people.remove(person))
    if as_json:
        say_json("people-remove", person=person)
        return
    say(f"The account of {safe(person)} is removed. What the person may do stands in people.yaml, as before.")


def make(
    person: PersonArgument,
    token: TokenArgument,
    home: HomeOption,
    right: Annotated[
        list[str], typer.Option("--right", help="What it may do: look, acknowledge, …; once for each.")
    ],
    days: Annotated[int, typer.Option("--days", min=1, max=365, help="How long it works.")] = 90,
    *,
    as_json: JsonOption = False,
) -> None:
    """Make a token by which a program acts as a person, with some of the person's rights. It is shown here once."""
    from asleft.domain.people import Right  # noqa: PLC0415 keeps --help quick

    known = {str(one): one for one in Right}
    for one in right:
        if one not in known:
            raise typer.BadParameter(f"'{safe(one)}' is none of {', '.join(known)}", param_hint="--right")
    rights = [known[one] for one in dict.fromkeys(right)]
    with _people_at(home, "asleft people token make") as people:
        made = run(people.make_token(person, token, rights, days=days))
    if as_json:
        say_json("token", person=person, token=made.text, **_token_json(made.token))
        return
    say(made.text)
    note(
        f"asleft: this token is shown once; it works until {clock_time(made.token.ends)}.",
        f"        To end it before: asleft people token revoke {safe(person)} '{safe(made.token.name)}'",
    )


def list_tokens(person: PersonArgument, home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say which tokens a person has; the tokens themselves are nowhere."""
    with _people_at(home, "asleft people token list") as people:
        tokens = run(people.tokens(person))
    if as_json:
        say_json("tokens", person=person, tokens=[_token_json(one) for one in tokens])
    elif not tokens:
        say(f"{safe(person)} has no tokens.")
    else:
        say(*table([_token_row(one) for one in tokens]))


def _token_row(one: "ApiToken") -> tuple[str, ...]:
    used = "never used" if one.used is None else f"used {clock_time(one.used)}"
    return one.name, ", ".join(_rights(one)), f"until {clock_time(one.ends)}", used


def _token_json(one: "ApiToken") -> dict[str, object]:
    return {"name": one.name, "rights": _rights(one), "made": one.made, "ends": one.ends, "used": one.used}


def _rights(one: "ApiToken") -> list[str]:
    from asleft.domain.people import Right  # noqa: PLC0415 keeps --help quick

    return [str(right) for right in Right if right in one.rights]


def revoke(
    person: PersonArgument, token: TokenArgument, home: HomeOption, *, as_json: JsonOption = False
) -> None:
    """Revoke a token; it works no more at once."""
    with _people_at(home, "asleft people token revoke") as people:
        run(people.revoke_token(person, token))
    if as_json:
        say_json("token-revoke", person=person, name=token)
        return
    say(f"The token '{safe(token)}' of {safe(person)} is revoked.")
