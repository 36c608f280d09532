"""Units: what stands in the rack. The two shipped ones are the echo and the output ceiling.

A unit is found through the entry points of the group ``voicer.units``; a package adds one by being installed. It
declares its parameters as a pydantic model and is one of two kinds:

- a `BlockUnit` works on arrays, one block at a time;
- a `GraphUnit` builds pyo objects behind a pyo object.

The host turns parameters into numbers; only these numbers reach the engine process.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from importlib.metadata import entry_points
from typing import Annotated, Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from voicer.board import design
from voicer.dsp.coefficients import CEILING_DB, ceiling_numbers, echo_coefficients
from voicer.errors import EngineError, did_you_mean
from voicer.voicing import Voicing

GROUP = "voicer.units"
DEFAULT_RACK = ("echo", "ceiling")
LAST = "ceiling"
"""The unit that always comes last, asked for or not: it keeps what leaves bounded."""


class Unit(ABC):
    """One slot of the rack.

    Attributes
    ----------
    Parameters : pydantic model
        Parameters with units and ranges; its defaults must be valid unless the host always gives a value.
    """

    Parameters: ClassVar[type[BaseModel]]

    @classmethod
    @abstractmethod
    def numbers(cls, parameters: Any, sample_rate_hz: float) -> NDArray[np.float64]:
        """What the engine needs of the parameters; the length must never change. Thread: control."""

    @abstractmethod
    def __init__(self, numbers: NDArray[np.float64], sample_rate_hz: float) -> None:
        """Make all arrays and objects, in the engine, before sound starts."""

    @abstractmethod
    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """Take new numbers without a click. Thread: audio."""


class BlockUnit(Unit):
    """Works on arrays."""

    @abstractmethod
    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """One block, ``x`` in and ``y`` out [shape=(frames,)], not the same array. Thread: audio."""


class GraphUnit(Unit):
    """Builds pyo objects."""

    @abstractmethod
    def build(self, source: Any) -> Any:
        """The unit's output as a PyoObject, made from the PyoObject that comes in. Thread: control."""


class EchoUnit(BlockUnit):
    """The bucket-brigade echo."""

    Parameters = Voicing

    @classmethod
    def numbers(cls, parameters: Voicing, sample_rate_hz: float) -> NDArray[np.float64]:
        """Coefficients of the voicing's exact circuit."""
        return echo_coefficients(design(parameters), sample_rate_hz)

    def __init__(self, numbers: NDArray[np.float64], sample_rate_hz: float) -> None:
        from voicer.dsp.echo import Echo  # here, in the engine: the host starts half a second sooner without numba

        self._echo = Echo(numbers, sample_rate_hz)

    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """See `Echo.glide_to`."""
        self._echo.glide_to(numbers)

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """See `Echo.process`."""
        self._echo.process(x, y)


class CeilingParameters(BaseModel):
    """Parameters of the output ceiling."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    ceiling_db: Annotated[float, Field(ge=-40, le=0, description="dB below full scale")] = CEILING_DB


class CeilingUnit(BlockUnit):
    """The output ceiling."""

    Parameters = CeilingParameters

    @classmethod
    def numbers(cls, parameters: CeilingParameters, sample_rate_hz: float) -> NDArray[np.float64]:
        """Highest sample value and release."""
        return ceiling_numbers(parameters.ceiling_db, sample_rate_hz)

    def __init__(self, numbers: NDArray[np.float64], sample_rate_hz: float) -> None:
        from voicer.dsp.ceiling import Ceiling

        self._ceiling = Ceiling(numbers)

    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """See `Ceiling.glide_to`."""
        self._ceiling.glide_to(numbers)

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """See `Ceiling.process`."""
        self._ceiling.process(x, y)


def unit_class(name: str) -> type[Unit]:
    """The class of a unit by its entry point's name; `EngineError` names the installed ones."""
    found = entry_points(group=GROUP)
    names = sorted(found.names)
    if name not in found.names:
        raise EngineError(f"no unit '{name}' is installed", remedy=did_you_mean(name, names))
    try:
        loaded = found[name].load()
    except Exception as error:  # whatever a third party's package raises
        raise EngineError(f"unit '{name}' must load (got {error!r})", remedy="repair its package") from error
    if not (isinstance(loaded, type) and issubclass(loaded, BlockUnit | GraphUnit)):
        raise EngineError(f"unit '{name}' must be a BlockUnit or a GraphUnit (got {loaded!r})")
    return loaded


def rack_names(asked: tuple[str, ...]) -> tuple[str, ...]:
    """The rack as it is played: each unit checked, the ceiling at the end.

    Raises `EngineError` for an unknown unit, one given twice, or a rack without the echo.
    """
    names = (*(name for name in asked if name != LAST), LAST)
    if len(set(names)) != len(names):
        raise EngineError(f"each unit must stand in the rack once (got {', '.join(asked)})")
    if "echo" not in names:
        raise EngineError(f"the rack must hold the echo (got {', '.join(asked)})", remedy="add 'echo'")
    for name in names:
        unit_class(name)
    return names
