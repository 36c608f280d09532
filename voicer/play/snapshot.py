"""What a player looks at, at one moment: made on the control thread, handed to the thread that draws, never changed."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from voicer.circuit import remarks
from voicer.circuit.filters import half_power_hz
from voicer.library.calibrations import ASSUMED_V

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from voicer.circuit import Circuit
    from voicer.control.maps import Waiting
    from voicer.dsp.coefficients import Bypass
    from voicer.engine.link import Report
    from voicer.engine.supervisor import Supervisor
    from voicer.play.session import Said, Session
    from voicer.voicing import Voicing

HOLD_S = 1.5
"""What acts only for a moment (the ceiling, failed blocks) is shown for this long."""

STILL_S = 0.5
"""An engine that plays no block for this long is shown as silent."""

_TIMES_EVERY_S = 1.0
_TIMES = 2000


@dataclass(frozen=True)
class LoopGain:
    """Gain once round the loop; 1 is the edge of self-oscillation."""

    now: float
    peak: float
    """Highest over the span of the time control."""
    peak_ms: float
    """Delay time at which it is highest."""
    sings_softly: bool
    """Whether the loop sustains itself below the compander's floor although it dies away above it."""


@dataclass(frozen=True)
class Shown:
    """Everything that is drawn."""

    name: str
    """Name in the library, or path."""
    voicing: Voicing
    changed: bool
    bypass: Bypass
    muted: bool
    parts: str
    clock_hz: float
    cutoffs_hz: tuple[float, float]
    """Of the anti-alias and the reconstruction filter."""
    loop: LoopGain
    remarks: tuple[str, ...]
    full_scale_assumed: bool
    report: Report
    ceiling_db: float
    """Gain reduction of the output ceiling over the last moments, 0 or below."""
    failing: bool
    """Whether blocks failed and were silent in the last moments."""
    failed_units: tuple[str, ...]
    """Units of the rack that are bypassed because they failed."""
    trouble: str
    """Why no engine plays, empty while one does."""
    system: str
    sample_rate_hz: float
    frames: int
    block_us: tuple[float, float]
    """Median and 99th percentile of the time a block took, µs."""
    inputs: tuple[str, ...]
    last_move: str
    said: tuple[Said, ...]
    knob: str
    """Key of the parameter that the arrow keys turn; empty without a keyboard."""
    recording: str = ""
    """Name of the take that is recorded; empty while none is."""
    aside: tuple[str, ...] = ()
    """What else holds: tempo, copy, morph, tail, controls that wait for their value."""


class Lookout:
    """Takes snapshots; keeps what is slow to find, and holds what was short. Thread: control."""

    def __init__(self, session: Session, player: Supervisor) -> None:
        self._session, self._player = session, player
        self._block_us, self._times_at_s = (0.0, 0.0), -_TIMES_EVERY_S
        self._errors, self._failed_at_s = 0, float("-inf")
        self._blocks, self._moved_at_s = 0, time.monotonic()
        self._ceiling_db, self._ceiling_at_s = 0.0, float("-inf")

    def look(
        self, inputs: Iterable[str], last_move: str, said: Iterable[Said], knob: str, waiting: Sequence[Waiting] = ()
    ) -> Shown:
        """The present moment."""
        session, player, now_s = self._session, self._player, time.monotonic()
        circuit, report = session.circuit, player.report()
        cutoffs_hz, loop, told = _figures(circuit)
        if now_s - self._times_at_s >= _TIMES_EVERY_S:
            self._times_at_s, self._block_us = now_s, _typical(player)
        if report.errors > self._errors:
            self._failed_at_s = now_s
        self._errors = report.errors
        if report.blocks != self._blocks:
            self._blocks, self._moved_at_s = report.blocks, now_s
        still_s = now_s - self._moved_at_s
        return Shown(
            recording=session.recorder.recording if session.recorder else "", aside=_aside(session, report, waiting),
            name=session.name, voicing=session.voicing, changed=session.changed, bypass=session.bypass,
            muted=session.muted, parts=session.parts.says, clock_hz=circuit.clock_hz,
            cutoffs_hz=cutoffs_hz, loop=loop, remarks=told,
            full_scale_assumed=session.full_scale_v == ASSUMED_V, report=report,
            ceiling_db=self._held_ceiling_db(report.ceiling_db, now_s), failing=now_s - self._failed_at_s < HOLD_S,
            trouble=f"no block played for {still_s:.0f} s" if still_s > STILL_S else "",
            failed_units=tuple(
                unit for unit, fault in zip(player.rack, report.faults, strict=False) if fault
            ),
            system=player.system, sample_rate_hz=player.sample_rate_hz, frames=player.frames,
            block_us=self._block_us, inputs=tuple(inputs), last_move=last_move, said=tuple(said), knob=knob,
        )  # fmt: skip

    def _held_ceiling_db(self, acting_db: float, now_s: float) -> float:
        if acting_db <= self._ceiling_db or now_s - self._ceiling_at_s > HOLD_S:
            self._ceiling_db, self._ceiling_at_s = acting_db, now_s
        return self._ceiling_db


def _aside(session: Session, report: Report, waiting: Sequence[Waiting]) -> tuple[str, ...]:
    """What else holds, the most wanted first, in a few words each."""
    nearest = sorted(waiting, key=lambda one: abs(one.away))[:3]
    found = [f"{one.key.rpartition('.')[2]}: {one.way}" for one in nearest]
    if session.copies.mine is not None:
        found.append("the SAVED one is heard")
    elif session.copies.other is not None:
        found.append(f"copy {session.copies.label}")
    if session.sound.trim_db < 0:
        found.append(f"matched {session.sound.trim_db:.1f} dB")
    if session.morph is not None:
        found.append(f"morph {100 * session.morph.position:.0f} % to '{session.morph.end_name}'")
    if session.tempo.bpm is not None:
        found.append(f"tempo {session.tempo.told}, {session.tempo.division_of(session.voicing)}")
    if session.setlist is not None and session.song is not None:
        found.append(f"song {session.song + 1} of {len(session.setlist.song)}")
    if report.tail:
        found.append("old repeats ring on")
    if report.shed:
        found.append(f"tails dropped: {report.shed}")
    return tuple(found)


@lru_cache(maxsize=4)
def _figures(circuit: Circuit) -> tuple[tuple[float, float], LoopGain, tuple[str, ...]]:
    """Cutoffs, loop gain and remarks: some milliseconds of work, done once for a circuit."""
    cutoffs_hz = float(half_power_hz(circuit.anti_alias)), float(half_power_hz(circuit.reconstruction))
    return cutoffs_hz, loop_gain(circuit), tuple(remark.line for remark in remarks(circuit))


def loop_gain(circuit: Circuit) -> LoopGain:
    """Loop gain at the present time and where it peaks over the span of the time control."""
    times_s = np.geomspace(circuit.shortest_s, circuit.longest_s, 12)
    gains = [circuit.loop_gain(circuit.clock_for(float(time_s))) for time_s in times_s]
    highest = int(np.argmax(gains))
    now, softly = circuit.loop_gain(circuit.clock_hz), circuit.loop_gain_in_silence(circuit.clock_hz)
    if now > gains[highest]:
        return LoopGain(now, now, 1e3 * circuit.time_s, now < 1 <= softly)
    return LoopGain(now, gains[highest], 1e3 * float(times_s[highest]), now < 1 <= softly)


def _typical(player: Supervisor) -> tuple[float, float]:
    recent = player.block_times_us()[-_TIMES:]
    return (float(np.median(recent)), float(np.percentile(recent, 99))) if recent.size else (0.0, 0.0)
