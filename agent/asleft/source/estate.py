"""A commit's files to an estate: read, checked, layered and typed, with everything that is wrong told at once.

A reader keeps what it read, so that the next revision costs what changed in it.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from operator import eq, is_, itemgetter
from typing import NamedTuple, TypeVar

from asleft.domain.alerts.routes import Routing
from asleft.domain.describing import Ground
from asleft.domain.estate import AsLeft, Estate, Site, Stations
from asleft.domain.layers import Layer, Origin
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing
from asleft.domain.rules import book
from asleft.domain.rules.orders import Stand, stand_of
from asleft.source.reading import FileRead, Opened, read_file
from asleft.source.sites import Around, SiteRead, read_site
from asleft.source.whole import Layers, Whole

__all__ = ["EstateReader", "read_estate"]

_T = TypeVar("_T")
_Crew = tuple[frozenset[str], int]
"""The models of a site's stations, and how many stations there are."""

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
        self.sums: Mapping[str, book.Sums] = {}
        self.problems: Mapping[str, tuple[Problem, ...]] = {}

    def replace(self, fresh: Mapping[str, SiteRead | None]) -> None:
        """Take in sites that were read anew, None for one that is gone."""
        reads = {name: one for name, one in fresh.items() if one is not None}
        sites = {name: one.site for name, one in reads.items() if one.site is not None}
        layers = {name: one.layer for name, one in reads.items() if one.layer is not None}
        sums = {name: one.sums for name, one in reads.items() if one.sums is not None}
        crews = {name: (one.profiles, len(one.stations)) for name, one in reads.items()}
        self.all = _replaced(self.all, fresh, reads)
        self.sites = _replaced(self.sites, fresh, sites)
        self.zones = _replaced(self.zones, fresh, {name: site.time_zone for name, site in sites.items()})
        self.layers = _replaced(self.layers, fresh, layers)
        self.stations = _replaced(self.stations, fresh, {name: one.stations for name, one in reads.items()})
        self.crews = _replaced(self.crews, fresh, crews, alike=eq)
        self.sums = _replaced(self.sums, fresh, sums)
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
        self._around: Around | None = None
        self._layers = Layers()
        self._layered: Sequence[Opened] | None = None
        """The files whose settings stations share; None where another one may have come."""
        self._between = book.Between()
        self._beside: tuple[Sequence[object], _Beside] | None = None

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
        whole = self._whole = self._whole or Whole(top.opened, self._shared.values(), self._sites)
        around = self._look_around(whole, dirty)
        self._read_sites(dirty, around)
        reads = self._reads
        beside = self._look_beside(whole, around.profiles)
        problems = [problem for found in self._bad.values() for problem in found]
        problems.extend(beside.problems)
        problems.extend(chain.from_iterable(reads.problems.values()))
        problems.extend(self._between.check(reads.sums))
        problems = book.weigh(problems, beside.weights)
        if not any(problem.level is Level.ERROR for problem in problems):
            # With a station missing, its role would seem to be nobody's.
            found = book.check_whole(
                reads.sums,
                roles=whole.role_layers(),
                below=whole.layer,
                occasions=whole.occasions,
            )
            problems.extend(book.weigh(found, beside.weights))
        if any(problem.level is Level.ERROR for problem in problems):
            return None, sorted(set(problems))
        estate = Estate(
            name=whole.file.name,
            commit=commit,
            sites=reads.sites,
            stations=Stations(reads.stations),
            people=whole.people,
            orders=whole.orders,
            occasions=whole.occasions,
            concessions=whole.concessions,
            limits=whole.limits,
            alarms=whole.alarms,
            approval=whole.file.approval,
            weights=beside.weights,
            routing=beside.routing,
            ground=_ground(whole, around, reads.layers),
        )
        return estate, sorted(set(problems))

    def _take_in(self, ids: Mapping[str, str], fetch: Fetch, changed: Collection[str] | None) -> set[str]:
        """Read what is new and forget what is gone; give the sites that have to be read again."""
        files = self._files
        looked = ids.keys() | files.keys() if changed is None else changed
        gone = [path for path in looked if path in files and path not in ids]
        wanted = {
            path: ids[path]
            for path in looked
            if path in ids and (path not in files or files[path].blob != ids[path] or not ids[path])
        }
        read = list(fetch(wanted))
        dirty: set[str] = set()
        for path in gone:
            self._file_away(files.pop(path), dirty, gone=True)
        for one in read:
            files[one.path] = one
            self._file_away(one, dirty, gone=False)
        return dirty

    def _file_away(self, read: FileRead, dirty: set[str], *, gone: bool) -> None:
        self._bad.pop(read.path, None)
        if read.problems and not gone:
            self._bad[read.path] = read.problems
        kind = read.place.kind
        if kind != "station":
            self._layered = None
        if kind in {"site", "calendar", "station"}:
            name = read.place.names[0]
            self._sites.setdefault(name, _SiteFiles()).put(read, gone=gone)
            dirty.add(name)
            return
        self._whole = None
        if gone:
            self._shared.pop(read.path)
        else:
            self._shared[read.path] = read
        if kind == "role":
            role = read.place.names[0]
            dirty.update(site for site, one in self._reads.all.items() if role in one.roles or one.lacking)
        elif kind in {"profile", "estate", "concessions", "occasion"}:
            self._around = None

    def _look_around(self, whole: Whole, dirty: set[str]) -> Around:
        """Give what sites take from the rest; where more than roles changed, all of them are read again."""
        before = self._around
        if before is None:
            dirty.update(self._sites)
        self._around = Around(
            estate=whole.top,
            profiles=before.profiles if before else {**self._shipped, **whole.profiles},
            roles={name: one for name, one in whole.roles.items() if one.opened is not None},
            role_files=frozenset(whole.roles),
            limits=whole.limits,
            concessions=whole.concessions,
            occasions=whole.occasions,
            typing=before.typing if before else Typing(),
        )
        return self._around

    def _read_sites(self, dirty: Collection[str], around: Around) -> None:
        fresh: dict[str, SiteRead | None] = {}
        for name in sorted(dirty):
            before, after = self._reads.all.get(name), None
            found = self._sites[name]
            if found.empty():
                del self._sites[name]
            else:
                after = read_site(name, found.site, found.calendar, found.stations, around, before)
            fresh[name] = after
            self._between.replace(before.sums if before else None, after.sums if after else None)
        self._reads.replace(fresh)

    def _look_beside(self, whole: Whole, profiles: Mapping[str, Profile]) -> "_Beside":
        """Say what holds beside single stations; made once while nothing that it is made of is another."""
        reads = self._reads
        if self._layered is None:
            files = (*whole.roles.values(), *(one.site for one in self._sites.values()))
            opened = [read.opened for read in files if read is not None and read.opened is not None]
            self._layered = (whole.top, *opened)
        made_of = (whole, profiles, reads.crews, reads.zones, self._layered)
        if self._beside is None or not all(map(is_, self._beside[0], made_of)):
            used = sorted({whole.file.profile}.union(*(models for models, _ in reads.crews.values())))
            models = [profiles[name] for name in used if name in profiles]
            problems = [*whole.problems(profiles)]
            if len(models) == len(used):  # else no name can be called unknown
                problems.extend(self._layers.problems(self._layered, models))
            problems.extend(whole.occasion_problems(models))
            problems.extend(whole.alarm_problems(reads.crews))
            problems.extend(whole.order_problems(_stands(whole, profiles, reads.crews)))
            routing, untellable = whole.routing(reads.zones.values())
            weights, wrong = whole.weights()
            self._beside = (made_of, _Beside((*problems, *untellable, *wrong), routing, weights))
        return self._beside[1]


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


def _stands(whole: Whole, profiles: Mapping[str, Profile], crews: Mapping[str, _Crew]) -> Mapping[str, Stand]:
    """Give what stands at each site for orders; sites of the same models and size are looked at once."""
    known: dict[tuple[frozenset[str], bool], Stand] = {}
    stands: dict[str, Stand] = {}
    for name, (models, count) in crews.items():
        key = (models, count > whole.orders.many)
        if key not in known:
            found = [profiles[model] for model in sorted(models) if model in profiles]
            known[key] = stand_of(found, count, whole.orders)
        stands[name] = known[key]
    return stands


def _ground(whole: Whole, around: Around, sites: Mapping[str, Layer]) -> Ground | None:
    """Give what stations share, as far as it could be read."""
    if whole.top.layer is None:
        return None
    opened = {name: one.opened for name, one in around.roles.items()}
    return Ground(
        estate=whole.top.layer,
        sites=sites,
        roles={name: one.layer for name, one in opened.items() if one is not None and one.layer is not None},
        profiles=around.profiles,
        profile=whole.file.profile,
    )
