"""Which capacitors can make a third-order section around one follower, and with what resistors.

Only ratios matter here: with the pole pair at 1 rad/s and the ground capacitor at 1, a *table* lists for a prototype
ratios of standard capacitors near the best and the three resistors that give exactly the wanted poles. A table
serves all cutoffs and is kept.

| symbol | name     | meaning                                                                    |
|--------|----------|----------------------------------------------------------------------------|
| t      | tau      | time constant of the real pole over that of the pair                       |
| Q      | q        | quality of the pair                                                        |
| A, B   |          | first and feedback capacitor over the ground capacitor                     |
| x y z  |          | R1, R2, R3 times ground capacitor and pole frequency of the pair           |
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicer.board.series import Series, around, decade, values_between
from voicer.circuit.arrays import Array

GRID = 48
"""Values of R1 tried per set of capacitors; a root is looked for between each two."""

KEPT = 600
"""Solutions kept, least spread of resistors first."""

FIRST_TRIED, FEEDBACK_TRIED = 10, 10
"""Capacitors tried around the best first one, and above the least feedback one."""


@dataclass(frozen=True)
class Table:
    """Solutions for one prototype, one per row [each shape=(n,)]."""

    ground: Array
    """Ground capacitor within its decade, 1..10."""
    first: Array
    """First capacitor, in the same unit."""
    feedback: Array
    """Feedback capacitor, in the same unit."""
    resistors: Array
    """R1, R2, R3 times ground capacitor (in farad) times pole frequency (in rad/s) [shape=(n, 3)]."""


@lru_cache(maxsize=64)
def table(tau: float, q: float, series: Series) -> Table:
    """Solutions for the real pole at ``1 / tau`` and the pair of quality ``q`` at 1 rad/s."""
    ground, first, feedback = _capacitors(tau, q, series)
    row, resistors = _resistors(tau, q, first / ground, feedback / ground)
    best = np.argsort(np.max(resistors, axis=1) / np.min(resistors, axis=1))[:KEPT]
    row, resistors = row[best], resistors[best]
    return Table(ground[row], first[row], feedback[row], resistors)


def targets(tau: float, q: float) -> tuple[float, float, float]:
    """(a, b, c) of the prototype's ``1 + a s + b s^2 + c s^3``."""
    return tau + 1 / q, 1 + tau / q, tau


def coefficients(x: Array, y: Array, z: Array, first: Array, feedback: Array) -> tuple[Array, Array, Array]:
    """(a, b, c) that resistors and capacitor ratios give, in the units above."""
    return (
        first * x + x + y + z,
        feedback * z * (x + y) + first * x * (y + z),
        first * feedback * x * y * z,
    )


def _capacitors(tau: float, q: float, series: Series) -> tuple[Array, Array, Array]:
    """Sets around the equal-resistor design, one per combination [each shape=(n,)]."""
    best_first, best_feedback = equal_resistor_ratios(tau, q)
    step = max(1, decade(series).size // 12)
    ground = decade(series)[::step]
    known = values_between(series, 1e-2, 1e6)
    first = around(known, ground * best_first, FIRST_TRIED * step)[:, ::step]
    feedback = around(known, ground * best_feedback * 1.25, FEEDBACK_TRIED * step)[:, ::step]
    shape = (ground.size, first.shape[1], feedback.shape[1])
    sets = (ground[:, None, None], first[:, :, None], feedback[:, None, :])
    one, two, three = (np.broadcast_to(values, shape).ravel() for values in sets)
    return one, two, three


def equal_resistor_ratios(tau: float, q: float) -> tuple[float, float]:
    """(A, B) with three equal resistors; the nearest to it where the prototype allows none."""
    a, b, c = targets(tau, q)
    # a = C1 + 3 Cg, b = 2 Cg (C1 + Cf), c = C1 Cf Cg with R = 1: a cubic in Cg
    roots = np.roots([18.0, -12 * a, 2 * a * a + 3 * b, 2 * c - a * b])
    real = roots.real[(np.abs(roots.imag) < 1e-6 * np.abs(roots)) & (roots.real > 0) & (roots.real < a / 3)]
    ground = float(real.min()) if real.size else a / 6
    first = a - 3 * ground
    return first / ground, c / (first * ground * ground)


def _resistors(tau: float, q: float, first: Array, feedback: Array) -> tuple[NDArray[np.intp], Array]:
    """Every solution: which set it belongs to, and its three resistors [shape=(m,), (m, 3)]."""
    a, _, _ = targets(tau, q)
    x = a / (1 + first)[:, None] * (np.arange(GRID) + 0.5) / GRID
    values = _misfit(x, tau, q, first[:, None], feedback[:, None])[0]
    row, column = np.nonzero(np.signbit(values[:, :-1]) != np.signbit(values[:, 1:]))
    root = _bisected(x[row, column], x[row, column + 1], tau, q, first[row], feedback[row])
    _, y, z = _misfit(root, tau, q, first[row], feedback[row])
    good = (y > 0) & (z > 0)
    return row[good], np.stack([root, y, z], axis=1)[good]


def _misfit(x: Array, tau: float, q: float, first: Array, feedback: Array) -> tuple[Array, Array, Array]:
    """How far R2 R3 is off for a given R1 when everything else fits, with that R2 and R3."""
    a, b, c = targets(tau, q)
    both = a - (1 + first) * x  # y + z, from a
    product = c / (first * feedback * x)  # y z, from c
    z = (b - feedback * product - first * x * both) / (feedback * x)  # from b
    y = both - z
    return z * y - product, y, z


def _bisected(low: Array, high: Array, tau: float, q: float, first: Array, feedback: Array) -> Array:
    """The root between two values of R1, to some nine digits; the chosen design is polished afterwards."""
    sign = np.signbit(_misfit(low, tau, q, first, feedback)[0])
    for _ in range(24):
        middle = (low + high) / 2
        below = np.signbit(_misfit(middle, tau, q, first, feedback)[0]) == sign
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
