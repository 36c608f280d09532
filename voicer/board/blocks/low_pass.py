"""Low-pass sections as Sallen-Key blocks: with exact resistors, or all of values that can be bought.

Both searches begin with every combination of standard capacitors that allows the poles, and the resistors that then
give them exactly. `blocks_for` takes the combination whose parts differ least from each other; `snapped` moves the
resistors of many combinations to values of their series and takes the one whose poles are nearest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import NoReturn, cast

import numpy as np
from numpy.typing import NDArray

from voicer.board.blocks.sallen_key import SecondOrder, ThirdOrder
from voicer.board.blocks.three_poles import coefficients, equal_resistor_ratios, table, targets
from voicer.board.series import Series, around, values_between
from voicer.circuit.arrays import Array
from voicer.circuit.filters import Section
from voicer.errors import CircuitError

__all__ = ["SecondOrder", "ThirdOrder", "blocks_for", "miss", "snapped"]

Block = SecondOrder | ThirdOrder

LEAST_FARAD, MOST_FARAD = 100e-12, 1e-6
"""Film and C0G capacitors; chosen. Below, strays count; above, only types that distort are small enough."""

LEAST_OHM, MOST_OHM = 4.7e3, 220e3
"""Resistors: limited by the load on the preceding follower, and by noise and bias current. Chosen."""

LAST_RESORT_OHM = 2.2e3
"""Smallest resistor as a last resort, for sharp filters near 20 kHz; audio amplifiers can drive it. Chosen."""

USUAL_OHM = 22e3
"""Preferred resistance where there is a choice. Chosen."""

F0_MISS, Q_MISS = 0.02, 0.05
"""Tolerated relative errors of pole frequency and Q, which weigh equally."""

SPREAD_WEIGHT = 0.05
"""What a resistor spread of 2.7 to 1 counts against a `miss` of 1; small, so that it settles near ties. Chosen."""

TRIED = 300
"""Combinations of capacitors, least awkward first, whose resistors `snapped` rounds."""


@dataclass(frozen=True)
class _Sets:
    """Combinations of capacitors with their exact resistors."""

    ohms: Array
    """In the block's order [shape=(resistors, n)]."""
    farads: Array
    """In the block's order [shape=(capacitors, n)]."""

    def take(self, index: NDArray[np.intp]) -> _Sets:
        """Some of them, in the order of the index."""
        return _Sets(self.ohms[:, index], self.farads[:, index])

    def awkwardness(self) -> Array:
        """Small for similar resistors near the usual value and capacitors well above strays [shape=(n,)]."""
        logs = np.log(self.ohms)
        off = np.abs(logs.mean(axis=0) - np.log(USUAL_OHM))
        small = np.maximum(np.log(10 * LEAST_FARAD / self.farads.min(axis=0)), 0)
        return cast("Array", np.ptp(logs, axis=0) + 0.3 * off + 0.2 * small)


@lru_cache(maxsize=256)
def blocks_for(sections: tuple[Section, ...], *, capacitors: Series = "E12") -> tuple[Block, ...]:
    """Blocks with exactly the poles of the sections: capacitors of a series, resistors of any value.

    A first-order section and the pair of lowest quality share one `ThirdOrder`, which comes first. Such a pair must
    be a complex one, of a quality above 0.5, as the prototypes' are.

    Raises
    ------
    CircuitError
        When no parts within the limits above give a section.
    """
    return tuple(_exact(group, capacitors) for group in _groups(sections))


@lru_cache(maxsize=256)
def snapped(
    sections: tuple[Section, ...], *, resistors: Series = "E24", capacitors: Series = "E12"
) -> tuple[Block, ...]:
    """Blocks of bought values whose poles are nearest to those of the sections, in `miss`.

    Raises
    ------
    CircuitError
        As `blocks_for`.
    """
    return tuple(_snapped(group, resistors, capacitors) for group in _groups(sections))


def miss(block: Block, wanted: tuple[Section, ...]) -> Array:
    """Worst error of a block's poles: 1 is 2 % of a pole frequency or 5 % of the quality [shape like the parts]."""
    first = [section.f0_hz for section in wanted if section.order == 1]
    goal = [*first, wanted[-1].f0_hz, wanted[-1].q]
    limits = [F0_MISS] * (len(goal) - 1) + [Q_MISS]
    errors = [np.abs(got / want - 1) / most for got, want, most in zip(block.f0_q(), goal, limits, strict=True)]
    return cast("Array", np.max(np.stack(errors), axis=0))


def _groups(sections: tuple[Section, ...]) -> list[tuple[Section, ...]]:
    """Sections that share an amplifier: the first-order one with the pair of lowest quality, others alone."""
    single = tuple(section for section in sections if section.order == 1)
    pairs = sorted((section for section in sections if section.order == 2), key=lambda section: section.q)
    if len(single) > 1 or not pairs:
        raise CircuitError(
            f"a low-pass must have a second-order section and at most one first-order one "
            f"(got {len(pairs)} and {len(single)})",
            remedy="choose an order from 2 to 6",
        )
    return [(*single, pairs[0]), *((pair,) for pair in pairs[1:])]


@lru_cache(maxsize=512)
def _exact(group: tuple[Section, ...], capacitors: Series) -> Block:
    sets = _triples(*group, capacitors) if len(group) == 2 else _pairs(group[0], capacitors)
    for least in (LEAST_OHM, LAST_RESORT_OHM):
        fits = np.flatnonzero((sets.ohms.min(axis=0) >= least) & (sets.ohms.max(axis=0) <= MOST_OHM))
        if fits.size:
            sets = sets.take(fits)
            best = _block(sets, int(np.argmin(sets.awkwardness())))
            return _polished(best, group) if isinstance(best, ThirdOrder) else best
    _refuse(group, sets)


@lru_cache(maxsize=512)
def _snapped(group: tuple[Section, ...], resistors: Series, capacitors: Series) -> Block:
    _exact(group, capacitors)  # says what is wrong where nothing fits
    sets = _triples(*group, capacitors) if len(group) == 2 else _near_pairs(group[0], capacitors)
    found = []
    for least in (LEAST_OHM, LAST_RESORT_OHM):
        rounded = _rounded(sets, values_between(resistors, least, MOST_OHM))
        misses = miss(_arrays(rounded), group)
        best = np.argmin(misses + SPREAD_WEIGHT * rounded.awkwardness())
        found.append((float(misses[best]), _block(rounded, int(best))))
        if found[0][0] <= 1:
            break
    return min(found, key=lambda pair: pair[0])[1]


def _rounded(sets: _Sets, values: Array) -> _Sets:
    """The least awkward sets, each with every choice of values around each resistor."""
    beyond = np.maximum(np.log(values[0] / sets.ohms.min(axis=0)), np.log(sets.ohms.max(axis=0) / values[-1]))
    order = np.argsort(sets.awkwardness() + 10 * np.maximum(beyond, 0))[:TRIED]
    chosen = sets.take(order)
    near = around(values, chosen.ohms, 4 if chosen.ohms.shape[0] == 2 else 2)
    choices = product(range(near.shape[-1]), repeat=chosen.ohms.shape[0])
    ohms = [np.stack([near[row, :, pick] for row, pick in enumerate(choice)]) for choice in choices]
    return _Sets(np.concatenate(ohms, axis=1), np.tile(chosen.farads, len(ohms)))


def _pairs(section: Section, capacitors: Series, share: float = 1.0) -> _Sets:
    """Pairs with C feedback of at least ``share`` of 4 Q^2 C ground ("Op Amps for Everyone", chapter 16)."""
    known = values_between(capacitors, LEAST_FARAD, MOST_FARAD)
    step = max(1, known.size // 49)
    from_least = np.searchsorted(known, known * (share * (1 - 1e-12) * 4 * section.q**2))
    index = (from_least[:, None] + step * np.arange(8)).ravel()
    ground, feedback = np.repeat(known, 8)[index < known.size], known[index[index < known.size]]
    w0 = 2 * np.pi * section.f0_hz
    half = 1 / (2 * section.q * w0 * ground)
    multiplied = 1 / (w0 * w0 * ground * feedback)
    larger = half + np.sqrt(np.maximum(half * half - multiplied, 0))
    return _Sets(np.stack([multiplied / larger, larger]), np.stack([ground, feedback]))


def _near_pairs(section: Section, capacitors: Series) -> _Sets:
    """As `_pairs`, and those that with two equal resistors come near the quality."""
    sets = _pairs(section, capacitors, (1 - Q_MISS) ** 2)
    near = np.flatnonzero(sets.farads[1] / sets.farads[0] <= (1 + Q_MISS) ** 2 * 4 * section.q**2)
    alike = np.broadcast_to(np.sqrt(sets.ohms[0] * sets.ohms[1]), sets.ohms.shape)
    return _Sets(np.hstack([sets.ohms, alike[:, near]]), np.hstack([sets.farads, sets.farads[:, near]]))


@lru_cache(maxsize=8)
def _triples(first: Section, pair: Section, capacitors: Series) -> _Sets:
    """Solutions of the prototype's table in every decade of capacitors."""
    found = table(round(_tau(first, pair), 9), round(float(pair.q), 9), capacitors)
    decades = 10.0 ** np.arange(np.floor(np.log10(LEAST_FARAD)), np.ceil(np.log10(MOST_FARAD)))
    unit = np.stack([found.first, found.feedback, found.ground])
    farads = (decades[:, None] * unit[:, None, :]).reshape(3, -1)
    inside = (farads.min(axis=0) >= LEAST_FARAD * (1 - 1e-9)) & (farads.max(axis=0) <= MOST_FARAD * (1 + 1e-9))
    farads = farads[:, inside]
    scaled = np.tile(found.resistors.T, decades.size)[:, inside]
    return _Sets(scaled / (2 * np.pi * pair.f0_hz * farads[2]), farads)


def _tau(first: Section, pair: Section) -> float:
    """Time constant of the real pole over that of the pair."""
    return float(pair.f0_hz / first.f0_hz)


def _arrays(sets: _Sets) -> Block:
    """A block whose parts are arrays."""
    values = (*sets.ohms, *sets.farads)
    return SecondOrder(*values) if len(values) == 4 else ThirdOrder(*values)


def _block(sets: _Sets, index: int) -> Block:
    """The block of one set, its capacitors the very floats of the list."""
    values = [float(value) for value in sets.ohms[:, index]]
    values += [float(f"{value:.3g}") for value in sets.farads[:, index]]
    return SecondOrder(*values) if len(values) == 4 else ThirdOrder(*values)


def _polished(block: ThirdOrder, group: tuple[Section, ...]) -> ThirdOrder:
    """The same block with its resistors brought to the last digit by Newton's method."""
    first, pair = group
    goal = np.array(targets(_tau(first, pair), float(pair.q)))
    ground = block.ground_farad
    scale = 2 * np.pi * pair.f0_hz * ground
    x, y, z = scale * np.array([block.r1_ohm, block.r2_ohm, block.r3_ohm])
    a, b = np.array([block.first_farad, block.feedback_farad]) / ground
    for _ in range(3):
        off = np.array(coefficients(x, y, z, a, b)) - goal
        slopes = np.array([
            [a + 1, 1, 1],
            [b * z + a * (y + z), b * z + a * x, b * (x + y) + a * x],
            [a * b * y * z, a * b * x * z, a * b * x * y],
        ])  # fmt: skip
        x, y, z = np.array([x, y, z]) - np.linalg.solve(slopes, off)
    return replace(block, r1_ohm=float(x / scale), r2_ohm=float(y / scale), r3_ohm=float(z / scale))


def _refuse(group: tuple[Section, ...], sets: _Sets) -> NoReturn:
    """Name the section, the rule that fails by least, and what mends it."""
    pair = group[-1]
    where = f"the section at {pair.f0_hz:.5g} Hz with a quality of {pair.q:.3g}"
    gentler = "choose a shape or an order with a lower quality"
    if not sets.farads.size:
        raise CircuitError(f"{where} must have {_capacitor_rule(group)}", remedy=gentler)
    low, high = sets.ohms.min(axis=0), sets.ohms.max(axis=0)
    beyond = np.maximum(LAST_RESORT_OHM / low, high / MOST_OHM)
    best = int(np.argmin(beyond))
    small = LAST_RESORT_OHM / low[best] >= high[best] / MOST_OHM
    got = low[best] if small else high[best]
    move = (
        f"lower the cutoff to {0.99 / beyond[best]:.3g}" if small else f"raise the cutoff to {1.01 * beyond[best]:.3g}"
    )
    raise CircuitError(
        f"{where} must have resistors of {LAST_RESORT_OHM:g}..{MOST_OHM:g} Ohm "
        f"(got {got:.4g} Ohm with {sets.farads[:, best].min() * 1e12:.4g} pF)",
        remedy=f"{move} of its value, or {gentler}",
    )


def _capacitor_rule(group: tuple[Section, ...]) -> str:
    """What must hold of the capacitors, and what was got, where no set will do."""
    pair, most = group[-1], MOST_FARAD / LEAST_FARAD
    alone = len(group) == 1
    ratio = 4 * pair.q**2 if alone else equal_resistor_ratios(_tau(group[0], pair), float(pair.q))[1]
    if alone or ratio > most:
        return f"two capacitors of a ratio below {most:g} (got {ratio:.5g})"
    return (
        f"positive resistors beside some standard capacitors "
        f"(got none in one amplifier with a real pole at {group[0].f0_hz:.5g} Hz)"
    )
