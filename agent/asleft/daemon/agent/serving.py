"""Puts the running agent together for a home: one stack owns all that it holds, and lets go of it in reverse."""

import gc
import os
import socket
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from random import Random

from asleft.daemon.accounts import accounts_of, log_event
from asleft.daemon.agent.edges import EdgeAttendant
from asleft.daemon.agent.faces import Keeper, SocketPart, WebPart
from asleft.daemon.agent.loans import LoanPart
from asleft.daemon.agent.loops import loop_name
from asleft.daemon.agent.means import Attendant, Means, Part, drop_of
from asleft.daemon.agent.notify import Notifier
from asleft.daemon.agent.pages import passkey_place
from asleft.daemon.agent.paging import PageAttendant, page_part
from asleft.daemon.agent.parts import AlarmsAttendant, AlertPart, EverySite, FollowPart, say_of
from asleft.daemon.agent.schedule import Plan
from asleft.daemon.agent.service import Service
from asleft.daemon.agent.supervising import aside
from asleft.daemon.agent.watching import Watched, baseline_places, settings_place
from asleft.daemon.assembly import baseline_of, signatures_of, stand_ins_of
from asleft.daemon.clock import now
from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import Metrics
from asleft.daemon.health.web import hook_of
from asleft.daemon.home import Home
from asleft.daemon.local.every import every_handler
from asleft.daemon.logs import log_of, logging_to, set_level
from asleft.daemon.proposing import proposals_of
from asleft.daemon.pushing import PushPart, ailments
from asleft.daemon.redaction import Redactor
from asleft.daemon.settings.credentials import Credentials
from asleft.daemon.settings.listen import parse_listen
from asleft.daemon.settings.settings import Settings, merge, read_settings
from asleft.daemon.ways import Ways
from asleft.domain.account_events import matters
from asleft.domain.accounts import AccountEvent
from asleft.domain.alarms.times import Watch
from asleft.domain.alerts.ailing import Ailment
from asleft.domain.estate import Estate, StationId
from asleft.domain.orders import OrderState
from asleft.work.approved import IN_FORCE
from asleft.work.attending import AgentDesk
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.followers import Followers
from asleft.work.following.line import SharedStations
from asleft.work.following.live import Live
from asleft.work.rounds import RoundReport
from asleft.work.telling import Telling
from asleft.work.trying import Trying

__all__ = ["plan_of", "serve"]

_SWITCH_SECONDS = 0.0005
"""Who asks for the interpreter gets it after so long. The loop's thread lets go of it at each write to a socket and each question
to the ledger, fifty times a page; beside a thread that computes, Python's own 5 ms made a tenth of a second of that."""

_log = log_of("service")


def plan_of(settings: Settings) -> Plan:
    """Give how often what is done, as the settings say it."""
    return Plan(
        round_seconds=settings.round_interval.total_seconds(),
        jitter_seconds=settings.round_jitter.total_seconds(),
        fetch_seconds=settings.fetch_interval.total_seconds(),
    )


async def serve(  # noqa: C901, PLR0915 the house is put together in one place, in the order in which it stands
    folder: Path,
    *,
    environment: Mapping[str, str],
    ready: Callable[[], None] = lambda: None,
    attendants: Sequence[Attendant] = (),
    parts: Sequence[Part] = (),
) -> list[str]:
    """Run the agent of a home until it is told to end.

    Args:
        folder: The home, as an absolute path.
        environment: What the service manager says about itself, and where the log goes.
        ready: Called when the agent is ready.
        attendants: Act on what is found.
        parts: Run beside the rounds.

    Returns:
        Names of tasks that would not end in time; the process should end without waiting for them.

    Raises:
        HomeInUse: Another process owns the home.
        AsleftError: The start failed; nothing of it is left.
    """
    from asleft.alerts.make import make_channels  # noqa: PLC0415 as in the assembly
    from asleft.devices.drop.stations import DropStations  # noqa: PLC0415 as in the assembly
    from asleft.devices.ocp1.gateway import Ocp1Stations  # noqa: PLC0415 as in the assembly
    from asleft.devices.ocp1.session import Timings  # noqa: PLC0415 as in the assembly
    from asleft.ledger.alarms import SqliteAlarms  # noqa: PLC0415 as in the assembly
    from asleft.ledger.outbox import SqliteOutbox  # noqa: PLC0415 as in the assembly
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as in the assembly
    from asleft.records.locks import remove_left_locks  # noqa: PLC0415 as in the assembly
    from asleft.records.repository import Records  # noqa: PLC0415 as in the assembly

    home = Home(folder)
    redactor = Redactor()
    running = [read_settings(home.settings)]
    settings = running[0]
    credentials = Credentials(home.folder, environment=environment, learned=redactor.learn)
    # As for a single round: a full collection over thousands of answers costs a third of the reading.
    gc.freeze()
    gc.set_threshold(10_000, 20, 50)
    sys.setswitchinterval(_SWITCH_SECONDS)

    def reread() -> Plan:
        reloaded = merge(running[0], read_settings(home.settings))
        running[0] = reloaded.settings
        set_level(reloaded.settings.log_level)
        if reloaded.waiting:
            _log.warning("these settings hold after the next start only", settings=list(reloaded.waiting))
        return plan_of(reloaded.settings)

    with ExitStack() as stack:
        stack.enter_context(
            logging_to(
                sys.stderr,
                form=settings.log_format,
                level=settings.log_level,
                redactor=redactor,
                environment=environment,
            )
        )
        stack.enter_context(home.owned("asleft run"))
        for repository in (home.records, home.baseline):
            for lock in remove_left_locks(repository):
                _log.warning("a lock that a killed git had left was removed", file=str(lock))
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        records = stack.enter_context(closing(Records.open(home.records, signing_key=settings.signing_key)))
        chance = Random()  # noqa: S311 it spreads work over time
        timings = Timings(connect_limit=settings.connect_seconds, command_limit=settings.answer_seconds)
        wire = Ocp1Stations(ledger, timings=timings, stand_ins=stand_ins_of(settings.stand_ins))
        drops = DropStations(settings.drop_folder or home.folder / "drop", clock=now, told=_dropped)
        books = Bookkeeping(records, ledger)
        followers: Followers | None = None
        if settings.follow:
            followers = Followers(
                wire,
                now,
                chance,
                lambda looks: desk.heard(looks, following.estate or desk.estate_now()),
                gathered=lambda stations: following.gathered(stations),  # noqa: PLW0108 bound below
                say=say_of,
                gather=settings.gather.total_seconds(),
            )
        ways = Ways(SharedStations(wire, followers.open_line) if followers else wire, drops)
        alarms = SqliteAlarms(ledger)
        trials = proposals_of(home, settings)
        stack.callback(trials.close)
        desk = AgentDesk(
            trials=trials,
            baseline=baseline,
            records=records,
            ledger=ledger,
            alarms=alarms,
            stations=ways,
            clock=now,
            books=books,
            freshest=followers.freshest if followers else None,
            signatures=signatures_of(home, settings),
        )
        channels = make_channels(
            settings.channel_rows(),
            credentials.secret,
            clock=now,
            hostname=socket.getfqdn(),
            process=str(os.getpid()),
            stdout=sys.stdout,
        )

        def happened(event: AccountEvent) -> None:
            log_event(event)
            if matters(event):
                shows.tell(["accounts"])

        accounts = accounts_of(
            ledger,
            lambda: desk.in_force().estate,
            happened,
            place=passkey_place(settings, "asleft"),
            link=settings.pages_url,
        )
        shows = PageAttendant(accounts)
        outbox = SqliteOutbox(ledger)
        remote = settings.records_remote

        def ailing() -> tuple[Ailment, ...]:
            return ailments(ledger, remote) if remote else ()

        desk.telling = Telling(
            outbox,
            channels,
            now,
            chance,
            alarms=desk.alarming.current,
            routing=lambda estate: estate.routing,
            notice=lambda sentence: _log.warning("about alerts", notice=sentence),
            link=settings.pages_url,
            ails=ailing,
        )
        metrics, health = Metrics(), Health(ticks=time.monotonic, probe=lambda: ledger.note(IN_FORCE))
        keeper = Keeper(
            metrics,
            health,
            ledger=ledger,
            baseline=baseline,
            orders=ledger.count_orders,
            alarms=alarms,
            outbox=outbox,
        )
        acting: list[Attendant] = [
            AlarmsAttendant(desk, metrics, followers),
            keeper,
            shows,
            EdgeAttendant(shows, now, lambda: ledger.orders(states=(OrderState.DRAWN_UP,))),
            *attendants,
        ]

        async def looked(report: RoundReport) -> None:
            for attendant in acting:
                await attendant.looked(service.estate, report)

        following_parts: list[Part] = []
        if followers:
            following = FollowPart(desk, followers, lambda estate: Live(ledger, books, now, estate))
            following_parts.append(following)
        handlers = every_handler(
            desk,
            desk.acts,
            accounts,
            Trying(outbox, lambda: desk.in_force().estate, now),
            turn=lambda: EverySite(lambda: service),
            fetch=lambda: aside(desk.fetch, name="fetch"),
            done=looked,
        )

        def lent_anew() -> None:
            service.renew()
            shows.tell(["loans", "stations"])

        beside: list[Part] = [
            *following_parts,
            AlertPart(desk.telling, channels),
            LoanPart(
                desk,
                alone=lambda site: service.alone(site),  # noqa: PLW0108 bound below
                renew=lent_anew,
            ),
            SocketPart(
                settings.socket or home.folder / "agent.sock",
                handlers,
                accounts=lambda: running[0].accounts,
                group=settings.socket_group,
            ),
            *([PushPart(home.records, remote, ledger)] if remote else []),
            *parts,
        ]

        def watch() -> Watch:
            followed = frozenset(followers.live()) if followers else frozenset[StationId]()
            return Watch(interval=plan_of(running[0]).longest, followed=followed)

        desk.watch = watch
        page = page_part(
            settings,
            desk,
            shows,
            accounts,
            home=home.folder,
            turn=lambda: EverySite(lambda: service),
            fresh=lambda: aside(desk.fetch, name="fetch"),
            ails=lambda: (*health.hinders(), *desk.notices, *(one.what for one in ailing())),
            rounds=lambda: service.state().rounds,
        )
        if page is not None:
            beside.append(page)
        at = parse_listen(settings.metrics_listen)
        if at is not None:
            hook = hook_of(
                credentials,
                tolerance=settings.hook_tolerance,
                clock=now,
                fetch=lambda: service.fetch_now(),  # noqa: PLW0108 bound below
            )
            beside.append(
                WebPart(at, metrics=metrics, health=health, hook=hook, hosts=settings.metrics_hosts)
            )

        def places(estate: Estate) -> Sequence[Watched]:
            return (
                *baseline_places(settings.baseline),
                settings_place(home.settings),
                *(
                    Watched(name=drop_of(site), folder=place)
                    for site, place in sorted(ways.folders(estate).items())
                ),
            )

        means = Means(
            work=desk,
            notifier=Notifier.given(environment),
            plan=plan_of(settings),
            clock=now,
            chance=chance,
            reread=reread,
            places=places,
            attendants=acting,
            parts=beside,
            nightly={"commit graph of the records": records.maintain},
            ready=ready,
        )
        service = Service(means)
        stack.callback(keeper.stopping)
        _log.info("starting", home=str(home.folder), loop=loop_name())
        return await service.run()


def _dropped(sentence: str) -> None:
    _log.warning("about the drop folder", notice=sentence)
