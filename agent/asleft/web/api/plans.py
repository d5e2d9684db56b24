"""Plans of one site: what is on, who has which address, how signals go, how loud it can get."""

from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

from asleft.domain.agenda import agenda_of
from asleft.domain.allotment import plan_of
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.rules.rule import SiteView
from asleft.web.api.hearing_shapes import Hearing, hearing_of
from asleft.web.api.operations import Ask
from asleft.web.api.plan_shapes import (
    Addresses,
    AgendaAnswer,
    AgendaQuery,
    PatchAnswer,
    PatchQuery,
    addresses_of,
    agenda_answer,
    patch_of,
)
from asleft.web.api.problems import ApiRefused

__all__ = ["addresses", "agenda", "hearing", "patch"]


async def agenda(ask: Ask) -> AgendaAnswer:
    """Say what is on at a site, and what comes."""
    estate = ask.parts.desk.in_force().estate
    site, now = ask.site(estate), ask.parts.clock()
    ahead = timedelta(days=ask.asked(AgendaQuery).days)  # days as the clocks there count them
    until = (now.astimezone(ZoneInfo(site.time_zone)) + ahead).astimezone(UTC)
    return agenda_answer(estate, site, agenda_of(estate, site, now, until), now=now, until=until)


async def addresses(ask: Ask) -> Addresses:
    """Give the address plan of a site."""
    estate = ask.parts.desk.in_force().estate
    site = ask.site(estate)
    stations = _stations(estate, site.name)
    view = SiteView(site=site, stations=stations, limits=estate.limits, concessions=estate.concessions)
    return addresses_of(site, stations, plan_of(view))


async def patch(ask: Ask) -> PatchAnswer:
    """Say how signals go at a site."""
    estate = ask.parts.desk.in_force().estate
    site, occasion = ask.site(estate), ask.asked(PatchQuery).occasion
    if occasion and occasion not in {one.name for one in estate.occasions}:
        named = ", ".join(one.name for one in estate.occasions) or "none"
        raise ApiRefused(
            "not-there",
            f"there is no occasion '{occasion}'",
            where="occasion",
            todo=f"the estate lists: {named}",
        )
    here = estate.during(site.name, [occasion]) if occasion else estate
    return patch_of(site, _stations(here, site.name), occasion)


async def hearing(ask: Ask) -> Hearing:
    """Say how loud the ears of a site can get, with what is on and what is lent now."""
    estate = ask.parts.desk.estate_now()
    return hearing_of(estate, ask.site(estate))


def _stations(estate: Estate, site: str) -> dict[str, AsLeft]:
    return {key.name: one for key, one in estate.stations.items() if key.site == site}
