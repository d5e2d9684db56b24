"""Profile files to profiles, and where the shipped ones lie."""

import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from importlib import resources
from pathlib import Path

from asleft.domain.kinds import (
    Address,
    Choice,
    Kind,
    Level,
    NotAValue,
    Reading,
    Switch,
    Text,
    Value,
    Whole,
    nearest,
)
from asleft.domain.names import harmless
from asleft.domain.problems import Level as Weight
from asleft.domain.problems import Problem
from asleft.domain.profile import (
    Action,
    Ear,
    Identity,
    Keeper,
    Pair,
    Patching,
    Place,
    Point,
    Profile,
    Setting,
)
from asleft.source.documents import Document, read_document
from asleft.source.files.parts import validate
from asleft.source.files.profile import ActionRow, EarRow, ObjectRow, PatchingRow, ProfileFile, SettingRow

__all__ = ["SHIPPED", "read_profile", "shipped_folder", "shipped_profiles"]

SHIPPED = ("headphone-distributor", "stage-station")
"""The profiles that come with asleft."""

_SETTING_NAME = re.compile(r"[a-z][a-z0-9-]*(?:\.[a-z0-9][a-z0-9-]*)*\Z")


def shipped_folder(name: str) -> Path:
    """Give a folder that the wheel carries (`profiles`, `estate`); in a checkout, the one it is made from."""
    inside = Path(str(resources.files("asleft"))) / "shipped" / name
    if inside.is_dir():
        return inside
    top = Path(__file__).resolve().parents[3]
    return {"profiles": top / "shared" / "profiles", "estate": top / "configs"}[name]


def shipped_profiles() -> dict[str, Profile]:
    """Read the profiles that come with asleft.

    Raises:
        ValueError: One of them is wrong, which our own tests should have found.
    """
    found: dict[str, Profile] = {}
    for name in SHIPPED:
        file = shipped_folder("profiles") / f"{name}.yaml"
        profile, problems = read_profile(name, f"profiles/{name}.yaml", file.read_bytes())
        if profile is None:
            raise ValueError("; ".join(f"{problem.where}: {problem.what}" for problem in problems))
        found[name] = profile
    return found


def read_profile(name: str, path: str, data: bytes) -> tuple[Profile | None, list[Problem]]:
    """Read one profile file, telling everything that is wrong with it."""
    document, problems = read_document(path, data)
    if document is None or problems:
        return None, problems
    file, problems = validate(ProfileFile, document)
    if file is None:
        return None, problems
    reader = _ProfileReader(document)
    profile = reader.profile(name, file)
    return (None if reader.problems else profile), reader.problems


class _ProfileReader:
    """Makes a profile of a file's rows and keeps what is wrong with them."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []

    def tell(self, path: tuple[str | int, ...], what: str, fix: str) -> None:
        line = self.document.line(path)
        self.problems.append(
            Problem(
                rule="profile.row", level=Weight.ERROR, file=self.document.path, line=line, what=what, fix=fix
            )
        )

    def profile(self, name: str, file: ProfileFile) -> Profile:
        settings: dict[str, Setting] = {}
        for key, row in file.settings.items():
            for word in row.each or ("",):
                setting = self.setting(key, row, word)
                if setting.name in settings:
                    self.tell(
                        ("settings", key),
                        f"'{setting.name}' stands twice",
                        "give each setting a name of its own",
                    )
                settings[setting.name] = setting
        for role in ("serial", "model", "firmware"):
            wanted = getattr(file.identity, role)
            if wanted not in settings or settings[wanted].keeper is not Keeper.DEVICE:
                self.tell(
                    ("identity", role),
                    f"'{wanted}' is no reading of this profile",
                    "name a setting of kind reading",
                )
        reached = settings.get(file.reached_at)
        if reached is None or reached.kind != Address(prefixed=True):
            self.tell(
                ("reached-at",),
                f"'{file.reached_at}' is no address with a prefix",
                "name a setting of kind address",
            )
        return Profile(
            name=name,
            title=file.title,
            model=file.model,
            identity=Identity(
                serial=file.identity.serial, model=file.identity.model, firmware=file.identity.firmware
            ),
            reached_at=sys.intern(file.reached_at),
            settings=settings,
            actions={key: _action(key, row) for key, row in file.actions.items()},
            patching=None if file.patching is None else self.patching(file.patching, settings),
            ears=tuple(self.ears(file.ears, settings)),
        )

    def patching(self, row: PatchingRow, settings: Mapping[str, Setting]) -> Patching:
        self.known(("patching", "heard"), row.heard, settings, Choice)
        self.known(("patching", "joins"), row.joins, settings, Switch)
        for key, pair in row.pairs.items():
            path = ("patching", "pairs", key)
            if self.known((*path, "setting"), pair.setting, settings, Choice):
                for value in pair.carries:
                    self.parsed((*path, "carries", value), settings[pair.setting].kind, value)
        pairs = {
            key: Pair(name=key, setting=pair.setting, carries=pair.carries) for key, pair in row.pairs.items()
        }
        return Patching(heard=row.heard, joins=row.joins, pairs=pairs)

    def ears(self, rows: Sequence[EarRow], settings: Mapping[str, Setting]) -> Iterator[Ear]:
        for at, row in enumerate(rows):
            for word in row.each or ("",):
                name, gain, limiter, level = (
                    sys.intern(text.replace("{each}", word))
                    for text in (row.name, row.gain, row.limiter, row.limiter_level)
                )
                self.known(("ears", at, "gain"), gain, settings, Level)
                self.known(("ears", at, "limiter"), limiter, settings, Switch)
                self.known(("ears", at, "limiter-level"), level, settings, Level)
                yield Ear(name=name, gain=gain, limiter=limiter, limiter_level=level)

    def known(
        self, path: tuple[str | int, ...], name: str, settings: Mapping[str, Setting], kind: type[Kind]
    ) -> bool:
        """Tell a name that is no setting of the kind that is wanted there; none at all is fine."""
        if not name:
            return False
        if name in settings and isinstance(settings[name].kind, kind):
            return True
        self.tell(
            path, f"'{harmless(name)}' is no {kind.word} of this profile", nearest(name, list(settings))
        )
        return False

    def setting(self, key: str, row: SettingRow, word: str) -> Setting:
        path = ("settings", key)
        name = sys.intern(key.replace("{each}", word))
        if not _SETTING_NAME.match(name):
            self.tell(
                path,
                f"'{name}' is no name for a setting",
                "write lower-case words joined by dots, as headphones.gain",
            )
        kind = self.kind(path, row)
        self.see_fits(path, row, kind)
        return Setting(
            name=name,
            meaning=row.meaning.replace("{each}", word),
            kind=kind,
            keeper=row.kept_by,
            concern=row.concern,
            matters=row.matters,
            place=row.place,
            louder=row.louder,
            heard=row.heard,
            opens=row.opens,
            concede=row.concede,
            factory=None
            if row.factory is None
            else self.parsed((*path, "factory"), kind, row.factory.replace("{each}", word)),
            point=_point(row.object_, word),
            hands={what: _point(where, word) for what, where in row.hands.items()},
        )

    def see_fits(self, path: tuple[str, ...], row: SettingRow, kind: Kind) -> None:
        """Tell what of a row does not go with the rest of it."""
        if (row.kind == "reading") != (row.kept_by is Keeper.DEVICE):
            self.tell(path, "a reading is kept by the device, and nothing else is", "mend kind or kept-by")
        if row.kept_by is Keeper.ESTATE and row.place is None:
            self.tell(
                path,
                "its place in the safe order of writes is missing",
                "write 'place: level', patch, access, light or address",
            )
        if row.place is Place.LIGHT and (row.louder or row.heard or row.opens or row.concede):
            self.tell(
                (*path, "place"),
                "a light is only seen: what is heard, gets louder or lets people in is none",
                "write 'place: level', patch or access",
            )
        if row.kept_by is Keeper.ESTATE and not row.matters:
            self.tell(path, "it does not say why it matters", "write 'matters: …', one plain sentence")
        if row.hands and not row.opens:
            self.tell(
                (*path, "hands"),
                "nothing is handed to anybody by a setting that lets nobody in",
                "write 'opens: …', the value that does, or leave hands out",
            )
        for field in ("louder", "opens", "concede"):
            value = getattr(row, field)
            if field == "louder" and value in {"higher", "lower"}:
                if row.kind not in {"level", "whole"}:
                    fix = f"name the louder value, of: {kind.allowed()}"
                    self.tell((*path, field), f"a {row.kind} has no higher and lower", fix)
            elif value:
                self.parsed((*path, field), kind, value)

    def parsed(self, path: tuple[str | int, ...], kind: Kind, text: str) -> Value | None:
        try:
            return kind.parse(text)
        except NotAValue as wrong:
            self.tell(path, wrong.what, wrong.fix)
            return None

    def kind(self, path: tuple[str, ...], row: SettingRow) -> Kind:
        lowest, highest = row.lowest, row.highest
        match row.kind:
            case "choice":
                if len(set(row.values)) < 2 or len(set(row.values)) != len(row.values):  # noqa: PLR2004 a choice has two sides
                    self.tell(
                        path, "a choice needs at least two different values", "write 'values: [one, another]'"
                    )
                return Choice(values=row.values)
            case "switch":
                return Switch()
            case "level":
                if lowest is None or highest is None or lowest >= highest:
                    self.tell(path, "a level needs lowest and highest", "write both, the lower one first")
                    lowest, highest = 0.0, 1.0
                return Level(
                    unit=row.unit, lowest=lowest, highest=highest, step=row.step, tolerance=row.tolerance
                )
            case "whole":
                return self.whole(path, row)
            case "text":
                return Text(longest=row.longest)
            case "address":
                return Address(prefixed=row.prefixed)
            case "reading":
                return Reading(unit=row.unit)

    def whole(self, path: tuple[str, ...], row: SettingRow) -> Whole:
        lowest = 0.0 if row.lowest is None else row.lowest
        highest = 2.0**32 - 1 if row.highest is None else row.highest
        if lowest != int(lowest) or highest != int(highest) or lowest >= highest:
            self.tell(path, "its ends are no whole numbers in order", "write the lower one first")
        return Whole(unit=row.unit, lowest=int(lowest), highest=int(highest))


def _point(row: ObjectRow, word: str) -> Point:
    path = tuple(step for step in row.path.replace("{each}", word).split("/") if step)
    return Point(
        path=path, class_name=row.class_, property_name=row.property_, part=row.part, codes=row.codes
    )


def _action(name: str, row: ActionRow) -> Action:
    return Action(name=name, meaning=row.meaning, asks_serial=row.asks_serial, point=_point(row.object_, ""))
