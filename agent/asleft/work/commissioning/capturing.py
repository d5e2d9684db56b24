"""A whole site written as it is found: units read, common values lifted into roles and site, and all of it proposed.

Nothing is approved by it, and nothing is written to a station. A person reads the proposal and decides.
"""

import asyncio
from dataclasses import dataclass, replace
from typing import Final

from asleft.domain.describing import Ground
from asleft.domain.estate import Estate, Person
from asleft.domain.hearing import CAUTION
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile
from asleft.ports.clock import Clock
from asleft.ports.proposals import Proposals
from asleft.ports.stations import StationError, Stations
from asleft.work.commissioning.choosing import LeftOut, Look, Wish
from asleft.work.commissioning.drafting import Louder, Plan, draft
from asleft.work.commissioning.finding import Findings, FoundAs, Unit, find

__all__ = ["Captured", "capture", "look_at"]

_AT_ONCE: Final = 32


@dataclass(frozen=True, kw_only=True, slots=True)
class Captured:
    """What became of it, as it is told to people.

    Args:
        site: The site.
        stations: Names of the stations that were written as they were found.
        new: Those of them that get a file, with the address at which each was found.
        plain: Lines of settings if each station named all that differs from the estate.
        lines: Lines of settings as proposed: of the site, of the roles that are its alone, of its stations.
        left_out: What is not written.
        louder: What can be louder at the ear.
        caution: What to see to before anybody approves that; empty where nothing can be.
        branch: Branch of the proposal; empty where the files say all of it already.
        commit: Its commit.
        base: The revision that it changes.
        files: Files that it touches: (file, difference in unified form).
        problems: What the check says of it; none of them is an error.
        pushed: Whether the branch is at the remote, too.
        why_not: Why it is not; empty where it is, or where there is no remote.
        approve: How it is approved; empty where nobody said.
    """

    site: str
    stations: tuple[str, ...]
    new: tuple[tuple[str, str], ...]
    plain: int
    lines: int
    left_out: tuple[LeftOut, ...]
    louder: tuple[Louder, ...]
    caution: str = ""
    branch: str = ""
    commit: str = ""
    base: str
    files: tuple[tuple[str, str], ...] = ()
    problems: tuple[Problem, ...] = ()
    pushed: bool = False
    why_not: str = ""
    approve: str = ""


async def capture(
    estate: Estate,
    ground: Ground,
    site: str,
    *,
    stations: Stations,
    proposals: Proposals,
    by: Person,
    reason: str,
    wish: Wish,
    clock: Clock,
) -> Captured:
    """Look through a site's station range, read every unit there, and propose files that say what was found.

    Args:
        estate: As left, without the occasions that are on.
        ground: What its files say that stations share.
        site: Name of the site, which is one of the estate's.
        stations: The door to the stations of the site.
        proposals: Takes the proposal.
        by: Who asks for it, and may.
        reason: Why.
        wish: Roles and names.
        clock: Gives the time.

    Raises:
        CannotCapture: A role or a name is not usable.
        CannotFind: The site is not on a network.
        AsleftError: The proposal cannot be made, or the estate would not pass the check with it.
    """
    where = estate.sites[site]
    findings = await find(estate, where, stations, profiles=ground.profiles)
    looks = await look_at(findings, stations, ground)
    now = clock()
    plan = draft(estate, ground, where, findings, looks, wish, on=estate.on(now).get(site, ()))
    captured = Captured(
        site=site,
        stations=tuple(plan.values),
        new=tuple(plan.new.items()),
        plain=plan.plain,
        lines=plan.lines,
        left_out=plan.left_out,
        louder=plan.louder,
        caution=CAUTION if plan.louder else "",
        base=estate.commit,
    )
    if not plan.edits:
        return captured
    proposal = await asyncio.to_thread(
        proposals.propose,
        plan.edits,
        base=estate.commit,
        name=f"capture-{site}",
        by=by,
        subject=f"{site}: captured as found, {len(plan.values)} stations",
        body=_body(plan, reason),
        trailers=(("Site", site), ("Baseline", estate.commit), ("Reason", " ".join(reason.split()))),
        when=now,
    )
    return replace(
        captured,
        branch=proposal.branch,
        commit=proposal.commit,
        files=proposal.files,
        problems=proposal.problems,
        pushed=proposal.pushed,
        why_not=proposal.why_not,
    )


def _body(plan: Plan, reason: str) -> str:
    lines = [
        reason.strip(),
        "",
        f"{plan.lines} lines of settings, instead of {plan.plain} with every station by itself.",
    ]
    if plan.louder:
        lines += ["", "Can be louder at the ear:"]
        lines += [f"- {one.station} {one.setting} {one.found}, {one.held_against}" for one in plan.louder]
        lines.append(CAUTION)
    if plan.left_out:
        lines += ["", "Not written:"]
        lines += [f"- {one.station} {one.setting}: {one.why}".replace(" :", ":") for one in plan.left_out]
    return "\n".join(lines)


async def look_at(findings: Findings, stations: Stations, ground: Ground) -> tuple[Look, ...]:
    """Read all managed settings of the units whose model is known; the player's are not even asked for."""
    models = {profile.model: profile for profile in ground.profiles.values()}
    gate = asyncio.Semaphore(_AT_ONCE)

    async def look(unit: Unit, profile: Profile) -> Look:
        async with gate:
            try:
                talk = await stations.open(unit.address, unit.port, profile)
                try:
                    if talk.identity.serial != unit.serial:
                        return Look(
                            unit=unit, profile=profile, sheet=None, why="another unit answers there by now"
                        )
                    sheet = await talk.read([setting.name for setting in profile.managed()])
                finally:
                    await talk.close()
            except StationError as problem:
                return Look(unit=unit, profile=profile, sheet=None, why=problem.what)
        return Look(unit=unit, profile=profile, sheet=sheet)

    wanted = findings.only(FoundAs.KNOWN, FoundAs.MOVED, FoundAs.UNKNOWN, FoundAs.EXCHANGED)
    return tuple(
        await asyncio.gather(*[look(unit, models[unit.model]) for unit in wanted if unit.model in models])
    )
