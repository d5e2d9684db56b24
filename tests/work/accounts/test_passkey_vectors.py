"""Passkeys against bytes that others made: W3C, Web Authentication Level 3, section 16 "Test Vectors".

Section 16.1 sets the RP ID `example.org` and the origin `https://example.org` for all of them. What an authenticator signed
there answers a challenge that is given, so the chance of this desk gives just those bytes. They were copied from the tests of two other servers' libraries in Go (16.2, 16.3, 16.7) and
C# (16.4), which name the recommendation; the document itself was not at hand.
"""

import json
import secrets
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from asleft.domain.accounts import Passkey
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.refusals import BadPasskey
from asleft.work.accounts.sessions import Here
from work.accounts.authenticator import packed, unpacked
from work.accounts.house import NOON, PHONE, WREN, House, a_house

SITE = PasskeyPlace(id="example.org", name="Vectors", origins=("https://example.org",))
ORDER = "5" * 64


@dataclass(frozen=True, kw_only=True)
class Vector:
    """A registration, and an answer by the same passkey, as hexadecimal digits."""

    id: str
    made_for: str
    made_client: str
    attestation: str
    signed_for: str
    signed_client: str
    data: str
    signature: str

    def made(self) -> str:
        """Give what a browser sends of the registration."""
        return self._answer({"clientDataJSON": self.made_client, "attestationObject": self.attestation})

    def signed(self) -> str:
        """Give what a browser sends of the answer."""
        held = {
            "clientDataJSON": self.signed_client,
            "authenticatorData": self.data,
            "signature": self.signature,
        }
        return self._answer(held)

    def _answer(self, held: dict[str, str]) -> str:
        name = packed(bytes.fromhex(self.id))
        response = {key: packed(bytes.fromhex(value)) for key, value in held.items()}
        return json.dumps({"id": name, "rawId": name, "type": "public-key", "response": response})


def _client(kind: str, challenge: str, rest: str) -> str:
    """Give client data: the JSON that a browser writes, as hexadecimal digits (§5.8.1.1)."""
    said = f'{{"type":"webauthn.{kind}","challenge":"{challenge}","origin":"https://example.org",{rest}'
    return said.encode().hex()


_MAY = (
    ',"extraData":"clientDataJSON may be extended with additional fields in the future, such as this: {}"}}'
)
"""What the vectors add, so that nobody compares client data with a template."""

NONE = Vector(  # 16.2: no attestation; the authenticator did not ask who was there (flags 59 and 19, UV is 04)
    id="f91f391db4c9b2fde0ea70189cba3fb63f579ba6122b33ad94ff3ec330084be4",
    made_for="00c30fb78531c464d2b6771dab8d7b603c01162f2fa486bea70f283ae556e130",
    made_client=_client(
        "create",
        "AMMPt4UxxGTStncdq417YDwBFi8vpIa-pw8oOuVW4TA",
        '"crossOrigin":false' + _MAY.format("BkQeDjdcTBrXBiAwJTLE5Q"),
    ),
    attestation="a363666d74646e6f6e656761747453746d74a068617574684461746158a4bfabc37432958b063360d3ad6461c9c4735ae7f8"
    "edd46592a5e0f01452b2e4b559000000008446ccb9ab1db374750b2367ff6f3a1f0020f91f391db4c9b2fde0ea70189cba3fb63f579ba612"
    "2b33ad94ff3ec330084be4a5010203262001215820afefa16f97ca9b2d23eb86ccb64098d20db90856062eb249c33a9b672f26df61225820"
    "930a56b87a2fca66334b03458abf879717c12cc68ed73290af2e2664796b9220",
    signed_for="39c0e7521417ba54d43e8dc95174f423dee9bf3cd804ff6d65c857c9abf4d408",
    signed_client=_client("get", "OcDnUhQXulTUPo3JUXT0I97pvzzYBP9tZchXyav01Ag", '"crossOrigin":false}'),
    data="bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b51900000000",
    signature="3046022100f50a4e2e4409249c4a853ba361282f09841df4dd4547a13a87780218deffcd380221008480ac0f0b93538174f575"
    "bf11a1dd5d78c6e486013f937295ea13653e331e87",
)
SELF = Vector(  # 16.3: attested by itself; it asked who was there when it was made, and not afterwards (flags 5d and 09)
    id="455ef34e2043a87db3d4afeb39bbcb6cc32df9347c789a865ecdca129cbef58c",
    made_for="7869c2b772d4b58eba9378cf8f29e26cf935aa77df0da89fa99c0bdc0a76f7e5",
    made_client=_client(
        "create",
        "eGnCt3LUtY66k3jPjynibPk1qnffDaifqZwL3Ap29-U",
        '"crossOrigin":false' + _MAY.format("U9hTXvKE2URkMnb_0xYHVg"),
    ),
    attestation="a363666d74667061636b65646761747453746d74a263616c672663736967584630440220067a20754ab925005dbf378097c9"
    "2120031581c73228d1fb4f5b881bcd7da98302207fc7b147558c7c0eba3af18bd9d121fa3d3a26d17fe3f220272178f473b6006d68617574"
    "684461746158a4bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b55d00000000df850e09db6afbdfab516977"
    "91506cfc0020455ef34e2043a87db3d4afeb39bbcb6cc32df9347c789a865ecdca129cbef58ca5010203262001215820eb151c8176b225cc"
    "651559fecf07af450fd85802046656b34c18f6cf193843c5225820927b8aa427a2be1b8834d233a2d34f61f13bfd44119c325d5896e183fe"
    "e484f2",
    signed_for="4478a10b1352348dd160c1353b0d469b5db19eb91c27f7dfa6fed39fe26af20b",
    signed_client=_client(
        "get",
        "RHihCxNSNI3RYME1Ow1Gm12xnrkcJ_ffpv7Tn-Jq8gs",
        '"crossOrigin":false' + _MAY.format("gTb53rz6EhSWomXGzimC1Q"),
    ),
    data="bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b50900000000",
    signature="304402203310b9431903c401f1be2bdc8d23a4007682dbbddcf846994947b7f465daf84002204e94dd00047b316061b3b99772"
    "b7efd95994a83ef584b3b6b825ea3550251b66",
)
CROSS = Vector(  # 16.4: both were made in a frame of another site ("crossOrigin": true)
    id="6e1050c0d2ca2f07c755cb2c66a74c64fa43065c18f938354d9915db2bd5ce57",
    made_for="3be5aacd03537142472340ab5969f240f1d87716e20b6807ac230655fa4b3b49",
    made_client=_client(
        "create",
        "O-WqzQNTcUJHI0CrWWnyQPHYdxbiC2gHrCMGVfpLO0k",
        '"crossOrigin":true' + _MAY.format("zZquEtDR9DWqpW5tBWTFug"),
    ),
    attestation="a363666d74646e6f6e656761747453746d74a068617574684461746158a4bfabc37432958b063360d3ad6461c9c4735ae7f8"
    "edd46592a5e0f01452b2e4b54500000000883f4f6014f19c09d87aa38123be48d000206e1050c0d2ca2f07c755cb2c66a74c64fa43065c18"
    "f938354d9915db2bd5ce57a501020326200121582022200a473f90b11078851550d03b4e44a2279f8c4eca27b3153dedfe03e4e97d225820"
    "cbd0be95e746ad6f5a8191be11756e4c0420e72f65b466d39bc56b8b123a9c6e",
    signed_for="876aa517ba83fdee65fcffdbca4c84eeae5d54f8041a1fc85c991e5bbb273137",
    signed_client=_client(
        "get",
        "h2qlF7qD_e5l_P_bykyE7q5dVPgEGh_IXJkeW7snMTc",
        '"crossOrigin":true' + _MAY.format("92pcTVD0Aby-q4dtmj6efg"),
    ),
    data="bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b50500000000",
    signature="3046022100eb12fcf23b12764c0f122e22371fab92e283879fd798f38ee1841c951b6e40e7022100c76237ff9db77b3c56f308"
    "37cda6a09acfa2e915544e609c0733b1184036d1cf",
)
PACKED = Vector(  # 16.7: attested by an authority; it asked who was there both times (flags 4d and 0d)
    id="c9a6f5b3462d02873fea0c56862234f99f081728084e511bb7760201a89054a5",
    made_for="c1184a5fddf8045e13dc47f54b61f5a656b666b59018f16d870e9256e9952012",
    made_client=_client(
        "create",
        "wRhKX934BF4T3Ef1S2H1pla2ZrWQGPFthw6SVumVIBI",
        '"crossOrigin":false' + _MAY.format("9a8bNYjKCgWrBXU-fCl1ag"),
    ),
    attestation="a363666d74667061636b65646761747453746d74a363616c6726637369675847304502203f19ec4b229f46ab8c45eff29b90"
    "4ff10c0390dc40bf1216f04a78f4ceba3425022100fe7041a32759aff05a0f9f26c70a999c7a284451ba89234a1d3483c25e21925b637835"
    "638159022530820221308201c8a00302010202110088c220f83c8ef1feafe94deae45faad0300a06082a8648ce3d0403023062311e301c06"
    "035504030c15576562417574686e207465737420766563746f7273310c300a060355040a0c0357334331253023060355040b0c1c41757468"
    "656e74696361746f72204174746573746174696f6e204341310b30090603550406130241413020170d3234303130313030303030305a180f"
    "33303234303130313030303030305a305f311e301c06035504030c15576562417574686e207465737420766563746f7273310c300a060355"
    "040a0c0357334331223020060355040b0c1941757468656e74696361746f72204174746573746174696f6e310b3009060355040613024141"
    "3059301306072a8648ce3d020106082a8648ce3d03010703420004a91ba4389409dd38a428141940ca8feb1ac0d7b4350558104a3777a493"
    "22f3798440f378b3398ab2d3bb7bf91322c92eb23556f59ad0a836fec4c7663b0e4dc3a360305e300c0603551d130101ff04023000300e06"
    "03551d0f0101ff040403020780301d0603551d0e04160414a589ba72d060842ab11f74fb246bdedab16f9b9b301f0603551d230418301680"
    "1445aff715b0dd786741fee996ebc16547a3931b1e300a06082a8648ce3d040302034700304402201726b9d85ecd8a5ed51163722ca3a208"
    "86fd9b242a0aa0453d442116075defd502207ef471e530ac87961a88a7f0d0c17b091ffc6b9238d30f79f635b417be5910e7686175746844"
    "61746158a4bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b54d00000000876ca4f52071c3e9b25509ef2cdf"
    "7ed60020c9a6f5b3462d02873fea0c56862234f99f081728084e511bb7760201a89054a5a50102032620012158201cf27f25da591208a423"
    "9c2e324f104f585525479a29edeedd830f48e77aeae522582059e4b7da6c0106e206ce390c93ab98a15a5ec3887e57f0cc2bece803b920c4"
    "23",
    signed_for="b1106fa46a57bef1781511c0557dc898a03413d5f0f17d244630c194c7e1adb5",
    signed_client=_client(
        "get",
        "sRBvpGpXvvF4FRHAVX3ImKA0E9Xw8X0kRjDBlMfhrbU",
        '"crossOrigin":false' + _MAY.format("AZMwyMxIbD8-uguFNp6r8Q"),
    ),
    data="bfabc37432958b063360d3ad6461c9c4735ae7f8edd46592a5e0f01452b2e4b50d00000000",
    signature="30450220694969d3ee928de6f02ef23a9c644d7d779916451734a94b432542f498a1ebe90221008b0819c824218a97152cd099"
    "c55bfb1477b29d900a49a64018314f9bfccda163",
)


class Chance:
    """Random bytes, but for what is to be given next."""

    def __init__(self) -> None:
        self.next: bytes | None = None

    def __call__(self, count: int) -> bytes:
        """Give bytes."""
        given, self.next = self.next, None
        return secrets.token_bytes(count) if given is None else given


@dataclass(kw_only=True)
class Door:
    """A house whose page is that of the vectors, and who has signed in there."""

    house: House
    here: Here
    chance: Chance

    def make(self, vector: Vector) -> Passkey:
        """Ask for a passkey with the vector's challenge, and answer with its registration."""
        keys = self.house.desk.passkeys
        self.chance.next = bytes.fromhex(vector.made_for)
        keys.begin_adding(self.here, "vector")
        return keys.add(self.here, vector.made(), PHONE)

    def prove(self, vector: Vector) -> Passkey:
        """Ask for a proof with the vector's challenge, and answer with its authentication."""
        keys = self.house.desk.passkeys
        self.chance.next = bytes.fromhex(vector.signed_for)
        keys.begin_proof(self.here, ORDER)
        return keys.prove(self.here, ORDER, vector.signed(), PHONE)

    def keep(self, vector: Vector) -> None:
        """Keep the vector's passkey as if it had been added, so that its answer alone is judged."""
        name, data = bytes.fromhex(vector.id), bytes.fromhex(vector.attestation)
        key = data[data.rindex(name) + len(name) :]
        self.house.store.put_passkey(
            Passkey(id=packed(name), person=WREN, name="vector", public_key=packed(key), uses=0, made=NOON)
        )


@pytest.fixture
async def door(tmp_path: Path) -> AsyncIterator[Door]:
    """Open a door to the page of the vectors."""
    chance = Chance()
    with a_house(tmp_path, place=SITE, chance=chance) as house:
        yield Door(house=house, here=house.desk.sessions.whose((await house.settled()).token), chance=chance)


def test_both_are_taken_where_the_person_showed_who_they_are(door: Door) -> None:
    """16.7: the registration gives the id and the key of the vector; its authentication is proved with them."""
    made = door.make(PACKED)
    assert (made.id, made.uses) == (packed(bytes.fromhex(PACKED.id)), 0)
    assert bytes.fromhex(PACKED.attestation).endswith(unpacked(made.public_key))
    assert door.prove(PACKED).id == made.id


def test_one_is_taken_where_they_showed_it_once(door: Door) -> None:
    """16.3: it is added (7.1, UV set), and its answer is refused (7.2, UV not set), as we always ask for it."""
    assert door.make(SELF).id == packed(bytes.fromhex(SELF.id))
    with pytest.raises(BadPasskey) as caught:
        door.prove(SELF)
    assert "verifi" in caught.value.where


@pytest.mark.parametrize(
    "vector, why", [(NONE, "verifi"), (CROSS, "in a frame of another site")], ids=["16.2", "16.4"]
)
def test_neither_is_taken_where_they_did_not_or_in_a_frame(door: Door, vector: Vector, why: str) -> None:
    """16.2 (no UV) and 16.4 (crossOrigin, 13.4.9): refused both ways, though all else about them holds."""
    with pytest.raises(BadPasskey) as caught:
        door.make(vector)
    assert why in caught.value.where
    door.keep(vector)
    with pytest.raises(BadPasskey) as caught:
        door.prove(vector)
    assert why in caught.value.where


@pytest.mark.parametrize("field", ["data", "signature", "signed_client"])
def test_a_bit_of_the_answer_that_is_turned_is_refused(door: Door, field: str) -> None:
    """16.7 again: nothing of what was signed, nor the signature, may differ in one bit."""
    door.make(PACKED)
    held = bytearray.fromhex(getattr(PACKED, field))
    held[-3] ^= 1
    with pytest.raises(BadPasskey):
        door.prove(replace(PACKED, **{field: held.hex()}))
    assert door.prove(PACKED).name == "vector"
