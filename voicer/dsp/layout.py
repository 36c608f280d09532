"""Names and places of the echo's coefficients, shared by the host that computes them and the engine that plays them.

One flat float64 array: it travels through shared memory as it is, and the kernel glides from one set to the next
value by value. Times are in inner samples, levels in volts. The engine process imports this and neither the circuit
nor the models of a voicing.
"""

from __future__ import annotations

import numpy as np

SEGMENT = 16
"""Audio samples between two looks at the coefficients; segments start at multiples of it whatever the blocks."""

LOW_PASS_TAPS = 8
"""Length of the fitted numerator of a low-pass filter (`matching`)."""

LOW_PASS_LOOKAHEAD = 3
"""Samples by which its input is ahead."""

COUPLING_TAPS = 4
COUPLING_LOOKAHEAD = 1

LINE_ROWS = 24
"""Clock frequencies at which the line's response is tabulated, evenly spaced in log2."""

LINE_TAPS = 32
"""Most clock periods a sample's charge is spread over."""

LIMIT_INTERVALS = 96
"""Pieces in which the loop's limiter is tabulated, from 0 to where its amplifier clips."""

LAYOUT = np.dtype(
    [
        # discrete: after a change the echo fades out, its line is emptied, and it fades in again
        ("periods", "f8"),  # P, clock periods from input to output
        ("devices", "f8"),
        ("generation", "f8"),  # counted up to empty the line although nothing else changes
        ("muted", "f8"),  # 1: silence; the line is emptied as it becomes 1
        # between two lines (`lines`)
        ("line", "f8"),  # counted up to play on another line
        ("tail", "f8"),  # 1: the line before may ring on
        ("clock_glide", "f8"),  # segments in which the clock gets there, where that is more than usual
        # volts and gains
        ("volts_per_unit", "f8"),  # volts at a sample value of 1
        ("send", "f8"),  # input into the echo: 0 while bypassed
        ("dry", "f8"),
        ("wet", "f8"),
        ("feedback", "f8"),
        ("rail_v", "f8"),
        ("limit_places", "f8"),  # intervals of ``limit`` per volt that returns
        ("limit", "f8", (LIMIT_INTERVALS, 4)),  # what the limiter lets through: a cubic per interval, powers rising
        # clock and LFO
        ("clock", "f8"),  # ticks per inner sample, LFO at rest
        ("deviation", "f8"),
        ("lfo_step", "f8"),  # LFO periods per inner sample
        ("lfo_sine", "f8"),  # 0 triangle, 1 sine
        # filters
        ("coupling", "f8", (2,)),  # gain, pole
        ("coupling_fir", "f8", (COUPLING_TAPS,)),
        ("anti_alias_fir", "f8", (LOW_PASS_TAPS,)),
        ("anti_alias", "f8", (3, 3)),  # gain, a1, a2 per section
        ("reconstruction_fir", "f8", (LOW_PASS_TAPS,)),
        ("reconstruction", "f8", (3, 3)),
        ("output_coupling", "f8", (2,)),
        # compander
        ("companding", "f8"),  # 0 off, 1 on
        ("send_share", "f8"),  # of the new value in the compressor's average
        ("return_share", "f8"),  # the same of the expander
        ("unity_v", "f8"),
        ("lowest_average", "f8"),
        ("lowest_return_average", "f8"),
        # line
        ("saturation", "f8"),  # 1 / soft limit, 1/V; 0 is linear
        ("unevenness_v", "f8"),
        ("noise_v", "f8", (2,)),  # first-order shaping of one white source
        ("bleed_v", "f8"),
        ("imbalance", "f8"),
        ("row_first", "f8"),  # log2 of the first row's clock, ticks per inner sample
        ("row_step", "f8"),  # log2 between rows
        ("taps", "f8"),  # how many of LINE_TAPS carry weight, rounded up to fours
        ("bias_shift_v", "f8", (LINE_ROWS,)),
        ("transfer", "f8", (LINE_ROWS, LINE_TAPS)),  # the most delayed first
    ],
    align=True,
)
"""Names and places of the coefficients; every field is float64."""

COUNT = LAYOUT.itemsize // 8
"""Length of the flat array."""
