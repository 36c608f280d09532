"""PortAudio with an input and an output device of their own, on its JACK back end, where each JACK client is a device."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tests.conftest import lacking
from tests.live.players import clear_voicing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd

pytestmark = pytest.mark.jack

DEVICE = """
import sys, time
import jack, numpy as np
name, way, path = sys.argv[1:]
client, heard, state = jack.Client(name, no_start_server=True), [], {"at": 0}
ports = [(client.outports if way == "out" else client.inports).register(f"port_{k}") for k in (1, 2)]

@client.set_process_callback
def process(frames):
    if way == "out":
        at = state["at"] + np.arange(frames)
        ports[0].get_array()[:] = 0.2 * np.sin(2 * np.pi * 400 * at / 48_000)
        ports[1].get_array()[:] = 0
        state["at"] += frames
    else:
        heard.append(ports[0].get_array().copy())

with client:
    print("ready", flush=True)
    sys.stdin.read()
if way == "in":
    np.concatenate(heard).tofile(path)
"""


@contextmanager
def device(name: str, way: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """A JACK client with two ports: a tone on the first of its outputs, or a recorder behind the first input."""
    process = subprocess.Popen(
        [sys.executable, "-c", DEVICE, name, way, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout
    assert process.stdout.readline() == "ready\n"
    try:
        yield process
    finally:
        process.communicate("", timeout=20)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", "-m", "voicer", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


VOLTS = 0.1 * np.sqrt(2) / 0.2
"""Full scale that 0.1 V RMS of the peer's tone stands for."""

STREAM = """
import sys, time
import numpy as np
from voicer.devices.audio import choose_pair, portaudio_devices
from voicer.devices.streams import PortAudioStream
pair = choose_pair("Harbour speakers", "Net loft guitar", portaudio_devices())
late = [0]
def block(x, y, was_late):
    late[0] += was_late
    y[:] = x[:, None]
stream = PortAudioStream(pair, 48_000.0, 128, 2, block, apart=True)
stream.start()
time.sleep(2.0)
stream.close()
print(late[0])
print(stream.says)
"""


def tone_share(heard: np.ndarray) -> float:
    """Level of the 400 Hz tone against 0.2: the median over 50 ms pieces of half a second, each by least squares.

    A block that the machine loses turns the tone's phase, so that only pieces of a recording fit one sine.
    """
    loud = np.flatnonzero(np.abs(heard) > 0.01)
    assert loud.size, "silence"
    pieces = heard[loud[0] + 24_000 :][:24_000].astype(float).reshape(-1, 2400)
    t = np.arange(2400) / 48_000
    basis = np.column_stack((np.sin(2 * np.pi * 400 * t), np.cos(2 * np.pi * 400 * t)))
    return float(np.median([np.hypot(*np.linalg.lstsq(basis, piece, rcond=None)[0]) for piece in pieces]) / 0.2)


def test_input_and_output_device_play_together(jackd: Jackd, tmp_path: Path, capsys: Any) -> None:
    """An input-only and an output-only device, chosen by name: the tone of the one is heard on the other, through
    `voicer play`, through two separate streams, and by `voicer calibrate`; an input that is not there is refused.
    """
    with device("Net loft guitar", "out", tmp_path / "none"):
        listed = json.loads(run("devices", "--json").stdout)["portaudio"]
        if not listed:
            lacking("no PortAudio with a JACK back end; install Debian's libportaudio2")
        voicing = str(clear_voicing(tmp_path, blend=0.0))
        names = ["--device", "Harbour speakers", "--input-device", "net loft"]
        played = ["play", voicing, "--audio", "portaudio", "--frames", "128", "--midi", "none", "--json"]
        with device("Harbour speakers", "in", tmp_path / "play.f32"):
            done = run(*played, *names, "--seconds", "3")
            refused = run(*played, "--device", "Harbour speakers", "--input-device", "Harbour speakers")
        with device("Harbour speakers", "in", tmp_path / "apart.f32"):
            apart = subprocess.run([sys.executable, "-c", STREAM], capture_output=True, text=True, check=False, timeout=60)
            time.sleep(0.1)
        for _attempt in range(3):  # the same for its one tone
            calibrated = run("calibrate", "--level-v", "0.1", "--audio", "portaudio", "--input-device", "Net loft", "--json")
            if calibrated.stdout and json.loads(calibrated.stdout)["full_scale_v"] == pytest.approx(VOLTS, rel=5e-3):
                break
    assert done.returncode == 0, done.stderr
    assert "input: Net loft guitar, channel 1; output: Harbour speakers" in done.stderr
    assert "input 'portaudio Net loft guitar, channel 1' is not calibrated" in done.stderr
    assert tone_share(np.fromfile(tmp_path / "play.f32", np.float32)) == pytest.approx(1, abs=0.05)
    late, says = apart.stdout.splitlines()
    assert tone_share(np.fromfile(tmp_path / "apart.f32", np.float32)) == pytest.approx(1, abs=0.1)
    assert says.startswith("'Net loft guitar' and 'Harbour speakers' run as two streams: 5.3 ms more latency")
    assert refused.returncode == 2
    assert refused.stderr.splitlines()[-1].startswith("voicer: input device 'Harbour speakers' must be one of")
    assert json.loads(calibrated.stdout)["input"] == "portaudio Net loft guitar, channel 1"
    assert json.loads(calibrated.stdout)["full_scale_v"] == pytest.approx(VOLTS, rel=5e-3)
    with capsys.disabled():
        print(f"\n    two separate streams: {late} under- or overruns in 2 s", end=" ")
