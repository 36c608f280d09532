"""Units: what a rack is made of beside the echo, and how a package of another author brings one.

A unit has two halves, so that the process that plays the sound imports no more than it needs:

- the *audio half*, a `BlockUnit` (works on arrays, one block at a time) or a `GraphUnit` (builds pyo objects), found
  through the entry point group `UNITS`; only the engine imports it;
- the *parameters*, found under the same name in the group `PARAMETERS`; only the host imports them. It is any callable
  that takes no arguments and returns an object with ``numbers(sample_rate_hz)``: a float array whose length never
  changes. A unit without parameters leaves this half out.

The engine sees nothing of the parameters but these numbers. A unit that raises, hangs, exits or puts out what is not a
number is bypassed with a short fade, and named (`rack`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from importlib.metadata import entry_points
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.gauges import MOST_UNITS
from voicer.errors import EngineError, did_you_mean, one_line

UNITS, PARAMETERS = "voicer.units", "voicer.parameters"
"""Entry point groups of the audio halves and of the parameters."""

ECHO, CEILING = "echo", "ceiling"
"""The echo is built in, and every rack holds it. The ceiling is no unit: it comes last and cannot be bypassed."""

DEFAULT_RACK = (ECHO,)


class Unit(ABC):
    """The audio half of a unit."""

    @abstractmethod
    def __init__(self, numbers: NDArray[np.float64], sample_rate_hz: float) -> None:
        """Make all arrays and objects, before sound starts. Thread: control (engine)."""

    @abstractmethod
    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """Take new numbers without a click. Thread: audio."""


class BlockUnit(Unit):
    """Works on arrays."""

    @abstractmethod
    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """Write one block into ``y`` from ``x`` [shape=(frames,)]; they are not the same array. Thread: audio."""


class GraphUnit(Unit):
    """Builds pyo objects."""

    @abstractmethod
    def build(self, source: Any) -> Any:
        """The unit's output as a PyoObject, made from the PyoObject that comes in. Thread: control (engine).

        Nothing may be sent to the driver with ``out()``: it would go past the ceiling.
        """


def unit_class(name: str) -> type[BlockUnit] | type[GraphUnit]:
    """Load the audio half of a unit by its entry point's name; `EngineError` where it is no unit or does not load."""
    loaded = _loaded(UNITS, name)
    if not (isinstance(loaded, type) and issubclass(loaded, BlockUnit | GraphUnit)):
        raise EngineError(f"unit '{name}' must be a BlockUnit or a GraphUnit (got {_shown(loaded)})")
    return loaded


def default_numbers(name: str, sample_rate_hz: float) -> NDArray[np.float64]:
    """Numbers of a unit's default parameters; none where it has no parameters.

    Raises
    ------
    EngineError
        Where its package raises, exits, or gives something else than a row of finite numbers.
    """
    if name not in entry_points(group=PARAMETERS).names:
        return np.zeros(0)
    parameters = _loaded(PARAMETERS, name)
    try:
        numbers = np.array(parameters().numbers(sample_rate_hz), dtype=np.float64)
    except (Exception, SystemExit) as error:
        raise EngineError(
            f"unit '{name}' must have numbers for its default parameters (got {_shown(error)})",
            remedy="repair its package, or leave it out of --rack",
        ) from error
    if numbers.ndim != 1 or not np.isfinite(numbers).all():
        raise EngineError(
            f"the numbers of unit '{name}' must be one row of finite numbers (got shape {numbers.shape})",
            remedy="repair its package, or leave it out of --rack",
        )
    return numbers


def rack_names(asked: tuple[str, ...]) -> tuple[str, ...]:
    """The rack as it is played; ``ceiling`` may be named anywhere and is left out, since it always comes last.

    Raises `EngineError` for an unknown unit, one listed twice, too many, or a rack without the echo.
    """
    names = tuple(name for name in asked if name != CEILING)
    known = {ECHO, *entry_points(group=UNITS).names}
    for name in names:
        if name not in known:
            raise EngineError(f"no unit '{one_line(name)}' is installed", remedy=did_you_mean(name, sorted(known)))
    if len(set(names)) != len(names):
        raise EngineError(f"each unit can be used only once in a rack (got {', '.join(asked)})")
    if ECHO not in names:
        raise EngineError(f"the rack must include the echo (got {', '.join(asked) or 'nothing'})", remedy="add 'echo'")
    if len(names) > MOST_UNITS:
        raise EngineError(f"a rack can hold {MOST_UNITS} units (got {len(names)})", remedy="leave some out")
    return names


def place_in(rack: tuple[str, ...], unit: str) -> int:
    """Place of a unit in a rack, from 0; `EngineError` where it is not in it."""
    if unit not in rack:
        raise EngineError(f"no unit '{one_line(unit)}' is in the rack", remedy=did_you_mean(unit, rack))
    return rack.index(unit)


def _loaded(group: str, name: str) -> Any:
    found = entry_points(group=group)
    if name not in found.names:
        raise EngineError(f"no unit '{one_line(name)}' is installed", remedy=did_you_mean(name, sorted(found.names)))
    try:
        return found[name].load()
    except (Exception, SystemExit) as error:  # whatever a package of another author raises
        raise EngineError(
            f"unit '{name}' must load (got {_shown(error)})", remedy="repair its package, or leave it out of --rack"
        ) from error


def _shown(value: object) -> str:
    """A value of a stranger's package in one line; its own ``__repr__`` may raise too."""
    try:
        return one_line(repr(value))
    except Exception:
        return f"a {type(value).__name__}"
