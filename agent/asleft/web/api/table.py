"""Every operation, a row each: the table of routes and the document are made of nothing else."""

from typing import Any, Final

from pydantic import RootModel

from asleft.domain.people import Right
from asleft.web.api import acts, looking, ordering, plans, reports
from asleft.web.api import alarm_shapes as alarm
from asleft.web.api import hearing_shapes as hearing
from asleft.web.api import order_shapes as order
from asleft.web.api import plan_shapes as plan
from asleft.web.api import report_shapes as report
from asleft.web.api import station_shapes as station
from asleft.web.api.operations import Ask, Operation
from asleft.web.api.shapes import PageQuery

__all__ = ["DOCUMENT_PATH", "OPERATIONS", "Document"]

DOCUMENT_PATH: Final = "/api/openapi.json"
_ACK: Final = (Right.ACKNOWLEDGE,)
_CONFIRM: Final = (Right.CONFIRM,)
_ACTING: Final = (Right.ACKNOWLEDGE, Right.CONFIRM)


class Document(RootModel[dict[str, Any]]):
    """An OpenAPI document."""


async def _document(ask: Ask) -> Document:
    del ask
    from asleft.web.api.document import document  # noqa: PLC0415 it is made of this table

    return Document(document())


def _look(name: str, path: str, says: str, work: Any, answer: Any, **more: Any) -> Operation:
    """Give a row of something that is looked at."""
    problems = (404,) if "{" in path or more.pop("places", False) else ()
    return Operation(
        name=name,
        method="GET",
        path=f"/api/{path}",
        says=says,
        work=work,
        answer=answer,
        problems=problems,
        **more,
    )


def _act(name: str, path: str, says: str, work: Any, request: Any, answer: Any, **more: Any) -> Operation:
    """Give a row of something that is done."""
    return Operation(
        name=name,
        method="POST",
        path=f"/api/{path}",
        says=says,
        work=work,
        request=request,
        answer=answer,
        problems=(400, 404, 408, 413, 415),
        **more,
    )


OPERATIONS: Final[tuple[Operation, ...]] = (
    _look("openapi", "openapi.json", "This document; it needs no token.", _document, Document, rights=()),
    _look(
        "me",
        "me",
        "As whom the token acts, what it may do, and until when.",
        looking.me,
        station.Me,
        rights=tuple(Right),
    ),
    _look(
        "now", "now", "What needs a person, worst first.", looking.now, station.Now, query=station.NowQuery
    ),
    _look(
        "sites",
        "sites",
        "The sites that may be looked at.",
        looking.sites,
        station.Sites,
        query=PageQuery,
    ),
    _look(
        "site",
        "sites/{site}",
        "One site: what is on there, and its stations.",
        looking.site,
        station.Site,
        query=station.SitePage,
    ),
    _look(
        "station",
        "stations/{site}/{station}",
        "One station, as left beside as found, each value with the line that approved it.",
        looking.station,
        station.Station,
    ),
    _look(
        "why",
        "stations/{site}/{station}/{setting}",
        "Why a setting has its approved value.",
        looking.why,
        station.Why,
    ),
    _look(
        "alarms",
        "alarms",
        "The alarms: what nobody has seen first, then by priority, then the newest.",
        looking.alarms,
        alarm.Alarms,
        query=alarm.AlarmsQuery,
        places=True,
    ),
    _look(
        "alarmsOfSite",
        "alarms/{site}",
        "The alarms about a site as a whole.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    _look(
        "alarmsOfStation",
        "alarms/{site}/{station}",
        "The alarms of a station.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    _look(
        "alarm",
        "alarms/{site}/{station}/{setting}",
        "The alarm of one setting of a station, or of one kind of drift.",
        looking.alarms,
        alarm.Alarms,
        query=PageQuery,
    ),
    _look(
        "orders",
        "orders",
        "The orders that have not ended, or all of them, oldest first.",
        ordering.orders,
        order.Orders,
        query=order.OrdersQuery,
        places=True,
    ),
    _look(
        "order",
        "orders/{order}",
        "One order in full, or the orders of a group.",
        ordering.order,
        order.OrderPart,
        query=PageQuery,
    ),
    _look(
        "history",
        "history",
        "What was found and what was done, newest first.",
        reports.history,
        report.History,
        query=report.HistoryQuery,
    ),
    _look(
        "figures",
        "figures",
        "Figures of alarms and answers, beside their targets.",
        reports.figures,
        report.FiguresAnswer,
        query=report.FiguresQuery,
    ),
    _look(
        "agenda",
        "agenda/{site}",
        "What is on at a site, and what that changes.",
        plans.agenda,
        plan.AgendaAnswer,
        query=plan.AgendaQuery,
    ),
    _look("addresses", "addresses/{site}", "The address plan of a site.", plans.addresses, plan.Addresses),
    _look(
        "patch",
        "patch/{site}",
        "How signals go at a site, and what comes back.",
        plans.patch,
        plan.PatchAnswer,
        query=plan.PatchQuery,
    ),
    _look(
        "hearing",
        "hearing/{site}",
        "How loud each ear of a site can get, and how long that is allowed.",
        plans.hearing,
        hearing.Hearing,
    ),
    _look(
        "baseline",
        "baseline",
        "Which revision is in force, who approved it, and what is newer.",
        reports.baseline,
        report.Baseline,
    ),
    _act(
        "acknowledge",
        "acknowledge",
        "Say that the person has seen the alarms of a station, or one of them.",
        acts.acknowledge,
        alarm.AboutAlarms,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    _act(
        "shelve",
        "shelve",
        "Put alarms off until a time; then they come back by themselves.",
        acts.shelve,
        alarm.Shelve,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    _act(
        "unshelve",
        "unshelve",
        "Take alarms from the shelf before their time.",
        acts.unshelve,
        alarm.AboutAlarms,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    _act(
        "outOfService",
        "out-of-service",
        "Take a station out of service while it is worked on.",
        acts.out_of_service,
        alarm.ServiceReason,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    _act(
        "inService",
        "in-service",
        "Put a station back in service; what stands there is an alarm again.",
        acts.in_service,
        alarm.ServiceAct,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    _act(
        "identify",
        "identify",
        "Light a station's lamp, to find it; 202 while it is still on.",
        acts.identify,
        order.Identify,
        order.Identified,
        rights=_ACK,
        statuses=(200, 202),
    ),
    _act(
        "restore",
        "restore",
        "Read stations and draw up the orders that bring them back as left; nothing is written yet.",
        ordering.restore,
        order.Restore,
        order.DrawnUps,
        rights=_ACTING,
    ),
    _act(
        "undo",
        "undo",
        "Draw up the order that takes a station back to what an earlier order found; nothing is written yet.",
        ordering.undo,
        order.Undo,
        order.UndoneBy,
        rights=_ACTING,
    ),
    _act(
        "confirm",
        "confirm",
        "Confirm an order or a group, and have it carried out; 202 while it goes on.",
        ordering.confirm,
        order.Confirm,
        order.OrderPart,
        rights=_CONFIRM,
        statuses=(200, 202),
    ),
    _act(
        "stop",
        "stop",
        "Begin no further station of a group that is being carried out.",
        ordering.stop,
        order.Stop,
        order.Stopped,
        rights=_ACTING,
    ),
)
