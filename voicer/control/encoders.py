"""Endless encoders: what a message says in clicks, and how far a click moves a parameter. Pure.

Source of the encodings: documentation of a general-purpose MIDI library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    from voicer.control.curves import Curve

Encoding = Literal["twos-complement", "binary-offset", "sign-magnitude", "next-address"]
"""How a control change says by how many clicks an encoder has turned.

``next-address`` counts clicks up on controller n and clicks down on n + 1; the others use one controller.
"""

ENCODINGS: tuple[Encoding, ...] = get_args(Encoding)

CLICK = 1 / 256
"""How far one slow click moves a number, as share of the travel (own choice): a feedback of 0..1.5 moves by 0.006."""

SLOW_S, MOST = 0.08, 8.0
"""Clicks that follow each other in less than `SLOW_S` count more, in proportion, up to `MOST` times (own choice)."""


def clicks(encoding: Encoding, value: int, *, is_next: bool = False) -> int:
    """Clicks, upwards positive, that a controller value 0..127 stands for.

    Parameters
    ----------
    encoding : Encoding
    value : int, 0..127
    is_next : bool
        Whether it came on controller n + 1; only with ``next-address``.
    """
    if encoding == "twos-complement":
        return value if value < 64 else value - 128
    if encoding == "binary-offset":
        return value - 64
    if encoding == "sign-magnitude":
        return value if value < 64 else 64 - value
    return -value if is_next else value


def value_for(encoding: Encoding, turned: int) -> tuple[int, bool]:
    """The controller value for a number of clicks, and whether it goes out on n + 1; the inverse of `clicks`.

    Parameters
    ----------
    encoding : Encoding
    turned : int
        -63..63; -64 too for ``twos-complement`` and ``binary-offset``, -127..127 for ``next-address``.
    """
    if encoding == "twos-complement":
        return turned % 128, False
    if encoding == "binary-offset":
        return turned + 64, False
    if encoding == "sign-magnitude":
        return (turned if turned >= 0 else 64 - turned), False
    return abs(turned), turned < 0


class Acceleration:
    """Makes quick turns go further than slow ones."""

    def __init__(self) -> None:
        self._at_s = float("-inf")
        self._up = True

    def factor(self, turned: int, at_s: float) -> float:
        """By how much these clicks count, 1..`MOST`; 1 after a pause and when the direction changes."""
        gap_s, same_way = at_s - self._at_s, (turned > 0) == self._up
        self._at_s, self._up = at_s, turned > 0
        if not same_way or gap_s >= SLOW_S:
            return 1.0
        each_s = max(gap_s, 0.0) / abs(turned)
        return min(MOST, max(1.0, SLOW_S / each_s)) if each_s > 0 else MOST


def turned_value(curve: Curve, value: Any, turned: int, factor: float, edge: float | None = None) -> Any:
    """The value of a parameter after some clicks, held within the curve's ends.

    A choice or whole number moves by one a click. A number moves by `CLICK` times ``factor`` of the travel a click.
    It never passes ``edge``, the edge of oscillation, without stopping there, and leaves it by one slow click.

    Parameters
    ----------
    curve : Curve
    value : the parameter's present value
    turned : int
        Clicks, upwards positive; not 0.
    factor : float, >= 1
        From `Acceleration.factor`.
    edge : float, optional
    """
    up = (turned > 0) != curve.backwards
    if curve.choices or curve.whole:
        return curve.next_value(value, abs(turned) if up else -abs(turned))
    step = CLICK if value == edge else CLICK * factor * abs(turned)
    stretched = curve.stretched(value)
    travel = stretched.span_of(value)[0] + (step if turned > 0 else -step)
    new = stretched.value_at(min(max(travel, 0.0), 1.0))
    if edge is not None and (value - edge) * (new - edge) < 0:
        return edge
    return new
