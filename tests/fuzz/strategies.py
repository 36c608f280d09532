"""Hypothesis strategies shared by the tests: valid by construction, nothing filtered away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hypothesis import strategies as st

from voicer.errors import printable
from voicer.voicing import CLOCK_HIGHEST_HZ, CLOCK_LOWEST_HZ, RATE_SPAN_HZ, SHORTEST_DELAY_MS, Voicing, parameters

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

_MARGIN = 1e-9
"""Relative distance kept from the ends of the clock's span, for the rounding of its formula."""

_LETTERS = st.characters(max_codepoint=0x24F, categories=("L", "N", "P", "S"))
_SHOWN = st.characters().filter(lambda char: char in "\n\t" or printable(char) == char)
_OWN_CHECKS = {"name", "notes", "line.stages", "modulation.range", "modulation.rate_hz"}


@st.composite
def voicings(draw: st.DrawFn) -> Voicing:
    """Any valid voicing: every field over its whole range, within all cross-checks."""
    values = {key: draw(_plain(key)) for key in parameters() if key not in _OWN_CHECKS}
    values["name"], values["notes"] = draw(names()), draw(st.text(_SHOWN, max_size=300))
    values["line.stages"] = draw(st.sampled_from((512, 1024, 2048, 4096)))
    mode = values["modulation.range"] = draw(st.sampled_from(("off", "slow", "fast")))
    values["modulation.rate_hz"] = draw(st.floats(*RATE_SPAN_HZ[mode]))
    values |= draw(_delays(values))
    return Voicing.model_validate(nested(values))


@st.composite
def names(draw: st.DrawFn) -> str:
    """A voicing's name whose slug is one a file may have: it starts with a letter no reserved name has."""
    first = draw(st.sampled_from("BDEHKTVbdehktv"))
    words = draw(st.lists(st.text(_LETTERS, min_size=1, max_size=13), max_size=4))
    return " ".join([first, *words])


@st.composite
def _delays(draw: st.DrawFn, values: dict[str, Any]) -> dict[str, float]:
    deviation = 0.0 if values["modulation.range"] == "off" else values["modulation.depth_percent"] / 100
    periods = values["line.stages"] * values["line.devices"] / 2 * 1e3
    least = max(SHORTEST_DELAY_MS, periods * (1 + deviation) / CLOCK_HIGHEST_HZ * (1 + _MARGIN))
    most = min(2000.0, periods * (1 - deviation) / CLOCK_LOWEST_HZ * (1 - _MARGIN))
    shortest = draw(st.floats(least, most, exclude_max=True))
    longest = draw(st.floats(shortest, most, exclude_min=True))
    time = draw(st.floats(shortest, longest))
    return {"delay.shortest_ms": shortest, "delay.longest_ms": longest, "delay.time_ms": time}


def _plain(key: str) -> SearchStrategy[Any]:
    known = parameters()[key]
    if known.kind == "switch":
        return st.booleans()
    if known.kind == "choice":
        return st.sampled_from(known.choices)
    if known.kind == "whole":
        return st.integers(int(known.low), int(known.high))
    return st.floats(known.low, known.high)


def nested(values: dict[str, Any]) -> dict[str, Any]:
    """Dotted keys as nested tables."""
    tables: dict[str, Any] = {}
    for key, value in values.items():
        *around, last = key.split(".")
        place = tables
        for part in around:
            place = place.setdefault(part, {})
        place[last] = value
    return tables
