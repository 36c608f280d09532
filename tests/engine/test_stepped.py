"""The engine stepped block by block: what it plays is what `render` computes."""

from __future__ import annotations

import numpy as np
import pytest

import voicer
from voicer.dsp.rendering import render
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK, rack_names
from voicer.library import list_names
from voicer.play.session import Session

RATE_HZ = 48_000


@pytest.mark.parametrize("name", list_names())
@pytest.mark.parametrize("frames", [64, 480])
def test_engine_plays_what_render_computes(name: str, frames: int) -> None:
    """Sample for sample to 32-bit rounding, noise included, through pyo's own buffers."""
    session = Session(name, voicer.load(name))
    engine = SteppedEngine(DEFAULT_RACK, RATE_HZ, frames)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    before = engine.report().blocks * frames
    x = (0.3 * np.random.default_rng(1).standard_normal(12_000)).astype(np.float32)
    played = engine.play(x)
    report = engine.report()
    engine.stop()
    expected = render(np.concatenate((np.zeros(before), x)), RATE_HZ, session.circuit)[before:]
    assert np.abs(played - expected).max() < 1e-6
    assert report.blocks == before // frames + -(-12_000 // frames)
    assert report.out_peak > 0


def test_new_numbers_are_heard_from_the_next_block_on() -> None:
    """A change sent between two blocks begins with the next one and is complete 4 ms later."""
    session = Session("quay-slap", voicer.load("quay-slap").changed({"output.blend": 0}))
    engine = SteppedEngine(rack_names(("echo",)), RATE_HZ, 48)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    session.play_through(engine)
    steady = 0.25 * np.ones(480, np.float32)
    before = engine.play(steady)
    session.set({"output.level_db": -20})
    after = engine.play(steady)
    engine.stop()
    assert before == pytest.approx(np.full(480, 0.25), rel=1e-5)
    assert after[0] < 0.25
    assert after[240] == pytest.approx(0.025, rel=1e-5)
