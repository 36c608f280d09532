"""The bench: predicted and measured agree, disagreement is seen, and what cannot be measured is left open."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import Phase, given, settings

from tests.conftest import GUITARS, lacking
from tests.fuzz.strategies import voicings
from voicer import library
from voicer.board import design
from voicer.errors import CircuitError
from voicer.measure import predict, probes
from voicer.measure.bench import Bench, Reading, as_json
from voicer.measure.folder import write_bench
from voicer.measure.plots import PLOTS
from voicer.voicing import Voicing

SHIPPED = [entry.name for entry in library.listing()]
ALWAYS = {
    "delay_ms", "clock_hz", "half_clock_hz", "response_worst_db", "wet_low_hz", "wet_high_hz", "repeat_1_high_hz",
    "repeat_5_high_hz", "repeat_5_centroid_hz", "noise_a_db", "noise_468_db", "signal_to_noise_db",
    "thd_n_0.775v_percent", "edge_held", "loudness_dry_lufs", "loudness_wet_lufs",
}  # fmt: skip


TAILS = {"loop_gain_peak"} | {f"tail_{at}_{unit}" for at in ("shortest", "middle", "longest") for unit in ("db", "db_s")}
"""What a voicing with repeats has beside those."""


def readings(name: str, **parts: Any) -> dict[str, Reading]:
    return {one.key: one for one in Bench(design(library.load(name), **parts)).readings()}


def told(found: list[Reading] | Any) -> list[str]:
    return [f"{one.key}: {one.predicted} {one.measured} {one.tolerance}" for one in found if one.ok is False]


@pytest.mark.parametrize("name", SHIPPED)
def test_every_figure_of_shipped_voicings_agrees(name: str) -> None:
    """Delay within a frame, responses 0.3 dB, folded tones 2 Hz and 0.5 dB, noise 1 dB, edge 1 %, decay 0.5 dB, pitch
    2 cents, compressor's times 5 %.
    """
    found = readings(name)
    assert told(found.values()) == []
    assert set(found) >= ALWAYS | (TAILS if library.load(name).repeats.feedback else set())
    assert sum(one.ok is True for one in found.values()) >= 25


@pytest.mark.parametrize("unit", [1, 2])
def test_a_unit_of_the_spread_is_predicted_too(unit: int) -> None:
    """Nothing in the predictions leans on round numbers."""
    assert told(readings("slow-tide", unit=unit).values()) == []


@settings(max_examples=10, derandomize=True, deadline=None, phases=[Phase.generate])
@given(voicings())
def test_any_voicing_agrees(voicing: Voicing) -> None:
    """Over the voicings' whole ranges, those that fold and alias beyond all measure among them."""
    try:
        circuit = design(voicing)
    except CircuitError:
        return
    if circuit.time_s < 0.25:  # longer ones take long
        assert told(Bench(circuit).readings()) == []


def test_a_wrong_prediction_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a filter 10 % off in the prediction alone, the response disagrees."""
    voicing = library.load("quay-slap")
    other = design(voicing.changed({"filters.reconstruction.cutoff_hz": 1.1 * voicing.filters.reconstruction.cutoff_hz}))
    right = predict.wet
    monkeypatch.setattr(predict, "wet", lambda circuit, f_hz: right(replace(other, time_s=circuit.time_s), f_hz))
    wrong = [one.key for one in Bench(design(voicing)).readings() if one.ok is False]
    assert "response_worst_db" in wrong


def test_a_runaway_is_measured_as_one() -> None:
    """A loop past its edge has a level and a pitch on which it settles, and no decay."""
    found = readings("storm-bell")
    wild = {one.key: one for one in Bench(design(library.load("storm-bell").changed({"repeats.feedback": 1.4}))).readings()}
    assert 0.05 < wild["oscillation_v"].measured < 4.0  # type: ignore[operator]
    assert wild["decay_db"].measured is None
    assert "t60_s" not in wild
    assert "oscillation_v" in found


def test_what_is_off_is_left_out() -> None:
    """No modulation, no cents; no compander, no attack; no feedback, no decay; no noise, no ratio."""
    quiet = library.load("quay-slap").changed(
        {"compander.enabled": False, "repeats.feedback": 0.0, "flaws.noise": 0.0, "flaws.clock_bleed": 0.0}
    )
    found = {one.key for one in Bench(design(quiet)).readings()}
    assert not found & ({"cents_lowest", "attack_ms", "decay_db", "noise_a_db", "clock_residue_db"} | TAILS)


def test_the_loop_gain_is_told_where_it_peaks() -> None:
    """Between the ends of the time control, where both are below the edge: measured, the loop grows there."""
    voicing = library.load("storm-bell").changed({"repeats.feedback": 1.15})
    found = {one.key: one for one in Bench(design(voicing)).readings()}
    peak, ends = found["loop_gain_peak"], [found[f"tail_{at}_db"] for at in ("shortest", "longest")]
    assert peak.measured is not None
    assert peak.measured > 1.1
    assert all(end.measured is not None and end.measured < 0.1 for end in ends)


def test_exact_vibrato_null() -> None:
    """A delay of whole LFO periods does not wobble at all (clock law: u = t - kP solves it), predicted and measured."""
    voicing = library.load("gull-vibrato").changed(
        {"line.stages": 1024, "delay.longest_ms": 210.0, "delay.shortest_ms": 6.0, "delay.time_ms": 200.0,
         "modulation.rate_hz": 5.0, "modulation.depth_percent": 2.0}
    )  # fmt: skip
    circuit = design(voicing)
    rate_hz = circuit.clock_hz / circuit.line.periods
    circuit = replace(circuit, lfo=replace(circuit.lfo, rate_hz=rate_hz))
    for _, cents in (predict.cents_over_time(circuit), probes.cents_over_time(circuit, 400.0)):
        assert np.max(np.abs(cents)) < 0.5
    beside = replace(circuit, lfo=replace(circuit.lfo, rate_hz=1.5 * rate_hz))
    assert np.max(np.abs(probes.cents_over_time(beside, 400.0)[1])) > 50


def test_transform_at_any_frequency() -> None:
    """Row by row or straight, the same Fourier transform."""
    x, f_hz = np.random.default_rng(2).standard_normal(3001), np.array([31.7, 440.0, 9876.5])
    straight = np.exp(-2j * np.pi * f_hz[:, None] * np.arange(x.size) / probes.RATE_HZ) @ x
    assert probes._transform(x, f_hz) == pytest.approx(straight, abs=1e-8)


def test_the_folder(tmp_path: Path) -> None:
    """Data sheet of one page, figures as data, every plot twice."""
    bench = Bench(design(library.load("gull-vibrato")))
    found = bench.readings()
    write_bench(bench, found, tmp_path / "bench", "exact values")
    names = {path.name for path in (tmp_path / "bench").iterdir()}
    assert names == {"datasheet.pdf", "figures.json"} | {f"{plot}.{end}" for plot in PLOTS for end in ("svg", "png")}
    assert json.loads((tmp_path / "bench" / "figures.json").read_text()) == as_json(found)
    assert (tmp_path / "bench" / "datasheet.pdf").read_bytes().count(b"/Type /Page ") == 1
    for plot in PLOTS:
        assert "Gull Vibrato" in (tmp_path / "bench" / f"{plot}.svg").read_text()


def run(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", "-m", "voicer", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=120)


def test_the_command(tmp_path: Path) -> None:
    """A table for people, the promised shape for programs: unit, predicted, measured, tolerance and ok by figure."""
    done = run("measure", "gull-vibrato", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "figures agree within their tolerance" in done.stdout
    assert "1 V at full scale assumed" in done.stdout
    data = json.loads(run("measure", "gull-vibrato", "--series", "E24", "--json", folder=tmp_path).stdout)
    assert all({"unit", "predicted", "measured", "tolerance", "ok"} <= set(row) for row in data.values())
    assert data["delay_ms"]["ok"] is True


def test_a_guitar_of_ones_own(tmp_path: Path) -> None:
    """Where its power lies and how loud it is are those of the recording; silence is refused."""
    if not (GUITARS / "guit_em9.flac").exists():
        lacking("guitar recordings are missing: install the package sonic-pi-samples")
    found = {one.key: one for one in Bench(design(library.load("quay-slap")), 1.0, GUITARS / "guit_em9.flac").readings()}
    centres = [found[f"repeat_{number}_centroid_hz"].measured for number in range(1, 6)]
    assert all(200 < centre < 1000 for centre in centres)  # type: ignore[operator]
    assert centres[0] != readings("quay-slap")["repeat_1_centroid_hz"].measured
    soundfile.write(tmp_path / "silent.wav", np.zeros(48_000), 48_000)
    done = run("measure", "quay-slap", "--input", "silent.wav", folder=tmp_path)
    line = "voicer: silent.wav: the recording must not be silent; give another\n"
    assert (done.returncode, done.stderr) == (2, line)


def test_all_voicings_on_all_cores(tmp_path: Path) -> None:
    """One line per voicing, all figures right."""
    data = json.loads(run("measure", "--all", "--json", folder=tmp_path).stdout)
    assert sorted(data) == sorted(SHIPPED)
    assert not [(name, key) for name, rows in data.items() for key, row in rows.items() if row["ok"] is False]


def test_all_voicings_as_asked(tmp_path: Path) -> None:
    """Settings and parts hold for all of them as for one."""
    options = ("--set", "delay.time_ms=90", "--set", "delay.shortest_ms=80", "--set", "delay.longest_ms=100")
    done = run("measure", "--all", "--json", *options, "--set", "line.stages=4096", "--set", "line.devices=1",
               folder=tmp_path)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert {row["delay_ms"]["predicted"] for row in json.loads(done.stdout).values()} == {90.0}


@pytest.mark.parametrize("arguments", [["measure"], ["measure", "quay-slap", "--all"]])
def test_one_or_all(arguments: list[str], tmp_path: Path) -> None:
    """A voicing or all of them, not both, not none."""
    done = run(*arguments, folder=tmp_path)
    line = "voicer: give either a voicing or --all (got both or neither); voicer measure slow-tide\n"
    assert (done.returncode, done.stderr) == (2, line)
