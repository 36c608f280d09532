"""A playing session: the voicing being played, the engine that plays it, and everything that changes it.

What a knob, a button, a key or a program change does is decided here, once, for the terminal, for panels and for
scripts. Thread of everything: control.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicer import library
from voicer.board import PartChoice
from voicer.circuit import Circuit
from voicer.control.events import Beat, Event, Move, Press, Recall, SongPosition, Transport
from voicer.control.targets import SESSION
from voicer.control.words import told_event
from voicer.dsp.coefficients import CEILING_DB, Bypass
from voicer.engine.link import Report
from voicer.engine.units import ECHO, default_numbers
from voicer.errors import VoicerError, VoicingError
from voicer.library.setlists import Setlist
from voicer.play.actions import ACTIONS
from voicer.play.copies import Copies
from voicer.play.history import Copy, History, Mark
from voicer.play.morph import Morph
from voicer.play.recorder import Recorder
from voicer.play.sound import Sound
from voicer.play.tempo import HIGHEST_BPM, LOWEST_BPM, Tempo
from voicer.voicing import DIVISIONS, RATE_SPAN_HZ, Voicing, parameters

TEMPO_GLIDE_MS = 100.0
"""How long the clock takes to get to another tempo (own choice): a bend of the pitch, no step."""


class Engine(Protocol):
    """What a session plays through: `engine.supervisor.Supervisor` or `engine.stepped.SteppedEngine`."""

    rack: tuple[str, ...]
    sample_rate_hz: float

    def send(self, numbers: dict[str, NDArray[np.float64]]) -> int:
        """Take new numbers for units of the rack, all or none; the number of the set they are in."""

    def report(self) -> Report:
        """Counters and meters, and why units are bypassed."""

    def put_back(self, unit: str) -> None:
        """Make a bypassed unit anew and fade it in."""


@dataclass(frozen=True)
class Said:
    """The outcome of an event: one line for the player, and whether it is bad news."""

    line: str
    bad: bool = False


@dataclass(frozen=True)
class File:
    """What a voicing's file holds."""

    voicing: Voicing
    text: str | None
    """None where there is none of the player's."""


class Session:
    """The voicing being played and everything that changes it.

    Parameters
    ----------
    name : str
        Name in the library, or path, that the voicing was loaded by.
    voicing : Voicing
    ceiling_db : float
        Output ceiling, dB relative to full scale.
    parts : PartChoice, optional
        Which parts are heard; exact values by default.
    """

    def __init__(
        self, name: str, voicing: Voicing, *, ceiling_db: float = CEILING_DB, parts: PartChoice | None = None
    ) -> None:
        self.name = name
        self.sound = Sound(voicing, parts or PartChoice(), ceiling_db=ceiling_db)
        self.on_sent: list[Callable[[int, Sound], None]] = []
        """Told each sound that was sent to the engine, with the number of its set. Thread: control."""
        self._unit = self.parts.unit or 0
        self.history = History()
        self.copies: Copies = Copies()
        self.morph: Morph | None = None
        self.recorder: Recorder | None = None
        self._files: dict[str, File] = {name: File(voicing, library.known_text(name))}
        self._engine: Engine | None = None
        self.tempo = Tempo()
        self.setlist: Setlist | None = None
        self.setlist_name: str | None = None
        """Name or path that it was loaded by."""
        self.song: int | None = None
        """Place in the setlist, from 0; None before its first song."""
        self.keeps_tail = True
        """Whether the repeats of the voicing before ring on after a recall."""
        self._rates_hz: dict[str, float] = {}
        self._moves: dict[str, Move] = {}
        self._movers: dict[str, str] = {}
        self._last_mover = ""
        self.now_s: Callable[[], float] = time.monotonic
        self.circuit  # noqa: B018  (a voicing no circuit can be built for is refused here)

    @property
    def voicing(self) -> Voicing:
        """The voicing being played."""
        return self.sound.voicing

    @property
    def parts(self) -> PartChoice:
        """Which parts are heard."""
        return self.sound.parts

    @property
    def circuit(self) -> Circuit:
        """The circuit that is heard."""
        return self.sound.circuit

    @property
    def bypass(self) -> Bypass:
        """How the echo is bypassed."""
        return self.sound.bypass

    @property
    def muted(self) -> bool:
        """Whether a panic holds the sound."""
        return self.sound.muted

    @property
    def full_scale_v(self) -> float:
        """Volts at a sample value of 1, from the input's calibration."""
        return self.sound.full_scale_v

    @property
    def changed(self) -> bool:
        """Whether the voicing differs from its file."""
        mine = self.copies.mine
        return (mine.voicing if mine else self.voicing) != self.file.voicing

    @property
    def file(self) -> File:
        """What the voicing's file holds, as far as the session knows."""
        return self._files[self.name]

    @property
    def unsettled(self) -> bool:
        """Whether knobs have moved since the last design."""
        return bool(self._moves)

    def value_of(self, key: str) -> Any:
        """Value of a parameter as its knob now stands, designed or not."""
        if key in self._moves:
            return self._moves[key].value
        if key == "tempo.bpm":
            return self.tempo.bpm or 120.0
        if key == "morph.position":
            return self.morph.position if self.morph else 0.0
        return self.voicing.get(key)

    def mover_of(self, key: str) -> str:
        """What set a parameter last: the ``by`` of a `Move`, ``recall``, ``tap``, or nothing that was named."""
        return self._moves[key].by if key in self._moves else self._movers.get(key, self._last_mover)

    def calibrate(self, full_scale_v: float) -> None:
        """Take the volts at a sample value of 1."""
        self._hear(full_scale_v=full_scale_v)

    def play_through(self, engine: Engine) -> None:
        """Send every change to this engine from now on."""
        self._engine = engine

    def send_again(self) -> None:
        """Send what is heard once more, so that every listener has been told it."""
        self._send()

    def numbers_for(self, engine: Engine, sample_rate_hz: float) -> dict[str, NDArray[np.float64]]:
        """Numbers for the ceiling and every unit in the rack: the echo's from the circuit, the others' defaults."""
        numbers = self.sound.numbers(sample_rate_hz)
        return numbers | {unit: default_numbers(unit, sample_rate_hz) for unit in engine.rack if unit != ECHO}

    def state(self) -> dict[str, Any]:
        """Everything that `restore` needs to continue in another process, as plain JSON data."""
        state = _State(
            name=self.name, sound=self.sound.to_json(), saved=self.file.voicing, saved_text=self.file.text,
            last_unit=self._unit, rates_hz=self._rates_hz, song=self.song, bpm=self.tempo.bpm,
            tempo_source=self.tempo.source, division=self.tempo.division,
        )  # fmt: skip
        return state.model_dump(mode="json")

    def restore(self, state: dict[str, Any]) -> None:
        """Continue where the session that gave `state` was.

        Raises
        ------
        VoicerError
            When it is not such a state, or no circuit can be built for it; nothing has changed then.
        """
        try:
            found = _State.model_validate(state)
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"]) or "the state"
            raise VoicingError(f"a session's state must be as voicer wrote it ({place}: {first['msg']})") from error
        sound = Sound.from_json(found.sound)
        sound.circuit  # noqa: B018
        self.name, self.sound, self._unit = found.name, sound, found.last_unit
        self._files = {found.name: File(found.saved, found.saved_text)}
        self.history, self.copies = History(), Copies()
        self._rates_hz, self.song = dict(found.rates_hz), found.song
        self.tempo.bpm, self.tempo.source, self.tempo.division = found.bpm, found.tempo_source, found.division
        self._moves.clear()
        self._movers.clear()
        self._send()

    def handle(self, events: Sequence[Event]) -> list[Said]:
        """Do what the player did, in order, and design the result at once. Never raises `VoicerError`."""
        return self.take(events) + self.settle()

    def take(self, events: Iterable[Event]) -> list[Said]:
        """Do what the player did, in order; knobs moved last wait for `settle`. Never raises `VoicerError`.

        Moves with no press or recall between them are joined, the last value of each parameter counts. A press or
        recall acts on the voicing as all moves before it, and none after it, have left it.
        """
        said = []
        for event in events:
            if self.recorder is not None:
                self.recorder.done(told_event(event), event.by if not isinstance(event, Recall) else "")
            if isinstance(event, Move):
                self._moves[event.key] = event
            elif isinstance(event, Press):
                said += self.settle() + self._attempt(ACTIONS[event.action], self, event)
            elif isinstance(event, Recall):
                said += self.settle() + self._attempt(self.recall, event.slot)
            elif isinstance(event, Beat):
                said += self.settle() + self._attempt(self.set_tempo, 60_000 / event.interval_ms, "clock")
            elif isinstance(event, Transport):
                said.append(Said(self.tempo.note(event)))
            elif isinstance(event, SongPosition):
                self.tempo.sixteenths = event.sixteenths
        return said

    def settle(self) -> list[Said]:
        """Design and send the voicing as the knobs now stand. Never raises `VoicerError`.

        When the moves do not fit together each is tried alone, so that one knob turned too far does not hold the
        others.
        """
        moves, self._moves = self._moves, {}
        if not moves:
            return []
        said = self._attempt(self._move, moves)
        if len(moves) > 1 and any(one.bad for one in said):
            said = [one for move in moves.values() for one in self._attempt(self._move, {move.key: move})]
        return said

    def set(self, values: dict[str, Any], by: str = "", glide_ms: float = 0.0) -> str:
        """Change parameters of the voicing, all or none; `VoicerError` when they do not fit. ``by`` says what did it.

        The clock takes ``glide_ms`` to get there where that is longer than usual, as for a knob of coarse steps.

        Another modulation range brings its own rate with it, unless one is given.
        """
        self.copies.end_hearing(self)
        mark, before = self.mark(), self.voicing.modulation
        wanted = values.get("modulation.range", before.range)
        if wanted in RATE_SPAN_HZ and wanted != before.range and "modulation.rate_hz" not in values:
            values = {**values, "modulation.rate_hz": self._rate_for(wanted)}
        if SESSION.keys() & values.keys():
            return self._set_session(values, by, glide_ms)
        if "delay.division" in values and "delay.time_ms" not in values:
            fitted = self.tempo.fitted(self.voicing.changed(values))
            if fitted is not None and fitted.time_ms is not None:
                values = {**values, "delay.time_ms": _within(fitted.time_ms, self.voicing.changed(values))}
        told = self._take(self.voicing.changed(values), glide_ms=glide_ms)
        if before.range not in ("off", wanted):
            self._rates_hz[before.range] = before.rate_hz
        self._movers.update(dict.fromkeys(values, by))
        if self.morph is not None and by not in ("clock", "tap", "division"):
            self.morph = self.morph.with_both(values)
        if by == "clock":
            self.history.note_tempo(mark)
        elif self.mark() != mark:
            self.history.note_moves(mark, list(values), self.now_s())
        return "; ".join(told)

    def _set_session(self, values: dict[str, Any], by: str, glide_ms: float) -> str:
        """Change parameters of the session, and with them those of the voicing."""
        told = []
        if "tempo.bpm" in values:
            told.append(self.set_tempo(values["tempo.bpm"], "set"))
            self._movers["tempo.bpm"] = by
        if "morph.position" in values:
            told.append(self._morph_to(values["morph.position"], by, glide_ms))
        rest = {key: value for key, value in values.items() if key not in SESSION}
        if rest:
            told.append(self.set(rest, by, glide_ms))
        return "; ".join(filter(None, told))

    def _morph_to(self, position: float, by: str, glide_ms: float) -> str:
        if self.morph is None:
            raise VoicingError("morph.position moves nothing until a morph is set; press morph-to-next")
        self.copies.end_hearing(self)
        mark, before, morph = self.mark(), self.voicing, self.morph.moved(position)
        told = self._take(morph.voicing(self.parts), glide_ms=glide_ms)
        self.morph = morph
        moved = [key for key in parameters() if self.voicing.get(key) != before.get(key)]
        self._movers.update(dict.fromkeys([*moved, "morph.position"], by))
        self.history.note_moves(mark, ["morph.position"], self.now_s())
        return "; ".join(told)

    def recall(self, slot: int) -> str:
        """Play the voicing of a slot: bank times 128 plus program number."""
        voicing = library.recall(slot)
        return self._call_up(library.entry(library.read_slots()[slot]).name, voicing)

    def step(self, by: int) -> str:
        """Play the next (1) or previous (-1) song of the setlist; without one, voicing of the library.

        Voicings of the library that cannot be played are passed over. A song whose voicing cannot be played takes its
        place, and the voicing before it plays on.
        """
        if self.setlist is not None:
            return self._sing((-1 if self.song is None else self.song) + by, self.setlist)
        names = library.list_names()
        at = names.index(self.name) if self.name in names else (-1 if by > 0 else 0)
        passed: list[str] = []
        for far in range(1, len(names) + 1):
            name = names[(at + far * by) % len(names)]
            try:
                return "; ".join([self._call_up(name, library.load(name)), *passed])
            except VoicerError as error:
                passed.append(f"skipped '{name}': {error}")
        raise VoicingError(f"no voicing in the library can be played; {'; '.join(passed)}")

    def save(self) -> str:
        """Save the voicing to the file it was loaded from: its name in the library, or its path.

        A file that somebody else has changed meanwhile stays as it is; the voicing goes beside it and is played from
        there on.
        """
        self.copies.check_own()
        saved = library.save_known(self.voicing, self.name, self.file.text)
        was, self.name = self.name, saved.name
        self._files[saved.name] = File(self.voicing, saved.text)
        if saved.beside:
            return f"'{was}' was changed by somebody else and is left as it is; yours is saved as '{saved.name}'"
        if library.is_path(self.name):
            return f"saved to {self.name}"
        shadows = library.entry(self.name).shadows_shipped
        return f"saved as '{self.name}'" + (" (played instead of the shipped one, which stays)" if shadows else "")

    def save_new(self) -> str:
        """Save the voicing under the next numbered name, and play it from there on."""
        self.copies.check_own()
        mark = self.mark()
        saved, voicing = library.save_new(self.voicing, self.name)
        self._take(voicing)
        self.name = saved.name
        self._files[saved.name] = File(voicing, saved.text)
        self.history.note(mark, f"the new name '{saved.name}'")
        return f"saved as '{saved.name}'"

    def undo(self) -> str:
        """Bring back what stood before the last thing done: moves of one control within a second, a recall, a swap."""
        return self._travel(self.history.undo(self.mark()), "undone", "nothing to undo")

    def redo(self) -> str:
        """Do again what was undone last."""
        return self._travel(self.history.redo(self.mark()), "done again", "nothing to do again")

    def morph_from_here(self) -> str:
        """Begin a morph at the voicing as it is now; where it goes to stays, if that was chosen."""
        self.copies.end_hearing(self)
        mark, to = self.mark(), self.morph
        self.morph = Morph(self.voicing, to.end if to else self.voicing, to.end_name if to else self.name)
        self.history.note(mark, "the start of the morph")
        return f"morph from here to '{self.morph.end_name}'" if to else "morph from here; choose where it goes"

    def morph_to_next(self) -> str:
        """Let the morph go to the next voicing of the library that can be played."""
        self.copies.end_hearing(self)
        mark, names = self.mark(), library.list_names()
        last = self.morph.end_name if self.morph else self.name
        at = names.index(last) if last in names else -1
        for far in range(1, len(names) + 1):
            name = names[(at + far) % len(names)]
            with suppress(VoicerError):
                end = library.load(name)
                self.parts.fitted(end)[0].circuit(end)
                begun = self.morph.moved(0.0) if self.morph and self.morph.position == 0.0 else None
                self.morph = Morph(begun.start if begun else self.voicing, end, name)
                self._movers["morph.position"] = "morph"
                self.history.note(mark, f"the morph to '{name}'")
                return f"morph to '{name}'"
        raise VoicingError("no voicing in the library can be played")

    def switched(self) -> dict[str, bool]:
        """Of the actions that switch something, whether it is on: for lamps."""
        return {
            "bypass": self.bypass != "off", "bypass-tail": self.bypass != "off", "panic": self.muted,
            "hear-saved": self.copies.mine is not None, "other-copy": self.copies.label == "B",
            "match-levels": self.copies.is_matching, "recall-tail": self.keeps_tail,
            "record": bool(self.recorder and self.recorder.recording),
        }  # fmt: skip

    def mark(self) -> Mark:
        """Where the session stands, for undo."""
        mine = self.copies.mine or Copy(self.voicing, self.parts)
        return Mark(self.name, mine.voicing, mine.parts, self.song, self.tempo.division, self.copies.label,
                    self.copies.other, self.morph)  # fmt: skip

    def play_copy(self, copy: Copy, by: str, trim_db: float = 0.0) -> list[str]:
        """Play another voicing and parts in place of the present ones; what had to be dropped, in words."""
        told = self._take(copy.voicing, copy.parts, escape=True, trim_db=trim_db)
        self._movers.clear()
        self._last_mover = by
        return told

    def _travel(self, found: tuple[Mark, str] | None, done: str, nothing: str) -> str:
        """Go to a mark of the history."""
        if found is None:
            return nothing
        mark, what = found
        self.copies.mine = None
        self.play_copy(Copy(mark.voicing, mark.parts), "undo")
        self.name, self.song, self.tempo.division = mark.name, mark.song, mark.division
        self.copies.label, self.copies.other, self.morph = mark.label, mark.other, mark.morph
        if mark.name not in self._files:
            self._files[mark.name] = File(mark.voicing, library.known_text(mark.name))
        return f"{done}: {what}"

    def switch_tail(self) -> str:
        """Let recalls leave the old repeats to die away, or cross over to the new voicing at once."""
        self.keeps_tail = not self.keeps_tail
        if not self.keeps_tail:
            self._hear(tail=False)
        return "recalls keep the old repeats" if self.keeps_tail else "recalls end the old repeats"

    def switch_bypass(self, kind: Bypass) -> str:
        """Bypass the echo (``cut``: at once, ``tail``: the repeats ring out), or switch it on again."""
        self._hear(bypass=kind if self.bypass == "off" else "off")
        return "echo on" if self.bypass == "off" else "echo bypassed"

    def panic(self) -> str:
        """Silence at once, whatever sounds in the rack, and an empty line; the second time the sound comes back."""
        self._hear(muted=not self.muted)
        return "MUTED, line cleared; panic again to unmute" if self.muted else "unmuted"

    def record(self) -> str:
        """Start a take, or end the one that is recorded."""
        return self._with_recorder().switch()

    def keep(self) -> str:
        """Write what was just played to a take."""
        return self._with_recorder().keep()

    def _with_recorder(self) -> Recorder:
        if self.recorder is None:
            raise VoicerError("takes can be recorded only while voicer plays", remedy="use voicer play")
        return self.recorder

    def put_back_units(self) -> str:
        """Put back the units of the rack that were bypassed because they failed."""
        engine = self._engine
        if engine is None:
            return "no engine is running"
        failed = [unit for unit, fault in zip(engine.rack, engine.report().faults, strict=False) if fault]
        for unit in failed:
            engine.put_back(unit)
        return f"putting back {', '.join(failed)}" if failed else "no unit has failed"

    def tap(self, at_s: float) -> str:
        """Take a tap at ``at_s`` (`time.monotonic`); from the second on the delay time follows."""
        interval_ms = self.tempo.taps.tap(at_s)
        if interval_ms is None:
            return "tap again"
        if self.tempo.is_live:
            return f"the clock leads, the tap is not used; {self.tempo.told}"
        return "; ".join(filter(None, [f"tapped {interval_ms:.0f} ms", self.set_tempo(60_000 / interval_ms, "taps")]))

    def set_tempo(self, bpm: float, source: Literal["taps", "clock", "set", "setlist"]) -> str:
        """Take a tempo, quarter notes a minute; the delay time follows with its note value.

        What had to be halved or doubled to fit the voicing is told. While a clock is heard nothing else sets the tempo.
        """
        tempo = self.tempo
        if source == "clock":
            begins, tempo.is_live = not tempo.is_live, True
        elif tempo.is_live:
            raise VoicingError(f"tempo.bpm is led by the clock (got {bpm:.4g}); stop the clock to set it")
        else:
            begins = False
        if source == "set" and not LOWEST_BPM <= bpm <= HIGHEST_BPM:
            raise VoicingError(f"tempo.bpm must be in {LOWEST_BPM:g}..{HIGHEST_BPM:g} (got {bpm:g}); change it")
        tempo.bpm, tempo.source = bpm, source
        told = self._follow("tap" if source == "taps" else source)
        return "; ".join(filter(None, [f"following the clock at {bpm:.1f} beats a minute" if begins else "", told]))

    def next_division(self) -> str:
        """Go to the next note value: the voicing's where it has its own, else the session's."""
        tempo = self.tempo
        mark, wanted = self.mark(), tempo.next_division(tempo.division_of(self.voicing))
        if self.voicing.delay.division == "session":
            tempo.division = wanted
            self.history.note(mark, f"the note value {wanted}")
            told = self._follow("division")
        else:
            told = self.set({"delay.division": wanted}, by="division")
        at = "" if tempo.bpm is not None else "; tap a tempo to hear it"
        return "; ".join(filter(None, [f"note value {wanted}{at}", told]))

    def _follow(self, by: str) -> str:
        """Let the delay time follow the tempo; what had to be changed to make it fit, in words."""
        fitted = self.tempo.fitted(self.voicing)
        if fitted is None:
            return ""
        if fitted.time_ms is not None:
            self.set({"delay.time_ms": _within(fitted.time_ms, self.voicing)}, by=by, glide_ms=TEMPO_GLIDE_MS)
        return fitted.line

    def _sing(self, place: int, setlist: Setlist) -> str:
        """Play a song of the setlist."""
        if not 0 <= place < len(setlist.song):
            return f"{'end' if place > 0 else 'beginning'} of the setlist '{setlist.name}'"
        mark = self.mark()
        self.song, song = place, setlist.song[place]
        told = [f"song {place + 1} of {len(setlist.song)}: {song.told}"]
        if song.tempo_bpm is not None and not self.tempo.is_live:
            self.tempo.bpm, self.tempo.source = song.tempo_bpm, "setlist"
        elif self.tempo.source == "setlist":
            self.tempo.bpm, self.tempo.source = None, ""
        voicing = library.load(song.voicing)
        name = song.voicing if library.is_path(song.voicing) else library.entry(song.voicing).name
        return "; ".join([*told, self._call_up(name, voicing, mark)])

    def next_modulation(self) -> str:
        """Switch the modulation to off, slow, fast, off …; each range keeps its own rate."""
        ranges = list(RATE_SPAN_HZ)
        wanted = ranges[(ranges.index(self.voicing.modulation.range) + 1) % len(ranges)]
        self.set({"modulation.range": wanted})
        return "modulation off" if wanted == "off" else f"modulation {wanted}, {self.voicing.modulation.rate_hz:.2f} Hz"

    def next_parts(self) -> str:
        """Switch to exact values, bought parts, the next unit of their spread, exact values …, without a gap.

        Series, tolerances and swaps stay as the player chose them.
        """
        self.copies.end_hearing(self)
        mark = self.mark()
        parts, dropped = self.parts.next(self._unit + 1).fitted(self.voicing)
        self._hear(parts=parts)
        self.history.note(mark, "other parts")
        self._unit = parts.unit or self._unit
        return "; ".join([f"hearing {parts.says}", *dropped])

    def _rate_for(self, wanted: str) -> float:
        """The rate a modulation range had last, or one set while the modulation was off; else the nearest it has."""
        now = self.voicing.modulation
        low, high = RATE_SPAN_HZ[wanted]
        set_while_off = now.range == "off" and now.rate_hz not in self._rates_hz.values()
        if set_while_off and low <= now.rate_hz <= high:
            return now.rate_hz
        return min(max(self._rates_hz.get(wanted, now.rate_hz), low), high)

    def _move(self, moves: dict[str, Move]) -> str:
        glide_ms = max(move.glide_ms for move in moves.values())
        by = next((move.by for key, move in moves.items() if key in SESSION), "")
        told = self.set({key: move.value for key, move in moves.items()}, by, glide_ms)
        self._movers.update({key: move.by for key, move in moves.items()})
        return told

    def _call_up(self, name: str, voicing: Voicing, mark: Mark | None = None) -> str:
        """Play a voicing of the library; swapped parts are dropped, since they belong to the board they were on.

        A recall ends a runaway: where the loop that is left or the one that comes sustains itself, the line is emptied.
        """
        mark = mark or self.mark()
        told = [f"voicing '{name}'"]
        if self.parts.swaps:
            told.append(f"swap of {', '.join(self.parts.swaps)} dropped, it was for '{self.name}'")
        if self.bypass != "off":
            told.append("echo still bypassed")
        if self.muted:
            told.append("still muted")
        followed = self.tempo.fitted(voicing) if self.tempo.follows_on_recall(voicing) else None
        played = voicing
        if followed is not None and followed.time_ms is not None:
            played = voicing.changed({"delay.time_ms": _within(followed.time_ms, voicing)})
        self._take(played, replace(self.parts, swaps={}), other_line=True)
        self.name = name
        self._files[name] = File(voicing, library.known_text(name))
        self.copies.forget()
        self.morph = None
        self.history.note(mark, f"voicing '{name}'")
        self._rates_hz = {}
        self._movers.clear()
        self._last_mover = "recall"
        if followed is not None and followed.line:
            told.append(followed.line)
        return "; ".join(told)

    def _take(
        self, voicing: Voicing, parts: PartChoice | None = None, *, escape: bool = False, other_line: bool = False,
        trim_db: float | None = None, glide_ms: float = 0.0,
    ) -> list[str]:  # fmt: skip
        """Play another voicing, and say which swaps its board has no part for.

        Design first, so that a voicing no circuit can be built for changes nothing.
        """
        parts, dropped = (parts or self.parts).fitted(voicing)
        trim_db = self.sound.trim_db if trim_db is None else trim_db
        sound = self.sound.changed(voicing=voicing, parts=parts, trim_db=trim_db, clock_glide_ms=glide_ms)
        if other_line or voicing.line != self.voicing.line:
            keeps = self.keeps_tail and not _sustains(self.circuit)
            sound = sound.changed(line=sound.line + 1, tail=keeps)
        elif escape and (_sustains(self.circuit) or _sustains(sound.circuit)):
            sound = sound.changed(generation=sound.generation + 1)
        self._take_sound(sound)
        return dropped

    def _hear(self, **values: Any) -> None:
        """Change fields of what is heard."""
        self._take_sound(self.sound.changed(**values))

    def _take_sound(self, sound: Sound) -> None:
        """Play another sound. It is designed first, so that one no circuit can be built for changes nothing."""
        sound.circuit  # noqa: B018
        self.sound = sound
        self._send()

    def _send(self) -> None:
        if self._engine is not None:
            number = self._engine.send(self.sound.numbers(self._engine.sample_rate_hz))
            for listener in self.on_sent:
                listener(number, self.sound)

    @staticmethod
    def _attempt(action: Callable[..., str], *arguments: Any) -> list[Said]:
        try:
            line = action(*arguments)
        except VoicerError as error:
            return [Said(str(error), bad=True)]
        return [Said(line)] if line else []


class _State(BaseModel):
    """What `Session.state` gives."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    name: Annotated[str, Field(min_length=1)]
    sound: dict[str, Any]
    saved: Voicing
    saved_text: str | None = None
    last_unit: Annotated[int, Field(ge=0)]
    rates_hz: dict[str, float]
    song: Annotated[int, Field(ge=0)] | None = None
    bpm: Annotated[float, Field(gt=0)] | None = None
    tempo_source: Literal["", "taps", "clock", "set", "setlist"] = ""
    division: Literal[tuple(DIVISIONS)] = "1/4"  # type: ignore[valid-type]


def _within(time_ms: float, voicing: Voicing) -> float:
    """A delay time as a file has it, within the voicing's span."""
    return min(max(float(f"{time_ms:.5g}"), voicing.delay.shortest_ms), voicing.delay.longest_ms)


def _sustains(circuit: Circuit) -> bool:
    """Whether the loop keeps a sound going for ever at the present time, loud or soft."""
    return max(circuit.loop_gain(circuit.clock_hz), circuit.loop_gain_in_silence(circuit.clock_hz)) >= 1
