"""An estate of two sites, and all that can happen at the one of which the other's people may be told nothing."""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import web.page
from asleft.domain.orders import Order
from estates import HALL, IDRIS, Bench
from stage import _ESTATE, _SITE, _STATION, DRUMS, accepted, bench_of, calendar, drawn, performance
from web.page import Page, a_page
from web.side_stage import proposing

__all__ = ["GONG", "LUTE", "ORLA", "VAULT", "Hidden", "everything_happens", "two_sites"]

VAULT = "vexholm-vault"
GONG, LUTE, HARP = f"{VAULT}/vexgong", f"{VAULT}/vexlute", f"{VAULT}/vexharp"
ORLA = "orla-vexley"
"""Somebody who has to do with the hidden site alone."""
_PEOPLE = f"""\
format: asleft-people-1
people:
  wren-halloway: {{name: Wren Halloway, rights: [look, acknowledge, confirm, approve]}}
  idris-quill: {{name: Idris Quill, rights: [look, acknowledge, confirm, approve], sites: [{HALL}]}}
  sorrel-vane: {{name: Sorrel Vane, rights: [look, acknowledge, confirm], sites: [{HALL}]}}
  {ORLA}: {{name: Orla Vexley, rights: [look, acknowledge, confirm, approve], sites: [{VAULT}]}}
  odo-vexley: {{name: Odo Vexley, rights: [look, acknowledge, confirm], sites: [{VAULT}]}}
"""
_CONCESSIONS = f"""\
format: asleft-concessions-1
concessions:
  vex-menus:
    setting: panel.menus
    value: open
    where: [{HARP}]
    holder: {ORLA}
    reason: the vexed harpist asks
    until: 2026-12-31
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Hidden:
    """What may stand nowhere.

    Args:
        words: Names of the site, its stations, its people, their units and what they said; in small letters.
        order: An order at the site that may be seen.
        group: A group over both sites.
        proposal: A proposal at the site that may be seen.
    """

    words: tuple[str, ...]
    order: str
    group: str
    proposal: str

    def among(self, text: str) -> list[str]:
        """Give those that stand in a text."""
        small = text.lower()
        return [word for word in self.words if word in small]


@contextmanager
def _a_bench(folder: Path, *_: Any, **__: Any) -> Iterator[Bench]:
    chance = random.SystemRandom()
    octet = chance.randrange(40, 250)
    # Of three digits: 127.49.2 would stand in 127.49.20, too, which is no word about the other site.
    here, there = (f"127.{octet}.{third}" for third in chance.sample(range(100, 250), 2))
    texts = {
        "estate.yaml": f"{_ESTATE}orders: {{two-people: [], rise-pause-seconds: 0}}\n",
        "people.yaml": _PEOPLE,
        "concessions.yaml": _CONCESSIONS,
        "occasions/performance.yaml": "format: asleft-occasion-1\nmeaning: The audience is in\nperformance: yes\n",
        "occasions/rehearsal.yaml": "format: asleft-occasion-1\nmeaning: Players are on stage\n",
        f"sites/{VAULT}/calendar.ics": calendar(
            performance("20260612T190000", "20260612T220000").replace("SUMMARY:Evening", "SUMMARY:Vexnight")
        ),
    }
    for site, begin, names in (
        (HALL, here, ("drums", "bass")),
        (VAULT, there, ("vexgong", "vexlute", "vexharp")),
    ):
        text = _SITE.format(
            subnet=f"{begin}.0/24", begin=begin, last=20, port=chance.randrange(20_000, 60_000)
        )
        if site == VAULT:
            text = text.replace("Quillfen Hall", "Vexholm Vault").replace("Europe/Berlin", "Europe/Lisbon")
            text += (
                "contacts: [{name: Ottoline Vexmere, for: keys of the building, phone: '+44 1632 960983'}]\n"
            )
        texts[f"sites/{site}/site.yaml"] = text
        for number, name in enumerate(names, 11):
            text = _STATION.format(number=number, title=name.title(), address=f"{begin}.{number}")
            if site == VAULT:
                text = text.replace("QS41-2", "VEX9-7")
            if name == "vexharp":
                text += "  panel: {menus: open}\n"
            texts[f"sites/{site}/stations/{name}.yaml"] = text
    with bench_of(folder, texts, subject="Approve what Vexholm asked for, and the rest") as bench:
        yield bench


@contextmanager
def two_sites(folder: Path) -> Iterator[Page]:
    """Set a page up over two sites; what ails the agent is what it says of its baseline."""
    told: list[Page] = []
    with (
        mock.patch.object(web.page, "a_stage", _a_bench),
        a_page(folder, health=lambda: told[0].desk.notices if told else ()) as page,
        proposing(page),
    ):
        told.append(page)
        yield page


async def everything_happens(page: Page) -> Hidden:
    """Let all that leaves a name behind happen at the hidden site, and a little of it at the other one."""
    bench, desk = page.bench, page.desk
    await desk.round()
    for station, setting, value in (
        (GONG, "headphones.gain", "+12 dB"),
        (GONG, "panel.menus", "open"),
        (LUTE, "panel.display-dim", "80 %"),
        (DRUMS, "panel.menus", "open"),
        (DRUMS, "headphones.gain", "+12 dB"),
    ):
        bench.meddle(station, setting, value)
    await desk.round()
    await page.clock.sleep(600)
    await desk.round()
    desk.acknowledge(GONG, "panel.menus", ORLA, "vexed, and seen")
    desk.shelve(LUTE, "panel.display-dim", ORLA, "vexed until tomorrow", page.clock() + timedelta(hours=20))
    desk.out_of_service(HARP, ORLA, "the vexed harp is away")
    (alone,) = await drawn(desk, GONG)
    await desk.confirm(alone.id, by=ORLA, reason="vexed no more", accepted=accepted(alone))
    bench.meddle(GONG, "panel.menus", "open")
    bench.meddle(LUTE, "panel.menus", "open")
    await desk.round()
    loan = await desk.lending.lend(
        LUTE, "panel.display-dim", "60 %", lasting=timedelta(hours=2), by=ORLA, reason="vexed guests"
    )
    await desk.confirm(loan.order.id, by=ORLA, reason="vexed guests", accepted=accepted(loan.order))
    both: list[Order] = await drawn(desk, DRUMS, GONG)
    (group,) = {kept.group for kept in desk.orders() if kept.id in {order.id for order in both}}
    own = next(order.id for order in both if str(order.station) == DRUMS)
    await desk.proposing.exchange(GONG, "VEX9-8888", by=ORLA, reason="the vexed unit fell")
    await desk.proposing.concede(
        GONG, "panel.menus", "open", holder=ORLA, until=date(2026, 12, 1), by=ORLA, reason="vexed"
    )
    made = await desk.proposing.adopt(DRUMS, ["headphones.gain"], by=IDRIS, reason="the drummer asks")
    begin = str(bench.estate.sites[VAULT].search).split("-", maxsplit=1)[0].rpartition(".")[0]
    return Hidden(words=("vex", "ottoline", "960983", begin), order=own, group=group, proposal=made.commit)
