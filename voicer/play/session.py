"""A playing session: the voicing under the hand, the engine that plays it, the controller that turns it.

Above `host` and `control`, below the faces: what a knob, a button or a program change does is decided here, once, for
the terminal, for panels and for scripts. Thread of everything: control.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from voicer import library
from voicer.board import PartChoice
from voicer.circuit import Circuit
from voicer.control.maps import Event, Move, Press, Recall
from voicer.control.tempo import TapTempo
from voicer.dsp.coefficients import CEILING_DB, Bypass, echo_coefficients
from voicer.engine.units import CeilingParameters, CeilingUnit, unit_class
from voicer.errors import VoicerError
from voicer.library.calibrations import ASSUMED_V
from voicer.voicing import RATE_SPAN_HZ, Voicing


class Engine(Protocol):
    """What a session plays through: `host.supervisor.Supervisor` or `host.stepped.SteppedEngine`."""

    rack: tuple[str, ...]
    sample_rate_hz: float

    def send(self, unit: str, numbers: NDArray[np.float64]) -> None:
        """New numbers for a unit of the rack."""


@dataclass(frozen=True)
class Said:
    """What came of an event: one line for the player, and whether it is bad news."""

    line: str
    bad: bool = False


class Session:
    """The voicing now playing and everything that changes it.

    Parameters
    ----------
    name : str
        What the voicing is called up by: a name of the library, or a path.
    voicing : Voicing
    ceiling_db : float
        Of the output ceiling, dB below full scale.
    parts : PartChoice, optional
        Which parts are heard; left out, exact values.
    """

    def __init__(
        self, name: str, voicing: Voicing, *, ceiling_db: float = CEILING_DB, parts: PartChoice | None = None
    ) -> None:
        self.name, self.voicing, self.parts = name, voicing, parts or PartChoice()
        self.circuit: Circuit = self.parts.circuit(voicing)
        self.full_scale_v = ASSUMED_V
        """Volts at a sample value of 1, by the input's calibration."""
        self._unit = self.parts.unit or 0
        self.bypass: Bypass = "off"
        self.changed = False
        self._saved = voicing
        self._ceiling = CeilingParameters(ceiling_db=ceiling_db)
        self._engine: Engine | None = None
        self._tempo = TapTempo()

    def play_through(self, engine: Engine) -> None:
        """From now on send every change to this engine."""
        self._engine = engine

    def numbers_for(self, engine: Engine, sample_rate_hz: float) -> dict[str, NDArray[np.float64]]:
        """Numbers of every unit in the engine's rack: the echo's of the circuit, the others' defaults."""
        numbers = {}
        for unit in engine.rack:
            if unit == "echo":
                numbers[unit] = self._echo_numbers(sample_rate_hz)
            elif unit == "ceiling":
                numbers[unit] = CeilingUnit.numbers(self._ceiling, sample_rate_hz)
            else:
                kind = unit_class(unit)
                numbers[unit] = kind.numbers(kind.Parameters(), sample_rate_hz)
        return numbers

    def handle(self, events: list[Event]) -> list[Said]:
        """Do what the player did; moves that come together are heard together. Never raises `VoicerError`."""
        said = []
        moves = {event.key: event.value for event in events if isinstance(event, Move)}
        if moves:
            said += self._attempt(self.set, moves)
        for event in events:
            if isinstance(event, Press):
                said += self._attempt(self._press, event)
            elif isinstance(event, Recall):
                said += self._attempt(self.recall, event.slot)
        return said

    def set(self, values: dict[str, Any]) -> str:
        """Change parameters of the voicing, all or none; `VoicerError` when they do not fit."""
        return "; ".join(self._take(self.voicing.changed(values)))

    def recall(self, slot: int) -> str:
        """Play the voicing of a program number."""
        voicing = library.recall(slot)
        return self._call_up(library.slots()[slot], voicing)

    def step(self, by: int) -> str:
        """Play the next (1) or previous (-1) voicing of the library that can be played."""
        names = [entry.name for entry in library.listing() if entry.error is None]
        at = names.index(self.name) if self.name in names else -by
        name = names[(at + by) % len(names)]
        return self._call_up(name, library.load(name))

    def save(self) -> str:
        """Save the voicing into the player's folder under the name it was called up by."""
        path = library.save(self.voicing, None if library.is_path(self.name) else self.name)
        self.name = path.stem
        self._saved, self.changed = self.voicing, False
        own = " (your own now stands before the shipped one)" if library.entry(self.name).shadows_shipped else ""
        return f"saved as '{self.name}'{own}"

    def switch_bypass(self, kind: Bypass) -> str:
        """Echo off (``cut``: at once, ``tail``: the repeats ring out) or on again."""
        self.bypass = kind if self.bypass == "off" else "off"
        self._send()
        return "echo on" if self.bypass == "off" else "echo bypassed"

    def tap(self, at_s: float) -> str:
        """Note a tap; from the second on the delay time follows, within the span of the time control."""
        interval_ms = self._tempo.tap(at_s)
        if interval_ms is None:
            return "tap again"
        span = self.voicing.delay
        time_ms = min(max(interval_ms, span.shortest_ms), span.longest_ms)
        self.set({"delay.time_ms": time_ms})
        return f"tapped {time_ms:.0f} ms"

    def next_modulation(self) -> str:
        """Modulation off, slow, fast, off …; the rate moves into the range's span."""
        ranges = list(RATE_SPAN_HZ)
        wanted = ranges[(ranges.index(self.voicing.modulation.range) + 1) % len(ranges)]
        low, high = RATE_SPAN_HZ[wanted]
        rate_hz = min(max(self.voicing.modulation.rate_hz, low), high)
        self._take(self._with_modulation(wanted, rate_hz))
        return f"modulation {wanted}"

    def next_parts(self) -> str:
        """Exact values, bought parts, the next unit of their spread, exact values again …, with no gap between."""
        parts, dropped = self.parts.next(self._unit + 1).fitted(self.voicing)
        circuit = parts.circuit(self.voicing)
        self._unit = parts.unit or self._unit
        self.parts, self.circuit = parts, circuit
        self._send()
        return "; ".join([f"hearing {parts.says}", *dropped])

    def _with_modulation(self, wanted: str, rate_hz: float) -> Voicing:
        return self.voicing.changed({"modulation.range": wanted, "modulation.rate_hz": rate_hz})

    def _press(self, event: Press) -> str:
        if event.action == "tap-tempo":
            return self.tap(event.at_s)
        actions = {
            "bypass": lambda: self.switch_bypass("cut"),
            "bypass-tail": lambda: self.switch_bypass("tail"),
            "next-voicing": lambda: self.step(1),
            "previous-voicing": lambda: self.step(-1),
            "save": self.save,
            "modulation-range": self.next_modulation,
            "parts": self.next_parts,
        }
        return actions[event.action]()

    def _call_up(self, name: str, voicing: Voicing) -> str:
        """Play a voicing of the library; swapped parts stay behind, since they belong to the board they were on."""
        dropped = [f"swap of {key} dropped" for key in self.parts.swaps]
        self._take(voicing, replace(self.parts, swaps={}))
        self.name, self._saved, self.changed = name, voicing, False
        return "; ".join([f"voicing '{name}'", *dropped])

    def _take(self, voicing: Voicing, parts: PartChoice | None = None) -> list[str]:
        """Play another voicing, and say which swaps its board has no part for.

        Design first, so that one no circuit can be built for changes nothing.
        """
        parts, dropped = (parts or self.parts).fitted(voicing)
        circuit = parts.circuit(voicing)
        self.voicing, self.parts, self.circuit = voicing, parts, circuit
        self.changed = voicing != self._saved
        self._send()
        return dropped

    def _send(self) -> None:
        if self._engine is not None:
            self._engine.send("echo", self._echo_numbers(self._engine.sample_rate_hz))

    def _echo_numbers(self, sample_rate_hz: float) -> NDArray[np.float64]:
        return echo_coefficients(
            self.circuit, sample_rate_hz, bypass=self.bypass, volts_per_unit=self.full_scale_v
        )

    @staticmethod
    def _attempt(action: Any, *arguments: Any) -> list[Said]:
        try:
            line = action(*arguments)
        except VoicerError as error:
            return [Said(str(error), bad=True)]
        return [Said(line)] if line else []
