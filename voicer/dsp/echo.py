"""The echo kernel: one block of samples through the whole circuit.

Order of work. Audio sample n is *now*. A short segment is worked through stage by stage, and every stage has its own
place in time, so that the kernels which look ahead never wait:

    ticks     run ahead of now: the clock's coming instants, and what leaves the line at them
    wet       reconstruction and expander, ahead by half the rate filter
    output    now: dry plus wet, no latency
    send      half a rate filter behind now: input sum, compressor, anti-alias
    sampling  a little further behind: what the line takes in at each tick

A tick is therefore emitted first and filled later; the line's own delay is longer than the gap (see
`circuit.CLOCK_LIMIT_HZ`). The feedback is read from the wet signal at the send's own time: the loop has exactly the
delay of its parts.

| symbol | name    | meaning                                                 |
|--------|---------|---------------------------------------------------------|
| n      | frames  | audio samples of a piece, 1..SEGMENT                    |
| m      | inner   | inner samples of a piece: n times the factor 1 or 2     |
| k      | tick    | number of a clock period; one sample enters at each     |
| c      | numbers | coefficients by name, `layout.LAYOUT`                   |
| s, i   | state   | floats and whole numbers by name, `_FLOATS` and `_INTS` |

Thread: audio. Nothing here allocates; all arrays belong to `Echo`.
"""

from __future__ import annotations

import ctypes
from math import ceil
from typing import Any

import numpy as np
from numba import carray, cfunc, njit, types  # type: ignore[attr-defined]
from numpy.typing import NDArray

from voicer.dsp.bridge import (
    BRIDGE_ROWS,
    BRIDGE_TAPS,
    RATE_TAPS,
    inner_factor,
    rate_filter,
    reading_table,
    step_table,
)
from voicer.dsp.layout import (
    COUNT,
    COUPLING_LOOKAHEAD,
    LAYOUT,
    LIMIT_INTERVALS,
    LINE_ROWS,
    LINE_TAPS,
    LOW_PASS_LOOKAHEAD,
    LOW_PASS_TAPS,
    SEGMENT,
)

GLIDE_SEGMENTS = 12
"""A new set of coefficients is reached in this many segments: 4 ms at 48 kHz."""

CLOCK_GLIDE_SEGMENTS = 60
"""A new clock is reached in this many segments: 20 ms at 48 kHz. A controller sends a step every 5 to 20 ms; a clock
that followed each at once would bend the pitch in steps."""

FADE_S = 0.012
"""Length of each fade around a line that is emptied: after another number of stages, a mute, a new generation."""

_REACH = BRIDGE_TAPS // 2
_HALF = RATE_TAPS // 2
_PHASE = RATE_TAPS // 2  # taps of the rate filter's odd phase
_INNER = 2 * SEGMENT
_LINE_SIZE = 1 << 15
_TICK_SIZE = 1 << 11
_START = -10 * SEGMENT  # audio time at which the clock starts: earlier than anything looks back
_QUIET = 1e-20  # volts; smaller states become zero, so that a decaying tail never turns denormal
_ROW_MASK, _INDEX_MASK = 2 * BRIDGE_ROWS - 1, 127  # change nothing; they tell the compiler an index is not negative
_LOUDEST_UNIT = 1e3  # an input sample beyond this, or no number at all, is replaced

# history kept in front of each working buffer, in samples of its own rate
_DRY_PAST = _PHASE - 1
_WET_PAST = RATE_TAPS
_ODD_PAST = _PHASE
_FIR_PAST = LOW_PASS_TAPS - 1
_READ_PAST = BRIDGE_TAPS

_INTS = np.dtype(
    [
        ("frame", "i8"),  # audio samples done
        ("tick", "i8"),  # next tick to come
        ("filled", "i8"),  # next tick to be given its sample
        ("event", "i8"),  # next edge of the clock, in half periods of ``phase``
        ("glide", "i8"),  # segments left until the target is reached
        ("clock_glide", "i8"),  # the same for the clock
        ("fade_length", "i8"),  # segments of a fade
        ("fade", "i8"),  # segments left of fading out, one of silence, and fading in
        ("noise", "u8"),  # state of the noise source
        ("factor", "i8"),  # inner samples per audio sample
    ]
)
_FLOATS = np.dtype(
    [
        # clock inside the present segment: phase + speed t + rise t^2 / 2, t in inner samples
        ("phase", "f8"),
        ("speed", "f8"),
        ("rise", "f8"),
        ("base", "f8"),  # speed with the LFO at rest at the segment's end
        ("lfo", "f8"),  # phase of the LFO at the segment's end, periods
        # the line's output
        ("sample", "f8"),  # what left it at the last tick, V
        ("held", "f8"),  # what its output stands at, V
        ("white", "f8"),  # last sample of the noise source
        ("stair", "f8"),  # the staircase, band-limited, V
        ("bias_v", "f8"),  # offset inside the buckets
        ("bias_out", "f8"),  # what the soft limit makes of it
        ("restore", "f8"),  # makes the limiter's small-signal gain one
        # filters and rectifiers
        ("send_average", "f8"),
        ("return_average", "f8"),
        ("coupling_in", "f8"),
        ("coupling_0", "f8"),  # its last three outputs
        ("coupling_1", "f8"),
        ("coupling_2", "f8"),
        ("output_in", "f8"),
        ("output_out", "f8"),
        # gains that move linearly inside a segment, and their steps
        ("send", "f8"),
        ("send_step", "f8"),
        ("feedback", "f8"),
        ("feedback_step", "f8"),
        ("dry", "f8"),
        ("dry_step", "f8"),
        ("wet", "f8"),
        ("wet_step", "f8"),
    ]
)

# The interpreter lock is kept while a kernel runs: given up, it could be taken by a thread of no priority that is then
# put aside, and the audio thread would wait for that thread. Only "contract": sums that may be reassociated would be
# slower here (measured), and differ with the block's length.
_kernel = njit(cache=True, error_model="numpy", fastmath={"contract"})


@_kernel
def _clear(array):
    """Zero an array; an assignment to a slice would take the compiler far longer."""
    for j in range(array.size):
        array.flat[j] = 0.0


@_kernel
def _glide(c, target, flat, flat_target, s, i):
    """Bring the coefficients one segment nearer to their target; true where the echo must be emptied.

    What cannot glide waits for the bottom of a fade: until then only the output gains move, the echo's downwards.
    """
    keeps = c.periods == target.periods and c.devices == target.devices and c.generation == target.generation
    if i.fade == 0 and not (keeps and target.muted <= c.muted):
        i.fade = 2 * i.fade_length + 1
    if i.fade > 0:
        i.fade -= 1
    share = 1.0 / max(i.glide, 1)
    dry = c.dry + (target.dry - c.dry) * share
    if i.fade > i.fade_length:
        c.dry = dry
        c.wet += (min(target.wet, c.wet) - c.wet) * share
        i.glide = max(i.glide - 1, 0)
        return False
    if i.fade == i.fade_length:
        for j in range(flat.size):
            flat[j] = flat_target[j]
        c.dry, s.base = dry, c.clock
        i.glide, i.clock_glide = max(i.glide - 1, 0), 0
        return True
    periods, devices, generation = c.periods, c.devices, c.generation
    taps, clock, muted = max(c.taps, target.taps), c.clock, min(c.muted, target.muted)
    if i.glide > 0:
        for j in range(flat.size):
            flat[j] += (flat_target[j] - flat[j]) * share
        i.glide -= 1
    if i.clock_glide > 0:
        clock += (target.clock - clock) / i.clock_glide
        i.clock_glide -= 1
    c.periods, c.devices, c.generation, c.muted, c.clock = periods, devices, generation, muted, clock
    c.taps = taps if i.glide > 0 else target.taps
    return False


@_kernel
def _empty(c, s, line, wet, odd, steps, stairs, compressed, ready, reconstruction, anti_alias):
    """Take every sound out of the echo; clock, LFO and noise run on."""
    _clear(line)
    _clear(wet)
    _clear(odd)
    _clear(steps)
    _clear(stairs)
    _clear(compressed)
    _clear(ready)
    _clear(reconstruction)
    _clear(anti_alias)
    s.sample = s.held = s.stair = 0.0
    s.send_average, s.return_average = c.lowest_average, c.lowest_return_average
    s.coupling_in = s.coupling_0 = s.coupling_1 = s.coupling_2 = 0.0
    s.output_in = s.output_out = 0.0


@_kernel
def _aim_gains(c, s, i, inner):
    """Set the steps by which the gains move inside the coming segment of ``inner`` samples."""
    fade = 1.0
    if i.fade > i.fade_length:
        fade = max(i.fade - i.fade_length - 1.0, 0.0) / i.fade_length
    elif i.fade > 0:
        fade = 1.0 - i.fade / i.fade_length
    s.send_step = (c.send * c.volts_per_unit * fade - s.send) / inner
    s.feedback_step = (c.feedback * fade - s.feedback) / inner
    s.dry_step = (c.dry - s.dry) / SEGMENT
    s.wet_step = (c.wet * fade / c.volts_per_unit - s.wet) / SEGMENT


@_kernel
def _aim_clock(c, s, i, inner):
    """Lay out the clock's phase over the coming segment: a parabola with the exact advance (Simpson's rule)."""
    whole = (i.event - 1) // 2  # ticks emitted since the phase was last brought down
    s.phase += s.speed * inner + 0.5 * s.rise * inner * inner - whole
    i.event -= 2 * whole
    step = c.lfo_step * inner
    first = s.base * (1.0 + c.deviation * _lfo(s.lfo, c.lfo_sine))
    middle = 0.5 * (s.base + c.clock) * (1.0 + c.deviation * _lfo(s.lfo + 0.5 * step, c.lfo_sine))
    last = c.clock * (1.0 + c.deviation * _lfo(s.lfo + step, c.lfo_sine))
    s.lfo += step
    s.lfo -= np.floor(s.lfo)
    s.base = c.clock
    s.rise = (last - first) / inner
    s.speed = (first + 4.0 * middle + last) / 6.0 - 0.5 * s.rise * inner


@_kernel
def _line_response(c, s, weights):
    """Interpolate the transfer weights and the soft limit's bias for the present clock."""
    place = (np.log2(s.speed) - c.row_first) / c.row_step
    place = min(max(place, 0.0), LINE_ROWS - 1.000001)
    row = int(place)
    share = place - row
    for j in range(LINE_TAPS):
        weights[j] = c.transfer[row, j] + share * (c.transfer[row + 1, j] - c.transfer[row, j])
    shift = c.bias_shift_v[row] + share * (c.bias_shift_v[row + 1] - c.bias_shift_v[row])
    s.bias_v = c.unevenness_v + shift / c.devices
    u = c.saturation * s.bias_v
    s.bias_out = _soft_limit(u)
    s.restore = ((3.0 + u * u) / (3.0 - u * u / 3.0)) ** 2 / max(c.saturation, 1e-30)  # 1 / slope at u


@_kernel
def _lfo(phase, sine):
    """LFO output -1..1 at a phase in periods: triangle, or the sine of it (Taylor to the 11th power, 6e-8)."""
    quarter = phase - 0.25
    triangle = 1.0 - 4.0 * abs(quarter - np.floor(quarter + 0.5))
    x = 1.5707963267948966 * triangle
    x2 = x * x
    high = 8.333333333333333e-3 + x2 * (-1.984126984126984e-4 + x2 * (2.755731922e-6 - x2 * 2.505210839e-8))
    return triangle + sine * (x * (1.0 + x2 * (-0.16666666666666666 + x2 * high)) - triangle)


@_kernel
def _next_random(x):
    """The next state of a 64-bit xorshift generator."""
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    return x ^ (x << np.uint64(17))


@_kernel
def _normal(x):
    """A nearly normal number of variance 1 from 64 random bits: the sum of their four quarters."""
    low = np.int64(x & np.uint64(0xFFFF)) + np.int64((x >> np.uint64(16)) & np.uint64(0xFFFF))
    high = np.int64((x >> np.uint64(32)) & np.uint64(0xFFFF)) + np.int64(x >> np.uint64(48))
    return (low + high - 131070) * 2.6428997e-5  # the deviation of the sum is 65536 / sqrt(3)


@_kernel
def _transferred(line, oldest, weights, first):
    """What has arrived at the line's end, V: charge that fell behind included, the most delayed first."""
    v0 = v1 = v2 = v3 = 0.0
    for j in range(first, LINE_TAPS, 4):
        v0 += weights[j] * line[oldest + j]
        v1 += weights[j + 1] * line[oldest + j + 1]
        v2 += weights[j + 2] * line[oldest + j + 2]
        v3 += weights[j + 3] * line[oldest + j + 3]
    return (v0 + v1) + (v2 + v3)


@_kernel
def _soft_limit(u):
    """A smooth limit at 1 with slope 1 at 0 (the Padé form of tanh), flat from 3 on."""
    u = min(max(u, -3.0), 3.0)
    u2 = u * u
    return u * (27.0 + u2) / (27.0 + 9.0 * u2)


@_kernel
def _limited(v, devices, slope, bias_v, bias_out, restore):
    """A voltage through the soft, uneven limit of each device in turn; small signals pass unchanged."""
    for _ in range(devices):
        v = (_soft_limit(slope * (v + bias_v)) - bias_out) * restore
    return v


@_kernel
def _write_step(rise, start, fraction, table, steps):
    """Add a step to the staircase, a fraction of a sample after the one that ``start`` belongs to."""
    place = fraction * BRIDGE_ROWS
    row = int(place) & _ROW_MASK
    share = place - row
    start &= _INDEX_MASK
    for j in range(BRIDGE_TAPS):
        steps[start + j] += rise * (table[row, j] + share * (table[row + 1, j] - table[row, j]))


@_kernel
def _run_clock(c, s, i, begin, length, time, stair_time, line, weights, tick_time, tick_fraction, table, steps):
    """Emit the edges of the clock from ``begin`` for ``length`` inner samples of the segment.

    ``time`` is the inner time of the segment's start. At a whole period a tick: a sample leaves the line, and its
    slot is noted for the one that enters. At a half period the other output phase takes over; where the clock runs
    above hearing that edge is left out.
    """
    audible = s.speed < 0.5 and (c.bleed_v > 0.0 or c.imbalance > 0.0)
    upper, lower, bleed = 1.0 + 0.5 * c.imbalance, 1.0 - 0.5 * c.imbalance, c.bleed_v
    event, stride = i.event, 1
    if not audible:
        upper, bleed, stride = 1.0, 0.0, 2
        event += event & 1
    phase, speed, double_rise, until = s.phase, s.speed, 2.0 * s.rise, float(begin + length)
    square = speed * speed
    tick, held, sample, white, noise = i.tick, s.held, s.sample, s.white, i.noise
    first = (LINE_TAPS - np.int64(c.taps)) & (LINE_TAPS - 1)
    back = np.int64(c.periods) + LINE_TAPS - 1
    slope, bias_v, bias_out, restore = c.saturation, s.bias_v, s.bias_out, s.restore
    devices = np.int64(c.devices) if slope > 0.0 else 0
    noise_0, noise_1 = c.noise_v[0], c.noise_v[1]
    start_time = time - stair_time - _REACH + 1
    while True:
        distance = 0.5 * event - phase
        t = max(2.0 * distance / (speed + np.sqrt(square + double_rise * distance)), 0.0)
        if not t < until:
            break
        whole = int(t)
        fraction = t - whole
        if event & 1 == 0:
            slot = tick & (_TICK_SIZE - 1)
            tick_time[slot] = time + whole
            tick_fraction[slot] = fraction
            sample = _transferred(line, (tick - back) & (_LINE_SIZE - 1), weights, first)
            sample = _limited(sample, devices, slope, bias_v, bias_out, restore)
            noise = _next_random(noise)
            new_white = _normal(noise)
            sample += noise_0 * new_white + noise_1 * white
            white = new_white
            level = upper * sample + bleed
            tick += 1
        else:
            level = lower * sample - bleed
        _write_step(level - held, start_time + whole, fraction, table, steps)
        held = level
        event += stride
    i.tick, i.event, i.noise = tick, event, noise
    s.held, s.sample, s.white = held, sample, white


@_kernel
def _fir(taps, x, m, y):
    """``y[j]`` from the LOW_PASS_TAPS samples of ``x`` that end at ``x[_FIR_PAST + j]``."""
    f0, f1, f2, f3, f4, f5, f6, f7 = taps[0], taps[1], taps[2], taps[3], taps[4], taps[5], taps[6], taps[7]
    for j in range(m):
        new = f0 * x[j + 7] + f1 * x[j + 6] + f2 * x[j + 5] + f3 * x[j + 4]
        y[j] = new + (f4 * x[j + 3] + f5 * x[j + 2] + f6 * x[j + 1] + f7 * x[j])


@_kernel
def _poles(sections, state, x, y, past, m):
    """Three all-pole second-order sections in cascade, ``x[j]`` to ``y[past + j]``."""
    g0, a0, b0 = sections[0, 0], sections[0, 1], sections[0, 2]
    g1, a1, b1 = sections[1, 0], sections[1, 1], sections[1, 2]
    g2, a2, b2 = sections[2, 0], sections[2, 1], sections[2, 2]
    p0, q0, p1, q1, p2, q2 = state[0, 0], state[0, 1], state[1, 0], state[1, 1], state[2, 0], state[2, 1]
    for j in range(m):
        p0, q0 = (g0 * x[j] - b0 * q0) - a0 * p0, p0
        p1, q1 = (g1 * p0 - b1 * q1) - a1 * p1, p1
        p2, q2 = (g2 * p1 - b2 * q2) - a2 * p2, p2
        y[past + j] = p2
    state[0, 0], state[0, 1], state[1, 0], state[1, 1], state[2, 0], state[2, 1] = p0, q0, p1, q1, p2, q2


@_kernel
def _make_wet(c, s, m, steps, stairs, poles, work, wet):
    """Staircase, reconstruction, output coupling, expander: ``m`` new samples at the end of ``wet``."""
    stair = s.stair
    for j in range(m):
        stair += steps[j]
        stairs[_FIR_PAST + j] = stair
    s.stair = stair
    _fir(c.reconstruction_fir, stairs, m, work)
    _poles(c.reconstruction, poles, work, work, 0, m)
    gain, pole, rail = c.output_coupling[0], c.output_coupling[1], c.rail_v
    share, per_unity, lowest, on = c.return_share, c.return_share / c.unity_v, c.lowest_return_average, c.companding
    before, y, average = s.output_in, s.output_out, s.return_average
    for j in range(m):
        x = work[j]
        y = gain * (x - before) + pole * y
        before = x
        average = max(average - share * average + per_unity * abs(y), lowest)
        wet[_WET_PAST + j] = min(max(y * (1.0 + on * (average - 1.0)), -rail), rail)
    s.output_in, s.output_out, s.return_average = before, y, average


@_kernel
def _raise_rate(dry, rate_taps, m, factor, work):
    """Input samples at the inner rate, half a rate filter late."""
    if factor == 1:
        for j in range(m):
            work[j] = dry[_DRY_PAST + j]
        return
    for j in range(m // 2):
        x = 0.0
        for k in range(_PHASE):
            x += rate_taps[k] * dry[j + k]
        work[2 * j] = dry[_DRY_PAST - _PHASE // 2 + j]
        work[2 * j + 1] = 2.0 * x


@_kernel
def _lower_rate(wet, odd, rate_taps, n, factor, work):
    """The wet signal at the audio rate, now: the inner rate's half rate filter of lead is used up."""
    if factor == 1:
        for j in range(n):
            work[j] = wet[_WET_PAST + j]
        return
    for j in range(n):
        odd[_ODD_PAST + j] = wet[_WET_PAST + 2 * j]
    for j in range(n):
        x = 0.5 * wet[_WET_PAST + 2 * j + 1 - _HALF]
        for k in range(_PHASE):
            x += rate_taps[k] * odd[_ODD_PAST + j + 1 - _PHASE + k]
        work[j] = x


@_kernel
def _send(c, s, m, wet, wet_start, compressed, poles, work, ready):
    """Input sum with its limiter, coupling, compressor, anti-alias: ``work`` to ``m`` new samples of ``ready``."""
    gain, pole, rail = c.coupling[0], c.coupling[1], c.rail_v
    f0, f1, f2, f3 = c.coupling_fir[0], c.coupling_fir[1], c.coupling_fir[2], c.coupling_fir[3]
    keep, per_unity, lowest, on = 1.0 - c.send_share, 4.0 * c.send_share / c.unity_v, c.lowest_average, c.companding
    places, limit, last = c.limit_places, c.limit, LIMIT_INTERVALS - 1e-9
    send, send_step, feedback, feedback_step = s.send, s.send_step, s.feedback, s.feedback_step
    before, u0, u1, u2, average = s.coupling_in, s.coupling_0, s.coupling_1, s.coupling_2, s.send_average
    for j in range(m):
        send += send_step
        feedback += feedback_step
        x = feedback * wet[wet_start + j]
        place = min(abs(x) * places, last)
        k = int(place) & _INDEX_MASK
        t = place - k
        x = np.copysign(limit[k, 0] + t * (limit[k, 1] + t * (limit[k, 2] + t * limit[k, 3])), x)
        x = min(max(send * work[j] + x, -rail), rail)
        y = gain * (x - before) + pole * u0
        before = x
        x = f0 * y + f1 * u0 + f2 * u1 + f3 * u2
        u2, u1, u0 = u1, u0, y
        b = keep * average
        average = max(0.5 * (b + np.sqrt(b * b + per_unity * abs(x))), lowest)
        compressed[_FIR_PAST + j] = x / (1.0 + on * (average - 1.0))
    s.send, s.feedback = send, feedback
    s.coupling_in, s.coupling_0, s.coupling_1, s.coupling_2, s.send_average = before, u0, u1, u2, average
    _fir(c.anti_alias_fir, compressed, m, work)
    _poles(c.anti_alias, poles, work, ready, _READ_PAST, m)


@_kernel
def _fill_line(i, until, ready_time, ready, tick_time, tick_fraction, table, line):
    """Give each tick before inner time ``until`` the sample it takes from the anti-alias filter's output."""
    while i.filled < i.tick:
        slot = i.filled & (_TICK_SIZE - 1)
        time = tick_time[slot]
        if time >= until:
            break
        start = time - ready_time + _READ_PAST - _REACH + 1
        value = 0.0
        if start >= 0:
            place = tick_fraction[slot] * BRIDGE_ROWS
            row = int(place) & _ROW_MASK
            share = place - row
            start &= _INDEX_MASK
            for j in range(BRIDGE_TAPS):
                value += ready[start + j] * (table[row, j] + share * (table[row + 1, j] - table[row, j]))
        cell = i.filled & (_LINE_SIZE - 1)
        line[cell] = value
        line[cell + _LINE_SIZE] = value
        i.filled += 1


@_kernel
def _shift(buffer, past, count):
    """Move the last ``past`` samples before position ``past + count`` to the front."""
    for j in range(past):
        buffer[j] = buffer[j + count]


@_kernel
def _settle(s, anti_alias, reconstruction):
    """Set states too small to be heard to zero."""
    for k in range(3):
        for j in range(2):
            if abs(anti_alias[k, j]) < _QUIET:
                anti_alias[k, j] = 0.0
            if abs(reconstruction[k, j]) < _QUIET:
                reconstruction[k, j] = 0.0
    if abs(s.coupling_0) < _QUIET:
        s.coupling_0 = 0.0
    if abs(s.output_out) < _QUIET:
        s.output_out = 0.0
    if abs(s.stair) < _QUIET:
        s.stair = 0.0


@_kernel
def _begin_segment(factor, c, s, i, weights, reconstruction, anti_alias):
    """What is done once a segment, ahead of its samples."""
    inner = float(SEGMENT * factor)
    _aim_gains(c, s, i, inner)
    _aim_clock(c, s, i, inner)
    _line_response(c, s, weights)
    _settle(s, anti_alias, reconstruction)


@_kernel
def start_echo(factor, named, floats, ints):
    """Set the state for time zero: LFO and clock begin before it, so that a tick falls on time zero."""
    c, s, i = named[0], floats[0], ints[0]
    s.send, s.feedback = c.send * c.volts_per_unit, c.feedback
    s.dry, s.wet = c.dry, c.wet / c.volts_per_unit
    s.send_average, s.return_average = c.lowest_average, c.lowest_return_average
    i.frame, i.event = _START, 1
    begin = _START * factor + _lead(factor)
    s.base = c.clock
    s.lfo = c.lfo_step * begin
    s.lfo -= np.floor(s.lfo)
    s.phase = 0.0
    for time in range(begin, 0):
        s.phase -= c.clock * (1.0 + c.deviation * _lfo(c.lfo_step * (time + 0.5), c.lfo_sine))
    s.phase -= np.floor(s.phase)
    if s.phase > 0.5:
        i.event = 2


@_kernel
def _lead(factor):
    """How far the clock runs ahead of now, in inner samples."""
    return (_HALF - 1 if factor == 2 else 0) + LOW_PASS_LOOKAHEAD + _REACH - 1


@_kernel
def echo_block(
    x, y, factor, flat, flat_target, named, named_target, floats, ints,
    dry, wet, odd, steps, stairs, compressed, ready, work, reconstruction, anti_alias,
    line, weights, tick_time, tick_fraction, rate_taps, read_rows, step_rows,
):  # fmt: skip
    """Work a block through the circuit: ``x`` in, ``y`` out, both float64 [shape=(frames,)].

    ``named``, ``named_target``, ``floats`` and ``ints`` hold one record each: an array is handed over much faster.
    """
    c, target, s, i = named[0], named_target[0], floats[0], ints[0]
    half = _HALF if factor == 2 else 0
    done = 0
    while done < x.size:
        past = i.frame % SEGMENT
        if past == 0:
            if _glide(c, target, flat, flat_target, s, i):
                _empty(c, s, line, wet, odd, steps, stairs, compressed, ready, reconstruction, anti_alias)
            _begin_segment(factor, c, s, i, weights, reconstruction, anti_alias)
        n = min(SEGMENT - past, x.size - done)
        m = n * factor
        now = i.frame * factor
        for j in range(n):
            value = x[done + j]
            dry[_DRY_PAST + j] = value if abs(value) <= _LOUDEST_UNIT else 0.0

        wet_time = now + half - (factor - 1)
        stair_time = wet_time + LOW_PASS_LOOKAHEAD
        segment_time = now - past * factor + _lead(factor)
        _run_clock(
            c, s, i, past * factor, m, segment_time, stair_time, line, weights, tick_time, tick_fraction,
            step_rows, steps,
        )  # fmt: skip
        _make_wet(c, s, m, steps, stairs, reconstruction, work, wet)

        _lower_rate(wet, odd, rate_taps, n, factor, work)
        for j in range(n):
            s.dry += s.dry_step
            s.wet += s.wet_step
            y[done + j] = s.dry * dry[_DRY_PAST + j] + s.wet * work[j]

        _raise_rate(dry, rate_taps, m, factor, work)
        wet_start = 1 if factor == 2 else _WET_PAST  # the wet signal at the send's own time
        _send(c, s, m, wet, wet_start, compressed, anti_alias, work, ready)
        ready_time = now - half - COUPLING_LOOKAHEAD - LOW_PASS_LOOKAHEAD
        _fill_line(i, ready_time + m - _REACH, ready_time, ready, tick_time, tick_fraction, read_rows, line)

        _shift(dry, _DRY_PAST, n)
        _shift(wet, _WET_PAST, m)
        _shift(odd, _ODD_PAST, n)
        _shift(steps, BRIDGE_TAPS, m)
        for j in range(BRIDGE_TAPS, steps.size):
            steps[j] = 0.0
        _shift(stairs, _FIR_PAST, m)
        _shift(compressed, _FIR_PAST, m)
        _shift(ready, _READ_PAST, m)
        i.frame += n
        done += n


@_kernel
def aim_echo(numbers, flat_target, target, i):
    """Take coefficients as the next target; see `Echo.glide_to`."""
    clock = target.clock
    for j in range(numbers.size):
        flat_target[j] = numbers[j]
    i.glide = GLIDE_SEGMENTS
    if target.clock != clock:
        i.clock_glide = max(CLOCK_GLIDE_SEGMENTS, int(target.clock_glide))


@_kernel
def leave_echo(target, i, keeps, segments):
    """Let go of the input and the dry signal within ``segments``; of the echo too unless it ``keeps`` sounding."""
    target.send = target.dry = 0.0
    if not keeps:
        target.wet = 0.0
    i.glide = segments


@_kernel
def revive_echo(numbers, flat, flat_target, c, s, i, segments):
    """Begin anew with these coefficients: everything empty, input and dry signal fading in within ``segments``."""
    for j in range(numbers.size):
        flat[j] = flat_target[j] = numbers[j]
    c.send = c.dry = 0.0
    s.send, s.dry, s.send_step, s.dry_step = 0.0, 0.0, 0.0, 0.0
    s.feedback, s.wet, s.feedback_step, s.wet_step = c.feedback, c.wet / c.volts_per_unit, 0.0, 0.0
    s.base = c.clock
    i.glide, i.clock_glide, i.fade = segments, 0, 0


START, AIM, PLAY, LEAVE, END, REVIVE = range(6)


@cfunc(
    types.int64(types.CPointer(types.voidptr), types.int64, types.voidptr, types.voidptr, types.int64),
    cache=True, error_model="numpy", fastmath={"contract"},
)  # fmt: skip
def work_echo(p, what, x, y, frames):
    """The echo as a C function on the addresses of `Echo`'s arrays, for callers without the interpreter.

    ``START`` sets the state for time zero; ``AIM`` takes ``x`` as coefficients [shape=(COUNT,)]; ``PLAY`` works a block
    ``x`` to ``y`` [shape=(frames,)]. ``LEAVE`` lets the line ring on without an input, ``END`` lets it fall silent,
    both within ``frames`` segments; ``REVIVE`` begins anew with the coefficients ``x``, fading in as long.
    """
    flat, target = carray(p[0], (COUNT,), np.float64), carray(p[1], (COUNT,), np.float64)
    named, named_target = carray(p[0], (1,), LAYOUT), carray(p[1], (1,), LAYOUT)
    floats, ints = carray(p[2], (1,), _FLOATS), carray(p[3], (1,), _INTS)
    if what == START:
        start_echo(ints[0].factor, named, floats, ints)
    elif what == AIM:
        aim_echo(carray(x, (COUNT,), np.float64), target, named_target[0], ints[0])
    elif what == LEAVE or what == END:  # noqa: SIM109
        leave_echo(named_target[0], ints[0], what == LEAVE, frames)
    elif what == REVIVE:
        revive_echo(carray(x, (COUNT,), np.float64), flat, target, named[0], floats[0], ints[0], frames)
        _clear(carray(p[4], (_DRY_PAST + SEGMENT,), np.float64))
        _empty(
            named[0], floats[0], carray(p[14], (2 * _LINE_SIZE,), np.float64),
            carray(p[5], (_WET_PAST + _INNER,), np.float64), carray(p[6], (_ODD_PAST + SEGMENT,), np.float64),
            carray(p[7], (BRIDGE_TAPS + _INNER,), np.float64), carray(p[8], (_FIR_PAST + _INNER,), np.float64),
            carray(p[9], (_FIR_PAST + _INNER,), np.float64), carray(p[10], (_READ_PAST + _INNER,), np.float64),
            carray(p[12], (3, 2), np.float64), carray(p[13], (3, 2), np.float64),
        )  # fmt: skip
    else:
        echo_block(
            carray(x, (frames,), np.float64), carray(y, (frames,), np.float64), ints[0].factor,
            flat, target, named, named_target, floats, ints,
            carray(p[4], (_DRY_PAST + SEGMENT,), np.float64), carray(p[5], (_WET_PAST + _INNER,), np.float64),
            carray(p[6], (_ODD_PAST + SEGMENT,), np.float64), carray(p[7], (BRIDGE_TAPS + _INNER,), np.float64),
            carray(p[8], (_FIR_PAST + _INNER,), np.float64), carray(p[9], (_FIR_PAST + _INNER,), np.float64),
            carray(p[10], (_READ_PAST + _INNER,), np.float64), carray(p[11], (_INNER,), np.float64),
            carray(p[12], (3, 2), np.float64), carray(p[13], (3, 2), np.float64),
            carray(p[14], (2 * _LINE_SIZE,), np.float64), carray(p[15], (LINE_TAPS,), np.float64),
            carray(p[16], (_TICK_SIZE,), np.int64), carray(p[17], (_TICK_SIZE,), np.float64),
            carray(p[18], (_PHASE,), np.float64), carray(p[19], (BRIDGE_ROWS + 1, BRIDGE_TAPS), np.float64),
            carray(p[20], (BRIDGE_ROWS + 1, BRIDGE_TAPS), np.float64),
        )  # fmt: skip
    return 0


ADDRESS: int = work_echo.address or 0
"""Of `work_echo`, for other kernels."""

_TABLES = 3  # at the end of an echo's buffers: they never change

_POINTER, _WORD = ctypes.c_void_p, ctypes.c_int64
_work_echo = ctypes.PYFUNCTYPE(_WORD, _POINTER, _WORD, _POINTER, _POINTER, _WORD)(ADDRESS)  # keeps the interpreter lock


class Echo:
    """One echo: coefficients, state and the block kernel.

    Parameters
    ----------
    coefficients : float64 [shape=(COUNT,)]
        From `echo_coefficients`, for the same sample rate.
    sample_rate_hz : float, 44100..192000
    seed : int
        Of the line's noise: the same seed gives the same samples.
    """

    def __init__(self, coefficients: NDArray[np.float64], sample_rate_hz: float, *, seed: int = 1) -> None:
        self._factor = inner_factor(sample_rate_hz)
        self._flat = np.array(coefficients, dtype=np.float64)
        self._target = self._flat.copy()
        self._named, self._target_named = self._flat.view(LAYOUT), self._target.view(LAYOUT)
        self._floats, self._ints = np.zeros(1, _FLOATS), np.zeros(1, _INTS)
        self._ints["factor"] = self._factor
        self._ints["fade_length"] = ceil(FADE_S * sample_rate_hz / SEGMENT)
        self._ints["noise"] = (0x9E3779B97F4A7C15 * (2 * seed + 1)) % (1 << 64)
        self._buffers: tuple[NDArray[Any], ...] = (  # in the order of `work_echo`
            np.zeros(_DRY_PAST + SEGMENT),
            np.zeros(_WET_PAST + _INNER),
            np.zeros(_ODD_PAST + SEGMENT),
            np.zeros(BRIDGE_TAPS + _INNER),
            np.zeros(_FIR_PAST + _INNER),
            np.zeros(_FIR_PAST + _INNER),
            np.zeros(_READ_PAST + _INNER),
            np.zeros(_INNER),
            np.zeros((3, 2)),
            np.zeros((3, 2)),
            np.zeros(2 * _LINE_SIZE),
            np.zeros(LINE_TAPS),
            np.zeros(_TICK_SIZE, np.int64),
            np.zeros(_TICK_SIZE),
            rate_filter()[1::2].copy(),  # the odd phase; the even one is its centre alone
            reading_table(),
            step_table(),
        )
        self._state = (self._flat, self._target, self._floats, self._ints, *self._buffers[:-_TABLES])
        arrays = (*self._state, *self._buffers[-_TABLES:])
        self.addresses = np.array([array.ctypes.data for array in arrays], np.intp)
        """Of the arrays, as `work_echo` wants them."""
        self._address = self.addresses.ctypes.data
        _work_echo(self._address, START, None, None, 0)
        silence = np.zeros(-_START)
        self.process(silence, silence)

    def glide_to(self, coefficients: NDArray[np.float64]) -> None:
        """Move to other coefficients within 4 ms, to another clock within 20 ms (at 48 kHz). Thread: audio.

        Another number of stages, a mute or a new generation fades the echo out, empties its line and fades it in.
        """
        numbers = np.ascontiguousarray(coefficients, np.float64)
        if numbers.shape != (COUNT,):
            raise ValueError(f"the coefficients must have shape ({COUNT},) (got {numbers.shape})")
        _work_echo(self._address, AIM, numbers.ctypes.data, None, 0)

    def state_arrays(self) -> list[NDArray[Any]]:
        """All that changes while it plays, coefficients included, always in this order.

        Copied into another echo of the same sample rate (``into[:] = kept``), in which nothing plays meanwhile, that
        one goes on sample for sample. Copy in place: the kernel knows the arrays by their addresses.
        """
        return list(self._state)

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """One block, sample values in and out [shape=(frames,)], contiguous; ``y`` may be ``x``."""
        for array in (x, y):
            if array.dtype != np.float64 or array.shape != x.shape or not array.flags.c_contiguous:
                raise ValueError("the echo works on two contiguous float64 arrays of one length")
        source, target = x.__array_interface__["data"][0], y.__array_interface__["data"][0]  # faster than ctypes.data
        _work_echo(self._address, PLAY, source, target, x.size)
