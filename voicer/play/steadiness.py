"""How steadily `voicer play` keeps time beside a busy neighbour, next to a bare wake-up loop in the same minutes.

A JACK server of its own with the dummy driver, `voicer play` over the shipped riff, one busy process, a controller that
turns two knobs without a pause, and the wake-up loop at the real-time priority of JACK's clients. A machine without a
sound card will do; what the machine itself does to timing shows in the loop's figures.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from importlib.resources import as_file
from typing import Any

from voicer.devices.audio import jack_server
from voicer.devices.midi_output import MidiOutput
from voicer.errors import EngineError, PortError
from voicer.files.resources import assets

SERVER_PRIORITY, CLIENT_PRIORITY = 20, 15
"""JACK runs its clients 5 below its own priority."""

_SAMPLE_RATE_HZ = 48_000
_STARTED_WITHIN_S = 60.0
_KNOBS = (103, 104)  # feedback, blend in the default map
_BUSY = "while True: pass"


def measure_steadiness(
    minutes: float, frames: int, messages_per_s: float, progress: Callable[[float], None] = lambda _share: None
) -> dict[str, Any]:
    """Play for some minutes and compare.

    Parameters
    ----------
    minutes : float
    frames : int
        Block length; 48 kHz.
    messages_per_s : float
        Control changes sent, in turn on two knobs.
    progress : callable
        Told the share done, 0..1.

    Returns
    -------
    dict
        ``voicer`` (the summary of `voicer play`), ``wake_loop`` (see `wake_loop.run`), ``block_us``,
        ``late_share`` and ``gap_share`` of voicer's blocks, ``wake_late_share`` of the loop's wakes,
        ``block_time_p99_share`` of a block.

    Raises
    ------
    PortError, EngineError
        When jackd is not installed or does not start, or `voicer play` does not play.
    """
    seconds, block_us = 60 * minutes, 1e6 * frames / _SAMPLE_RATE_HZ
    with ExitStack() as stack:
        environment = stack.enter_context(_private_server(frames))
        riff = stack.enter_context(as_file(assets() / "riff.flac"))
        stack.enter_context(_child([sys.executable, "-c", _BUSY], environment))
        play = [sys.executable, "-m", "voicer", "play", "--audio", "jack", "--input", str(riff), "--json"]
        player = stack.enter_context(_child(play, environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL))
        output = stack.enter_context(_controller())
        loop = [sys.executable, "-m", "voicer.play.wake_loop", f"{block_us}", f"{seconds}", f"{CLIENT_PRIORITY}"]
        wakes = stack.enter_context(_child(loop, environment, stdout=subprocess.PIPE))
        sent = _turn_knobs(output, seconds, messages_per_s, player, progress)
        loop_figures = json.loads(wakes.communicate(timeout=30)[0])
        player.terminate()
        told = player.communicate(timeout=30)[0]
        if player.returncode != 0:
            raise EngineError(f"'voicer play' ended with exit code {player.returncode}", remedy="run it by itself")
        summary = json.loads(told)
    return {
        "minutes": minutes,
        "frames": frames,
        "block_us": block_us,
        "messages_sent": sent,
        "late_share": summary["late_blocks"] / summary["blocks"],
        "gap_share": summary["gaps"] / summary["blocks"],
        "block_time_p99_share": summary["block_time_p99_share"],
        "wake_late_share": loop_figures["late"] / loop_figures["wakes"],
        "voicer": {name: value for name, value in summary.items() if name != "voicing"},
        "wake_loop": loop_figures,
    }


@contextmanager
def _private_server(frames: int) -> Iterator[dict[str, str]]:
    """A JACK server with the dummy driver, and the environment that leads to it."""
    if shutil.which("jackd") is None:
        raise PortError("jackd is not installed", remedy="install JACK 2 (Debian: jackd2)")
    name = f"voicer-steady-{os.getpid()}"
    environment = {**os.environ, "JACK_DEFAULT_SERVER": name}
    command = ["jackd", "-n", name, "-R", "-P", str(SERVER_PRIORITY), "-d", "dummy", "-r", str(_SAMPLE_RATE_HZ)]
    with _named_server(name), _child([*command, "-p", str(frames)], environment, quiet=True) as server:
        until_s = time.monotonic() + 5
        while jack_server() is None:
            if server.poll() is not None or time.monotonic() > until_s:
                raise PortError("jackd did not start with real-time priority", remedy="allow it real-time priority")
            time.sleep(0.1)
        yield environment


@contextmanager
def _named_server(name: str) -> Iterator[None]:
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = name
    try:
        yield
    finally:
        if before is None:
            del os.environ["JACK_DEFAULT_SERVER"]
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before


@contextmanager
def _child(command: list[str], environment: dict[str, str], *, quiet: bool = False, **how: Any) -> Iterator[Any]:
    """A process that does not outlive the measurement."""
    if quiet:
        how |= {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen(command, env=environment, text=True, **how)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process.stdout is not None:
            process.stdout.close()


@contextmanager
def _controller() -> Iterator[MidiOutput]:
    """A controller connected to `voicer play`'s own MIDI input, once that is there."""
    with MidiOutput("voicer-hand", "voicer:controls", _STARTED_WITHIN_S) as output:
        time.sleep(3.0)  # the engine starts behind the port, and the first blocks do not count
        yield output


def _turn_knobs(
    output: MidiOutput, seconds: float, messages_per_s: float, player: Any, progress: Callable[[float], None]
) -> int:
    """Turn both knobs up and down below the edge of oscillation; gives the number of messages sent."""
    begun_s, sent = time.monotonic(), 0
    while (now_s := time.monotonic()) - begun_s < seconds:
        if player.poll() is not None:
            raise EngineError(f"'voicer play' ended early (exit code {player.returncode})", remedy="run it by itself")
        due = int((now_s - begun_s) * messages_per_s)
        while sent < due:
            place = sent // 2 % 80
            output.send(bytes((0xB0, _KNOBS[sent % 2], min(place, 80 - place))))
            sent += 1
        progress((now_s - begun_s) / seconds)
        time.sleep(0.005)
    return sent
