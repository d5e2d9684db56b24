"""Rules about recording: there is something to record, and there is room for it."""

from collections.abc import Iterator

from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.recording import need_of, pairs_of, show_span
from asleft.domain.rules.rule import Rule, SiteView

__all__ = ["RULES", "check_site"]

DISK = Rule(id="recording.disk", level=Level.ERROR, sentence="the planned hours fit on the recorder's disk")
SIZE = Rule(
    id="recording.size",
    level=Level.WARNING,
    sentence="no file passes 4 GiB, which is all that its 32-bit sizes can count",
)
NOTHING = Rule(
    id="recording.nothing",
    level=Level.WARNING,
    sentence="on the occasion of the recording some station sends something over the network",
)
RATE = Rule(
    id="recording.rate", level=Level.WARNING, sentence="the recorder runs at the sample rate of the network"
)

OCCASION = Rule(
    id="recording.occasion", level=Level.ERROR, sentence="the occasion of a recording is one of the estate's"
)

RULES: tuple[Rule, ...] = (OCCASION, DISK, SIZE, NOTHING, RATE)


def check_site(view: SiteView, *, known: bool = True) -> Iterator[Problem]:
    """Tell what is wrong with the recording of a site.

    Args:
        view: The site, its stations as they are *on the recording's occasion*, not in the normal state.
        known: Whether there is such an occasion.
    """
    recording, site = view.site.recording, view.site
    if recording is None:
        return
    if not known:
        yield OCCASION.at(
            site.origin("recording", "occasion"),
            f"there is no occasion '{harmless(recording.occasion)}'",
            "write its file under occasions/, or name another one",
        )
        return
    network = site.network
    if network is not None and network.format.sample_rate != recording.sample_rate:
        what = (
            f"the recorder runs at {recording.sample_rate} Hz, the network at {network.format.sample_rate} Hz"
        )
        yield RATE.at(
            site.origin("recording", "sample-rate"), what, "let both run at one rate, or convert on purpose"
        )
    need = need_of(recording, pairs_of(view.stations))
    if not need.pairs:
        what = f"on the occasion '{harmless(recording.occasion)}' no station sends anything over its network pair"
        yield NOTHING.at(
            site.origin("recording", "occasion"),
            what,
            f"choose what the pairs send, in occasions/{harmless(recording.occasion)}.yaml or a layer below it",
        )
        return
    left, hours, full = need.disk_left, recording.hours, need.disk_hours
    if left is not None and left < 0 and full is not None:
        what = (
            f"{hours:g} h of {need.pairs} stereo pair{'s' if need.pairs > 1 else ''} take {_gigabytes(need.planned_bytes or 0)}, but "
            f"{_gigabytes(need.disk_bytes or 0)} are free: the disk is full after {show_span(full * 3600)}"
        )
        yield DISK.at(
            site.origin("recording", "disk-free"), what, "free more, record less, or plan fewer hours"
        )
    after = need.four_gib_after
    if need.outgrows and after is not None:
        one = "the file" if recording.one_file else "each file"
        what = f"{one} passes 4 GiB after {show_span(after)}, within the planned {hours:g} h"
        if recording.one_file:
            fix = "let the recorder write RF64 (EBU Tech 3306), split the file before then, or record one file a pair"
        else:
            fix = "let the recorder write RF64 (EBU Tech 3306), or split the files before then"
        yield SIZE.at(site.origin("recording", "hours"), what, fix)


def _gigabytes(count: int) -> str:
    return f"{count / 10**9:.2f} GB"
