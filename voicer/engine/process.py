"""The engine process: pyo, the rack, and nothing else.

Started by `supervisor` as ``python -m voicer.engine.process``. The first line on its standard input is its orders in
JSON; after that the input only says, by ending, that the host is gone. On its standard output it tells, a JSON
object a line, ``ready`` with sample rate and block length, then ``started``, or ``failed`` with one line of why.
"""

from __future__ import annotations

import ctypes
import json
import os
import sys
from contextlib import suppress
from typing import IO, Any

import numpy as np

from voicer.devices.audio import chosen_device, jack_module, jack_server, no_jack_server
from voicer.engine.link import Link, Orders
from voicer.engine.memory import opened, read_samples
from voicer.engine.rack import Rack
from voicer.errors import EngineError, PortError, VoicerError


def run(orders: Orders, tell: IO[str], host: IO[str]) -> None:
    """Play until the host goes away. Thread: control (the engine's main thread)."""
    rate_hz, frames = _clock_of(orders)
    _say(tell, event="ready", sample_rate_hz=rate_hz, frames=frames)
    link = Link.attach(orders.link)
    if not host.readline():  # the host says when the numbers, and the loop, are there
        return
    rack = Rack(orders.rack, orders.places, link, rate_hz, frames, left_out=orders.left_out)
    loop = None if orders.loop is None else read_samples(opened(orders.loop))
    play = _play_jack if orders.system == "jack" else _play_portaudio
    play(orders, rack, link, loop, rate_hz, frames, tell, host)


def main() -> None:
    """Entry point of the process."""
    tell = os.fdopen(os.dup(1), "w")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)  # pyo, JACK and ALSA print what they like there
    if not os.environ.get("VOICER_ENGINE_LOG"):
        os.dup2(nowhere, 2)
    sys.setswitchinterval(0.0005)  # a second net; no other thread should be busy here
    _stay_in_memory()
    try:
        run(Orders.from_line(sys.stdin.readline()), tell, sys.stdin)
    except VoicerError as error:
        _say(tell, event="failed", line=str(error))
        os._exit(2)
    os._exit(0)  # pyo's threads have nothing left to say


def _stay_in_memory() -> None:
    """Ask that no page of this process is ever swapped out or first touched while sound runs; no matter if refused."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mlockall(3)  # MCL_CURRENT | MCL_FUTURE


def _say(tell: IO[str], **what: Any) -> None:
    tell.write(json.dumps(what) + "\n")
    tell.flush()


def _clock_of(orders: Orders) -> tuple[float, int]:
    if orders.system != "jack":
        return orders.sample_rate_hz, orders.frames
    server = jack_server()
    if server is None:
        raise no_jack_server()
    return server.sample_rate_hz, server.frames


def _play_jack(
    orders: Orders, rack: Rack, link: Link, loop: Any, rate_hz: float, frames: int, tell: IO[str], host: IO[str]
) -> None:
    from voicer.engine.graph import Graph, make_server

    server = make_server(rate_hz, frames, "jack")
    server.setJackAuto(loop is None, True)
    server.boot()
    if not server.getIsBooted():
        raise EngineError("JACK refused the engine", remedy="see that the server still runs, or restart it")
    graph = Graph(server, rack, link, loop=loop, live=True)
    graph.start()
    observer = _count_xruns(link)
    _say(tell, event="started", sample_rate_hz=rate_hz, frames=frames)
    host.readline()
    observer.close()
    graph.stop()


def _count_xruns(link: Link) -> Any:
    """A JACK client that plays nothing and counts the server's xruns.

    It lives here and not in the host: RtMidi holds the interpreter lock while it waits for the JACK server, and the
    server for this client's callback, which wants the lock.
    """
    observer = jack_module().Client("voicer-watch", no_start_server=True)

    def count(_delay_us: float) -> None:
        link.head["xruns"] += 1

    observer.set_xrun_callback(count)
    observer.activate()
    return observer


def _play_portaudio(
    orders: Orders, rack: Rack, link: Link, loop: Any, rate_hz: float, frames: int, tell: IO[str], host: IO[str]
) -> None:
    """A stepped pyo server driven by a low-latency PortAudio stream."""
    import sounddevice

    from voicer.engine.graph import OUTPUTS, Graph, make_server

    device = chosen_device(orders.device)
    server = make_server(rate_hz, frames, "manual")
    server.boot()
    graph = Graph(server, rack, link, loop=loop, live=True)
    graph.start()
    live = loop is None and device.inputs > 0
    silence = np.zeros(frames, np.float32)

    def deaf_block(outdata: Any, frames: int, at: Any, status: Any) -> None:
        block(None, outdata, frames, at, status)

    def block(indata: Any, outdata: Any, _frames: int, _time: Any, status: Any) -> None:
        if status and graph.is_settled:
            link.head["overruns"] += 1
        graph.take_input(indata[:, 0] if live else silence)
        server.process()
        outdata[:] = graph.give_output().reshape(-1, OUTPUTS)

    shared = {"samplerate": rate_hz, "blocksize": frames, "dtype": "float32", "latency": "low"}
    try:
        if live:
            stream = sounddevice.Stream(
                device=(device.number, device.number), channels=(1, OUTPUTS), callback=block, **shared
            )
        else:
            stream = sounddevice.OutputStream(
                device=device.number, channels=OUTPUTS, callback=deaf_block, **shared
            )
        stream.start()
    except sounddevice.PortAudioError as error:
        raise PortError(
            f"audio device '{device.name}' must play {rate_hz:g} Hz in blocks of {frames} (got: {error})",
            remedy="try another --device, --rate or --frames",
        ) from error
    _say(tell, event="started", sample_rate_hz=rate_hz, frames=frames, latency_s=stream.latency)
    host.readline()
    stream.stop()
    graph.stop()


if __name__ == "__main__":
    main()
