"""The engine process: pyo, the rack, and nothing else.

`launch` starts it as ``python -m voicer.engine.process``. On its standard input it takes commands, one a line:

- orders as JSON (`link.Orders`): load the rack with the numbers in the link; may be repeated while it does not play;
- ``go``: play;
- ``end``, also sent as TERM: fade out and end.

The end of the input means that every process which could give commands is gone: an engine that plays goes on for
`Orders.orphan_s`, fades out and ends; any other ends at once. On its standard output it tells events, a JSON object a
line with its ``pid``: ``born``, ``compiling`` when a kernel really is compiled, ``ready`` when the rack is loaded,
``started`` when it plays, ``says`` with a line for the player, ``failed`` or ``lost`` with one line of why.

An engine that was started early and waits for ``go`` holds no audio device; it is the spare that takes over.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import sys
import threading
import time
from contextlib import suppress
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import choose_pair, jack_module, jack_server, no_jack_server, portaudio_devices
from voicer.engine.launch import show_name
from voicer.engine.link import Link, Orders
from voicer.engine.memory import opened, read_samples
from voicer.engine.rack import Rack
from voicer.engine.residence import stay_in_memory
from voicer.engine.ring import Ring
from voicer.errors import EngineError, VoicerError

HANGS_AFTER_S = 10.0
"""An engine whose interpreter does not run for this long, say in a unit that hangs, is ended by the system."""

FADE_S = 0.02
ORPHAN_FADE_S = 1.0


class Commands:
    """What comes in on standard input, and what happens to the device, in one queue."""

    def __init__(self, host: IO[str], told: IO[str]) -> None:
        self._host, self._told = host, told
        self._waiting: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.is_playing = False
        threading.Thread(target=self._read, daemon=True, name="commands").start()

    def next(self, timeout_s: float | None = None) -> str | None:
        """The next command; None at the end of the input; `queue.Empty` after ``timeout_s``. Thread: control."""
        return self._waiting.get(timeout=timeout_s)

    def end(self) -> None:
        """Put an ``end`` among the commands. Any thread, and signal handlers."""
        self._waiting.put("end")

    def lose(self, line: str) -> None:
        """Note that the device has gone. Any thread but audio."""
        self._waiting.put(f"lost {line}")

    def tell(self, **event: Any) -> None:
        """Tell an event. Thread: control."""
        with suppress(OSError):  # nobody listens any more
            self._told.write(json.dumps({**event, "pid": os.getpid()}) + "\n")
            self._told.flush()

    def _read(self) -> None:
        for line in self._host:
            self._waiting.put(line.strip())
        if not self.is_playing:
            os._exit(0)  # whatever the main thread is at, compiling or waiting for JACK
        self._waiting.put(None)


class Player:
    """The rack as ordered, loaded, warm and silent, and what plays it.

    Parameters
    ----------
    orders : Orders
    link : Link
    """

    def __init__(self, orders: Orders, link: Link) -> None:
        self.orders, self._link = orders, link
        self._numbers = link.newest()[2]
        self._rack = self._loaded()

    def play(self, commands: Commands) -> None:
        """Play until told to end, or orphaned. Thread: control (the engine's main thread)."""
        numbers = self._link.newest()[2]
        if not np.array_equal(numbers, self._numbers):
            self._numbers = numbers
            self._rack = self._loaded()
        samples = None if self.orders.loop is None else read_samples(opened(self.orders.loop))
        commands.is_playing = True
        if not_locked := stay_in_memory():
            commands.tell(event="says", line=not_locked)
        _arm_watchdog(3 * HANGS_AFTER_S)  # a device may take its time to open
        play = self._play_jack if self.orders.system == "jack" else self._play_portaudio
        play(samples, commands)

    def _loaded(self) -> Rack:
        orders = self.orders
        rack = Rack(
            orders.rack, orders.places, self._link, orders.sample_rate_hz, orders.frames, left_out=orders.left_out
        )
        ring = Ring.there(orders.ring) if orders.ring is not None else None
        if ring is not None and ring.sample_rate_hz == orders.sample_rate_hz:
            rack.keep_in(ring)
        return rack

    def _play_jack(self, loop: Any, commands: Commands) -> None:
        from voicer.engine.graph import Graph, make_server

        orders = self.orders
        _check_clock(orders)
        server = make_server(orders.sample_rate_hz, orders.frames, "jack")
        server.setJackAuto(loop is None, True)
        server.boot()
        if not server.getIsBooted():
            raise EngineError("JACK refused the engine", remedy="check that the server still runs")
        graph = Graph(server, self._rack, self._link, loop=loop, live=True)
        graph.start()
        observer = _observe_jack(self._link, orders, commands)
        commands.tell(event="started")
        _wait_for_end(commands, server, orders.orphan_s)
        with suppress(Exception):
            observer.close()
        graph.stop()

    def _play_portaudio(self, loop: Any, commands: Commands) -> None:
        """A stepped pyo server driven by a low-latency PortAudio stream."""
        from voicer.devices.streams import PortAudioStream
        from voicer.engine.graph import OUTPUTS, Graph, make_server

        orders, link = self.orders, self._link
        pair = choose_pair(orders.device, orders.input_device, portaudio_devices(), needs_input=loop is None)
        server = make_server(orders.sample_rate_hz, orders.frames, "manual")
        server.boot()
        graph = Graph(server, self._rack, link, loop=loop, live=True)
        graph.start()

        def block(x: NDArray[np.float32], y: NDArray[np.float32], late: bool) -> None:
            if late and graph.is_settled:
                link.head["overruns"] += 1
            graph.take_input(x)
            server.process()
            y[:] = graph.give_output().reshape(-1, OUTPUTS)[:, : y.shape[1]]

        stream = PortAudioStream(pair, orders.sample_rate_hz, orders.frames, OUTPUTS, block)
        stream.start()
        commands.tell(event="started")
        if stream.says:
            commands.tell(event="says", line=stream.says)
        _wait_for_end(commands, server, orders.orphan_s)
        stream.close()
        graph.stop()


def main() -> None:
    """Entry point of the process."""
    told = os.fdopen(os.dup(1), "w")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)  # pyo, JACK and ALSA print what they like there
    if not os.environ.get("VOICER_ENGINE_LOG"):
        os.dup2(nowhere, 2)
    sys.setswitchinterval(0.0005)  # a second net; no other thread should be busy here
    show_name("voicer-warming")
    commands = Commands(sys.stdin, told)
    signal.signal(signal.SIGTERM, lambda _number, _frame: commands.end())
    try:
        serve(commands)
    except VoicerError as error:
        commands.tell(event="failed", line=str(error))
        os._exit(2)
    os._exit(0)  # pyo's threads have nothing left to say


def serve(commands: Commands) -> None:
    """Load what is ordered, and play it when told to. Thread: control."""
    commands.tell(event="born")
    _load_libraries(commands)
    player, link = None, None
    while (command := commands.next()) not in (None, "end"):
        if command != "go":
            orders = Orders.from_line(str(command))
            if link is None:
                link = Link.attach(orders.link)
            player = Player(orders, link)
            commands.tell(event="ready")
            show_name("voicer-spare")
        elif player is not None:
            show_name("voicer-engine")
            player.play(commands)
            return


def _load_libraries(commands: Commands) -> None:
    """Import what playing takes, and tell when a kernel is compiled instead of loaded."""
    from voicer.dsp.compiling import tell_compiling

    tell_compiling(lambda: commands.tell(event="compiling"))
    import voicer.engine.graph  # noqa: F401


def _check_clock(orders: Orders) -> None:
    server = jack_server()
    if server is None:
        raise no_jack_server()
    if (server.sample_rate_hz, server.frames) != (orders.sample_rate_hz, orders.frames):
        raise EngineError(f"JACK now runs at {server.sample_rate_hz:g} Hz with {server.frames} frames")


def _wait_for_end(commands: Commands, server: Any, orphan_s: float) -> None:
    """Return, faded out, when told to end, when the device has gone, or ``orphan_s`` after the last parent."""
    until_s = float("inf")
    fade_s = FADE_S
    while time.monotonic() < until_s:
        _arm_watchdog(HANGS_AFTER_S)
        try:
            command = commands.next(min(1.0, max(0.0, until_s - time.monotonic())))
        except queue.Empty:
            continue
        if command is None:
            until_s, fade_s = time.monotonic() + orphan_s, ORPHAN_FADE_S if orphan_s else FADE_S
        elif command.startswith("lost "):
            commands.tell(event="lost", line=command.removeprefix("lost "))
            os._exit(3)  # nothing to fade, and closing what is gone may hang
        elif command == "end":
            break
    for step in range(1, 21):
        server.setAmp(1 - step / 20)
        time.sleep(fade_s / 20)
    _arm_watchdog(1.0)  # closing a device must not keep the process


def _observe_jack(link: Link, orders: Orders, commands: Commands) -> Any:
    """A JACK client that plays nothing: counts the server's xruns, and notes its end or another period.

    It is here and not in the host: RtMidi holds the interpreter lock while it waits for the JACK server, and the
    server for this client's callback, which needs the lock.
    """
    observer = jack_module().Client("voicer-watch", no_start_server=True)

    def count(_delay_us: float) -> None:
        link.head["xruns"] += 1

    def check_period(frames: int) -> None:
        if frames != orders.frames:
            commands.lose(f"JACK's period changed to {frames} frames")

    observer.set_xrun_callback(count)
    observer.set_blocksize_callback(check_period)
    observer.set_shutdown_callback(lambda _status, _reason: commands.lose("the JACK server has gone"))
    observer.activate()
    return observer


def _arm_watchdog(seconds: float) -> None:
    """Let the system end this process after ``seconds`` unless armed again; without interval timers nothing does.

    The signal's default action needs no interpreter, so it works while a unit hangs with the interpreter lock held.
    """
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)


if __name__ == "__main__":
    main()
