"""The demo: the whole job with no hardware, on the rack, engine, controller map and session of `voicer play`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voicer import library
from voicer.board import PartChoice
from voicer.circuit import fact_lines
from voicer.control.controller import Controller
from voicer.control.map_files import DEFAULT, Maps, load_map
from voicer.devices.midi_ports import Heard
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.errors import VoicingError
from voicer.files import recording
from voicer.files.resources import assets
from voicer.files.whole_folder import write_whole
from voicer.play.pictures import Happening, write_performance, write_repeats
from voicer.play.session import Session
from voicer.sheet.contents import build_sheet
from voicer.sheet.folder import write_sheet

VOICING = "harbour-dusk"
TAIL_S = 8.0
_STEP = 480
"""Frames between two looks at the controller: 10 ms."""


@dataclass(frozen=True)
class _Gesture:
    at_s: float
    controller: int
    values: tuple[int, ...]
    """Sent 20 ms apart; if empty, ``controller`` is sent as a program change."""
    told: str


SCRIPT = (
    _Gesture(2.2, 103, tuple(range(46, 80, 2)), "feedback up"),
    _Gesture(4.4, 107, tuple(range(64, 20, -2)), "anti-alias cutoff down"),
    _Gesture(6.4, 102, tuple(range(120, 84, -1)), "time shortened: pitch rises"),
    _Gesture(7.6, 118, (127, 0), "modulation: fast"),
    _Gesture(8.4, 117, (127, 0), "saved"),
    _Gesture(9.0, 8, (), "program 9: another voicing, the old repeats ring on"),
    _Gesture(10.6, 103, tuple(range(98, 123)), "feedback far up: it sustains itself"),
    _Gesture(15.0, 103, tuple(range(122, 100, -2)), "pulled back: it holds"),
    _Gesture(17.0, 102, (*range(127, 0, -8), 0), "time dropped: it dies"),
)
"""What the hand does, as MIDI; controllers as in the shipped map.

Each knob begins on the far side of its value, as a hand that finds a knob standing elsewhere: it waits, then catches.
"""


class _ScriptedInput:
    """Gives the script's MIDI bytes when their time has come, as a port would."""

    def __init__(self) -> None:
        self.names = self.ports = ["demo script"]
        self.now_s = 0.0
        self._waiting = sorted(_messages(), key=lambda message: message.at_s)

    def name_of(self, source: int) -> str:
        return self.names[0]

    def plug_of(self, source: int) -> int:
        return source

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        raise AssertionError("nothing is to be sent")

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        due = [message for message in self._waiting if message.at_s <= self.now_s]
        self._waiting = self._waiting[len(due) :]
        return due

    def changes(self) -> list[str]:
        return []

    def close(self) -> None:
        self._waiting = []


def make_demo(
    folder: Path, progress: Callable[[float], None] = lambda _share: None, *, overwrite: bool = False
) -> list[Path]:
    """Play the riff, turn the knobs by MIDI, write everything into ``folder``, the build sheet of the voicing among it.

    Returns
    -------
    list of Path
        The files, most worth looking at first.

    Raises
    ------
    FileError
        When the folder cannot be created or written, or a file is in the way and ``overwrite`` is not set.
    """
    return write_whole(folder, lambda inside: _write(inside, progress), overwrite=overwrite, expected=("echo.wav",))


def _write(folder: Path, progress: Callable[[float], None]) -> list[str]:
    with as_file(assets() / "riff.flac") as riff:
        dry, rate_hz = recording.read(riff)
    dry = np.concatenate((dry, np.zeros(int(TAIL_S * rate_hz))))
    with _own_library(folder):
        session = Session(VOICING, library.load(VOICING))
        circuit, voicing = session.circuit, session.voicing
        heard = _perform(session, dry, rate_hz, progress)
    made = [folder / name for name in ("echo.wav", "dry.wav", "performance.png", "repeats.png", "circuit.txt")]
    echo_wav, dry_wav, performance_png, repeats_png, circuit_txt = made
    recording.write(echo_wav, heard, rate_hz)
    recording.write(dry_wav, dry, rate_hz)
    happenings = [Happening(gesture.at_s, gesture.told) for gesture in SCRIPT]
    title = f"The riff through {circuit.name}, knobs turned by MIDI"
    write_performance(performance_png, dry, heard, rate_hz, happenings, title)
    write_repeats(repeats_png, circuit)
    circuit_txt.write_text("".join(f"{what}: {value}\n" for what, value in fact_lines(circuit)), encoding="utf-8")
    sheet = write_sheet(build_sheet(voicing, PartChoice("E24")), folder / "sheet")
    written = [*made, *sheet, *sorted((folder / "voicings").glob("*.toml"))]
    return [path.relative_to(folder).as_posix() for path in written]


def _perform(
    session: Session, dry: NDArray[np.float64], rate_hz: int, progress: Callable[[float], None]
) -> NDArray[np.float32]:
    """The riff through the stepped engine while the script turns the knobs."""
    engine, scripted = SteppedEngine(DEFAULT_RACK, rate_hz, frames=48), _ScriptedInput()
    controller = Controller(Maps([load_map(DEFAULT)]), scripted)
    engine.start(lambda sample_rate_hz: session.numbers_for(engine, sample_rate_hz))
    session.play_through(engine)
    try:
        heard = []
        for at in range(0, dry.size, _STEP):
            scripted.now_s = at / rate_hz
            while events := controller.drain(session):
                for said in session.handle(events):
                    if said.bad:
                        raise VoicingError(said.line, where="demo")
            heard.append(engine.play(dry[at : at + _STEP]))
            progress(at / dry.size)
        return np.concatenate(heard)
    finally:
        engine.stop()


def _messages() -> Iterator[Heard]:
    for gesture in SCRIPT:
        if not gesture.values:
            yield Heard(bytes((0xC0, gesture.controller)), gesture.at_s)
        for j, value in enumerate(gesture.values):
            yield Heard(bytes((0xB0, gesture.controller, value)), gesture.at_s + 0.02 * j)


@contextmanager
def _own_library(folder: Path) -> Iterator[None]:
    """Let the demo's save go into its own folder, not into the player's library."""
    before = os.environ.get("VOICER_HOME")
    os.environ["VOICER_HOME"] = str(folder)
    try:
        yield
    finally:
        if before is None:
            del os.environ["VOICER_HOME"]
        else:
            os.environ["VOICER_HOME"] = before
