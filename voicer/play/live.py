"""`voicer play`: session, engine, controller and view, run together. Thread: control."""

from __future__ import annotations

import signal
import sys
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from rich.console import Console
from rich.live import Live

from voicer import library
from voicer.board import PartChoice
from voicer.control.controller import Controller
from voicer.control.maps import load_map
from voicer.devices.audio import chosen_device, chosen_system
from voicer.engine.supervisor import Supervisor
from voicer.engine.units import rack_names
from voicer.files import recording
from voicer.library.calibrations import full_scale_v
from voicer.play.session import Session
from voicer.play.view import View

_LOOK_S = 0.002  # wait for the controller at most so long
_WATCH_S = 0.1
_RESCAN_S = 2.0
_LINE_S = 1.0


@dataclass(frozen=True)
class Asked:
    """What the player asked for on the command line."""

    voicing: str
    source: str
    system: str
    device: str | None
    sample_rate_hz: float
    frames: int
    midi: str
    controller_map: str | None
    rack: tuple[str, ...]
    ceiling_db: float
    seconds: float | None
    parts: PartChoice


def play_live(asked: Asked, console: Console) -> dict[str, Any]:
    """Play until the player ends it; everything asked for is checked before any sound.

    Returns
    -------
    dict
        What the engine did: blocks, late blocks, xruns, block times, restarts, the voicing at the end.
    """
    sys.setswitchinterval(0.0005)  # a knob must not wait while the view is drawn
    session = Session(asked.voicing, library.load(asked.voicing), ceiling_db=asked.ceiling_db, parts=asked.parts)
    controller = Controller(load_map(asked.controller_map))
    rack = rack_names(asked.rack)
    loop = None if asked.source == "live" else recording.read(asked.source)
    system = chosen_system(asked.system)
    device = f" {chosen_device(asked.device).name}" if system == "portaudio" else ""
    session.full_scale_v, how = full_scale_v(f"{system}{device}")
    console.print(how)
    controller.listen(asked.midi)
    player = Supervisor(
        system, rack, device=asked.device, sample_rate_hz=asked.sample_rate_hz, frames=asked.frames,
        loop_for=(lambda rate_hz: recording.at_rate(*loop, rate_hz).astype(np.float32)) if loop else None,
        tell=lambda line: view.said.append(line),
    )  # fmt: skip
    view = View(session, player, controller.names)
    try:
        player.start(lambda rate_hz: session.numbers_for(player, rate_hz))
        session.play_through(player)
        _run(session, controller, player, view, console, asked.seconds)
        return _summary(session, player)
    finally:
        controller.close()
        player.stop()


def _run(
    session: Session, controller: Controller, player: Supervisor, view: View, console: Console, seconds: float | None
) -> None:
    ending = _Ending(seconds)
    drawn = Live(view, console=console, refresh_per_second=10, transient=False) if console.is_terminal else None
    if drawn:
        drawn.start()
    watched_s = rescanned_s = told_s = time.monotonic()
    try:
        while not ending.due():
            while events := controller.drain(session.voicing, _LOOK_S):
                view.said.extend(said.line for said in session.handle(events))
                view.last_move = controller.last_move
            now_s = time.monotonic()
            if now_s - watched_s >= _WATCH_S:
                watched_s = now_s
                if player.watch():
                    controller.reopen()
                    view.inputs = controller.names
            if now_s - rescanned_s >= _RESCAN_S:
                rescanned_s = now_s
                view.said.extend(str(change) for change in controller.rescan())
                view.inputs = controller.names
            if not drawn and now_s - told_s >= _LINE_S:
                told_s = now_s
                console.print(view.line(), highlight=False, soft_wrap=True)
                while view.said:
                    console.print(f"  {view.said.popleft()}", highlight=False, soft_wrap=True)
    finally:
        ending.restore()
        if drawn:
            drawn.stop()


class _Ending:
    """Whether it is time to stop: after so many seconds, on Ctrl-C or on a polite request of the system."""

    def __init__(self, seconds: float | None) -> None:
        self._until_s = time.monotonic() + seconds if seconds else float("inf")
        self._asked = False
        self._before = {number: signal.signal(number, self._ask) for number in (signal.SIGINT, signal.SIGTERM)}

    def _ask(self, _number: int, _frame: Any) -> None:
        self._asked = True

    def due(self) -> bool:
        return self._asked or time.monotonic() >= self._until_s

    def restore(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)


def _summary(session: Session, player: Supervisor) -> dict[str, Any]:
    report, times = player.report(), player.block_times_us()
    block_us = 1e6 * player.frames / player.sample_rate_hz
    percentiles = np.percentile(times, (50, 99, 100)) if times.size else (0, 0, 0)
    return {
        "system": player.system,
        "sample_rate_hz": player.sample_rate_hz,
        "frames": player.frames,
        "realtime_priority": report.realtime,
        "blocks": report.blocks,
        "late_blocks": report.late,
        "gaps": report.gaps,
        "failed_blocks": report.errors,
        "xruns": report.xruns,
        "driver_overruns": report.overruns,
        "restarts": player.restarts,
        "block_us": block_us,
        "block_time_us_p50": float(percentiles[0]),
        "block_time_us_p99": float(percentiles[1]),
        "block_time_us_max": float(percentiles[2]),
        "block_time_p99_share": float(percentiles[1]) / block_us,
        "voicing": session.voicing.model_dump(),
        "parts": session.parts.says,
    }
