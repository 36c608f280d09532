"""A take as a player makes it, and the session after a crash: `voicer play` with a real JACK server."""

from __future__ import annotations

import json
import os
import random
import signal
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from tests.commands import run_here
from tests.live.stage import Stage
from voicer import library
from voicer.library.takes import list_takes, load_take

if TYPE_CHECKING:
    from tests.conftest import Jackd

pytestmark = pytest.mark.jack
RIFF = str(Path(__file__).parents[2] / "assets" / "riff.flac")


def summary_of(stage: Stage) -> dict:
    stage.type("q")
    _, summary = stage.ended()
    assert stage.process.returncode == 0
    return summary


def test_record_keep_and_render(jackd: Jackd, tmp_path: Path) -> None:
    """Recorded from the start, a knob turned, a recall; ended, listed, shown, rendered: the same as what was heard."""
    stage = Stage("harbour-dusk", "--midi", "none", "--record", "--input", RIFF)
    try:
        stage.wait_for("RECORDING", 60)
        for keys in ("\x1b[C", "\x1b[C", "n", "\x1b[D", "z", "b", "b"):
            stage.type(keys)
            time.sleep(0.4)
        stage.type("k")
        stage.wait_for("is kept", 20)
        stage.type("r")
        stage.wait_for("ended", 20)
        summary_of(stage)
    finally:
        stage.close()
    names = list_takes()
    assert len(names) == 2
    shown = json.loads(run_here("takes", "show", names[0], "--json").out)
    assert "Harbour Dusk" in shown["voicings"]
    assert shown["seconds"] > 2.5
    assert shown["moves"] >= 6
    for name in names:
        take = load_take(name)
        target = tmp_path / f"{name}.wav"
        done = run_here("takes", "render", name, str(target))
        assert done.code == 0, done.err
        again, _ = soundfile.read(target)
        wet = take.samples("wet")
        assert np.abs(wet).max() > 0.01
        disturbed = take.count("late") + take.count("gap") + take.count("failed")
        if not disturbed:
            assert "the same as what was heard" in done.out
            assert np.abs(again[: wet.size] - wet).max() < 1e-6


KILLS = 50 if os.environ.get("VOICER_CAMPAIGN") == "long" else 3


def test_killed_at_any_moment_the_session_comes_back(jackd: Jackd) -> None:
    """Kill -9 of the whole session while playing, saving and recording: takes, library and session are readable."""
    source = random.Random(11)
    blend = ""
    for _ in range(KILLS):
        stage = Stage("--midi", "none", "--record", "--input", RIFF)
        try:
            stage.wait_for("q quit", 60)
            if blend:
                stage.wait_for("as the last session was left", 5)
            for _ in range(source.randrange(4, 9)):
                stage.type(source.choice(("\x1b[C", "\x1b[D", "s", "S", "n", "k", "z", "r")))
                time.sleep(source.uniform(0.05, 0.4))
            blend = "set"
            time.sleep(1.2)
            os.killpg(stage.process.pid, signal.SIGKILL)
            for name in ("voicer-host", "voicer-engine"):
                for pid in pids_named(name):
                    os.kill(pid, signal.SIGKILL)
            stage.process.wait(10)
        finally:
            stage.close()
        for name in library.list_names():
            library.load(name)
        for name in list_takes():
            take = load_take(name)
            assert take.samples("dry").size == take.samples("wet").size


def pids_named(name: str) -> list[int]:
    found = []
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            try:
                with open(f"/proc/{entry}/comm") as file:
                    if file.read().strip() == name:
                        found.append(int(entry))
            except OSError:
                pass
    return found
