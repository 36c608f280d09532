"""A blind session that plays its sounds, on PortAudio's JACK back end."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from tests.conftest import lacking

if TYPE_CHECKING:
    from tests.conftest import Jackd

pytestmark = pytest.mark.jack
RATE_HZ = 48_000


def heard_from_portaudio(seconds: float) -> Any:
    """What PortAudio's ports put out from now on, both sides [shape=(2, frames)]."""
    import jack

    client = jack.Client("ear", no_start_server=True)
    ears = [client.inports.register(f"ear_{side}") for side in (1, 2)]
    taken: list[Any] = []
    client.set_process_callback(lambda _frames: taken.append([ear.get_array().copy() for ear in ears]))
    with client:
        until = time.monotonic() + 30
        while not (found := client.get_ports("PortAudio", is_audio=True, is_output=True)):
            assert time.monotonic() < until, "PortAudio opened no port"
            time.sleep(0.02)
        for port, ear in zip(found, ears, strict=True):
            client.connect(port, ear)
        time.sleep(seconds)
    return np.concatenate([np.array(block) for block in taken], axis=1)


def test_x_is_played_on_both_sides(jackd: Jackd, tmp_path: Path) -> None:
    """With ``--play`` X sounds by itself, the samples of X.wav, left and right."""
    listed = subprocess.run(
        [sys.executable, "-m", "voicer", "devices", "--json"], capture_output=True, text=True, check=True
    )
    if not json.loads(listed.stdout)["portaudio"]:
        lacking("no PortAudio with a JACK back end; install Debian's libportaudio2")
    soundfile.write(tmp_path / "in.wav", 0.1 * np.random.default_rng(6).standard_normal(3 * RATE_HZ), RATE_HZ)
    arguments = ["quay-slap", "lamp-lane", "--input", "in.wav", "--blind", "--play", "--out", "pair"]
    session = subprocess.Popen(
        [sys.executable, "-m", "voicer", "compare", *arguments], cwd=tmp_path, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        left, right = heard_from_portaudio(1.5)
        x = soundfile.read(tmp_path / "pair" / "X.wav")[0]
    finally:
        out, err = session.communicate("q\n", timeout=30)
    assert session.returncode == 0, err
    assert "pa, pb, px play a sound" in out
    assert np.array_equal(left, right)
    piece = left[np.argmax(np.abs(left) > 0) :][RATE_HZ // 2 : RATE_HZ]
    likeness = np.correlate(x, piece, "valid")
    at = int(np.argmax(likeness))
    assert piece == pytest.approx(x[at : at + piece.size], abs=1e-5)
