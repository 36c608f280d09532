"""MIDI clock: how soon and how well the tempo is known under jitter, and what happens when it changes or goes."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from voicer.control.clock import Follower
from voicer.control.events import Beat, SongPosition, Transport
from voicer.control.messages import Clock, Continue, Start, Stop
from voicer.control.messages import SongPosition as Pointer

JITTER_S = 1e-3


def ticks(bpm: float, beats: float, start_s: float = 100.0, seed: int = 0) -> Iterator[float]:
    """Times of clock bytes, each up to 1 ms early or late."""
    source = random.Random(seed)
    for count in range(round(24 * beats)):
        yield start_s + count * 60 / bpm / 24 + source.uniform(-JITTER_S, JITTER_S)


def tempos(follower: Follower, times_s: Iterator[float], port: str = "drums") -> list[tuple[int, float]]:
    """Tempos told, each with the count of bytes before it."""
    found = []
    for count, at_s in enumerate(times_s, 1):
        found += [(count, 60_000 / event.interval_ms) for event in follower.take(Clock(), at_s, port)
                  if isinstance(event, Beat)]  # fmt: skip
    return found


@pytest.mark.parametrize("bpm", [60, 75, 93.7, 120, 150, 180, 240])
@pytest.mark.parametrize("seed", range(8))
def test_settles_and_holds_under_jitter(bpm: float, seed: int) -> None:
    """Within 0.5 % from two beats on; within 0.1 % once the loop's memory of eight beats is full."""
    found = tempos(Follower(), ticks(bpm, 64, seed=seed))
    known = [(count, abs(told / bpm - 1)) for count, told in found]
    assert known[0][0] <= 48
    last_by = [wrong for count, wrong in known if count <= 48][-1]
    assert last_by <= 5e-3
    assert max([wrong for count, wrong in known if count > 48], default=0.0) <= 5e-3
    assert max([wrong for count, wrong in known if count > 192], default=0.0) <= 1e-3
    assert known[-1][1] <= 1e-3


@pytest.mark.parametrize("change", [0.5, 0.8, 0.93, 1.07, 1.25, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_another_tempo_is_taken_within_two_beats(change: float, seed: int) -> None:
    """A change of 7 % and more; the old memory does not drag."""
    follower, end_s = Follower(), 100 + 32 * 60 / 120
    tempos(follower, ticks(120, 32, seed=seed))
    found = tempos(follower, ticks(120 * change, 16, start_s=end_s, seed=seed + 50))
    told = [bpm for count, bpm in found if count <= 60]
    assert told[-1] == pytest.approx(120 * change, rel=5e-3)
    assert found[-1][1] == pytest.approx(120 * change, rel=1e-3)


def test_a_slow_change_is_followed() -> None:
    """From 100 to 110 in 32 beats: never further than 1.5 % behind."""
    follower, at_s, bpm, told = Follower(), 0.0, 100.0, 100.0
    for count in range(24 * 32):
        bpm = 100 + 10 * count / (24 * 32)
        at_s += 60 / bpm / 24
        for event in follower.take(Clock(), at_s, "drums"):
            assert isinstance(event, Beat)
            told = 60_000 / event.interval_ms
        if count > 60:
            assert told == pytest.approx(bpm, rel=1.5e-2)


def test_lost_after_two_seconds_and_found_again() -> None:
    """Said once; another tempo may come, from another port."""
    follower = Follower()
    *_, last_s = ticks(120, 4)
    tempos(follower, ticks(120, 4))
    assert follower.take(None, last_s + 1.9, "") == []
    assert follower.take(None, last_s + 2.1, "") == [Transport("lost", "drums")]
    assert follower.take(None, last_s + 9.0, "") == []
    assert tempos(follower, ticks(90, 4, start_s=last_s + 10), "desk")[-1][1] == pytest.approx(90, rel=5e-3)


def test_one_clock_leads() -> None:
    """A second clock is passed over while the first is heard."""
    follower = Follower()
    mixed = sorted([(at_s, "drums") for at_s in ticks(120, 8)] + [(at_s, "desk") for at_s in ticks(97, 8)])
    found = []
    for at_s, port in mixed:
        found += [event for event in follower.take(Clock(), at_s, port) if isinstance(event, Beat)]
    first = mixed[0][1]
    assert {event.by for event in found} == {first}
    assert 60_000 / found[-1].interval_ms == pytest.approx(120 if first == "drums" else 97, rel=5e-3)


def test_start_stop_continue_and_song_position() -> None:
    """As a sequencer sends them; the clock may go on while it is stopped."""
    follower = Follower()
    assert follower.take(Start(), 1.0, "drums") == [Transport("start", "drums")]
    assert follower.take(Stop(), 2.0, "drums") == [Transport("stop", "drums")]
    assert follower.take(Pointer(64), 3.0, "drums") == [SongPosition(64, "drums")]
    assert follower.take(Continue(), 4.0, "drums") == [Transport("continue", "drums")]


def test_a_lost_byte_and_a_pause_do_no_harm() -> None:
    """One byte in a hundred is missing; the tempo stays within 0.5 %."""
    times_s = [at_s for count, at_s in enumerate(ticks(120, 64)) if count % 100 != 50]
    found = tempos(Follower(), iter(times_s))
    assert all(bpm == pytest.approx(120, rel=5e-3) for count, bpm in found if count > 48)


def test_nonsense_gives_no_tempo() -> None:
    """Bytes all at once, or hours apart, tell nothing."""
    assert tempos(Follower(), iter([5.0] * 500)) == []
    assert tempos(Follower(), iter(3600.0 * hour for hour in range(60))) == []
