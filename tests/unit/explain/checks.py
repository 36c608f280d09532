"""One check per claim: each computes what is said again, from the sound or the drawn data or by a textbook formula."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy import signal

from voicer.board import design
from voicer.explain.chapter import Snippet
from voicer.explain.contents import Explanation
from voicer.explain.devices import Devices
from voicer.explain.folding import Folding
from voicer.explain.modulation import Modulation
from voicer.explain.repeats import Repeats
from voicer.explain.runaway import Part, Runaway
from voicer.explain.sampling import Sampling
from voicer.measure import probes
from voicer.measure.bench import shipped_riff
from voicer.measure.meters import loudness_lufs

RATE_HZ = 48_000


def db(value: float) -> float:
    return 20 * float(np.log10(max(abs(value), 1e-30)))


def near(value: float, wanted: float, within: float) -> None:
    assert abs(value - wanted) <= within, f"{value} is not {wanted} within {within}"


def clock_of(subject: Any) -> float:
    """The clock by N / (2 t), t less the filters' low-frequency delay, half a period of hold and the lagging charge."""
    voicing, circuit = subject.shown, subject.circuit
    delay_s = sum(section.denominator()[0] for section in (*circuit.anti_alias, *circuit.reconstruction))
    periods = voicing.line.stages * voicing.line.devices / 2
    clock_hz = periods / (voicing.delay.time_ms / 1e3 - delay_s)
    for _ in range(8):
        loss = float(circuit.line.transfer_loss_at(np.array(clock_hz)))
        spread = 0.5 + voicing.line.stages * voicing.line.devices * loss / (1 - loss)
        clock_hz = (periods + spread) / (voicing.delay.time_ms / 1e3 - delay_s)
    return float(clock_hz)


def low_pass_loss_db(low_pass: Any, f_hz: float) -> float:
    """Loss of a low-pass by scipy's analogue prototypes, their -3 dB point moved to the cutoff."""
    if low_pass.shape == "butterworth":
        b, a = signal.butter(low_pass.order, 1.0, analog=True)
    elif low_pass.shape == "bessel":
        b, a = signal.bessel(low_pass.order, 1.0, analog=True, norm="mag")
    else:
        ripple = float(low_pass.shape.split("-")[1].removesuffix("db"))
        b, a = signal.cheby1(low_pass.order, ripple, 1.0, analog=True)
        b = b / abs(signal.freqs(b, a, [1e-6])[1][0])
        at = np.geomspace(0.9, 3, 4000)
        edge = at[np.flatnonzero(np.abs(signal.freqs(b, a, at)[1]) >= np.sqrt(0.5))[-1]]
        return -db(abs(signal.freqs(b, a, [f_hz / low_pass.cutoff_hz * edge])[1][0]))
    return -db(abs(signal.freqs(b, a, [f_hz / low_pass.cutoff_hz])[1][0]))


def sampling_rate(chapter: Sampling, v: Any) -> None:
    near(1e3 * v["clock_khz"], clock_of(chapter.subject), 0.002 * clock_of(chapter.subject))
    near(v["samples"], 1e3 * v["clock_khz"] / v["tone_hz"], 1e-6)
    near(float(1 / np.diff(chapter.ticks_s).mean()), 1e3 * v["clock_khz"], 1e-3)


def sampling_hold(chapter: Sampling, v: Any) -> None:
    line = chapter.subject.shown.line
    assert v["periods"] == line.stages * line.devices / 2
    near(v["hold_us"], 1e6 / clock_of(chapter.subject), 0.002 * v["hold_us"])
    near(v["wait_ms"], v["periods"] * v["hold_us"] / 1e3, 1e-6)


def sampling_level(chapter: Sampling, v: Any) -> None:
    """The drawn output is three periods of a tone with images on it: its amplitude by least squares."""
    time_s = np.arange(chapter.heard.size) / RATE_HZ
    turn = 2 * np.pi * chapter.tone_hz * time_s
    fit = np.linalg.lstsq(np.stack((np.sin(turn), np.cos(turn)), axis=1), chapter.heard, rcond=None)[0]
    near(v["gain_db"], db(float(np.hypot(*fit))), 1.0)


def folding_copy(chapter: Folding, v: Any) -> None:
    near(v["half_hz"], clock_of(chapter.subject) / 2, 0.002 * v["half_hz"])
    assert v["tone_hz"] > v["half_hz"]
    near(v["copy_hz"], abs(v["tone_hz"] - 2 * v["half_hz"]), 3.0)
    below = (chapter.f_hz > 20) & (chapter.f_hz < v["half_hz"])
    near_copy = below & (np.abs(chapter.f_hz - abs(v["tone_hz"] - clock_of(chapter.subject))) < 2.5)
    searched = near_copy if v["copy_db"] < -35 else below  # a weak copy need not be the strongest line
    at = int(np.argmax(np.where(searched, chapter.out_db, -np.inf)))
    near(float(chapter.f_hz[at]), v["copy_hz"], 3.0)
    if v["copy_db"] > -70:  # below, the window's side lobes are louder
        near(float(chapter.out_db[at]), v["copy_db"], 1.5)  # the drawn line may fall between two points


def folding_filter(chapter: Folding, v: Any) -> None:
    near(v["loss_db"], low_pass_loss_db(chapter.subject.shown.filters.anti_alias, chapter.tone_hz), 0.05)


def folding_riff(chapter: Folding, v: Any) -> None:
    power = np.abs(np.fft.rfft(shipped_riff())) ** 2
    f_hz = np.fft.rfftfreq(shipped_riff().size, 1 / RATE_HZ)
    filters = chapter.subject.shown.filters
    grid = np.geomspace(20, 24_000, 300)
    loss = [low_pass_loss_db(filters.anti_alias, float(one)) for one in grid]
    power *= 10 ** (-np.interp(f_hz, grid, loss) / 10) * f_hz**2 / (f_hz**2 + filters.low_cut_hz**2)
    near(v["energy_db"], 10 * np.log10(power[f_hz > clock_of(chapter.subject) / 2].sum() / power.sum()), 0.5)


def folding_weak(chapter: Folding, _v: Any) -> None:
    below = (chapter.f_hz > 20) & (chapter.f_hz < chapter.clock_hz / 2)
    assert chapter.out_db[below].max() < -33  # half the clock is far from the tone itself


def widths_of(chapter: Repeats) -> list[float]:
    """The last drawn point within 3 dB of each repeat's highest one, and the first beyond it."""
    found = []
    for level_db in chapter.measured_db:
        inside = np.flatnonzero(level_db >= level_db.max() - 3.0103)[-1]
        after = min(inside + 1, chapter.f_hz.size - 1)
        drop = level_db[inside] - level_db[after]
        share = (level_db[inside] - level_db.max() + 3.0103) / drop if drop else 0.0
        found.append(float(chapter.f_hz[inside] * (chapter.f_hz[after] / chapter.f_hz[inside]) ** share))
    return found


def repeats_widths(chapter: Repeats, v: Any) -> None:
    for told, width in zip(v.values(), widths_of(chapter), strict=True):
        near(told, width, 0.01 * width)


def repeats_darker(chapter: Repeats, v: Any) -> None:
    assert all(after < before for before, after in pairwise(widths_of(chapter)))
    assert ("transfers" in v["losses"]) == (chapter.subject.shown.flaws.transfer_loss > 0)


def repeats_not_darker(chapter: Repeats, _v: Any) -> None:
    assert any(after >= before for before, after in pairwise(widths_of(chapter)))


def _step(chapter: Repeats, f_hz: float) -> float:
    at = int(np.argmin(np.abs(chapter.f_hz - f_hz)))
    assert chapter.measured_db[-1][at] == chapter.measured_db[-1].max()
    return float(chapter.measured_db[-1][at] - chapter.measured_db[0][at]) / (len(chapter.measured_db) - 1)


def repeats_level(chapter: Repeats, v: Any) -> None:
    step_db = _step(chapter, v["f_hz"])
    near(v["step_db"], abs(step_db), 1e-6)
    assert v["words"] == ("louder" if step_db > 0 else "softer")


def repeats_steady(chapter: Repeats, v: Any) -> None:
    assert abs(_step(chapter, v["f_hz"])) < 0.05


def repeats_held(chapter: Repeats, _v: Any) -> None:
    assert chapter.subject.shown.compander.enabled


def modulation_clock(chapter: Modulation, v: Any) -> None:
    modulation = chapter.subject.shown.modulation
    assert modulation.range != "off"
    assert (v["shape"], v["rate_hz"], v["depth_percent"]) == (modulation.shape, modulation.rate_hz, pytest.approx(modulation.depth_percent))


def modulation_law(chapter: Modulation, v: Any) -> None:
    line = chapter.subject.shown.line
    near(v["wait_ms"], 1e3 * line.stages * line.devices / 2 / clock_of(chapter.subject), 0.01 * v["wait_ms"])
    near(v["turns"], v["wait_ms"] / 1e3 * chapter.subject.shown.modulation.rate_hz, 1e-6)


def modulation_pitch(chapter: Modulation, v: Any) -> None:
    """For shallow depths the pitch bends by the difference of the clock now and a delay ago (sine, triangle)."""
    drawn = chapter.measured_cents if chapter.measured_cents.size else chapter.predicted_cents
    near(v["lowest"], float(drawn.min()), 1e-6)
    near(v["highest"], float(drawn.max()), 1e-6)
    modulation = chapter.subject.shown.modulation
    circuit = chapter.subject.circuit
    turns = modulation.rate_hz * circuit.line.periods / circuit.clock_hz
    distance = min(turns % 1, 1 - turns % 1)
    bend = 2 * np.sin(np.pi * distance) if modulation.shape == "sine" else 4 * distance
    expected = 1200 / np.log(2) * modulation.depth_percent / 100 * bend
    if modulation.depth_percent < 4:
        near(max(abs(v["lowest"]), abs(v["highest"])), expected, 2.0 + 0.06 * expected)


def modulation_weak(chapter: Modulation, _v: Any) -> None:
    assert np.abs(chapter.cents).max() < 5


def modulation_tone(snippet: Snippet, v: Any) -> None:
    spectrum = np.abs(np.fft.rfft(snippet.samples * np.hanning(snippet.samples.size)))
    strongest_hz = float(np.argmax(spectrum)) * RATE_HZ / snippet.samples.size
    reach = 0.25 * v["tone_hz"]  # modulated by up to a few semitones
    near(strongest_hz, v["tone_hz"], reach)
    assert np.abs(snippet.samples).max() < 0.5


def devices_lines(chapter: Devices, v: Any) -> None:
    lines = [line.subject.shown.line for line in chapter.lines]
    assert [f"{line.devices} x {line.stages} stages" for line in lines] == [v["first"], v["second"]]
    assert {line.devices * line.stages / 2 for line in lines} == {v["periods"]}
    assert lines[0].devices != lines[1].devices
    for key, line in zip(("clock_khz", "other_khz"), chapter.lines, strict=True):
        near(1e3 * v[key], clock_of(line.subject), 0.002 * clock_of(line.subject))
        near(v["time_ms"], line.subject.shown.delay.time_ms, 1e-9)
    changed = {part.split(" ")[0] for part in v["changes"].split("; ")}
    assert changed == {"line.stages", "line.devices"}


def devices_noise(chapter: Devices, v: Any) -> None:
    """Heard again, another stretch of noise; within what 3 s of it vary."""
    for key, line in zip(("first_dbv", "second_dbv"), chapter.lines, strict=True):
        still = probes.at_rest(line.subject.circuit)
        y = probes.silence(replace(still, compander=replace(still.compander, enabled=False)), 1.0)
        near(v[key], db(float(np.sqrt(np.mean(y**2)))), 0.6)
    near(v["difference_db"], abs(v["second_dbv"] - v["first_dbv"]), 1e-9)
    assert v["words"] == ("more" if v["second_dbv"] >= v["first_dbv"] else "less")


def devices_why(chapter: Devices, v: Any) -> None:
    counts = sorted(line.subject.shown.line.devices for line in chapter.lines)
    assert [v["fewer"], v["more"]] == counts
    near(v["ratio"], counts[1] / counts[0], 1e-9)
    assert all(line.subject.shown.flaws.noise > 0 for line in chapter.lines)


def devices_response(chapter: Devices, v: Any) -> None:
    first, second = (line.response_db for line in chapter.lines)
    shown = (first > v["shown_db"]) & (second > v["shown_db"])
    near(v["apart_db"], float(np.max(np.abs(first - second)[shown])), 1e-9)


def _end_of(chapter: Runaway, part: Part) -> tuple[float, float]:
    """Level of the last whole window, dBV, and slope over the last two seconds, dB/s, read from the samples."""
    window = int(max(0.05, *(one.circuit.time_s for one in chapter.parts[:2])) * RATE_HZ)
    begins = np.arange(0, int(part.end_s * RATE_HZ) - window + 1, window)
    begins = begins[begins >= part.begin_s * RATE_HZ]
    levels = [10 * np.log10(np.mean(chapter.heard[at : at + window] ** 2) + 1e-14) for at in begins]
    last = (begins + window / 2) / RATE_HZ > part.end_s - max(2.0, 4 * window / RATE_HZ)
    slope = np.polyfit(begins[last] / RATE_HZ, np.array(levels)[last], 1)[0] if last.sum() > 1 else 0.0
    return float(levels[-1]), float(slope)


def _course(chapter: Runaway, part: Part, v: Any) -> None:
    level_dbv, slope = _end_of(chapter, part)
    near(v["end_dbv"], level_dbv, 0.1)
    assert v["course"] == ("steady" if abs(slope) < 0.5 else "growing" if slope > 0 else "falling")


def runaway_grow(chapter: Runaway, v: Any) -> None:
    first = chapter.parts[0]
    assert v["gain"] > 1
    near(v["time_ms"], chapter.subject.shown.delay.time_ms, 1e-6)
    near(v["gain"], first.circuit.loop_gain(clock_of(chapter.subject)), 0.005)
    _course(chapter, first, v)


def runaway_held(chapter: Runaway, v: Any) -> None:
    assert chapter.parts[0].course == "steady"
    assert v["louder_db"] >= 1
    assert v["stage"] in chapter.louder_db


def runaway_shared(chapter: Runaway, v: Any) -> None:
    assert max(chapter.louder_db.values()) < 1
    near(v["louder_db"], max(chapter.louder_db.values()), 1e-9)


def runaway_turn(chapter: Runaway, v: Any) -> None:
    first, second = chapter.parts[:2]
    shown = chapter.subject.shown
    assert v["time_ms"] in (pytest.approx(shown.delay.shortest_ms), pytest.approx(shown.delay.longest_ms))
    other = design(shown.changed({"delay.time_ms": float(v["time_ms"])}))
    near(1e3 * v["after_khz"], other.clock_hz, 0.002 * other.clock_hz)
    near(1e3 * v["before_khz"], clock_of(chapter.subject), 2e-3 * 1e3 * v["before_khz"])
    near(v["other_gain"], other.loop_gain(other.clock_hz), 0.005)
    near(v["seconds"], second.end_s - first.end_s, 1e-9)
    _course(chapter, second, v)


def runaway_end(chapter: Runaway, v: Any) -> None:
    third = chapter.parts[2]
    assert chapter.parts[1].course != "falling"
    near(v["gain"], third.circuit.loop_gain(third.circuit.clock_hz), 0.005)
    near(v["end_dbv"], _end_of(chapter, third)[0], 0.1)


def runaway_loudness(explanation: Explanation, snippet: Snippet, v: Any) -> None:
    """Loudest 400 ms, each block as a sound of its own."""
    block = int(0.4 * RATE_HZ)
    starts = range(0, snippet.samples.size - block, block // 2)
    levels = [loudness_lufs(snippet.samples[at : at + block], RATE_HZ) for at in starts]
    near(v["louder_lu"], max(levels) - explanation.flaws.loudness_lufs, 1.0)


def runaway_turned_down(explanation: Explanation, snippet: Snippet, v: Any) -> None:
    near(db(float(np.abs(snippet.samples).max())), -1.0, 0.01)
    heard = next(chapter for chapter in explanation.chapters if isinstance(chapter, Runaway)).heard
    near(v["turned_db"], db(explanation.flaws.gain * float(np.abs(heard).max())) + 1.0, 0.01)
    runaway_loudness(explanation, snippet, v)


def only(snippet: Snippet) -> str:
    """The one flaw of a snippet's voicing."""
    flaws = {name: value for name, value in snippet.subject.shown.flaws.model_dump().items() if value}
    assert len(flaws) == 1
    return next(iter(flaws))


def flaws_amount(snippet: Snippet, v: Any) -> None:
    flaw = only(snippet)
    assert v["amount"] == getattr(snippet.subject.shown.flaws, flaw) == getattr(snippet.subject.original.flaws, flaw)


def flaws_absent(snippet: Snippet, v: Any) -> None:
    flaw = only(snippet)
    assert v["own"] == getattr(snippet.subject.original.flaws, flaw) < 0.05
    assert v["amount"] == getattr(snippet.subject.shown.flaws, flaw) == 1


def flaws_ideal(snippet: Snippet, v: Any) -> None:
    assert v["time_ms"] == pytest.approx(snippet.subject.shown.delay.time_ms)
    bare = snippet.subject.shown.changed({f"flaws.{name}": 0.0 for name in snippet.subject.shown.flaws.model_dump()})
    circuit = design(bare)
    near(v["loop_gain"], circuit.loop_gain(circuit.clock_hz), 1e-9)
    assert (v["loop_gain"] > 0) == (bare.repeats.feedback > 0)


def flaws_none(snippet: Snippet, _v: Any) -> None:
    assert not any(snippet.subject.shown.flaws.model_dump().values())


def flaws_all(snippet: Snippet, _v: Any) -> None:
    assert snippet.subject.shown.flaws == snippet.subject.original.flaws


def flaws_transfer_loss(snippet: Snippet, v: Any) -> None:
    """By N e (1 - cos w), the form of imaging-system models (tests of published formulas)."""
    shown = snippet.subject.shown
    clock_hz = clock_of(snippet.subject)
    loss = float(snippet.subject.circuit.line.transfer_loss_at(np.array(clock_hz)))
    spread = shown.line.stages * shown.line.devices * loss
    expected = 20 / np.log(10) * spread * (1 - np.cos(2 * np.pi * v["f_hz"] / clock_hz))
    near(v["lost_db"], expected, 0.02 + 0.03 * expected)


def flaws_saturation(snippet: Snippet, v: Any) -> None:
    """All but the tone of the echo, by a least-squares fit of the tone."""
    near(v["percent"], _distortion(snippet.subject.circuit, v), 0.1 + 0.1 * v["percent"])
    bare = design(snippet.subject.shown.changed({"flaws.saturation": 0.0}))
    near(v["bare_percent"], _distortion(bare, v), 0.1 + 0.1 * v["bare_percent"])


def _distortion(circuit: Any, v: Any) -> float:
    circuit = probes.echo_alone(probes.at_rest(circuit))
    seconds = circuit.time_s + 0.6
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    y = probes.played(circuit, np.sqrt(2) * v["level_v"] * np.sin(2 * np.pi * v["f_hz"] * time_s))
    y, time_s = y[int((circuit.time_s + 0.25) * RATE_HZ) :], time_s[int((circuit.time_s + 0.25) * RATE_HZ) :]
    turn = 2 * np.pi * v["f_hz"] * time_s
    base = np.stack((np.sin(turn), np.cos(turn), np.ones_like(turn)), axis=1)
    left = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
    return 100 * float(np.std(left) / np.std(y))


def flaws_leakage(snippet: Snippet, v: Any) -> None:
    shown, device = snippet.subject.shown, snippet.subject.circuit.line.device
    wait_s = shown.line.stages * shown.line.devices / 2 / clock_of(snippet.subject)
    near(v["wait_ms"], 1e3 * wait_s, 0.01 * v["wait_ms"])
    near(v["lost_db"], shown.flaws.leakage * 8.686 * wait_s / device.leakage_time_s, 0.01 * v["lost_db"] + 1e-4)
    near(v["shift_mv"], 1e3 * shown.flaws.leakage * device.leakage_v_s * wait_s, 0.01 * v["shift_mv"] + 1e-4)


def flaws_on_silence(explanation: Explanation, snippet: Snippet, v: Any) -> None:
    """Turned back by what it was raised, and from full scale to volts, it has the level that is told; it is heard."""
    rms = float(np.std(snippet.samples))
    near(db(rms) - v["raised_db"] - db(explanation.flaws.gain), v["level_dbv"], 0.2)
    near(loudness_lufs(snippet.samples, RATE_HZ), explanation.flaws.loudness_lufs - 12, 1.5)


def flaws_clock(snippet: Snippet, v: Any) -> None:
    """Most of what can be heard lies at the clock and its multiples, within what the modulation moves it."""
    near(v["clock_hz"], clock_of(snippet.subject), 0.002 * v["clock_hz"])
    power = np.abs(np.fft.rfft(snippet.samples * np.hanning(snippet.samples.size))) ** 2
    f_hz = np.fft.rfftfreq(snippet.samples.size, 1 / RATE_HZ)
    multiple = np.maximum(np.round(f_hz / v["clock_hz"]), 1)
    of_clock = np.abs(f_hz / v["clock_hz"] / multiple - 1) < snippet.subject.circuit.lfo.deviation + 0.003
    assert power[of_clock & (f_hz > 40)].sum() > 0.5 * power[f_hz > 40].sum()


OF_CHAPTERS: dict[str, Callable[[Any, Any], None]] = {
    "sampling.rate": sampling_rate, "sampling.hold": sampling_hold, "sampling.level": sampling_level,
    "sampling.still": lambda chapter, v: modulation_is_on(chapter),
    "folding.copy": folding_copy, "folding.filter": folding_filter, "folding.riff": folding_riff,
    "folding.weak": folding_weak, "repeats.widths": repeats_widths, "repeats.darker": repeats_darker,
    "repeats.not_darker": repeats_not_darker, "repeats.level": repeats_level, "repeats.steady": repeats_steady,
    "repeats.held": repeats_held, "modulation.clock": modulation_clock, "modulation.law": modulation_law,
    "modulation.pitch": modulation_pitch, "modulation.weak": modulation_weak, "devices.lines": devices_lines,
    "devices.noise": devices_noise, "devices.why": devices_why, "devices.response": devices_response,
    "runaway.grow": runaway_grow, "runaway.held": runaway_held, "runaway.shared": runaway_shared,
    "runaway.turn": runaway_turn, "runaway.end": runaway_end,
}  # fmt: skip
"""By claim: given the chapter and the claim's values."""

OF_SNIPPETS: dict[str, Callable[[Any, Any], None]] = {
    "modulation.tone": modulation_tone, "flaws.ideal": flaws_ideal, "flaws.ideal_once": flaws_ideal,
    "flaws.none": flaws_none, "flaws.all": flaws_all, "flaws.amount": flaws_amount, "flaws.absent": flaws_absent,
    "flaws.transfer_loss": flaws_transfer_loss, "flaws.saturation": flaws_saturation, "flaws.leakage": flaws_leakage,
    "flaws.clock": flaws_clock,
}  # fmt: skip
"""By claim: given the snippet and the claim's values."""

OF_LEVELS: dict[str, Callable[[Explanation, Any, Any], None]] = {
    "runaway.loudness": runaway_loudness, "runaway.turned_down": runaway_turned_down,
    "flaws.noise": flaws_on_silence, "flaws.clock_bleed": flaws_on_silence,
}  # fmt: skip
"""By claim about a snippet beside the others: given the explanation too."""


def modulation_is_on(chapter: Sampling) -> None:
    assert chapter.subject.shown.modulation.range != "off"
