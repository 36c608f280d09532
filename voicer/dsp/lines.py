"""Two echoes and who plays: after a recall the old line rings on beside the new one, then there is one again.

The new line begins empty, its dry signal and its input fade in while those of the old one fade out, so the dry signal
goes on as it was. The old line is not touched otherwise: its repeats decay as if nothing had happened. It ends when its
output has stayed 66 dB below its loudest for as long as its delay, after `LONGEST_S` at the latest, and at once (by a
fade) where the new set of numbers does not let it ring, or where the machine cannot carry both. Another line asked for
while it rings waits for its fade, `FADE_S`.

Everything is counted in samples, so the same sets at the same blocks give the same sound; only the shedding of a tail
does not, and it is counted.

Thread: audio. Nothing here allocates.
"""

from __future__ import annotations

from math import ceil

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

from voicer.dsp.echo import AIM, END, LEAVE, PLAY, REVIVE
from voicer.dsp.layout import SEGMENT

FADE_S = 0.010
"""Length of every fade between two lines."""

LONGEST_S = 10.0
"""A tail that has not died away by then is faded."""

END_FADE_S = 0.1
"""Length of that fade."""

OVER = 5e-4
"""A tail is over when it has stayed this far, 66 dB, below its loudest for as long as its delay."""

SILENT = 1e-5
"""Below this, -100 dB of full scale, a tail is over whatever it was before."""

SHED_SHARE = 0.85
"""A block that takes more of its own length than this is slow; two in a row fade the tail."""

IDLE, RINGING, ENDING = range(3)

LINES = np.dtype(
    [
        ("main", "i8"),  # which of the two plays
        ("ring", "i8"),  # what the other does
        ("line", "i8"),  # number of the line that plays
        ("generation", "i8"),
        ("played", "i8"),  # samples since the other was left
        ("left", "i8"),  # samples that it may still play
        ("quiet", "i8"),  # samples for which it has been quiet
        ("delay", "i8"),  # of it, samples, at most
        ("next_delay", "i8"),  # the same of the one that plays
        ("peak", "f8"),  # its loudest since
        ("slow", "i8"),  # slow blocks in a row
        ("sheds", "i8"),  # whether a tail may be dropped to save time
        ("fade", "i8"),  # samples of a fade
        ("longest", "i8"),
        ("end_fade", "i8"),
    ]
)

_kernel = njit(cache=True, error_model="numpy")


def set_up(lines: np.void, numbers: np.void, sample_rate_hz: float) -> None:
    """Fill in the lengths, in samples, and what the first numbers (a record of `layout.LAYOUT`) say."""
    lines["line"], lines["generation"], lines["next_delay"] = numbers["line"], numbers["generation"], delay_of(numbers)
    lines["fade"] = SEGMENT * ceil(FADE_S * sample_rate_hz / SEGMENT)
    lines["end_fade"] = SEGMENT * ceil(END_FADE_S * sample_rate_hz / SEGMENT)
    lines["longest"] = round(LONGEST_S * sample_rate_hz)


@intrinsic
def call_echo(_context, call, echo, what, x, y, frames):
    """`work_echo` by its address: linked in, it would be compiled twice."""

    def generate(_target, builder, _signature, arguments):
        pointer, word = arguments[0].type, ir.IntType(64)
        kind = ir.FunctionType(word, (pointer, word, pointer, pointer, word)).as_pointer()
        return builder.call(builder.bitcast(arguments[0], kind), arguments[1:])

    return types.int64(types.voidptr, types.voidptr, types.int64, types.voidptr, types.voidptr, types.int64), generate


@_kernel
def end_tail(lines, call, other, length):
    """Fade the tail out within ``length`` samples."""
    call_echo(call, other, END, other, other, length // SEGMENT)
    lines.ring, lines.left = ENDING, length + SEGMENT


@_kernel
def delay_of(numbers):
    """Delay of a line in samples, or twice that where the echo works at twice the rate."""
    return int(numbers.periods * max(numbers.devices, 1.0) / (numbers.clock * (1.0 - numbers.deviation)))


@_kernel
def aim_lines(lines, call, first, second, address, numbers):
    """Take new numbers; false where they have to wait until a tail has faded.

    ``numbers`` is a record of `layout.LAYOUT` at ``address``; ``first`` and ``second`` are the echoes' tables.
    """
    main, other = (first, second) if lines.main == 0 else (second, first)
    line, generation = int(numbers.line), int(numbers.generation)
    if line == lines.line:
        lines.next_delay = delay_of(numbers)
        if lines.ring == RINGING and (numbers.tail == 0.0 or generation != lines.generation):
            end_tail(lines, call, other, lines.fade)
        call_echo(call, main, AIM, address, address, 0)
        lines.generation = generation
        return True
    if lines.ring != IDLE:
        if lines.ring == RINGING:
            end_tail(lines, call, other, lines.fade)
        return False
    keeps = numbers.tail > 0.0
    call_echo(call, main, LEAVE if keeps else END, address, address, lines.fade // SEGMENT)
    call_echo(call, other, REVIVE, address, address, lines.fade // SEGMENT)
    lines.main, lines.line, lines.generation = 1 - lines.main, line, generation
    lines.ring = RINGING if keeps else ENDING
    lines.left = lines.longest if keeps else lines.fade + SEGMENT
    lines.played = lines.quiet = lines.slow = 0
    lines.delay, lines.next_delay = lines.next_delay, delay_of(numbers)
    lines.peak = 0.0
    return True


@_kernel
def play_lines(lines, call, first, second, x_address, y_address, rest_address, y, rest):
    """One block: ``y`` of the line that plays, and what rings added to it from ``rest``."""
    main, other = (first, second) if lines.main == 0 else (second, first)
    frames = y.size
    call_echo(call, main, PLAY, x_address, y_address, frames)
    if lines.ring == IDLE:
        return
    call_echo(call, other, PLAY, x_address, rest_address, frames)
    peak = 0.0
    for j in range(frames):
        y[j] += rest[j]
        peak = max(peak, abs(rest[j]))
    lines.left -= frames
    lines.played += frames
    if lines.ring == RINGING:
        if lines.played > lines.fade:
            lines.peak = max(lines.peak, peak)
            lines.quiet = lines.quiet + frames if peak <= max(OVER * lines.peak, SILENT) else 0
        if lines.quiet > lines.delay + frames:
            end_tail(lines, call, other, lines.fade)
        elif lines.left <= lines.end_fade:
            end_tail(lines, call, other, lines.end_fade)
    elif lines.left <= 0:
        lines.ring = IDLE


@_kernel
def is_shed(lines, call, first, second, took_ns, length_ns):
    """Fade the tail where two blocks in a row were slow; whether that was so."""
    if lines.ring != RINGING or lines.sheds == 0:
        return False
    lines.slow = lines.slow + 1 if took_ns > SHED_SHARE * length_ns else 0
    if lines.slow < 2:
        return False
    end_tail(lines, call, second if lines.main == 0 else first, lines.fade)
    return True
