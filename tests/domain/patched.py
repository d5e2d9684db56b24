"""A small site with a patch, for the tests of signals: two stations on stage, one distributor."""

from collections.abc import Mapping
from dataclasses import replace

from asleft.domain.addressing import address_range
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.hearing import Limits
from asleft.domain.kinds import Value
from asleft.domain.layers import Origin
from asleft.domain.patching import Patch, Plug, Return
from asleft.domain.profile import Pair, Patching, Profile
from asleft.domain.recording import Recording
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan, Site
from asleft.domain.streams import Network
from asleft.source.profiles import shipped_profiles

_CARRIES = {
    "local input": "input",
    "room microphones": "room",
    "mix before fader": "mix",
    "mix after fader": "mix",
    "mix after tone": "mix",
}
STAGE: Profile = replace(
    shipped_profiles()["stage-station"],
    patching=Patching(
        heard="mix.heard",
        joins="input.joins-mix",
        pairs={
            "network": Pair(name="network", setting="outputs.network", carries=_CARRIES),
            "line": Pair(name="line", setting="outputs.line", carries=_CARRIES),
        },
    ),
)
DISTRIBUTOR: Profile = replace(
    shipped_profiles()["headphone-distributor"], patching=Patching(heard="mix.heard", joins="", pairs={})
)
MUTE: Profile = replace(STAGE, patching=None)

PATCH = Patch(
    sources=("Kick", "Voice"),
    buses={"Vocals": ("Voice", "From drums")},
    mixes={"Mix 1": ("Kick", "Vocals"), "Mix 3": ("Vocals",)},
    returns={"From drums": Return(station="drums", pair="network", channels=(33, 34))},
    inputs={"drums": Plug(name="Kick")},
)
"""Nothing is wrong with it while the drummer's network pair sends the local input."""
DRUMS: Mapping[str, Value] = {
    "mix.heard": "Mix 3",
    "input.joins-mix": True,
    "outputs.network": "local input",
    "outputs.line": "off",
}
BASS: Mapping[str, Value] = {
    "mix.heard": "Mix 1",
    "input.joins-mix": False,
    "outputs.network": "off",
    "outputs.line": "off",
}


def station(name: str, values: Mapping[str, Value], profile: Profile = STAGE) -> AsLeft:
    """Give a station with its settings, each on a line of its own."""
    file = f"sites/quay/stations/{name}.yaml"
    origins = {key: Origin(layer=f"station {name}", file=file, line=at) for at, key in enumerate(values, 2)}
    return AsLeft(
        station=StationId("quay", name),
        serial="",
        role="",
        profile=profile,
        firmware=(),
        values=values,
        origins=origins,
        layers=(),
        file=file,
    )


def stations(**changed: Mapping[str, Value]) -> dict[str, AsLeft]:
    """Give the drummer's and the bass player's station, with changed settings, and a distributor in the choir."""
    return {
        "drums": station("drums", {**DRUMS, **changed.get("drums", {})}),
        "bass": station("bass", {**BASS, **changed.get("bass", {})}),
        "choir": station("choir", {"mix.heard": "Mix 1"}, DISTRIBUTOR),
    }


def view(
    patch: Patch | None = PATCH,
    there: Mapping[str, AsLeft] | None = None,
    *,
    network: Network | None = None,
    recording: Recording | None = None,
) -> SiteView:
    """Give a site as the rules look at it; every path in its file has a line of its own."""
    lines: dict[tuple[str | int, ...], int] = {}
    site = Site(
        name="quay",
        title="The Quay",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=AddressPlan(subnet=None, gateway=None, stations=address_range("127.20.1.10-127.20.1.60")),
        patch=patch,
        network=network,
        recording=recording,
        line_of=lambda path: lines.setdefault(path, 100 + len(lines)),
    )
    return SiteView(
        site=site, stations=stations() if there is None else there, limits=Limits(), concessions=()
    )
