"""`voicer play`: session, engine, controller, keyboard and view, run together. Thread: control.

A turn of the loop does a bounded amount of work: events for some milliseconds at most, one design at most, and then a
look at whether to stop, at the engine and at the ports. What is left waits for the next turn.
"""

from __future__ import annotations

import queue
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.text import Text

from voicer import library
from voicer.board import PartChoice
from voicer.control.controller import Controller
from voicer.control.events import Event, Move, Press
from voicer.control.map_files import Maps, MapWatch, load_maps
from voicer.control.mapfile import Action
from voicer.devices.audio import System, choose_pair, chosen_system, jack_input, portaudio_devices, portaudio_input
from voicer.engine.supervisor import Supervisor
from voicer.engine.units import ECHO, rack_names
from voicer.errors import VoicerError, one_line
from voicer.files import recording
from voicer.library.calibrations import full_scale_v
from voicer.library.setlists import load_setlist
from voicer.play.binding import Binder
from voicer.play.keeper import ORPHAN_S, Parent, can_keep
from voicer.play.keyboard import HANGUP, Keyboard, open_keyboard
from voicer.play.knobs import list_knobs, turned
from voicer.play.recorder import Recorder
from voicer.play.screen import Screen
from voicer.play.session import Said, Session
from voicer.play.session_file import Left, SessionFile, read_left, set_aside
from voicer.play.snapshot import Lookout
from voicer.play.sound import Sound
from voicer.play.view import HELP
from voicer.voicing import Voicing

KEYS: dict[str, Action] = {
    "space": "tap-tempo", "b": "bypass", "B": "bypass-tail", "p": "panic", "s": "save", "n": "next-voicing",
    "N": "previous-voicing", "m": "modulation-range", "c": "parts", "u": "put-back", "S": "save-new", "z": "undo",
    "Z": "redo", "a": "other-copy", "h": "hear-saved", "l": "match-levels", "t": "recall-tail", "d": "next-division",
    "f": "morph-from-here", "F": "morph-to-next", "r": "record", "k": "keep",
}  # fmt: skip
"""What single keys do. The arrows choose and turn a parameter; L learns a control, ? lists the keys, q ends."""

KEY_LINES = tuple(
    "   ".join(f"{key} {action}" for key, action in list(KEYS.items())[at : at + 5]) for at in range(0, len(KEYS), 5)
)

FIRST_VOICING = "harbour-dusk"
"""Played where nothing else was asked for and no session was left."""

_LOOK_S = 0.002
"""Longest wait for the controller in a turn."""

_EVENTS_S = 0.004
"""Longest time spent on events in a turn; the one begun is finished."""

_DESIGN_EVERY_S = 0.01
_WATCH_EVERY_S = 0.1
_HAND_OVER_EVERY_S = 0.05
_SHOW_EVERY_S = 0.1
_SEND_BACK_EVERY_S = 0.02
_SAID_S = 20.0
"""A line stays in view this long."""


@dataclass(frozen=True)
class Asked:
    """What the player asked for on the command line."""

    voicing: str | None
    """None plays what the last session left, or a shipped voicing."""
    fresh: bool
    """Whether what the last session left is passed over."""
    source: str
    system: str
    device: str | None
    input_device: str | None
    sample_rate_hz: float
    frames: int
    midi: str
    controller_map: str | None
    setlist: str | None
    first_song: bool
    """Whether to start with the setlist's first song, rather than before it."""
    rack: tuple[str, ...] | None
    """None is the last session's, or the echo alone."""
    keep_minutes: float
    record: bool
    ceiling_db: float
    seconds: float | None
    parts_for: Callable[[Voicing], PartChoice]
    """The parts that the options ask for, on a voicing's board."""


def play_live(asked: Asked, console: Console) -> dict[str, Any]:
    """Play until the player ends it; everything asked for is checked before any sound.

    A host that takes up the session of one that crashed needs none of it: files may have changed and devices have been
    unplugged since, and the sound goes on.

    Returns
    -------
    dict
        What the engine did: blocks, late blocks, xruns, block times, restarts; the voicing at the end.
    """
    sys.setswitchinterval(0.0005)  # a knob must not wait while the view is drawn
    parent = Parent.from_environment()
    state = parent.state if parent is not None else None
    if state is None:
        session, rack, left_line = _begin_session(asked)
        if left_line:
            _print(console, left_line)
    else:
        session, rack = _take_up_session(state), tuple(state["rack"])
    looped = asked.source != "live"
    told: queue.SimpleQueue[str] = queue.SimpleQueue()
    if state is None:
        maps, complaints = load_maps(asked.controller_map)
        system, read = chosen_system(asked.system), recording.read(asked.source) if looped else None
        for line in _open_input(asked, system, session, looped=looped):
            _print(console, line)
        for line in complaints:
            _print(console, line)
        controller = Controller(maps)
        controller.listen(asked.midi)
    else:
        system, read = state["system"], None
        told.put("the controls are back after a crash; the sound went on")
        try:
            controller = Controller(load_maps(asked.controller_map)[0])
            controller.listen(asked.midi)
        except VoicerError as error:
            told.put(f"no MIDI controller: {error}")
            controller = Controller(Maps([]))
            controller.listen("none")
    if parent is None and not can_keep():
        _print(console, "this system has no parent process for the session: should this program die, the sound ends")
    player = Supervisor(
        system, rack, engines=parent, found=parent.found if parent else (),
        orphan_s=ORPHAN_S if parent else 0.0, device=asked.device, input_device=asked.input_device,
        sample_rate_hz=asked.sample_rate_hz, frames=asked.frames,
        keep_minutes=asked.keep_minutes,
        loop_for=(lambda rate_hz: _loop(read or recording.read(asked.source), rate_hz)) if looped else None,
        tell=lambda line: _print(console, line) if signals.starting else told.put(line),
    )  # fmt: skip
    signals, kept = _Signals(), SessionFile()
    in_order = False
    try:
        performance = _Performance(
            session, controller, player, told, signals, console, asked.seconds, parent, kept, asked.controller_map
        )
        player.start(lambda rate_hz: session.numbers_for(player, rate_hz), must_play=state is None)
        session.play_through(player)
        recorder = Recorder(lambda: player.ring, rack, lambda: player.frames, told.put)
        session.recorder = recorder
        session.on_sent.append(recorder.note)
        session.send_again()
        if asked.record and state is None:
            told.put(recorder.switch())
        performance.run()
        in_order = True
        return _summary(session, player)
    except (VoicerError, KeyboardInterrupt):
        in_order = True
        raise
    finally:
        signals.restore()
        kept.close()
        if in_order or parent is None:  # else the sound goes on, and the parent starts another host
            if parent is not None:
                parent.note_end()
            if session.recorder is not None:
                session.recorder.close()
                while not told.empty():
                    _print(console, told.get())
            player.stop()
            controller.close()


def _begin_session(asked: Asked) -> tuple[Session, tuple[str, ...], str]:
    """The session and rack asked for; the last session's where nothing was, and a line about that."""
    left, told = (None, "") if asked.fresh or asked.voicing is not None else read_left()
    if left is not None:
        try:
            return (*_left_session(asked, left), "as the last session was left; --fresh starts without")
        except VoicerError:
            told = set_aside()
    return _fresh_session(asked), rack_names(asked.rack or (ECHO,)), told


def _left_session(asked: Asked, left: Left) -> tuple[Session, tuple[str, ...]]:
    rack = rack_names(asked.rack or left.rack)
    session = Session(str(left.session["name"]), Sound.from_json(left.session["sound"]).voicing)
    session.restore(left.session)
    session.sound = session.sound.changed(ceiling_db=asked.ceiling_db)
    parts = asked.parts_for(session.voicing)
    if parts != PartChoice():
        session.sound = session.sound.changed(parts=parts)
    if asked.setlist is not None:
        session.setlist, session.setlist_name, session.song = load_setlist(asked.setlist), asked.setlist, None
    elif left.setlist is not None:
        with suppress(VoicerError):
            session.setlist, session.setlist_name = load_setlist(left.setlist), left.setlist
    return session, rack


def _fresh_session(asked: Asked) -> Session:
    songs = load_setlist(asked.setlist) if asked.setlist is not None else None
    wanted = asked.voicing or (songs.song[0].voicing if songs else FIRST_VOICING)
    voicing = library.load(wanted)
    name = wanted if library.is_path(wanted) else library.entry(wanted).name
    session = Session(name, voicing, ceiling_db=asked.ceiling_db, parts=asked.parts_for(voicing))
    session.setlist, session.setlist_name = songs, asked.setlist
    if asked.first_song:
        session.step(1)
    return session


def _take_up_session(state: dict[str, Any]) -> Session:
    session = Session(state["session"]["name"], Sound.from_json(state["session"]["sound"]).voicing)
    session.restore(state["session"])
    if state["setlist"] is not None:
        with suppress(VoicerError):
            session.setlist, session.setlist_name = load_setlist(state["setlist"]), state["setlist"]
    return session


def _loop(recorded: tuple[NDArray[np.float64], int], rate_hz: float) -> NDArray[np.float32]:
    return recording.at_rate(*recorded, rate_hz).astype(np.float32)


def _open_input(asked: Asked, system: System, session: Session, *, looped: bool) -> list[str]:
    """Check the devices asked for and take the input's calibration; what there is to say of both."""
    if system == "jack":
        volts, how = full_scale_v(jack_input())
        told = []
    else:
        pair = choose_pair(asked.device, asked.input_device, portaudio_devices(), needs_input=not looped)
        volts, how = full_scale_v(portaudio_input(pair.input) if pair.input else None)
        told = [pair.says]
    session.calibrate(volts)
    return told if looped else [*told, how]


def _print(console: Console, line: str) -> None:
    console.print(Text(one_line(line)), soft_wrap=True)


class _Performance:
    """The loop from the first sound to the end."""

    def __init__(
        self, session: Session, controller: Controller, player: Supervisor, told: queue.SimpleQueue[str],
        signals: _Signals, console: Console, seconds: float | None, parent: Parent | None, file: SessionFile,
        controller_map: str | None,
    ) -> None:  # fmt: skip
        self._file, self._complaint = file, ""
        self._map, self._watch = controller_map, MapWatch()
        self._binder = Binder()
        controller.taken = self._binder.hear
        self._session, self._controller, self._player, self._told = session, controller, player, told
        self._signals, self._console, self._parent = signals, console, parent
        self._seconds, self._until_s = seconds, None
        self._handed_s = self._sent_back_s = 0.0
        if parent is not None and parent.state is not None:
            self._until_s = parent.state["until_s"]
            player.restarts, player.left_out = parent.state["restarts"], tuple(parent.state["left_out"])
        self._lookout = Lookout(session, player)
        self._events: deque[Event] = deque()
        self._said: deque[tuple[float, Said]] = deque(maxlen=3)
        self._knobs, self._knob = list_knobs(), 0
        self._keyboard: Keyboard | None = None
        self._screen: Screen | None = None
        self._ended = False
        self._design_at_s = 0.0
        self._watched_s = time.monotonic()
        self._shown_s = 0.0

    def run(self) -> None:
        """Play until the player, a signal, the end of the terminal or the time limit ends it."""
        try:
            self._signals.starting = False
            if self._seconds and self._until_s is None:
                self._until_s = time.monotonic() + self._seconds  # sound has begun
            if self._parent is not None:
                self._hand_over()
                self._parent.note_playing()
            self._keyboard = open_keyboard()
            self._screen = Screen(self._console)
            if self._keyboard and not self._screen.full:
                self._say([Said(HELP[0])])
            while not (self._ended or self._signals.end or self._screen.gone or self._is_over):
                if self._signals.taken("panic"):
                    self._panic()
                if self._signals.taken("resume") and self._keyboard:
                    self._keyboard.resume()
                self._turn()
        finally:
            if self._screen:
                self._screen.close()
            if self._keyboard:
                self._keyboard.close()
        if self._session.changed and not self._screen.gone:
            line = f"'{self._session.name}' was changed and not saved"
            self._console.print(Text(one_line(line)), soft_wrap=True)

    @property
    def _is_over(self) -> bool:
        """Whether the time is up, or the parent asks to end."""
        timed_out = self._until_s is not None and time.monotonic() >= self._until_s
        return timed_out or (self._parent is not None and self._parent.asks_to_end)

    def _hand_over(self) -> None:
        """Leave what another host would need to go on, and what the next session would."""
        player, state, setlist = self._player, self._session.state(), self._session.setlist_name
        self._file.note(state, setlist, player.rack)
        if self._parent is not None:
            self._parent.hand_over(
                {
                    "session": state, "setlist": setlist,
                    "rack": list(player.rack), "system": player.system, "until_s": self._until_s,
                    "restarts": player.restarts, "left_out": list(player.left_out),
                }
            )  # fmt: skip

    def _turn(self) -> None:
        self._read_keys()
        if not self._events:
            self._queue(self._controller.drain(self._session, _LOOK_S))
        until_s = time.monotonic() + _EVENTS_S
        while self._events and time.monotonic() < until_s:
            self._say(self._session.take([self._events.popleft()]))
        self._design()
        now_s = time.monotonic()
        if now_s - self._sent_back_s >= _SEND_BACK_EVERY_S:
            self._sent_back_s = now_s
            self._controller.send_back(self._session, self._session.switched(), now_s)
        if now_s - self._handed_s >= _HAND_OVER_EVERY_S:
            self._handed_s = now_s
            self._hand_over()
        if now_s - self._watched_s >= _WATCH_EVERY_S:
            self._watched_s = now_s
            for told in self._binder.look():
                self._say([Said(told.line + ("; Y gives up the old use" if self._binder.pending else ""), told.bad)])
            self._player.watch()
            self._say([Said(line) for line in self._controller.changes()])
            self._look_at_files()
        while not self._told.empty():
            self._say([Said(self._told.get())])
        if now_s - self._shown_s >= _SHOW_EVERY_S and self._screen:
            self._shown_s = now_s
            knob = self._knobs[self._knob] if self._keyboard else ""
            last_move = self._controller.last_move
            said = [one for at_s, one in self._said if now_s - at_s < _SAID_S]
            waiting = self._controller.waiting(self._session)
            self._screen.show(self._lookout.look(self._controller.names, last_move, said, knob, waiting))

    def _look_at_files(self) -> None:
        """Take maps that were changed, as by learning; and say once when the session cannot be remembered."""
        if self._map is None and self._watch.has_changed():
            self._controller.maps, complaints = load_maps()
            self._say([Said("the controller maps have changed and are in force")])
            self._say([Said(line, bad=True) for line in complaints])
        if self._file.complaint and self._file.complaint != self._complaint:
            self._complaint = self._file.complaint
            self._say([Said(self._complaint)])

    def _queue(self, events: Iterable[Event]) -> None:
        """Put events in line; a panic does not wait for its turn."""
        for event in events:
            if isinstance(event, Press) and event.action == "panic":
                self._panic()
            else:
                self._events.append(event)

    def _panic(self) -> None:
        """Silence, or sound again; handed over at once, so that no other host undoes it."""
        self._say([Said(self._session.panic())])
        self._hand_over()

    def _design(self) -> None:
        """Design what the knobs ask for now: every 10 ms at most, and at most half of the time."""
        begun_s = time.monotonic()
        if self._session.unsettled and begun_s >= self._design_at_s:
            self._say(self._session.settle())
            ended_s = time.monotonic()
            self._design_at_s = max(begun_s + _DESIGN_EVERY_S, 2 * ended_s - begun_s)

    def _read_keys(self) -> None:
        for key in self._keyboard.read() if self._keyboard else ():
            if key in ("q", "Q", HANGUP):
                self._ended = True
            elif key == "L":
                self._learn(self._binder.cancel() if self._binder.wanted else None)
            elif key == "Y" and self._binder.pending is not None:
                told = self._binder.replace()
                self._say([Said(told.line, told.bad)])
            elif self._binder.wanted and key in KEYS:
                self._say([Said(self._binder.begin(KEYS[key]))])
            elif key == "?":
                self._say([Said(line) for line in KEY_LINES])
            elif key in KEYS:
                self._queue([Press(KEYS[key], time.monotonic())])
            elif key in ("up", "down"):
                self._knob = (self._knob + (1 if key == "down" else -1)) % len(self._knobs)
            elif key in ("left", "right"):
                self._turn_knob(1 if key == "right" else -1)

    def _learn(self, cancelled: str | None) -> None:
        """Learn what is to move the chosen parameter; an action's key chooses that action instead."""
        line = cancelled or f"{self._binder.begin(self._knobs[self._knob])}; or press an action's key; L ends"
        self._say([Said(line)])

    def _turn_knob(self, steps: int) -> None:
        key, session = self._knobs[self._knob], self._session
        waiting = [event.value for event in self._events if isinstance(event, Move) and event.key == key]
        value = waiting[-1] if waiting else session.value_of(key)
        self._events.append(Move(key, turned(key, value, steps, session.voicing)))

    def _say(self, said: list[Said]) -> None:
        """Show lines once: a knob held against its stop says so one time."""
        now_s = time.monotonic()
        for one in said:
            if self._said and self._said[-1][1] == one:
                self._said.pop()
            elif self._screen:
                self._screen.say([one])
            self._said.append((now_s, one))


class _Signals:
    """Signals as flags that the loop looks at. A second request to end is left to the system's own handling.

    Until the loop runs a request to end raises KeyboardInterrupt, since starting waits for the engine.
    """

    def __init__(self) -> None:
        self.starting, self.end = True, False
        self._flags: set[str] = set()
        handlers = {
            "SIGINT": self._ask_to_end, "SIGTERM": self._ask_to_end, "SIGHUP": self._ask_to_end,
            "SIGUSR1": lambda *_: self._flags.add("panic"), "SIGCONT": lambda *_: self._flags.add("resume"),
        }  # fmt: skip
        known = {getattr(signal, name): handler for name, handler in handlers.items() if hasattr(signal, name)}
        self._before = {
            number: signal.signal(number, handler)
            for number, handler in known.items()
            if signal.getsignal(number) is not signal.SIG_IGN  # as nohup asks
        }

    def taken(self, flag: str) -> bool:
        """Whether that flag was set since the last call."""
        was_set = flag in self._flags
        self._flags.discard(flag)
        return was_set

    def restore(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before = {}

    def _ask_to_end(self, _number: int, _frame: Any) -> None:
        self.end = True
        self.restore()
        if self.starting:
            raise KeyboardInterrupt


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
        "left_out": list(player.left_out),
        "block_us": block_us,
        "block_time_us_p50": float(percentiles[0]),
        "block_time_us_p99": float(percentiles[1]),
        "block_time_us_max": float(percentiles[2]),
        "block_time_p99_share": float(percentiles[1]) / block_us,
        "voicing": session.voicing.model_dump(),
        "parts": session.parts.says,
    }
