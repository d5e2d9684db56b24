"""How the work has it proved that a person signed an order, and what that person does to sign one."""

import shlex
from dataclasses import dataclass
from typing import Final, Protocol

from asleft.domain.errors import AsleftError
from asleft.domain.people import Person

__all__ = ["NAMESPACE", "BadSignature", "Signatures", "Signed", "signing_command"]

NAMESPACE: Final = "order@asleft"
"""What a signature under an order is for (PROTOCOL.sshsig of OpenSSH: the namespace); one made for anything else is none."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Signed:
    """A signature that holds.

    Args:
        principal: The name in the allowed-signers file that stands before the key.
        key: The key's fingerprint, as `SHA256:…`.
    """

    principal: str
    key: str


class BadSignature(AsleftError):
    """A signature proves nothing: it is none, or not of this document, this person or this purpose."""


class Signatures(Protocol):
    """Tells whether a person signed a document."""

    def check(self, document: bytes, signature: str, *, person: Person, estate_commit: str) -> Signed:
        """Give who signed with which key; it returns only where the signature holds now.

        It runs a program and may take some seconds: not for an event loop's own thread.

        Args:
            document: The bytes that were signed: the canonical form of an order (RFC 8785).
            signature: What the person's program wrote: one armored SSH signature.
            person: Who is said to have signed.
            estate_commit: The revision of the baseline whose allowed signers and revoked keys count.

        Raises:
            BadSignature: It does not hold, or that cannot be found out.
        """


def signing_command(key: str, file: str) -> str:
    """Give the command by which a person signs a file; it writes the signature beside it, as `FILE.sig`.

    Args:
        key: The person's private key, or the public one where an agent of ssh holds the private one.
        file: The file with the canonical form of the order.
    """
    return shlex.join(["ssh-keygen", "-Y", "sign", "-n", NAMESPACE, "-f", key, file])
