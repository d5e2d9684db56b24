"""An authenticator in software: makes passkeys and signs with them, as a phone or a key in the hand does.

WebAuthn (W3C, Level 2) §6.1 authenticator data, §6.5.1 attested credential data, §5.8.1 client data, §8.2 packed and §8.7 none
attestation; RFC 9053 §2.1 and §7.1.1: ES256 is -7, an EC2 key is {1: 2, 3: -7, -1: 1, -2: x, -3: y}.
"""

import json
import secrets
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import cbor2
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256

USER_PRESENT, USER_VERIFIED, ATTESTED = 0x01, 0x04, 0x40


def packed(data: bytes) -> str:
    """Give bytes as base64url without padding."""
    return urlsafe_b64encode(data).rstrip(b"=").decode()


def unpacked(text: str) -> bytes:
    """Give the bytes of base64url without padding."""
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


@dataclass(kw_only=True)
class Authenticator:
    """One passkey in software; what a test changes about it is what goes wrong."""

    origin: str = "https://monitors.quillfen.example"
    place: str | None = None
    flags: int = USER_PRESENT | USER_VERIFIED
    counts: bool = True
    uses: int = 0
    attestation: str = "none"
    handle: bytes | None = None
    id: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))

    def make(self, options: str, **wrong: Any) -> str:
        """Answer navigator.credentials.create(), with other client data where a test wants it."""
        asked = json.loads(options)
        client = self._client("webauthn.create", asked["challenge"], wrong)
        self.handle = unpacked(asked["user"]["id"])
        numbers = self.key.public_key().public_numbers()
        cose = cbor2.dumps(
            {1: 2, 3: -7, -1: 1, -2: numbers.x.to_bytes(32, "big"), -3: numbers.y.to_bytes(32, "big")}
        )
        credential = bytes(16) + len(self.id).to_bytes(2, "big") + self.id + cose
        data = self._data(asked["rp"]["id"], ATTESTED) + credential
        statement: dict[str, Any] = {}
        if self.attestation == "packed":
            statement = {"alg": -7, "sig": self._sign(data + sha256(client).digest())}
        attestation = cbor2.dumps({"fmt": self.attestation, "attStmt": statement, "authData": data})
        return self._answer({"clientDataJSON": packed(client), "attestationObject": packed(attestation)})

    def sign(self, options: str, **wrong: Any) -> str:
        """Answer navigator.credentials.get()."""
        asked = json.loads(options)
        client = self._client("webauthn.get", asked["challenge"], wrong)
        data = self._data(asked["rpId"], 0)
        response = {
            "clientDataJSON": packed(client),
            "authenticatorData": packed(data),
            "signature": packed(self._sign(data + sha256(client).digest())),
        }
        if self.handle is not None:
            response["userHandle"] = packed(self.handle)
        return self._answer(response)

    def _client(self, kind: str, challenge: str, wrong: dict[str, Any]) -> bytes:
        said = {"type": kind, "challenge": challenge, "origin": self.origin, "crossOrigin": False} | wrong
        return json.dumps(said).encode()

    def _data(self, place: str, more: int) -> bytes:
        self.uses += self.counts
        head = sha256((self.place or place).encode()).digest()
        return head + bytes([self.flags | more]) + self.uses.to_bytes(4, "big")

    def _sign(self, data: bytes) -> bytes:
        return self.key.sign(data, ec.ECDSA(SHA256()))

    def _answer(self, response: dict[str, str]) -> str:
        named = packed(self.id)
        return json.dumps(
            {
                "id": named,
                "rawId": named,
                "type": "public-key",
                "response": response,
                "clientExtensionResults": {},
            }
        )
