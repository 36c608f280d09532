"""voicer: play, tune, save and build bucket-brigade echoes.

import voicer
v = voicer.load("harbour-dusk")       # a voicing by name, or a path
c = voicer.design(v)                  # its circuit, exact parts
y = voicer.render(x, 48_000, c)       # float array [frames] in and out
voicer.save(v, "my-voicing")
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from voicer.errors import VoicerError

if TYPE_CHECKING:
    from voicer.board import design
    from voicer.circuit import Circuit
    from voicer.dsp.rendering import render
    from voicer.library import load, save
    from voicer.voicing import Voicing

__version__ = "0.1.0"
__all__ = ["Circuit", "VoicerError", "Voicing", "design", "load", "render", "save"]

_HOMES = {
    "Circuit": "voicer.circuit",
    "Voicing": "voicer.voicing",
    "design": "voicer.board",
    "load": "voicer.library",
    "render": "voicer.dsp.rendering",
    "save": "voicer.library",
}


def __getattr__(name: str) -> Any:
    """Load pydantic, numpy, numba and the file code only when they are asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'voicer' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
