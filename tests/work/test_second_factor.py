"""A second factor with confirmations: when it is asked for, what counts as one, and what the records say of it.

OWASP ASVS 5.0.0, 7.5.3: secondary verification before highly sensitive operations.
"""

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from asleft.domain.accounts import Proved
from asleft.domain.canonical import digest
from asleft.domain.order_rules import OrderRules, SecondFactor
from asleft.domain.orders import Event, OrderState
from asleft.work.accounts.refusals import BadPasskey
from asleft.work.guards import asks_factor
from asleft.work.ordering import MayNot
from estates import IDRIS, WREN, Bench, commit
from stage import DRUMS, Time, a_stage, accepted, confirm_group, drawn

WHY: dict[str, Any] = {"reason": "before doors"}
ALWAYS = "{two-people: [], second-factor: always}"
RISES = "{two-people: [], second-factor: rises and addresses}"


class Holds:
    """Somebody who holds a passkey to what is confirmed.

    Args:
        person: Who.
        spoil: What goes wrong with it.
    """

    def __init__(self, person: str = WREN, spoil: Callable[[Proved], Proved] = lambda proved: proved) -> None:
        self.asked: list[str] = []
        self._person = person
        self._spoil = spoil

    def __call__(self, about: str) -> Proved:
        """Prove something."""
        self.asked.append(about)
        return self._spoil(
            Proved(person=self._person, about=about, passkey="AbCdEfGhIjKlMnOpQrStUvWx", name="phone")
        )


async def test_what_is_grave_needs_one_and_the_rest_does_not(tmp_path: Path) -> None:
    """`rises and addresses`: menus are locked by a bare confirmation, a rise is not written by one; a passkey's is on record."""
    with a_stage(tmp_path, orders=RISES) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (plain,) = await drawn(desk)
        assert asks_factor(desk.estate_now().orders, [plain]) == ""
        assert (await desk.confirm(plain.id, by=WREN, accepted=[], **WHY)).state is OrderState.RESTORED
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (rise,) = await drawn(desk)
        assert asks_factor(desk.estate_now().orders, [rise]) == "rises and addresses"
        assert (
            desk.order_views()[0].waits[0]
            == "a passkey or a signature of each who confirms: rises and addresses"
        )
        with pytest.raises(
            MayNot, match="a second factor is asked for: a passkey, or a signature"
        ) as refused:
            await desk.confirm(rise.id, by=WREN, accepted=accepted(rise), **WHY)
        assert f"/orders/{rise.id}" in refused.value.todo
        assert "ssh-keygen -Y sign" in refused.value.todo
        assert bench.station(DRUMS).get("headphones.limiter-level") == -20.0
        holds = Holds()
        done = await desk.confirm(rise.id, by=WREN, accepted=accepted(rise), prove=holds, **WHY)
        assert (done.state, holds.asked) == (OrderState.RESTORED, [rise.digest])
        assert [(move.event, move.proved) for move in done.life if move.by == WREN] == [
            (Event.TURN_AWAY, ""),
            (Event.CONFIRM, "passkey 'phone' AbCdEfGhIjKlMnOp"),
        ]
        page = yaml.safe_load(bench.records("show", f"HEAD:orders/{rise.drawn_up:%Y}/{rise.id}.yaml"))
        assert [move.get("proved") for move in page["life"] if move["event"] == "confirm"] == [
            "passkey 'phone' AbCdEfGhIjKlMnOp"
        ]


async def test_each_of_the_two_is_asked(tmp_path: Path) -> None:
    """Two people are two confirmations, each with a second factor of its own person."""
    with a_stage(tmp_path, orders="{second-factor: always}") as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        given: dict[str, Any] = {"accepted": accepted(order), **WHY}
        first = await desk.confirm(order.id, by=WREN, prove=Holds(), **given)
        assert first.state is OrderState.DRAWN_UP
        with pytest.raises(MayNot, match="a second factor is asked for"):
            await desk.confirm(order.id, by=IDRIS, **given)
        with pytest.raises(MayNot, match="the passkey proves something else"):
            await desk.confirm(order.id, by=IDRIS, prove=Holds(WREN), **given)
        done = await desk.confirm(order.id, by=IDRIS, prove=Holds(IDRIS), **given)
        assert done.state is OrderState.RESTORED


@pytest.mark.parametrize(
    "spoil, why",
    [
        (lambda proved: replace(proved, person=IDRIS), "proves something else"),
        (lambda proved: replace(proved, about="0" * 64), "proves something else"),
    ],
    ids=["another person", "another order"],
)
async def test_a_proof_of_something_else_counts_for_nothing(
    tmp_path: Path, spoil: Callable[[Proved], Proved], why: str
) -> None:
    """Whatever a face says was proved, the work holds it against who confirms, and what; also where none is asked for."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        with pytest.raises(MayNot, match=why):
            await desk.confirm(order.id, by=WREN, accepted=[], prove=Holds(spoil=spoil), **WHY)
        assert desk.orders()[0].state is OrderState.DRAWN_UP


async def test_a_passkey_that_is_refused_is_on_record(tmp_path: Path) -> None:
    """It is turned away as any confirmation that does not count, and the passkey is asked only once all else holds."""
    with a_stage(tmp_path, orders=ALWAYS) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        asked: list[str] = []

        def refuses(about: str) -> Proved:
            asked.append(about)
            raise BadPasskey("the passkey was refused", where="it is no passkey of this person")

        with pytest.raises(MayNot, match="needs a reason"):
            await desk.confirm(order.id, by=WREN, accepted=[], reason=" ", prove=refuses)
        assert asked == []
        with pytest.raises(BadPasskey):
            await desk.confirm(order.id, by=WREN, accepted=[], prove=refuses, **WHY)
        turned = [move.why for move in desk.orders()[0].life if move.event is Event.TURN_AWAY]
        assert turned == ["a confirmation needs a reason", "the passkey was refused"]


async def test_a_group_is_proved_by_its_own_digest(tmp_path: Path) -> None:
    """What a passkey is asked about for many is the digest over their digests; one rise among them asks for all."""
    clock = Time()
    with a_stage(tmp_path, ("drums", "bass"), orders=RISES) as bench, bench.desk(clock=clock) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        bench.meddle(DRUMS.replace("drums", "bass"), "panel.menus", "open")
        orders = await drawn(desk, DRUMS.partition("/")[0])
        assert len(orders) == 2
        with pytest.raises(MayNot, match="a second factor is asked for"):
            await confirm_group(desk, orders, WREN)
        group = desk.outlook(desk.orders()[0].group).group
        assert group is not None
        holds = Holds()
        done = await desk.confirm_group(group.id, by=WREN, accepted=accepted(*orders), prove=holds, **WHY)
        assert {kept.state for kept in done} == {OrderState.RESTORED}
        assert holds.asked == [digest(group.body())]
        assert all(one.digest in json.dumps(group.body()) for one in orders)
        assert {kept.confirmed[-1].proved for kept in done} == {"passkey 'phone' AbCdEfGhIjKlMnOp"}


def test_nothing_asks_for_one_where_nothing_is_confirmed() -> None:
    """An estate that always asks does so for orders, not for none."""
    assert asks_factor(OrderRules(second_factor=SecondFactor.ALWAYS), []) == ""


def _run(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "asleft", *words],
        cwd=folder,
        capture_output=True,
        check=False,
        encoding="utf-8",
    )


def _signs(bench: Bench, folder: Path) -> Path:
    """Give Wren a key that the baseline lists for orders."""
    key = folder / "wren"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    public = key.with_suffix(".pub").read_text("utf-8").split()[:2]
    (bench.repository / "allowed-signers").write_text(
        f'wren@quillfen.example namespaces="order@asleft" {" ".join(public)}\n', "utf-8"
    )
    people = bench.repository / "people.yaml"
    text = people.read_text("utf-8").replace(
        "{name: Wren Halloway,", "{name: Wren Halloway, signs-as: [wren@quillfen.example],"
    )
    people.write_text(text, "utf-8")
    commit(bench.repository, "Wren signs")
    return key


def test_on_the_command_line_a_signature_is_the_second_factor(tmp_path: Path) -> None:
    """A bare `asleft confirm` is refused in words; with a signature by real ssh-keygen the order is carried out."""
    with a_stage(tmp_path, orders=ALWAYS) as bench:
        key, home = _signs(bench, tmp_path), ("--home", str(bench.home))
        bench.meddle(DRUMS, "panel.menus", "open")
        drawn_up = _run("restore", DRUMS, *home, "--json", folder=tmp_path)
        assert drawn_up.returncode == 0, drawn_up.stderr
        name = next(
            value
            for row in json.loads(drawn_up.stdout)["orders"]
            for field, value in row.items()
            if field == "order"
        )
        confirm = ("confirm", name, *home, "--by", WREN, "--reason", "before doors")
        bare = _run(*confirm, folder=tmp_path)
        assert bare.returncode != 0
        assert "a second factor is asked for: a passkey, or a signature (every order)" in bare.stderr
        assert "asleft confirm with --signature order.json.sig" in bare.stderr
        assert bench.station(DRUMS).get("panel.menus") == "open"
        canonical = _run("orders", name, *home, "--canonical", folder=tmp_path)
        (tmp_path / "order.json").write_text(canonical.stdout, "utf-8")
        subprocess.run(
            ["ssh-keygen", "-q", "-Y", "sign", "-n", "order@asleft", "-f", str(key), "order.json"],
            cwd=tmp_path,
            check=True,
            capture_output=True,
        )
        signed = _run(*confirm, "--signature", "order.json.sig", folder=tmp_path)
        assert signed.returncode == 0, signed.stderr
        assert bench.station(DRUMS).get("panel.menus") == "locked"
