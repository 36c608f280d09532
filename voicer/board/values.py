"""Values of parts as text: written short for sheets, read from what people type.

``4.7n``, ``12k``, ``1M`` with the prefixes of the SI (u for micro, so that every program reads it); read are also the
letter code of IEC 60062 (``4k7``, ``4R7``, ``2n2``), units (``100 nF``, ``47 kΩ``) and plain numbers (``4.7e-9``).
Never use these texts in a netlist: there M is milli.
"""

from __future__ import annotations

import math
import re

from voicer.board.parts import Kind, Part, find_part
from voicer.errors import CircuitError, one_line

PREFIXES = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
UNITS: dict[Kind, str] = {"resistor": "Ω", "pot": "Ω", "capacitor": "F"}
VALUE_SPAN: dict[Kind, tuple[float, float]] = {
    "resistor": (0.1, 1e8), "pot": (100, 1e7), "capacitor": (1e-13, 1e-1),
}  # fmt: skip
"""A value outside is taken for a typing error."""

_OHM = {"R": 1.0, "r": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "": 1.0}
_FARAD = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "\u00b5": 1e-6, "\u03bc": 1e-6, "m": 1e-3, "": 1.0}
_NUMBER = r"(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_SHAPE = re.compile(
    rf"(?P<number>{_NUMBER})\s*(?P<prefix>[RrkKMpnum\u00b5\u03bc]?)(?P<digits>\d*)\s*"
    r"(?P<unit>[Oo]hms?|[\u03a9\u2126]|F)?"
)


def short_value(value: float, digits: int = 4) -> str:
    """A value with its SI prefix, at most ``digits`` significant digits: ``4.7n``, ``12.34k``."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    rounded = float(f"{value:.{digits}g}")
    power = min(max(3 * math.floor(math.log10(abs(rounded)) / 3 + 1e-12), -12), 9)
    return f"{float(f'{rounded / 10.0**power:.{digits}g}'):.10g}{PREFIXES[power]}"


def value_text(value: float, kind: Kind) -> str:
    """A value with its unit, for reading: ``4.7 nF``, ``12.34 kΩ``."""
    short = short_value(value)
    prefix = short[-1] if short[-1].isalpha() else ""
    return f"{short.removesuffix(prefix)} {prefix.replace('u', 'µ')}{UNITS[kind]}"


def parse_value(text: str, kind: Kind) -> float:
    """Ohm or farad from a text; `CircuitError` for what is no value of such a part."""
    match = _SHAPE.fullmatch(text.strip())
    prefixes = _FARAD if kind == "capacitor" else _OHM
    if match is None or match["prefix"] not in prefixes:
        raise _refused(text, kind)
    number, digits = match["number"].replace(",", "."), match["digits"]
    if digits and not (match["prefix"] and number.isdecimal()):
        raise _refused(text, kind)
    if match["unit"] and (match["unit"] == "F") != (kind == "capacitor"):
        raise _refused(text, kind)
    value = float(f"{number}.{digits}" if digits else number) * prefixes[match["prefix"]]
    low, high = VALUE_SPAN[kind]
    if not low <= value <= high:
        raise _refused(text, kind)
    return float(f"{value:.15g}")


def parse_swaps(texts: list[str], parts: list[Part]) -> dict[str, float]:
    """Values by part key from texts such as ``R7=12k`` or ``low_cut.load_ohm=12k``.

    A reference is looked up once, on the board it was typed for; from then on the swap belongs to that part, whatever
    number another board gives it.

    Raises
    ------
    CircuitError
        For an unknown part, a value that such a part cannot have, or a part given twice.
    """
    values: dict[str, float] = {}
    for text in texts:
        name, equals, value = (piece.strip() for piece in text.partition("="))
        if not equals:
            raise CircuitError(f"a swap must be REF=VALUE (got '{one_line(text)}')", remedy="for example --swap R7=12k")
        found = find_part(name, parts)
        if found.key in values:
            raise CircuitError(
                f"part {name} must be swapped only once (got '{one_line(text)}' too)", remedy="keep one of them"
            )
        values[found.key] = parse_value(value, found.kind)
    return values


def require_value(value: float, kind: Kind) -> None:
    """Refuse a number no part of that kind can have (or none at all) with a `CircuitError`."""
    low, high = VALUE_SPAN[kind]
    if not low <= value <= high:
        raise _refused(f"{value:g}", kind)


def _refused(text: str, kind: Kind) -> CircuitError:
    low, high = VALUE_SPAN[kind]
    sample = "4.7n, 4n7 or 4.7e-9" if kind == "capacitor" else "12k, 4k7 or 12000"
    return CircuitError(
        f"a {kind} must have a value in {short_value(low)}..{short_value(high)} {UNITS[kind]} (got '{one_line(text)}')",
        remedy=f"write it like {sample}",
    )
