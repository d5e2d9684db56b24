"""A commit's files to an estate: read, checked, layered and typed, with everything that is wrong told at once.

A reader keeps what it read, so that the next revision costs what changed in it.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import chain
from operator import eq, is_, itemgetter
from typing import Generic, NamedTuple, TypeVar

from asleft.domain.alerts.routes import Routing
from asleft.domain.describing import Ground
from asleft.domain.estate import AsLeft, Estate, Site, Stations
from asleft.domain.layers import Layer, Origin
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing
from asleft.domain.rules import addressing, book, whole
from asleft.domain.rules.orders import Stand, stand_of
from asleft.source.reading import FileRead, Opened, read_file
from asleft.source.sites import Around, SiteRead, read_site
from asleft.source.whole import Layers, Whole

__all__ = ["EstateReader", "read_estate"]

_T = TypeVar("_T")
_Crew = tuple[frozenset[str], int]
"""The models of a site's stations, and how many stations there are."""
_Dirty = dict[str, set[str]]
"""Sites that have to be read again, and which of their stations have other files since, as far as files are why."""

Fetch = Callable[[Mapping[str, str]], Iterable[FileRead]]
"""Reads files, given as their blobs by path."""


def read_estate(
    files: Mapping[str, bytes], *, commit: str, shipped: Mapping[str, Profile]
) -> tuple[Estate | None, list[Problem]]:
    """Read the estate that a commit's files describe.

    Args:
        files: Contents by path, as they stand in one commit.
        commit: That commit.
        shipped: Profiles that come with asleft; a file under profiles/ takes the place of one of the same name.

    Returns:
        The estate, or None where an error forbids to use it; and every problem, sorted by file and line.
    """

    def fetch(wanted: Mapping[str, str]) -> Iterator[FileRead]:
        return (read_file(path, blob, files[path]) for path, blob in wanted.items())

    return EstateReader(shipped).read(commit, dict.fromkeys(files, ""), fetch)


@dataclass(slots=True)
class _SiteFiles:
    """The files below one folder of sites/."""

    site: FileRead | None = None
    calendar: FileRead | None = None
    stations: dict[str, FileRead] = field(default_factory=dict)

    def put(self, read: FileRead, *, gone: bool) -> None:
        kept = None if gone else read
        match read.place.kind:
            case "site":
                self.site = kept
            case "calendar":
                self.calendar = kept
            case _:
                self.stations.pop(read.place.names[1], None)
                if kept:
                    self.stations[read.place.names[1]] = kept

    def empty(self) -> bool:
        """Whether nothing is left of the site."""
        return self.site is None and self.calendar is None and not self.stations


class _Reads:
    """The sites as they were read, and what is taken from all of them: each by name in order, and never changed.

    A reload touches one site, and most of these stay the very same: what was made of them holds. Going through a hundred
    sites for each took a fifth of a reload, most of it in waiting for memory that nothing had touched since the one before.
    """

    def __init__(self) -> None:
        self.all: Mapping[str, SiteRead] = {}
        self.sites: Mapping[str, Site] = {}
        self.zones: Mapping[str, str] = {}
        self.layers: Mapping[str, Layer] = {}
        self.stations: Mapping[str, Mapping[str, AsLeft]] = {}
        self.crews: Mapping[str, _Crew] = {}
        self.addressing: Mapping[str, addressing.Sum] = {}
        self.sums: Mapping[str, whole.Sum] = {}
        self.problems: Mapping[str, tuple[Problem, ...]] = {}

    def replace(self, fresh: Mapping[str, SiteRead | None]) -> None:
        """Take in sites that were read anew, None for one that is gone."""
        reads = {name: one for name, one in fresh.items() if one is not None}
        sites = {name: one.site for name, one in reads.items() if one.site is not None}
        layers = {name: one.layer for name, one in reads.items() if one.layer is not None}
        judged = {name: one.judged for name, one in reads.items() if one.judged is not None}
        crews = {name: (one.profiles, len(one.stations)) for name, one in reads.items()}
        self.all = _replaced(self.all, fresh, reads)
        self.sites = _replaced(self.sites, fresh, sites)
        self.zones = _replaced(self.zones, fresh, {name: site.time_zone for name, site in sites.items()})
        self.layers = _replaced(self.layers, fresh, layers)
        self.stations = _replaced(self.stations, fresh, {name: one.stations for name, one in reads.items()})
        self.crews = _replaced(self.crews, fresh, crews, alike=eq)
        plans = {name: one.addressing for name, one in judged.items()}
        self.addressing = _replaced(self.addressing, fresh, plans)
        sums = {name: one.whole for name, one in judged.items()}
        self.sums = _replaced(self.sums, fresh, sums, alike=whole.alike)
        told = {name: one.problems for name, one in reads.items() if one.problems}
        self.problems = _replaced(self.problems, fresh, told)


def _replaced(
    kept: Mapping[str, _T],
    names: Collection[str],
    by: Mapping[str, _T],
    alike: Callable[[_T, _T], bool] = is_,
) -> Mapping[str, _T]:
    """Give a mapping with what is said of some names put in the place of what it says of them: itself where that is alike."""
    before = {name: kept[name] for name in names if name in kept}
    if before.keys() != by.keys():
        others = ((name, one) for name, one in kept.items() if name not in before)
        return dict(sorted((*others, *by.items()), key=itemgetter(0)))
    return kept if all(alike(before[name], by[name]) for name in by) else {**kept, **by}


def _addressing_of(read: SiteRead | None) -> addressing.Sum | None:
    return None if read is None or read.judged is None else read.judged.addressing


class _Once(Generic[_T]):
    """What was made last, and of what: it holds as long as it is asked for of the very same things."""

    def __init__(self) -> None:
        self._made: tuple[Sequence[object], _T] | None = None

    def of(self, parts: Sequence[object], make: Callable[[], _T]) -> _T:
        """Give what was made of these parts, or make it."""
        if self._made is None or not all(map(is_, self._made[0], parts)):
            self._made = (parts, make())
        return self._made[1]


class EstateReader:
    """Reads one revision after the other.

    Args:
        shipped: Profiles that come with asleft.
    """

    def __init__(self, shipped: Mapping[str, Profile]) -> None:
        self._shipped = shipped
        self._files: dict[str, FileRead] = {}
        self._shared: dict[str, FileRead] = {}
        """Those of the files that are no site's."""
        self._bad: dict[str, tuple[Problem, ...]] = {}
        self._sites: dict[str, _SiteFiles] = {}
        self._reads = _Reads()
        self._whole: Whole | None = None
        self._around: tuple[Whole, Around] | None = None
        """What sites take from the rest, and what that was made of."""
        self._layers = Layers()
        self._layered: Sequence[Opened] | None = None
        """The files whose settings stations share; None where another one may have come."""
        self._between = book.Between()
        self._beside: _Once[_Beside] = _Once()
        self._between_sites: _Once[tuple[Problem, ...]] = _Once()
        self._of_the_whole: _Once[tuple[Problem, ...]] = _Once()

    def read(
        self, commit: str, ids: Mapping[str, str], fetch: Fetch, changed: Collection[str] | None = None
    ) -> tuple[Estate | None, list[Problem]]:
        """Read the estate at a revision.

        Args:
            commit: The revision.
            ids: Blob of every file, by path.
            fetch: Reads files.
            changed: Paths that may differ from the revision read before, gone ones too; None where nobody knows.
        """
        dirty = self._take_in(ids, fetch, changed)
        top = self._shared.get("estate.yaml")
        if top is None or top.opened is None:
            self._around = None
            problems = [problem for found in self._bad.values() for problem in found]
            if top is None:
                what, fix = "this commit has no estate.yaml", "commit one, or name the folder it is in"
                origin = Origin(layer="estate", file="estate.yaml", line=1)
                problems.append(book.BOOK["estate.missing"].at(origin, what, fix))
            return None, sorted(set(problems))
        shared = self._whole = self._whole or Whole(top.opened, self._shared.values(), self._sites)
        around = self._look_around(shared, dirty)
        self._read_sites(dirty, around)
        reads = self._reads
        beside = self._look_beside(shared, around.profiles)
        problems = [problem for found in self._bad.values() for problem in found]
        problems.extend(beside.problems)
        problems.extend(chain.from_iterable(reads.problems.values()))
        problems.extend(
            self._between_sites.of((reads.addressing,), lambda: tuple(self._between.check(reads.addressing)))
        )
        problems = book.weigh(problems, beside.weights)
        if not any(problem.level is Level.ERROR for problem in problems):
            # With a station missing, its role would seem to be nobody's.
            found = self._of_the_whole.of(
                (reads.sums, shared),
                lambda: tuple(
                    book.check_whole(
                        reads.sums,
                        roles=shared.role_layers(),
                        below=shared.layer,
                        occasions=shared.occasions,
                    )
                ),
            )
            problems.extend(book.weigh(found, beside.weights))
        if any(problem.level is Level.ERROR for problem in problems):
            return None, sorted(set(problems))
        estate = Estate(
            name=shared.file.name,
            commit=commit,
            sites=reads.sites,
            stations=Stations(reads.stations),
            people=shared.people,
            orders=shared.orders,
            occasions=shared.occasions,
            concessions=shared.concessions,
            limits=shared.limits,
            alarms=shared.alarms,
            approval=shared.file.approval,
            weights=beside.weights,
            routing=beside.routing,
            ground=_ground(shared, around, reads.layers),
        )
        return estate, sorted(set(problems))

    def _take_in(self, ids: Mapping[str, str], fetch: Fetch, changed: Collection[str] | None) -> _Dirty:
        """Read what is new and forget what is gone; give what has to be read again."""
        files = self._files
        looked = ids.keys() | files.keys() if changed is None else changed
        gone = [path for path in looked if path in files and path not in ids]
        wanted = {
            path: ids[path]
            for path in looked
            if path in ids and (path not in files or files[path].blob != ids[path] or not ids[path])
        }
        read = list(fetch(wanted))
        dirty: _Dirty = {}
        for path in gone:
            self._file_away(files.pop(path), dirty, gone=True)
        for one in read:
            files[one.path] = one
            self._file_away(one, dirty, gone=False)
        return dirty

    def _file_away(self, read: FileRead, dirty: _Dirty, *, gone: bool) -> None:
        self._bad.pop(read.path, None)
        if read.problems and not gone:
            self._bad[read.path] = read.problems
        kind = read.place.kind
        if kind != "station":
            self._layered = None
        if kind in {"site", "calendar", "station"}:
            name = read.place.names[0]
            self._sites.setdefault(name, _SiteFiles()).put(read, gone=gone)
            dirty.setdefault(name, set()).update(read.place.names[1:])
            return
        self._whole = None
        if gone:
            self._shared.pop(read.path)
        else:
            self._shared[read.path] = read
        if kind == "role":
            role = read.place.names[0]
            for site, one in self._reads.all.items():
                if role in one.roles or one.lacking:
                    dirty.setdefault(site, set())
        elif kind in {"profile", "estate", "concessions", "occasion"}:
            self._around = None

    def _look_around(self, shared: Whole, dirty: _Dirty) -> Around:
        """Give what sites take from the rest; where more than roles changed, all of them are read again."""
        made_of, before = self._around or (None, None)
        if before is not None and made_of is shared:
            return before
        if before is None:
            for name in self._sites:
                dirty.setdefault(name, set())
        around = Around(
            estate=shared.top,
            profiles=before.profiles if before else {**self._shipped, **shared.profiles},
            roles={name: one for name, one in shared.roles.items() if one.opened is not None},
            role_files=frozenset(shared.roles),
            limits=shared.limits,
            concessions=shared.concessions,
            occasions=shared.occasions,
            typing=before.typing if before else Typing(),
        )
        self._around = (shared, around)
        return around

    def _read_sites(self, dirty: _Dirty, around: Around) -> None:
        fresh: dict[str, SiteRead | None] = {}
        for name in sorted(dirty):
            before, after = self._reads.all.get(name), None
            found = self._sites[name]
            if found.empty():
                del self._sites[name]
            else:
                after = read_site(
                    name, found.site, found.calendar, found.stations, around, before, dirty[name]
                )
            fresh[name] = after
            self._between.replace(_addressing_of(before), _addressing_of(after))
        self._reads.replace(fresh)

    def _look_beside(self, shared: Whole, profiles: Mapping[str, Profile]) -> "_Beside":
        """Say what holds beside single stations; made once while nothing that it is made of is another."""
        reads = self._reads
        if self._layered is None:
            files = (*shared.roles.values(), *(one.site for one in self._sites.values()))
            opened = [read.opened for read in files if read is not None and read.opened is not None]
            self._layered = (shared.top, *opened)
        made_of = (shared, profiles, reads.crews, reads.zones, self._layered)
        return self._beside.of(made_of, partial(self._made_beside, *made_of))

    def _made_beside(
        self,
        shared: Whole,
        profiles: Mapping[str, Profile],
        crews: Mapping[str, _Crew],
        zones: Mapping[str, str],
        layered: Sequence[Opened],
    ) -> "_Beside":
        used = sorted({shared.file.profile}.union(*(models for models, _ in crews.values())))
        models = [profiles[name] for name in used if name in profiles]
        problems = [*shared.problems(profiles)]
        if len(models) == len(used):  # else no name can be called unknown
            problems.extend(self._layers.problems(layered, models))
        problems.extend(shared.occasion_problems(models))
        problems.extend(shared.alarm_problems(crews))
        problems.extend(shared.order_problems(_stands(shared, profiles, crews)))
        routing, untellable = shared.routing(zones.values())
        weights, wrong = shared.weights()
        return _Beside((*problems, *untellable, *wrong), routing, weights)


class _Beside(NamedTuple):
    """What holds beside single stations: it stays while none of them is of another model and none comes or goes.

    Args:
        problems: What is wrong with the files that are no site's, and with what stations share.
        routing: Who is told of what.
        weights: How much each rule weighs where the estate says so.
    """

    problems: tuple[Problem, ...]
    routing: Routing
    weights: book.Weights


def _stands(
    shared: Whole, profiles: Mapping[str, Profile], crews: Mapping[str, _Crew]
) -> Mapping[str, Stand]:
    """Give what stands at each site for orders; sites of the same models and size are looked at once."""
    known: dict[tuple[frozenset[str], bool], Stand] = {}
    stands: dict[str, Stand] = {}
    for name, (models, count) in crews.items():
        key = (models, count > shared.orders.many)
        if key not in known:
            found = [profiles[model] for model in sorted(models) if model in profiles]
            known[key] = stand_of(found, count, shared.orders)
        stands[name] = known[key]
    return stands


def _ground(shared: Whole, around: Around, sites: Mapping[str, Layer]) -> Ground | None:
    """Give what stations share, as far as it could be read."""
    if shared.top.layer is None:
        return None
    opened = {name: one.opened for name, one in around.roles.items()}
    return Ground(
        estate=shared.top.layer,
        sites=sites,
        roles={name: one.layer for name, one in opened.items() if one is not None and one.layer is not None},
        profiles=around.profiles,
        profile=shared.file.profile,
    )
