"""A recall under sound: the old repeats go on as if nothing had happened, the new voicing begins, nothing steps."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
from numpy.typing import NDArray

import voicer
from voicer import library
from voicer.control.events import Beat
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.play.session import Session
from voicer.voicing import Voicing

RATE_HZ = 48_000
QUIET = {"flaws.noise": 0.0, "flaws.clock_bleed": 0.0}
Array = NDArray[np.float64]


def still(name: str, **more: object) -> Voicing:
    """A shipped voicing without noise, so that what is compared is the sound alone."""
    return voicer.load(name).changed(QUIET | {key.replace("__", "."): value for key, value in more.items()})


@pytest.fixture
def shelf() -> None:
    """Two voicings to recall, in slots 20 and 21, and a runaway in 22."""
    library.save(still("lamp-lane").changed({"name": "Still Lamp"}))
    library.save(still("slow-tide").changed({"name": "Still Tide"}))
    library.save(still("storm-bell").changed({"name": "Still Bell", "repeats.feedback": 1.3}))
    for slot, name in ((20, "still-lamp"), (21, "still-tide"), (22, "still-bell")):
        library.assign(slot, name)


class Stage:
    """A session on an engine without a clock."""

    def __init__(self, voicing: Voicing, frames: int = 64) -> None:
        self.session = Session("harbour-dusk", voicing)
        self.engine = SteppedEngine(DEFAULT_RACK, RATE_HZ, frames)
        self.engine.start(lambda rate_hz: self.session.numbers_for(self.engine, rate_hz))
        self.session.play_through(self.engine)

    def play(self, x: Array) -> Array:
        return self.engine.play(x).astype(float)

    def perform(self, x: Array, *doings: tuple[float, Callable[[Session], object]]) -> Array:
        """What is heard of ``x``, each thing done at its time."""
        heard, at = [], 0
        for at_s, do in sorted(doings, key=lambda doing: doing[0]):
            until = round(at_s * RATE_HZ) // self.engine.frames * self.engine.frames
            heard.append(self.play(x[at:until]))
            do(self.session)
            at = until
        return np.concatenate([*heard, self.play(x[at:])])


@pytest.fixture
def stage_for(shelf: None):
    made: list[Stage] = []

    def make(voicing: Voicing, frames: int = 64) -> Stage:
        made.append(Stage(voicing, frames))
        return made[-1]

    yield make
    for one in made:
        one.engine.stop()


def chord(seconds: float, held_s: float) -> Array:
    """Six strings of an E chord, 0.05 each, held and then let go."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    notes_hz = (82.41, 123.47, 164.81, 207.65, 246.94, 329.63)  # equal temperament, a' = 440 Hz
    x = sum(0.05 * np.sin(2 * np.pi * hz * t + hz) for hz in notes_hz)
    return np.asarray(x * np.clip((held_s - t) / 0.01, 0.0, 1.0))


def db(x: Array, of: Array) -> float:
    return float(20 * np.log10(max(np.abs(x).max(), 1e-12) / np.abs(of).max()))


def test_the_old_repeats_decay_as_if_nothing_had_happened(stage_for: Callable[..., Stage]) -> None:
    """With the input silent: equal to the render without a recall, to -60 dB and better."""
    x = chord(5.0, 1.0)
    without = stage_for(still("harbour-dusk")).perform(x)
    with_recall = stage_for(still("harbour-dusk")).perform(x, (1.3, lambda session: session.recall(20)))
    after = slice(round(1.3 * RATE_HZ), None)
    assert np.abs(without[after]).max() > 0.02
    assert db(with_recall[after] - without[after], without[after]) < -60


def test_the_new_voicing_starts_at_once(stage_for: Callable[..., Stage]) -> None:
    """Under a held chord: what is heard is the old tail and the new voicing begun from nothing."""
    x = chord(4.0, 4.0)
    at_s = 64 * (round(1.5 * RATE_HZ) // 64) / RATE_HZ
    both = stage_for(still("harbour-dusk")).perform(x, (1.5, lambda session: session.recall(20)))
    cut = x * np.clip((at_s + 0.01 - np.arange(x.size) / RATE_HZ) / 0.01, 0.0, 1.0)
    old = stage_for(still("harbour-dusk")).perform(cut)
    new = stage_for(voicer.load("still-lamp")).perform(x - cut)
    settled = slice(round((at_s + 0.05) * RATE_HZ), None)
    assert db((both - old - new)[settled], both) < -40


def test_nothing_steps_under_a_hundred_recalls(stage_for: Callable[..., Stage]) -> None:
    """At random moments, with and without the tail: no step from sample to sample above what the sounds have."""
    x, source = chord(12.0, 12.0), np.random.default_rng(7)
    moments = np.sort(source.uniform(1.0, 11.5, 100))
    doings = [(float(at_s), (lambda slot: lambda session: session.recall(slot))(20 + k % 2))
              for k, at_s in enumerate(moments)]  # fmt: skip
    doings += [(5.0, lambda session: session.switch_tail())]
    heard = stage_for(still("harbour-dusk")).perform(x, *doings)
    own = max(
        np.abs(np.diff(stage_for(voicing).perform(x[: 3 * RATE_HZ]))).max()
        for voicing in (still("harbour-dusk"), voicer.load("still-lamp"), voicer.load("still-tide"))
    )
    assert np.abs(np.diff(heard)).max() < 1.05 * own


def test_a_tail_ends_and_costs_nothing_then(stage_for: Callable[..., Stage]) -> None:
    """Once it is 60 dB down for as long as its delay, or after ten seconds, there is one line again."""
    stage = stage_for(still("quay-slap"))
    stage.perform(chord(2.0, 1.0), (0.9, lambda session: session.recall(20)))
    assert stage.engine.report().tail == 0
    long = stage_for(still("harbour-dusk", repeats__feedback=0.99))
    long.perform(chord(2.0, 1.0), (0.9, lambda session: session.recall(20)))
    assert long.engine.report().tail == 1
    long.play(np.zeros(9 * RATE_HZ))
    assert long.engine.report().tail == 0


def test_a_recall_ends_a_runaway(stage_for: Callable[..., Stage]) -> None:
    """What sustains itself gets no tail: it is gone within the fade."""
    stage = stage_for(voicer.load("still-bell"))
    heard = stage.perform(chord(6.0, 1.0), (5.0, lambda session: session.recall(20)))
    assert np.abs(heard[round(4.8 * RATE_HZ) : round(4.95 * RATE_HZ)]).max() > 0.02
    assert np.abs(heard[round(5.03 * RATE_HZ) :]).max() < 1e-4


def test_a_panic_ends_the_tail_too(stage_for: Callable[..., Stage]) -> None:
    """Silence within the mute's fade, and nothing comes back after it."""
    stage = stage_for(still("harbour-dusk", repeats__feedback=0.95))
    heard = stage.perform(
        chord(3.0, 1.0), (1.2, lambda session: session.recall(20)),
        (1.5, lambda session: session.panic()), (2.0, lambda session: session.panic()),
    )  # fmt: skip
    assert np.abs(heard[round(1.3 * RATE_HZ) : round(1.5 * RATE_HZ)]).max() > 0.01
    assert np.abs(heard[round(1.53 * RATE_HZ) :]).max() < 1e-4


@pytest.mark.parametrize("frames", [48, 64])
def test_the_same_recalls_give_the_same_sound(stage_for: Callable[..., Stage], frames: int) -> None:
    """Bit for bit: everything is counted in samples."""
    doings = [(0.5, lambda session: session.recall(20)), (0.505, lambda session: session.recall(21)),
              (0.9, lambda session: session.recall(20))]  # fmt: skip
    first, second = (stage_for(voicer.load("old-dredger"), frames).perform(chord(2.0, 2.0), *doings) for _ in range(2))
    assert (first == second).all()


def test_another_number_of_stages_keeps_the_old_repeats(stage_for: Callable[..., Stage]) -> None:
    """It is another line: no hole where the sound was."""
    stage = stage_for(still("harbour-dusk"))
    heard = stage.perform(chord(2.0, 1.0), (1.3, lambda session: session.set({"line.stages": 2048})))
    assert np.abs(heard[round(1.32 * RATE_HZ) : round(1.6 * RATE_HZ)]).max() > 0.01


@pytest.mark.parametrize(("glide_ms", "most_cents"), [(70.0, 5.0), (0.0, 32.0)])
def test_a_step_of_a_coarse_knob_is_no_step_of_pitch(
    stage_for: Callable[..., Stage], glide_ms: float, most_cents: float
) -> None:
    """One of 127 steps over a clock range of 10:1, 31 cents: with the glide the pitch moves by under 5 in 10 ms."""
    voicing = still("harbour-dusk", output__blend=1.0, repeats__feedback=0.0, delay__shortest_ms=48.0,
                    modulation__range="off", delay__time_ms=200.0)  # fmt: skip
    stage = stage_for(voicing)
    x = 0.2 * np.sin(2 * np.pi * 1000 * np.arange(2 * RATE_HZ) / RATE_HZ)
    step = {"delay.time_ms": 200.0 * 10 ** (1 / 127)}
    heard = stage.perform(x, (1.0, lambda session: session.set(step, glide_ms=glide_ms)))
    cents = pitch_cents(heard[round(0.9 * RATE_HZ) : round(1.5 * RATE_HZ)])
    window = RATE_HZ // 100
    moved = np.abs(cents[window:] - cents[:-window])[window:-window].max()
    assert moved < most_cents
    assert glide_ms or moved > 10.0


def pitch_cents(y: Array) -> Array:
    """Pitch of a tone near 1 kHz, cents from 1 kHz, from the phase of its analytic signal over 5 ms."""
    from scipy.signal import hilbert

    phase = np.unwrap(np.angle(hilbert(y)))
    width = RATE_HZ // 200
    hz = (phase[width:] - phase[:-width]) * RATE_HZ / (2 * np.pi * width)
    return np.asarray(1200 * np.log2(hz / 1000.0))


def follow(quarter_ms: float, session: Session) -> None:
    """A clock of another tempo."""
    session.handle([Beat(quarter_ms, "drums")])


def test_another_tempo_makes_no_click(stage_for: Callable[..., Stage]) -> None:
    """A clock goes from 120 to 150 and on to 100 beats a minute under a held chord: no step but those of the sound."""
    x = chord(5.0, 5.0)
    held = stage_for(still("harbour-dusk", delay__longest_ms=700.0)).perform(x)
    heard = stage_for(still("harbour-dusk", delay__longest_ms=700.0)).perform(
        x, *[(at_s, partial(follow, ms)) for at_s, ms in ((1.0, 500.0), (2.0, 400.0), (3.5, 600.0))]
    )  # fmt: skip
    settled = slice(RATE_HZ // 2, None)
    assert np.abs(np.diff(heard[settled])).max() < 1.6 * np.abs(np.diff(held[settled])).max()
    assert np.abs(np.diff(heard[settled], 3)).max() < 4 * np.abs(np.diff(held[settled], 3)).max()
