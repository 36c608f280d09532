"""Everything a control can move: the parameters of a voicing, and those of the session itself."""

from __future__ import annotations

from voicer.errors import VoicingError, did_you_mean
from voicer.voicing import Parameter, parameters

SESSION: dict[str, Parameter] = {
    one.key: one
    for one in (
        Parameter("morph.position", "number", 0.0, 1.0, "", (), "way from one voicing to another"),
        Parameter("tempo.bpm", "number", 20.0, 400.0, "1/min", (), "tempo, quarter notes a minute"),
    )
}
"""Parameters of the session by dotted key; they are not saved with a voicing."""


def target(key: str) -> Parameter:
    """The parameter of that dotted key; an unknown key raises `VoicingError` offering the nearest."""
    found = parameters().get(key) or SESSION.get(key)
    if found is None:
        raise VoicingError(f"unknown parameter '{key}'", remedy=did_you_mean(key, [*parameters(), *SESSION]))
    return found
