"""Everything that is heard, in one frozen record: the numbers an engine plays follow from it and from nothing else.

The session changes it, a take keeps each with the frame it was first heard at, and rendering a take needs no more.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicer.board import PartChoice
from voicer.circuit import Circuit
from voicer.dsp.coefficients import CEILING_DB, Bypass, ceiling_numbers, echo_coefficients, named
from voicer.engine.units import CEILING, ECHO
from voicer.errors import VoicingError
from voicer.library.calibrations import ASSUMED_V
from voicer.voicing import Voicing


@dataclass(frozen=True)
class Sound:
    """What is heard now."""

    voicing: Voicing
    parts: PartChoice = field(default_factory=PartChoice)
    """Which parts are heard."""
    bypass: Bypass = "off"
    muted: bool = False
    generation: int = 0
    """Counted up where what the line holds must not be heard on."""
    line: int = 0
    """Counted up to play on another line, as a recall does."""
    tail: bool = False
    """Whether the line before may ring on."""
    clock_glide_ms: float = 0.0
    """How long the clock takes to get there, where that is longer than usual."""
    full_scale_v: float = ASSUMED_V
    """Volts at a sample value of 1, from the input's calibration."""
    ceiling_db: float = CEILING_DB
    """Output ceiling, dB relative to full scale."""
    trim_db: float = 0.0
    """By how much the output is turned down to match another in loudness; never above 0."""

    @cached_property
    def circuit(self) -> Circuit:
        """The circuit that is heard; `CircuitError` when it cannot be built."""
        return self.parts.circuit(self.voicing)

    def changed(self, **values: Any) -> Sound:
        """Another sound with these fields; its circuit is designed anew only where voicing or parts are others."""
        other = replace(self, **values)
        if "circuit" in self.__dict__ and (other.voicing, other.parts) == (self.voicing, self.parts):
            other.__dict__["circuit"] = self.circuit
        return other

    def numbers(self, sample_rate_hz: float) -> dict[str, NDArray[np.float64]]:
        """Numbers of the ceiling and of the echo; `CircuitError` when no circuit can be built."""
        echo = echo_coefficients(
            self.circuit, sample_rate_hz, bypass=self.bypass, volts_per_unit=self.full_scale_v,
            muted=self.muted, generation=self.generation, line=self.line,
            tail=self.tail and not self.muted and self.bypass != "cut", clock_glide_ms=self.clock_glide_ms,
        )  # fmt: skip
        named(echo)["dry"] *= 10 ** (self.trim_db / 20) if self.bypass == "off" else 1.0
        named(echo)["wet"] *= 10 ** (self.trim_db / 20)
        return {CEILING: ceiling_numbers(self.ceiling_db, sample_rate_hz, muted=self.muted), ECHO: echo}

    def to_json(self) -> dict[str, Any]:
        """Plain data that `from_json` reads back."""
        form = _Form(
            voicing=self.voicing, parts=self.parts.as_json(), bypass=self.bypass, muted=self.muted,
            generation=self.generation, full_scale_v=self.full_scale_v, ceiling_db=self.ceiling_db,
            trim_db=self.trim_db, line=self.line, tail=self.tail, clock_glide_ms=self.clock_glide_ms,
        )  # fmt: skip
        return form.model_dump(mode="json")

    @classmethod
    def from_json(cls, data: Any) -> Sound:
        """The sound that `to_json` wrote; `VoicingError` or `CircuitError` for anything else."""
        try:
            found = _Form.model_validate(data)
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"]) or "it"
            raise VoicingError(f"a sound must be as voicer wrote it ({place}: {first['msg']})") from error
        fields = {name: getattr(found, name) for name in _Form.model_fields}
        return cls(**fields | {"parts": PartChoice.from_json(found.parts)})


class _Form(BaseModel):
    """What `Sound.to_json` gives."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    voicing: Voicing
    parts: dict[str, Any]
    bypass: Bypass
    muted: bool
    generation: Annotated[int, Field(ge=0)]
    full_scale_v: Annotated[float, Field(gt=0)]
    ceiling_db: Annotated[float, Field(ge=-40, le=0)]
    trim_db: Annotated[float, Field(ge=-60, le=0)] = 0.0
    line: Annotated[int, Field(ge=0)] = 0
    tail: bool = False
    clock_glide_ms: Annotated[float, Field(ge=0, le=1000)] = 0.0
