"""The section `channels` of the agent's settings: one row a channel, told apart by its kind."""

from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from asleft.alerts.addresses import is_host
from asleft.alerts.syslog_format import FACILITIES
from asleft.domain.kinds import nearest
from asleft.domain.mail import is_mail_address
from asleft.domain.names import NAME_RULE, harmless, is_name

__all__ = ["ChannelRow", "ChatRow", "MailRow", "StdoutRow", "SyslogRow", "WebhookRow"]

_MOST_PORT = 65535
_MOST_SECONDS = 300.0


def _credential(text: str) -> str:
    # What stands here by mistake is often the secret itself, so it is never repeated.
    if not is_name(text):
        raise PydanticCustomError(
            "credential",
            "this is no name of a credentials file; put the secret into a file and write the file's name: {rule}",
            {"rule": NAME_RULE},
        )
    return text


def _host(text: str) -> str:
    if not is_host(text):
        raise PydanticCustomError(
            "host", "'{host}' is no name or address of a host", {"host": harmless(text)}
        )
    return text


def _sender(text: str) -> str:
    if not (text.isascii() and is_mail_address(text)):
        raise PydanticCustomError(
            "sender", "'{address}' is no mail address in ASCII", {"address": harmless(text)}
        )
    return text


def _facility(text: str) -> str:
    if text not in FACILITIES:
        raise PydanticCustomError(
            "facility",
            "'{facility}' is no facility; {fix}",
            {"facility": harmless(text), "fix": nearest(text, list(FACILITIES))},
        )
    return text


def _url(text: str) -> str:
    # Not repeated: the path or the query may be the secret of the service.
    try:
        parts = urlsplit(text)
        good = parts.scheme in {"https", "http"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good or not text.isascii() or not text.isprintable() or " " in text:
        raise PydanticCustomError("url", "this is no web address; write https://host/path")
    if parts.username is not None or parts.password is not None:
        raise PydanticCustomError(
            "url", "a user or password in the address would be sent and logged; take it out"
        )
    return text


Credential = Annotated[str, AfterValidator(_credential)]
Host = Annotated[str, AfterValidator(_host)]
Port = Annotated[int, Field(ge=1, le=_MOST_PORT)]


class _Row(BaseModel):
    """What all rows share: unknown keys are refused, keys are written with hyphens."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        hide_input_in_errors=True,
        alias_generator=lambda field: field.rstrip("_").replace("_", "-"),
    )

    seconds: float = Field(default=30.0, gt=0, le=_MOST_SECONDS)
    """How long one message may take, in seconds."""


class _EncryptedRow(_Row):
    ca_file: Path | None = None
    """Certificate authority to trust instead of the system's, as a PEM file."""


class MailRow(_EncryptedRow):
    """Mail over SMTP."""

    kind: Literal["mail"]
    host: Host
    """Mail server."""
    port: Port | None = None
    """Its port; 587 with STARTTLS, 465 with implicit TLS, 25 with none where not said."""
    tls: Literal["starttls", "implicit", "none"] = "starttls"
    """How the way is encrypted: insisted on unless `none` is written."""
    from_: Annotated[str, AfterValidator(_sender)]
    """Address that alerts come from."""
    user: str = ""
    """Who signs in; nobody where not said."""
    credential: Credential | None = None
    """Name of the credentials file that holds the password."""


class WebhookRow(_EncryptedRow):
    """Signed web calls."""

    kind: Literal["webhook"]
    url: Annotated[str, AfterValidator(_url)]
    """Where to."""
    secret: Credential
    """Name of the credentials file that holds the secret of the signature."""
    tls: Literal["required", "none"] = "required"
    """Whether the address must begin with https; `none` allows http."""


class SyslogRow(_EncryptedRow):
    """Syslog messages."""

    kind: Literal["syslog"]
    host: Host
    """Collector."""
    port: Port | None = None
    """Its port; 514 for UDP, 601 for TCP, 6514 for TLS where not said."""
    transport: Literal["udp", "tcp", "tls"] = "udp"
    """How messages travel; only tcp and tls notice a collector that is away."""
    facility: Annotated[str, AfterValidator(_facility)] = "local4"
    """Facility of the messages."""


class ChatRow(_Row):
    """Whatever apprise reaches."""

    kind: Literal["chat"]
    url: Credential
    """Name of the credentials file that holds the apprise URL; `{address}` in it stands for the receiver's address."""


class StdoutRow(_Row):
    """A line a message on standard output."""

    kind: Literal["stdout"]


_KINDS = ("mail", "webhook", "syslog", "chat", "stdout")


def _known_kind(tree: Any) -> Any:
    if isinstance(tree, dict):
        kind = tree.get("kind")
        if kind is None:
            raise PydanticCustomError("kind", "the kind is missing; {fix}", {"fix": nearest("", _KINDS)})
        if kind not in _KINDS:
            raise PydanticCustomError(
                "kind",
                "'{kind}' is no kind of channel; {fix}",
                {"kind": harmless(str(kind)), "fix": nearest(str(kind), _KINDS)},
            )
    return tree


ChannelRow = Annotated[
    MailRow | WebhookRow | SyslogRow | ChatRow | StdoutRow,
    Field(discriminator="kind"),
    BeforeValidator(_known_kind),
]
"""One row; use it as `channels: dict[str, ChannelRow] = {}`."""
