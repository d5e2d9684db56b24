"""What a recording needs: tracks, names, bytes, time."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.recording import Recording, Track, file_name, need_of, show_span, tracks_of
from domain.patched import MUTE, STAGE, station, stations

GIB = 2**30


@pytest.mark.parametrize(
    "pairs,an_hour,gigabytes,gibibytes,minutes",
    # 48 kHz, 24 bits, one file for all; computed: 3 bytes a sample, 48,000 samples a second, two channels a pair.
    # How long 4 GiB last: the sizes in a RIFF file are 32 bits wide (EBU Tech 3285).
    [
        (1, 1_036_800_000, "1.037", "0.966", "248.55"),
        (2, 2_073_600_000, "2.074", "1.931", "124.28"),
        (8, 8_294_400_000, "8.294", "7.725", "31.07"),
        (16, 16_588_800_000, "16.589", "15.450", "15.53"),
        (40, 41_472_000_000, "41.472", "38.624", "6.21"),
    ],
)
def test_bytes_and_time_of_one_file(
    pairs: int, an_hour: int, gigabytes: str, gibibytes: str, minutes: str
) -> None:
    """An hour of so many stereo pairs is so many bytes, and 4 GiB last so long (EBU Tech 3285)."""
    need = need_of(Recording(one_file=True), pairs)
    assert (need.files, need.bytes_per_hour) == (1, an_hour)
    assert f"{need.bytes_per_hour / 10**9:.3f}" == gigabytes
    assert f"{need.bytes_per_hour / GIB:.3f}" == gibibytes
    assert need.four_gib_after is not None
    assert f"{float(need.four_gib_after / 60):.2f}" == minutes


def test_one_channel_is_half_a_pair() -> None:
    """An hour of one channel is 518,400,000 bytes, and 4 GiB of it last 497.10 minutes (computed; EBU Tech 3285)."""
    need = need_of(Recording(), 1)
    half, odd = divmod(need.bytes_per_hour, 2)
    assert (half, odd) == (518_400_000, 0)
    assert (f"{half / 10**9:.3f}", f"{half / GIB:.3f}") == ("0.518", "0.483")
    assert need.four_gib_after is not None
    assert f"{float(2 * need.four_gib_after / 60):.2f}" == "497.10"


def test_a_stereo_file_lasts_four_hours() -> None:
    """4 GiB of one stereo pair at 288,000 bytes a second last 14,913 s, which is 4:08:33 (EBU Tech 3285)."""
    need = need_of(Recording(), 1)
    assert need.bytes_per_second == 288_000
    assert need.four_gib_after is not None
    assert int(need.four_gib_after) == 14_913
    assert show_span(need.four_gib_after) == "4:08:33"


def test_readers_with_a_sign_see_half() -> None:
    """2 GiB of a stereo pair, all that a signed 32-bit reader sees, last 124.28 min: as long as 4 GiB of two pairs."""
    one, two = need_of(Recording(), 1).four_gib_after, need_of(Recording(one_file=True), 2).four_gib_after
    assert one is not None
    assert two == one / 2
    assert f"{float(two / 60):.2f}" == "124.28"


def test_a_file_a_pair_lasts_as_long_as_one_pair() -> None:
    """Where each pair has its own file, more pairs take more bytes but no file fills sooner."""
    one, forty = need_of(Recording(), 1), need_of(Recording(), 40)
    assert (forty.files, forty.bytes_per_hour) == (40, 40 * one.bytes_per_hour)
    assert forty.four_gib_after == one.four_gib_after


def test_what_is_left_of_a_disk() -> None:
    """Planned hours, bytes left and hours until the disk is full follow from the bytes an hour."""
    plan = Recording(disk_bytes=10_000_000_000, hours=2.5, one_file=True)
    need = need_of(plan, 2)
    assert (need.planned_bytes, need.disk_left) == (5_184_000_000, 4_816_000_000)
    assert need.disk_hours == Fraction(10_000_000_000, 2_073_600_000)
    assert need_of(replace(plan, disk_bytes=5_183_999_999), 2).disk_left == -1
    assert need_of(replace(plan, hours=None), 2).disk_left is None
    assert need_of(replace(plan, disk_bytes=None), 2).disk_hours is None


def test_what_is_not_whole_is_rounded_up() -> None:
    """A planned time that ends inside a byte takes that byte."""
    assert need_of(Recording(hours=0.1), 1).planned_bytes == 103_680_001  # 0.1 is a little more than a tenth


@pytest.mark.parametrize("hours,outgrows", [(2.0, False), (2.5, True), (None, False)])
def test_a_file_that_outgrows_its_sizes(hours: float | None, *, outgrows: bool) -> None:
    """Two pairs in one file pass 4 GiB after 2 h 4 min (EBU Tech 3285)."""
    assert need_of(Recording(hours=hours, one_file=True), 2).outgrows == outgrows


def test_nothing_to_record_needs_nothing() -> None:
    """No pair is no file, no bytes, and a disk that is never full."""
    need = need_of(Recording(disk_bytes=1000, hours=1, one_file=True), 0)
    assert (need.files, need.bytes_per_hour, need.four_gib_after, need.disk_hours, need.disk_left) == (
        0,
        0,
        None,
        None,
        1000,
    )
    assert not need.outgrows


def test_tracks_are_the_pairs_that_send() -> None:
    """Each station whose network pair sends something is one track, by name, whatever the order of the stations."""
    there = {
        "voice": station("voice", {"outputs.network": "mix after fader", "mix.heard": "Mix 2"}),
        **stations(),
        "organ": station("organ", {"outputs.network": "local input"}, MUTE),
        "altos": station("altos", {"outputs.network": "room microphones", "mix.heard": "Mix 1"}),
        "horns": station("horns", {"outputs.line": "local input"}),
    }
    assert tracks_of(there) == [
        Track(number=1, station="altos", sends="room", mix="", file="01-altos.wav"),
        Track(number=2, station="drums", sends="input", mix="", file="02-drums.wav"),
        Track(number=3, station="voice", sends="mix", mix="Mix 2", file="03-voice.wav"),
    ]
    assert [track.channels for track in tracks_of(there)] == [(1, 2), (3, 4), (5, 6)]


def test_a_hundred_tracks_sort_as_files_do() -> None:
    """Numbers are as wide as the last one needs, so that a folder shows the tracks in their order."""
    there = {f"s{at}": station(f"s{at}", {"outputs.network": "local input"}, STAGE) for at in range(100, 200)}
    files = [track.file for track in tracks_of(there)]
    assert (files[0], files[-1]) == ("001-s100.wav", "100-s199.wav")
    assert files == sorted(files)


@pytest.mark.parametrize(
    "number,name,file",
    [
        (1, "drums", "01-drums.wav"),
        (7, "Bläser & Chor", "07-Blaser-Chor.wav"),
        (2, "../../etc/passwd", "02-etc-passwd.wav"),
        (3, "", "03-track.wav"),
        (4, "тест", "04-track.wav"),
        (5, "a" * 100, f"05-{'a' * 53}.wav"),
        (6, "CON", "06-CON.wav"),
        (8, "=1+1", "08-1-1.wav"),
    ],
)
def test_names_that_every_file_system_takes(number: int, name: str, file: str) -> None:
    """A name keeps what is safe and loses the rest, and is never empty or too long."""
    assert file_name(number, name) == file


@given(
    st.integers(min_value=1, max_value=9999), st.text(), st.integers(min_value=1, max_value=9999), st.text()
)
def test_names_are_safe_whatever_the_text(number: int, name: str, other: int, other_name: str) -> None:
    """ASCII letters, digits, hyphens and underscores, the number first, at most 60 characters, never twice the same."""
    first, second = file_name(number, name), file_name(other, other_name)
    assert re.fullmatch(r"[0-9]{2,4}-[A-Za-z0-9_-]+\.wav", first)
    assert len(first) <= 60
    assert number == other or first.lower() != second.lower()
