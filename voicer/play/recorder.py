"""Takes while playing: what the engine keeps in its ring goes to disk, with every sound that was sent and every move.

The control thread tells what is sent (`note`) and done (`tell`); a thread of this module's own reads the ring and
writes. The audio path knows nothing of it. A full disk or any other refusal ends the take with a line, and the playing
goes on.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from voicer.dsp.ring_layout import BEGAN, FAILED, GAP, LATE, SET
from voicer.errors import VoicerError, one_line
from voicer.library.takes import TakeWriter, take_name

if TYPE_CHECKING:
    from voicer.engine.ring import Mark, Ring, Snapshot
    from voicer.play.sound import Sound

EVERY_S = 0.25
"""How often what has come is written and flushed: after a crash the rest of a take is missing, which is less."""

CHUNK = 1 << 15
SOUNDS_KEPT = 60_000
DONE_KEPT = 60_000
ANSWER_WITHIN_S = 2.0

_DROP = "play without --keep-minutes 0"

KINDS = {BEGAN: "engine", LATE: "late", GAP: "gap", FAILED: "failed"}


class Recorder:
    """The takes of a session.

    Parameters
    ----------
    ring_of : callable
        Gives the ring, or None where nothing is kept.
    rack : tuple of str
    frames_of : callable
        Gives the block length.
    tell : callable
        Receives lines for the player, from any thread.
    """

    def __init__(
        self, ring_of: Callable[[], Ring | None], rack: tuple[str, ...], frames_of: Callable[[], int],
        tell: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._ring_of, self._rack, self._frames_of, self._tell = ring_of, rack, frames_of, tell
        self._sounds: deque[tuple[int, Sound]] = deque(maxlen=SOUNDS_KEPT)
        self._done: deque[tuple[int, str, str]] = deque(maxlen=DONE_KEPT)
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._name = ""

    @property
    def recording(self) -> str:
        """Name of the take that is being recorded; empty while none is."""
        return self._name if self._thread is not None and self._thread.is_alive() else ""

    def note(self, number: int, sound: Sound) -> None:
        """A sound was sent under that number. Thread: control."""
        self._sounds.append((number, sound))

    def done(self, what: str, by: str = "") -> None:
        """Something was done. Thread: control."""
        ring = self._ring_of()
        if ring is not None:
            self._done.append((ring.frames, what, by))

    def switch(self) -> str:
        """Start a take, or end the one that runs."""
        if self.recording:
            return self.stop()
        ring = self._ring_of()
        if ring is None:
            raise VoicerError("nothing can be recorded, since no memory is set aside for it", remedy=_DROP)
        if "echo" not in self._rack or len(self._rack) != 1:
            self._tell("the rack holds other units than the echo: a take of it cannot be rendered again exactly")
        self._name = take_name()
        ring.ask_snapshot()
        self._stop.clear()
        self._thread = threading.Thread(target=self._record, args=(ring, self._name), name="recorder", daemon=True)
        self._thread.start()
        return f"recording take '{self._name}'"

    def stop(self) -> str:
        """End the take that runs, and wait until it is on disk."""
        thread, name = self._thread, self._name
        if thread is None:
            return "no take is being recorded"
        self._stop.set()
        thread.join(10.0)
        self._thread = None
        return f"take '{name}' ended"

    def keep(self) -> str:
        """Write what was just played, as far as memory holds it, to a take; in the background."""
        ring = self._ring_of()
        if ring is None:
            raise VoicerError("nothing can be kept, since no memory is set aside for it", remedy=_DROP)
        snapshots = ring.snapshots_there()
        if not snapshots:
            raise VoicerError("nothing has been played yet", remedy="play first")
        first, last, name = snapshots[0], ring.frames, take_name()
        seconds = (last - first.frame) / ring.sample_rate_hz
        threading.Thread(target=self._keep, args=(ring, first, last, name), name="keeper", daemon=True).start()
        return f"keeping the last {seconds:.0f} s as take '{name}'"

    def close(self) -> None:
        """End a take that runs. Thread: control."""
        if self.recording:
            self._tell(self.stop())

    def _record(self, ring: Ring, name: str) -> None:
        until_s = time.monotonic() + ANSWER_WITHIN_S
        while not ring.has_answered and time.monotonic() < until_s:
            time.sleep(0.01)
        snapshots = ring.snapshots_there()
        if not snapshots:
            self._tell("the take cannot begin: no sound is played")
            return
        self._write(ring, snapshots[-1], name, lambda: self._stop.is_set(), lambda: ring.frames)

    def _keep(self, ring: Ring, first: Snapshot, last: int, name: str) -> None:
        if self._write(ring, first, name, lambda: True, lambda: last):
            self._tell(f"take '{name}' is kept")

    def _write(
        self, ring: Ring, first: Snapshot, name: str, is_over: Callable[[], bool], last_of: Callable[[], int]
    ) -> bool:
        """Write a take from a snapshot on, until it is over; whether it is whole."""
        try:
            writer = TakeWriter(name, ring.sample_rate_hz, self._frames_of(), self._rack, first.frame, first.state)
        except (VoicerError, OSError) as error:
            self._tell(f"the take cannot be written: {one_line(str(error))}")
            return False
        at, seen, begun = first.frame, 0, False
        try:
            while True:
                over, last = is_over(), last_of()
                while at < last:
                    upto = min(at + CHUNK, last)
                    samples = ring.samples(at, upto)
                    if samples is None:
                        raise VoicerError("the disk was too slow, part of the sound is gone", remedy="use another")
                    writer.add(*samples)
                    at = upto
                seen, marks = ring.marks_from(seen)
                if not begun:
                    begun = True
                    self._write_sound(writer, first.frame, first.set)
                self._write_marks(writer, [one for one in marks if one.frame >= first.frame], first.set)
                self._write_done(writer, first.frame)
                writer.flush()
                if over:
                    writer.finish()
                    return True
                self._stop.wait(EVERY_S)
        except (VoicerError, OSError, RuntimeError) as error:
            writer.leave()
            self._tell(f"take '{name}' ends early: {one_line(str(error))}")
            return False

    def _write_marks(self, writer: TakeWriter, marks: list[Mark], first_set: int) -> None:
        for mark in marks:
            if mark.kind == SET:
                if mark.value != first_set or mark.frame > writer.first:
                    self._write_sound(writer, mark.frame, mark.value)
            else:
                writer.move(mark.frame, {"kind": KINDS.get(mark.kind, "mark"), "value": mark.value})

    def _write_sound(self, writer: TakeWriter, frame: int, number: int) -> None:
        sounds = list(self._sounds)
        found = next((sound for known, sound in reversed(sounds) if known <= number), sounds[0][1] if sounds else None)
        exact = any(known == number for known, _ in sounds)
        if found is not None:
            writer.move(frame, {"kind": "sound", "sound": found.to_json()} | ({} if exact else {"guessed": True}))

    def _write_done(self, writer: TakeWriter, first: int) -> None:
        while writer.done < len(self._done):
            frame, what, by = self._done[writer.done]
            writer.done += 1
            if frame >= first:
                writer.move(frame, {"kind": "done", "what": what, "by": by})
