"""Start `voicer play` and the peer, let them play together, and give back what both have to tell."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from voicer.control.map_files import DEFAULT, shipped
from voicer.library.home import home_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

HERE = Path(__file__).parent
RATE_HZ = 48_000
AUDIO_IN, AUDIO_OUT, MIDI_IN = "voicer-audio:input_1", "voicer-audio:output_1", "voicer:controls"

CLEAR = """
schema = 2
name = "{name}"
[line]
stages = 1024
[delay]
time_ms = {time_ms}
shortest_ms = {shortest_ms}
longest_ms = {longest_ms}
[filters]
low_cut_hz = 10.0
anti_alias = {{ shape = "bessel", order = 2, cutoff_hz = 20000.0 }}
reconstruction = {{ shape = "bessel", order = 2, cutoff_hz = 20000.0 }}
[compander]
enabled = false
[repeats]
feedback = {feedback}
[output]
blend = {blend}
[flaws]
transfer_loss = 0.0
saturation = 0.0
leakage = 0.0
noise = 0.0
clock_bleed = 0.0
"""
"""A voicing with nothing in the way of a measurement: ideal line, wide filters."""


def clear_voicing(folder: Path, name: str = "Clear", **changes: float) -> Path:
    """Write such a voicing and give its path."""
    values = {"time_ms": 20.0, "shortest_ms": 5.0, "longest_ms": 60.0, "feedback": 0.0, "blend": 1.0} | changes
    path = folder / f"{name.lower()}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(CLEAR.format(name=name, **values))
    return path


@dataclass
class Take:
    """One recording."""

    recorded: NDArray[np.float32]
    peer: dict[str, Any]
    voicer: dict[str, Any] = field(default_factory=dict)


def jumping() -> list[str]:
    """Options for the shipped map with controls that jump, for measurements that send single values."""
    path = home_folder() / "jumping.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    text = shipped()[DEFAULT].read_text("utf-8")
    path.write_text(re.sub(r"^(parameter = .*)$", r'\1\ntake_over = "jump"', text, flags=re.MULTILINE))
    return ["--map", str(path)]


@contextmanager
def playing(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    """`voicer play` through JACK; ended politely at the end, its summary is then on its standard output."""
    command = [sys.executable, "-W", "error", "-m", "voicer", "play", *jumping(), *arguments, "--audio", "jack", "--json"]
    voicer = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield voicer
    finally:
        if voicer.poll() is None:
            voicer.terminate()
        try:
            voicer.wait(timeout=10)
        except subprocess.TimeoutExpired:
            voicer.kill()
            voicer.wait()
        for pipe in (voicer.stdout, voicer.stderr):
            if pipe is not None:
                pipe.close()


def record(
    folder: Path,
    sound: NDArray[Any],
    seconds: float,
    *,
    midi: list[tuple[int, tuple[int, ...]]] | None = None,
    ports: tuple[str, str] = (AUDIO_IN, AUDIO_OUT),
    hold: bool = False,
) -> Take:
    """Let the peer play a sound and MIDI into the ports, and record what comes out."""
    sound.astype(np.float32).tofile(folder / "sound.f32")
    plan = {
        "play": str(folder / "sound.f32"), "record": str(folder / "recorded.f32"), "into": ports[0], "from": ports[1],
        "midi_into": MIDI_IN if midi is not None else None, "midi": midi or [], "seconds": seconds,
        "hold": hold,
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(plan))
    done = subprocess.run(
        [sys.executable, str(HERE / "peer.py"), str(folder / "plan.json")],
        capture_output=True, text=True, check=False, timeout=seconds + 60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["done"]
    return Take(np.fromfile(folder / "recorded.f32", np.float32), told)


def play_and_record(
    folder: Path, voicing: Path | str, sound: NDArray[Any], seconds: float, **how: Any
) -> Take:
    """Start `voicer play` with a voicing, record through it, and add its summary."""
    with playing(str(voicing), *how.pop("arguments", ())) as voicer:
        take = record(folder, sound, seconds, **how)
        voicer.terminate()
        out, err = voicer.communicate(timeout=15)
    assert voicer.returncode == 0, err
    take.voicer = json.loads(out)
    return take
