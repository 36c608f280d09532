"""The terminal view of `voicer play`: what matters on stage in letters readable from two metres, the rest small.

Drawn from a snapshot alone, for any size of terminal; 80 x 24 holds everything, 60 x 20 all that matters.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from voicer.errors import one_line
from voicer.play.big_letters import large_rows, small_rows
from voicer.voicing import parameter

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

    from voicer.play.snapshot import Shown

HELP = (
    "q quit  space tap  b bypass  p panic  s save  z undo  k keep  n/N voicing  ↑↓ choose  ←→ turn  ? all keys",
    "q quit  space tap  b bypass  p panic  s save  z undo  n/N voicing  ↑↓←→ knobs  ?",
    "q quit  spc tap  b bypass  p panic  s save  n/N  ↑↓←→ knobs ?",
    "q quit  b bypass  p panic  s save  n/N  ↑↓←→  ?",
)

_ROOMY = 24
"""Rows from which the largest digits are drawn."""

_METER_FLOOR_DB = -60.0
_HIGHEST_GAIN = 1.5
_CEILING_ACTS_DB = -0.5
_BAD, _MIND, _SMALL = "bold red", "bold yellow", "dim"


@dataclass
class View:
    """Draws the snapshot it was given last."""

    shown: Shown | None = None

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if self.shown is not None:
            height = options.height or console.height
            yield from draw(self.shown, options.max_width, height, plain=options.ascii_only)


def draw(shown: Shown, width: int, height: int, *, plain: bool = False) -> list[Text]:
    """Lines of the view, each at most ``width`` wide and together at most ``height``; ``plain`` draws no blocks."""
    roomy = height >= _ROOMY and not plain
    fixed = [
        [_heading(shown, width)],
        _title(shown, width, plain),
        _figures(shown, width, large=roomy, plain=plain),
        [_edge(shown, width, plain)],
        _band(shown, width, plain),
    ]
    lines = [line for block in fixed for line in block]
    warnings = _warnings(shown, width)
    # what may be left out where there is little room, the most wanted first, each with its place from the top
    optional: list[tuple[float, list[Text]]] = [
        *((4.0, warning) for warning in warnings[:1]),
        *((8.0, said) for said in _said(shown, width)[-1:]),
        *((9.0, aside) for aside in _aside(shown, width)),
        (11.0, [_help(shown, width, plain)]),
        (3.0, [_meters(shown, width, plain)]),
        (10.0, _knob(shown, width)),
        (1.0, [_clock(shown, width)]),
        (2.0, [_modulation(shown, width)]),
        *((7.0, said) for said in _said(shown, width)[-2:-1]),
        (5.0, [_controller(shown, width)]),
        (6.0, [_engine(shown, width)]),
        *((4.5, warning) for warning in warnings[1:]),
        *((6.5, said) for said in _said(shown, width)[:-2]),
    ]
    kept: list[tuple[float, list[Text]]] = []
    left = height - len(lines)
    for place, block in optional:
        if len(block) <= left:
            kept.append((place, block))
            left -= len(block)
    lines += [line for _, block in sorted(kept, key=lambda one: one[0]) for line in block]
    return lines[:height]


def line(shown: Shown) -> str:
    """The same in one line, for where there is no terminal to draw in."""
    report, states = shown.report, []
    states += ["MUTED"] if shown.muted else []
    states += ["recording"] if shown.recording else []
    states += ["bypassed"] if shown.bypass != "off" else []
    states += [f"ceiling {shown.ceiling_db:.0f} dB"] if shown.ceiling_db <= _CEILING_ACTS_DB else []
    states += [f"FAILED blocks {report.errors}"] if report.errors else []
    told = (
        f"{shown.name} {shown.voicing.delay.time_ms:.0f} ms clock {shown.clock_hz / 1e3:.2f} kHz "
        f"loop {shown.loop.now:.2f} in {_db(report.in_peak):.0f} dB out {_db(report.out_peak):.0f} dB "
        f"blocks {report.blocks} late {report.late} gaps {report.gaps} xruns {report.xruns}"
    )
    return one_line(" ".join([told, *states]))


def _heading(shown: Shown, width: int) -> Text:
    """Where the voicing is from, and which parts are heard."""
    state = "  changed, not saved" if shown.changed else ""
    room = width - len(shown.parts) - len(state) - 2
    name = one_line(shown.name)
    name = name if len(name) <= room else "…" + name[-max(room - 1, 1) :]
    text = Text(name)
    text.append(state, _MIND)
    text.append(" " * max(width - len(text) - len(shown.parts), 2))
    text.append(shown.parts, _SMALL)
    return _cut(text, width)


def _title(shown: Shown, width: int, plain: bool) -> list[Text]:
    rows = None if plain else small_rows(shown.voicing.name)
    if rows is None or len(rows[0]) > width:
        spaced = " ".join(shown.voicing.name.upper())
        name = one_line(spaced if len(spaced) <= width else shown.voicing.name)
        return [Text(), _cut(Text(name, "bold"), width), Text()]
    return [Text(row, "bold") for row in rows]


def _figures(shown: Shown, width: int, *, large: bool, plain: bool) -> list[Text]:
    """Delay time, loop gain and blend, each under its label."""
    delay, gain = shown.voicing.delay, shown.loop.now
    time_ms = f"{delay.time_ms:.0f}" if delay.time_ms >= 99.95 else f"{delay.time_ms:.1f}"
    style = _BAD if gain >= 1 else "bold"
    columns = (
        (f"delay ms, {delay.shortest_ms:.4g}..{delay.longest_ms:.4g}", time_ms, "bold"),
        ("SELF-OSCILLATES" if gain >= 1 else "loop gain, edge 1", f"{gain:.2f}", style),
        ("blend %", f"{100 * shown.voicing.output.blend:.0f}", "bold"),
    )
    large = large and width >= 78
    starts = (0, 33, 64) if large else (0, round(0.42 * width), round(0.78 * width))
    labels, rows = Text(), [Text() for _ in range(5 if large else 3)]
    for start, (label, value, shade) in zip(starts, columns, strict=True):
        labels.append(" " * (start - len(labels)))
        labels.append(label, _BAD if shade == _BAD else "")
        drawn = (None if plain else large_rows(value) if large else small_rows(value)) or ["", value, ""]
        if start + len(drawn[0]) > width:
            drawn = ["", *(small_rows(value) or [value])]
        for row, ink in zip(rows, drawn, strict=False):
            row.append(" " * (start - len(row)))
            row.append(ink, shade)
    return [_cut(row, width) for row in (labels, *rows)]


def _edge(shown: Shown, width: int, plain: bool) -> Text:
    """Loop gain as a bar with its edge, and where it peaks over the span of the time control."""
    loop = shown.loop
    told = f" peaks {loop.peak:.2f} at {loop.peak_ms:.0f} ms"
    cells = max(width - len(told), 10)
    edge, filled = round(cells / _HIGHEST_GAIN), round(min(loop.now / _HIGHEST_GAIN, 1) * cells)
    full, empty = ("#", ".") if plain else ("▄", ".")
    text = Text()
    text.append("".join("|" if j == edge else full if j < filled else empty for j in range(cells)))
    text.stylize(_BAD, min(edge, filled), filled)
    text.append(told, _BAD if loop.peak >= 1 else "")
    return _cut(text, width)


def _band(shown: Shown, width: int, plain: bool) -> list[Text]:
    """Whether the echo is heard, and whether the ceiling acts."""
    if shown.muted:
        state, style = "MUTED", "bold red reverse"
    elif shown.trouble or shown.failing:
        state, style = "NO SOUND", "bold red reverse"
    elif shown.bypass != "off":
        state, style = "BYPASSED", "bold yellow"
    else:
        state, style = "ECHO ON", "bold green"
    ceiling = f"CEILING {shown.ceiling_db:.0f}" if shown.ceiling_db <= _CEILING_ACTS_DB else ""
    left, right = (None if plain or not told else small_rows(told) for told in (state, ceiling))
    if left is None or len(left[0]) > width:
        left = ["", f" {state} ", ""]
    if ceiling and (right is None or len(left[0]) + 2 + len(right[0]) > width):
        right = ["", f"{ceiling} dB", ""]
    rows = []
    for row in range(3):
        text = Text(left[row], style)
        if right:
            text.append(" " * max(width - len(text) - len(right[row]), 2))
            text.append(right[row], _BAD)
        rows.append(_cut(text, width))
    return rows


def _warnings(shown: Shown, width: int) -> list[list[Text]]:
    """What needs attention, the worst first, each in as many rows as it takes."""
    report, bad, mind = shown.report, [], []
    bad += [shown.trouble] if shown.trouble else []
    bad += [f"{report.errors} of {report.blocks} blocks FAILED and were silent"] if report.errors else []
    mind += [f"{unit} failed and is bypassed; u puts it back" for unit in shown.failed_units]
    mind += [f"late blocks so far: {report.late}"] if report.late else []
    mind += ["no real-time priority: blocks may come late"] if not report.realtime else []
    mind += ["loop gain below 1, but it may still ring in silence"] if shown.loop.sings_softly else []
    mind += ["1 V at full scale is assumed; 'voicer calibrate' measures it"] if shown.full_scale_assumed else []
    mind += [] if shown.knob else ["no keyboard here: use a controller; Ctrl-C quits"]
    lines = [(text, _BAD) for text in bad] + [(text, _MIND) for text in (*mind, *shown.remarks)]
    return [_wrapped(text, width, style) for text, style in lines]


def _clock(shown: Shown, width: int) -> Text:
    half_hz = shown.clock_hz / 2
    shares = [f"{name} {hz:.0f} Hz ({hz / half_hz:.0%})" for name, hz in _cutoffs(shown)]
    short = [f"{name} {hz:.0f} ({hz / half_hz:.0%})" for name, hz in _cutoffs(shown)]
    text = _fitting(
        width,
        f"clock {shown.clock_hz / 1e3:.2f} kHz, half {half_hz:.0f} Hz; {', '.join(shares)}",
        f"clock {shown.clock_hz / 1e3:.2f} kHz; {', '.join(short)} of half",
        f"clock {shown.clock_hz / 1e3:.2f} kHz, half {half_hz:.0f} Hz",
    )
    return Text(text, _MIND if max(shown.cutoffs_hz) > half_hz else "")


def _cutoffs(shown: Shown) -> tuple[tuple[str, float], ...]:
    return tuple(zip(("anti-alias", "reconstruction"), shown.cutoffs_hz, strict=True))


def _modulation(shown: Shown, width: int) -> Text:
    modulation = shown.voicing.modulation
    if modulation.range == "off":
        return Text("modulation off")
    depth = f"±{modulation.depth_percent:.2g} % of the clock"
    told = f"modulation {modulation.range}, {modulation.rate_hz:.2f} Hz"
    return Text(_fitting(width, f"{told}, {depth}, {modulation.shape}", f"{told}, {depth}", told))


def _meters(shown: Shown, width: int, plain: bool) -> Text:
    cells = (width - 28) // 2
    report = shown.report
    return Text(f"in {_meter(report.in_peak, cells, plain)}  out {_meter(report.out_peak, cells, plain)}")


def _engine(shown: Shown, width: int) -> Text:
    report, block_us = shown.report, 1e6 * shown.frames / shown.sample_rate_hz
    counts = f"late {report.late}, gaps {report.gaps}, xruns {report.xruns}"
    told = f"{shown.system} {shown.sample_rate_hz:.0f} Hz, {shown.frames} frames"
    times = f"block {shown.block_us[0]:.0f}, p99 {shown.block_us[1]:.0f} of {block_us:.0f} µs"
    return Text(_fitting(width, f"{told}, {times}, {counts}", f"{told}, {counts}", counts), _SMALL)


def _controller(shown: Shown, width: int) -> Text:
    inputs = one_line(", ".join(shown.inputs)) or "none"
    move = one_line(shown.last_move)
    room = max(width - len(move) - 14, 8)
    inputs = inputs if len(inputs) <= room else inputs[: room - 1] + "…"
    return _cut(Text(f"controller {inputs}   {move}", _SMALL), width)


def _said(shown: Shown, width: int) -> list[list[Text]]:
    """What happened last, the newest at the end, each in as many rows as it takes."""
    return [_wrapped(said.line, width, _BAD if said.bad else "") for said in shown.said]


def _aside(shown: Shown, width: int) -> list[list[Text]]:
    """A take that is recorded, and what else holds, as far as it fits in one row."""
    if not (shown.recording or shown.aside):
        return []
    text = Text()
    if shown.recording:
        text.append("RECORDING", _BAD)
    for one in shown.aside:
        told = one_line(one)
        if len(text) + len(told) + 3 <= width:
            text.append(f"   {told}" if len(text) else told, _MIND if "turn " in told else "")
    return [[_cut(text, width)]]


def _knob(shown: Shown, width: int) -> list[Text]:
    """The parameter that the arrow keys turn."""
    if not shown.knob:
        return []
    value, unit = shown.voicing.get(shown.knob), parameter(shown.knob).unit
    told = f"{value:.4g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)
    return [_cut(Text(f"↑↓ {shown.knob}   ←→ {told} {unit}", "bold"), width)]


def _help(shown: Shown, width: int, plain: bool) -> Text:
    told = _fitting(width, *HELP)
    for arrow, name in zip("↑↓←→", ("up ", "down", "left ", "right"), strict=True) if plain else ():
        told = told.replace(arrow, name)
    return _cut(Text(told if shown.knob else "Ctrl-C ends", _SMALL), width)


def _fitting(width: int, *texts: str) -> str:
    """The first text that fits, else the last."""
    return next((text for text in texts if len(text) <= width), texts[-1])


def _wrapped(text: str, width: int, style: str) -> list[Text]:
    rows = textwrap.wrap(one_line(text), width, subsequent_indent="  ")
    return [Text(row, style) for row in rows]


def _cut(text: Text, width: int) -> Text:
    text.truncate(width, overflow="ellipsis")
    return text


def _db(peak: float) -> float:
    return float(20 * np.log10(max(peak, 1e-6)))


def _meter(peak: float, cells: int, plain: bool) -> str:
    level_db = _db(peak)
    filled = round((1 - max(min(level_db, 0.0), _METER_FLOOR_DB) / _METER_FLOOR_DB) * cells)
    full, empty = ("#", ".") if plain else ("█", "·")
    return full * filled + empty * (cells - filled) + f" {max(level_db, -99.9):5.1f} dB"
