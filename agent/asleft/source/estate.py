"""A commit's files to an estate: read, checked, layered and typed, with everything that is wrong told at once.

A reader keeps what it read, so that the next revision costs what changed in it.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from asleft.domain.describing import Ground
from asleft.domain.estate import Estate, Stations
from asleft.domain.layers import Origin
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing
from asleft.domain.rules import book
from asleft.domain.rules.orders import Stand, stand_of
from asleft.source.reading import FileRead, Opened, read_file
from asleft.source.sites import Around, SiteRead, read_site
from asleft.source.whole import Layers, Whole

__all__ = ["EstateReader", "read_estate"]

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
        self._reads: dict[str, SiteRead] = {}
        self._whole: Whole | None = None
        self._around: Around | None = None
        self._layers = Layers()
        self._between = book.Between()
        self._lacking: tuple[object, tuple[Problem, ...]] = (None, ())
        """What the last look for people who are lacking was about, and what it told."""

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
        reads = dict(sorted(self._reads.items()))
        problems = [problem for found in self._bad.values() for problem in found]
        problems.extend(whole.problems(around.profiles))
        used = sorted({name for one in reads.values() for name in one.profiles} | {whole.file.profile})
        profiles = [around.profiles[name] for name in used if name in around.profiles]
        if len(profiles) == len(used):  # else no name can be called unknown
            problems.extend(self._layers.problems(tuple(self._layered(whole)), profiles))
        problems.extend(whole.occasion_problems(profiles))
        problems.extend(whole.alarm_problems(reads))
        problems.extend(self._people_lacking(reads, whole, around.profiles))
        problems.extend(problem for one in reads.values() for problem in one.problems)
        sums = {name: one.sums for name, one in reads.items() if one.sums is not None}
        routing, untellable = whole.routing(
            one.site.time_zone for one in self._reads.values() if one.site is not None
        )
        problems.extend(untellable)
        weights, wrong = whole.weights()
        problems = book.weigh([*problems, *wrong, *self._between.check(sums)], weights)
        if not any(problem.level is Level.ERROR for problem in problems):
            # With a station missing, its role would seem to be nobody's.
            found = book.check_whole(
                sums,
                roles=whole.role_layers(),
                below=whole.layer,
                occasions=whole.occasions,
            )
            problems.extend(book.weigh(found, weights))
        if any(problem.level is Level.ERROR for problem in problems):
            return None, sorted(set(problems))
        estate = Estate(
            name=whole.file.name,
            commit=commit,
            sites={name: one.site for name, one in reads.items() if one.site is not None},
            stations=Stations({name: one.stations for name, one in reads.items()}),
            people=whole.people,
            orders=whole.orders,
            occasions=whole.occasions,
            concessions=whole.concessions,
            limits=whole.limits,
            alarms=whole.alarms,
            approval=whole.file.approval,
            weights=weights,
            routing=routing,
            ground=_ground(whole, around, reads),
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
            dirty.update(site for site, one in self._reads.items() if role in one.roles or one.lacking)
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
        for name in sorted(dirty):
            before = self._reads.pop(name, None)
            found = self._sites[name]
            if found.empty():
                del self._sites[name]
            else:
                self._reads[name] = read_site(
                    name, found.site, found.calendar, found.stations, around, before
                )
            after = self._reads.get(name)
            self._between.replace(before.sums if before else None, after.sums if after else None)

    def _people_lacking(
        self, reads: Mapping[str, SiteRead], whole: Whole, profiles: Mapping[str, Profile]
    ) -> tuple[Problem, ...]:
        """Tell at which sites people are lacking who may confirm; told once while models, sizes and people stay the same.

        Sites of the same models and size are told from one look.
        """
        sizes = {name: (one.profiles, len(one.stations) > whole.orders.many) for name, one in reads.items()}
        about = (whole, profiles, sizes)
        if self._lacking[0] != about:
            known: dict[tuple[frozenset[str], bool], Stand] = {}
            for name, key in sizes.items():
                if key not in known:
                    models = [profiles[model] for model in sorted(key[0]) if model in profiles]
                    known[key] = stand_of(models, len(reads[name].stations), whole.orders)
            stands = {name: known[key] for name, key in sizes.items()}
            self._lacking = (about, tuple(whole.order_problems(stands)))
        return self._lacking[1]

    def _layered(self, whole: Whole) -> Iterator[Opened]:
        yield whole.top
        for read in (*whole.roles.values(), *(one.site for one in self._sites.values())):
            if read is not None and read.opened is not None:
                yield read.opened


def _ground(whole: Whole, around: Around, reads: Mapping[str, SiteRead]) -> Ground | None:
    """Give what stations share, as far as it could be read."""
    if whole.top.layer is None:
        return None
    opened = {name: one.opened for name, one in around.roles.items()}
    return Ground(
        estate=whole.top.layer,
        sites={name: one.layer for name, one in reads.items() if one.layer is not None},
        roles={name: one.layer for name, one in opened.items() if one is not None and one.layer is not None},
        profiles=around.profiles,
        profile=whole.file.profile,
    )
