"""Every operation, a row each: the table of routes and the document are made of nothing else."""

from typing import Any, Final

from pydantic import RootModel

from asleft.domain.people import Right
from asleft.web.api import account_shapes as accounts
from asleft.web.api import alarm_shapes as alarm
from asleft.web.api import effect_shapes as effects
from asleft.web.api import hearing_shapes as hearing
from asleft.web.api import lending, looking, ordering, past, plans, proposing, reports
from asleft.web.api import lending_shapes as loan
from asleft.web.api import order_shapes as order
from asleft.web.api import past_shapes as evidence
from asleft.web.api import plan_shapes as plan
from asleft.web.api import proposal_shapes as proposal
from asleft.web.api import report_shapes as report
from asleft.web.api import station_shapes as station
from asleft.web.api.operations import Ask, Operation
from asleft.web.api.rows import look
from asleft.web.api.shapes import PageQuery
from asleft.web.api.table_of_acts import ACTS

__all__ = ["DOCUMENT_PATH", "OPERATIONS", "Document"]

DOCUMENT_PATH: Final = "/api/openapi.json"


class Document(RootModel[dict[str, Any]]):
    """An OpenAPI document."""


async def _document(ask: Ask) -> Document:
    del ask
    from asleft.web.api.document import document  # noqa: PLC0415 it is made of this table

    return Document(document())


OPERATIONS: Final[tuple[Operation, ...]] = (
    look("openapi", "openapi.json", "This document; it needs no token.", _document, Document, rights=()),
    look(
        "me",
        "me",
        "As whom the token acts, what it may do, and until when.",
        looking.me,
        station.Me,
        rights=tuple(Right),
    ),
    look("now", "now", "What needs a person, worst first.", looking.now, station.Now, query=station.NowQuery),
    look(
        "sites",
        "sites",
        "The sites that may be looked at.",
        looking.sites,
        station.Sites,
        query=PageQuery,
    ),
    look(
        "site",
        "sites/{site}",
        "One site: what is on there, and its stations.",
        looking.site,
        station.Site,
        query=station.SitePage,
    ),
    look(
        "station",
        "stations/{site}/{station}",
        "One station, as left beside as found, each value with the line that approved it.",
        looking.station,
        station.Station,
    ),
    look(
        "why",
        "stations/{site}/{station}/{setting}",
        "Why a setting has its approved value.",
        looking.why,
        station.Why,
    ),
    look(
        "alarms",
        "alarms",
        "The alarms: what nobody has seen first, then by priority, then the newest.",
        looking.alarms,
        alarm.Alarms,
        query=alarm.AlarmsQuery,
        places=True,
    ),
    look(
        "alarmsOfSite",
        "alarms/{site}",
        "The alarms about a site as a whole.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    look(
        "alarmsOfStation",
        "alarms/{site}/{station}",
        "The alarms of a station.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    look(
        "alarm",
        "alarms/{site}/{station}/{setting}",
        "The alarm of one setting of a station, or of one kind of drift.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    look(
        "orders",
        "orders",
        "The orders that have not ended, or all of them, the newest first.",
        ordering.orders,
        order.Orders,
        query=order.OrdersQuery,
        places=True,
    ),
    look(
        "order",
        "orders/{order}",
        "One order in full, or the orders of a group.",
        ordering.order,
        order.OrderPart,
        query=PageQuery,
    ),
    look(
        "history",
        "history",
        "What was approved, found and done, newest first: both repositories as one time line.",
        past.history,
        evidence.History,
        query=evidence.HistoryQuery,
        places=True,
    ),
    look(
        "state",
        "state/{site}/{station}",
        "How a station was at a past time, as left beside as found.",
        past.state,
        evidence.State,
        query=evidence.StateQuery,
    ),
    look(
        "who",
        "who/{setting}",
        "Each value that a setting ever had as left, who approved it, and how long it stood.",
        past.who,
        evidence.Who,
        query=evidence.WhoQuery,
    ),
    look(
        "account",
        "account",
        "The account of a time: what was approved, found and done (ISO 10007:2017, 3.4).",
        past.account,
        accounts.AccountAnswer,
        query=accounts.AccountQuery,
        places=True,
    ),
    look(
        "figures",
        "figures",
        "Figures of alarms and answers, beside their targets.",
        reports.figures,
        report.FiguresAnswer,
        query=report.FiguresQuery,
    ),
    look(
        "agenda",
        "agenda/{site}",
        "What is on at a site, and what that changes.",
        plans.agenda,
        plan.AgendaAnswer,
        query=plan.AgendaQuery,
    ),
    look("addresses", "addresses/{site}", "The address plan of a site.", plans.addresses, plan.Addresses),
    look(
        "patch",
        "patch/{site}",
        "How signals go at a site, and what comes back.",
        plans.patch,
        plan.PatchAnswer,
        query=plan.PatchQuery,
    ),
    look(
        "hearing",
        "hearing/{site}",
        "How loud each ear of a site can get, and how long that is allowed.",
        plans.hearing,
        hearing.Hearing,
    ),
    look(
        "baseline",
        "baseline",
        "Which revision is in force, who approved it, and what is newer.",
        reports.baseline,
        report.Baseline,
    ),
    look(
        "effect",
        "effect",
        "What the newest revision of the baseline would do, station by station, where it came into force.",
        proposing.effect,
        effects.EffectAnswer,
    ),
    look(
        "proposals",
        "proposals",
        "Which changes of the baseline wait for people, the newest first, and who may approve them.",
        proposing.proposals,
        proposal.Proposals,
        query=PageQuery,
    ),
    look(
        "proposal",
        "proposals/{commit}",
        "One change that waits, with what it would do and who may approve it.",
        proposing.proposal,
        proposal.WaitingProposal,
    ),
    look(
        "lent",
        "lent",
        "What is lent, asked for or overdue, to whom, why and until when; the overdue first.",
        lending.lent,
        loan.Lent,
        query=loan.LentQuery,
        places=True,
    ),
    *ACTS,
)
