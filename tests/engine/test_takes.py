"""What was played is kept and can be rendered again, sample for sample."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import voicer
from tests.engine.test_tails import RATE_HZ, chord
from voicer import library
from voicer.board import PartChoice
from voicer.control.events import Move
from voicer.engine.memory import create_memory, ticket
from voicer.engine.ring import Ring
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.errors import FileError
from voicer.library.takes import delete_take, export_take, list_takes, load_take
from voicer.play.recorder import Recorder
from voicer.play.revoice import render_take
from voicer.play.session import Session


class Studio:
    """A session on an engine without a clock, with a ring and a recorder."""

    def __init__(self, minutes: float = 1.0) -> None:
        self.session = Session("harbour-dusk", voicer.load("harbour-dusk"))
        ring = Ring.prepared(ticket(create_memory("voicer-ring", 0)), minutes, RATE_HZ)
        assert ring is not None
        self.ring, self.told = ring, list[str]()
        self.engine = SteppedEngine(DEFAULT_RACK, RATE_HZ, 64, ring)
        self.recorder = Recorder(lambda: ring, DEFAULT_RACK, lambda: 64, self.told.append)
        self.session.on_sent.append(self.recorder.note)
        self.engine.start(lambda rate_hz: self.session.numbers_for(self.engine, rate_hz))
        self.session.play_through(self.engine)
        self.session.send_again()

    def play(self, x: np.ndarray) -> np.ndarray:
        return self.engine.play(x)

    def ended(self) -> str:
        """Wait for what is kept in the background."""
        until_s = time.monotonic() + 20
        while not any("is kept" in line for line in self.told) and time.monotonic() < until_s:
            time.sleep(0.05)
        return list_takes()[-1]


@pytest.fixture
def studio() -> Iterator[Studio]:
    made = Studio()
    yield made
    made.engine.stop()


def perform(studio: Studio) -> np.ndarray:
    """Knobs turned, a recall with a tail, another line, a bypass: some seconds of playing."""
    x, heard = chord(8.0, 6.0), []
    for k, part in enumerate(np.split(x, 80)):
        if k % 3 == 0:
            studio.session.handle([Move("repeats.feedback", 0.4 + 0.005 * k), Move("delay.time_ms", 300.0 + k)])
        if k == 30:
            studio.session.recall(2)
        if k == 45:
            studio.session.set({"line.stages": 2048, "modulation.range": "slow"})
        if k in (50, 55):
            studio.session.switch_bypass("tail")
        heard.append(studio.play(part))
    return np.concatenate(heard)


def below_db(one: np.ndarray, other: np.ndarray) -> float:
    """Largest difference, dB of full scale. A step of 24 bits is -138."""
    return float(20 * np.log10(max(np.abs(one - other).max(), 1e-12)))


def test_what_was_kept_renders_to_what_was_heard(studio: Studio) -> None:
    """From the first snapshot on, through every move: to -120 dB."""
    heard = perform(studio)
    studio.recorder.keep()
    take = load_take(studio.ended())
    wet = take.samples("wet")
    assert wet.size >= heard.size - RATE_HZ
    assert below_db(wet[-heard.size :], heard[-wet.size :]) < -120
    assert below_db(render_take(take), wet) < -120


def test_a_recording_begins_in_the_middle_of_a_sound(studio: Studio) -> None:
    """Asked for while repeats sound: the state at its begin is kept, and the rendering goes on from there."""
    perform(studio)
    studio.recorder.switch()
    time.sleep(0.05)
    heard = perform(studio)
    told = studio.recorder.switch()
    assert told.endswith("ended")
    take = load_take(list_takes()[-1])
    wet = take.samples("wet")
    assert wet.size > 7 * RATE_HZ
    assert below_db(wet, heard[-wet.size :]) < -120
    assert below_db(render_take(take), wet) < -120
    assert take.file.finished


def test_another_voicing_and_other_parts(studio: Studio) -> None:
    """The same playing through something else: audibly other, as long, and deterministic."""
    perform(studio)
    studio.recorder.keep()
    take = load_take(studio.ended())
    other = render_take(take, voicing=voicer.load("old-dredger"))
    board = render_take(take, parts_for=lambda _: PartChoice("E12"))
    assert other.size == board.size == take.samples("dry").size
    assert below_db(other, take.samples("wet")) > -40
    assert (board == render_take(take, parts_for=lambda _: PartChoice("E12"))).all()


def test_old_sound_goes_and_nothing_else_happens() -> None:
    """A ring of six seconds after eight: what is kept is what is still there, and true."""
    studio = Studio(minutes=0.1)
    try:
        studio.ring.head["snapshot_every"] = 2 * RATE_HZ
        heard = perform(studio)
        studio.recorder.keep()
        take = load_take(studio.ended())
        wet = take.samples("wet")
        assert 3 * RATE_HZ < wet.size < 6 * RATE_HZ
        assert below_db(wet, heard[-wet.size :]) < -120
        assert below_db(render_take(take), wet) < -120
    finally:
        studio.engine.stop()


def test_copies_and_deletions(studio: Studio, tmp_path: Path) -> None:
    """Exported whole, nothing replaced; a take elsewhere is read but not deleted."""
    perform(studio)
    studio.recorder.keep()
    name = studio.ended()
    there = export_take(name, tmp_path / "copy")
    assert {path.name for path in there.iterdir()} == {"dry.flac", "wet.flac", "moves.jsonl", "take.toml", "state.npz"}
    with pytest.raises(FileError, match="the place must be free"):
        export_take(name, tmp_path / "copy")
    assert load_take(str(there)).samples("dry").size == load_take(name).samples("dry").size
    with pytest.raises(FileError, match="only takes of voicer's own folder"):
        delete_take(str(there))
    delete_take(name)
    assert list_takes() == []
    with pytest.raises(FileError, match="no take is named"):
        load_take(name)


RECORDING = """
import sys, time
import numpy as np
from tests.engine.test_takes import Studio, perform
from tests.engine.test_tails import chord
studio = Studio()
studio.recorder.switch()
print("recording", flush=True)
while True:
    begun_s = time.monotonic()
    studio.play(chord(0.1, 0.1))
    time.sleep(max(0.0, begun_s + 0.1 - time.monotonic()))
"""


def test_killed_while_recording(tmp_path: Path) -> None:
    """Kill -9: the take is put in order when it is looked at, and lacks less than the last second."""
    for seconds in [1.3, 2.1] if os.environ.get("VOICER_CAMPAIGN") != "long" else np.linspace(0.8, 4, 40):
        process = subprocess.Popen([sys.executable, "-c", RECORDING], stdout=subprocess.PIPE, text=True)
        assert process.stdout
        assert process.stdout.readline() == "recording\n"
        time.sleep(float(seconds))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        take = load_take(list_takes()[-1])
        dry, wet = take.samples("dry"), take.samples("wet")
        assert dry.size == wet.size > (seconds - 1.0) * RATE_HZ
        assert take.file.finished
        assert below_db(render_take(take), wet) < -120


def test_a_full_disk_ends_the_take_and_not_the_playing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A real file system of 400 kB: one line says so, the sound goes on, what fitted is readable."""
    home = tmp_path / "small"
    home.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "none", str(home)], check=False).returncode:
        pytest.skip("may not mount")
    monkeypatch.setenv("VOICER_HOME", str(home))
    studio = Studio()
    try:
        studio.recorder.switch()
        noise = np.random.default_rng(1).uniform(-0.5, 0.5, RATE_HZ // 2)
        for _ in range(12):
            assert np.abs(studio.play(noise)).max() > 0.01
            time.sleep(0.15)
        assert any("ends early" in line for line in studio.told), studio.told
        assert not studio.recorder.recording
        take = load_take(list_takes()[-1])
        assert take.samples("dry").size > 0
    finally:
        studio.engine.stop()
        subprocess.run(["umount", "-l", str(home)], check=True)


def test_the_library_is_not_touched(studio: Studio) -> None:
    """Takes are beside the voicings."""
    before = library.list_names()
    perform(studio)
    studio.recorder.keep()
    studio.ended()
    assert library.list_names() == before
