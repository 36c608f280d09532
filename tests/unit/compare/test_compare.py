"""Comparing two voicings: matched loudness, files whole or not at all, figures and what is marked, blind sessions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

import voicer
from voicer.circuit.circuit import LfoParts
from voicer.compare import differences
from voicer.compare.differences import EDGE, LEVEL, PITCH, TIME, Heard, Row, Rule, Share, rows_of, wobble_cents
from voicer.compare.pair import Pair, load_programme, render_pair, write_pair
from voicer.errors import FileError, VoicerError
from voicer.measure import predict
from voicer.measure.meters import centroid_hz, loudness_lufs

if TYPE_CHECKING:
    from voicer.circuit import Circuit

RATE_HZ = 48_000


def circuit_of(name: str = "quay-slap", **changes: Any) -> Circuit:
    values = {key.replace("__", "."): value for key, value in changes.items()}
    return voicer.design(voicer.load(name).changed(values))


def noise(seconds: float, level: float = 0.1) -> Any:
    return level * np.random.default_rng(4).standard_normal(round(seconds * RATE_HZ))


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Pair:
    """Two voicings over a second of noise, 6 dB apart in their level."""
    path = tmp_path_factory.mktemp("in") / "in.wav"
    soundfile.write(path, noise(1.0), RATE_HZ)
    return render_pair(load_programme(path, 1.0), circuit_of(), circuit_of("lamp-lane", output__level_db=-6))


def test_both_sound_as_loud_and_as_long(pair: Pair) -> None:
    """Matched by BS.1770 within 0.001 LU: the louder is turned down, the quieter is left; both have the tail."""
    a, b = pair.sounds["A"], pair.sounds["B"]
    assert a.size == b.size == 2 * RATE_HZ
    assert loudness_lufs(a, RATE_HZ) == pytest.approx(loudness_lufs(b, RATE_HZ), abs=1e-3)
    assert sorted(pair.gain_db.values())[1] == 0
    assert sorted(pair.gain_db.values())[0] == pytest.approx(-abs(pair.loudness_lufs["A"] - pair.loudness_lufs["B"]))
    assert max(np.abs(a).max(), np.abs(b).max()) <= 10 ** (-3 / 20) + 1e-9


def test_what_is_heard_is_what_render_makes(pair: Pair) -> None:
    """Apart from the matching, A is the render of its voicing."""
    rendered = voicer.render(pair.programme.samples, RATE_HZ, pair.circuits["A"])
    assert pair.sounds["A"] == pytest.approx(rendered * 10 ** (pair.gain_db["A"] / 20), abs=1e-12)


def test_the_shipped_riff_and_other_rates(tmp_path: Path) -> None:
    """Without a file the riff is played; a rate the echo does not run at becomes 48 kHz."""
    assert load_programme(None, 0).samples.size == 12 * RATE_HZ
    soundfile.write(tmp_path / "low.wav", noise(1.0)[::3], 16_000)
    low = load_programme(tmp_path / "low.wav", 0.5)
    assert (low.sample_rate_hz, low.samples.size) == (48_000, 72_000)


@pytest.mark.parametrize(("sound", "line"), [
    (np.zeros(48_000), "in.wav: the recording must not be silent (got nothing above -70 LUFS); record it louder or use another"),
    (noise(1, 1e-6), "in.wav: the recording must not be silent"),
    (noise(0.3), "in.wav: the recording must last at least 0.4 s for its loudness (got 0.3 s); use a longer one"),
    (np.full(48_000, np.nan), "in.wav: the recording must hold finite numbers (got NaN or infinity); export it again"),
], ids=["zeros", "too soft", "too short", "nan"])  # fmt: skip
def test_recordings_that_cannot_be_compared_over(sound: Any, line: str, tmp_path: Path) -> None:
    """One line with the file's name and the rule."""
    soundfile.write(tmp_path / "in.wav", sound, RATE_HZ, subtype="DOUBLE")
    with pytest.raises(FileError) as caught:
        load_programme(tmp_path / "in.wav")
    assert str(caught.value).startswith(f"{tmp_path}/{line}")


def test_a_voicing_too_soft_to_measure(tmp_path: Path) -> None:
    """It is named."""
    soundfile.write(tmp_path / "in.wav", noise(1.0, 1e-3), RATE_HZ)
    with pytest.raises(VoicerError, match=r"B \(Quay Slap\) must be loud enough to measure"):
        render_pair(load_programme(tmp_path / "in.wav"), circuit_of(), circuit_of(output__level_db=-40))


def test_files_are_both_written_into_a_folder_that_is_made(pair: Pair, tmp_path: Path) -> None:
    """As they sound, 24 bits, of the same size, and nothing beside them."""
    assert write_pair(pair, tmp_path / "new" / "out") == [tmp_path / "new" / "out" / f"{name}.wav" for name in "AB"]
    found = sorted((tmp_path / "new" / "out").iterdir())
    assert [path.name for path in found] == ["A.wav", "B.wav"]
    assert found[0].stat().st_size == found[1].stat().st_size
    for path in found:
        assert soundfile.read(path)[0] == pytest.approx(pair.sounds[path.stem], abs=2**-23)


def test_files_are_written_both_or_none(pair: Pair, tmp_path: Path) -> None:
    """Where B.wav cannot go, A.wav stays what it was and nothing is left over."""
    (tmp_path / "B.wav").mkdir()
    (tmp_path / "A.wav").write_text("older")
    with pytest.raises(FileError, match=r"B.wav: the output must be a regular file \(got a folder\)"):
        write_pair(pair, tmp_path, overwrite=True)
    assert (tmp_path / "A.wav").read_text() == "older"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["A.wav", "B.wav"]
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match=r"the folder cannot be written \(Not a directory\)"):
        write_pair(pair, tmp_path / "file" / "out")


@pytest.mark.parametrize(("rule", "a", "b", "expected"), [
    (TIME, 300, 304.9, False),
    (TIME, 300, 305, True),
    (TIME, 305, 300, True),
    (PITCH, 0, 9.9, False),
    (PITCH, 0, 10, True),
    (Share(0.1, ""), 1000, 1099, False),
    (Share(0.1, ""), 1100, 1000, True),
    (Share(0.1, ""), 0, 0, False),
    (EDGE, 0.9, 0.99, False),
    (EDGE, 0.99, 1.0, True),
    (EDGE, 1.2, 0.1, True),
    (EDGE, 1.1, 1.4, False),
])  # fmt: skip
def test_thresholds(rule: Rule, a: float, b: float, expected: bool) -> None:
    """A difference is marked from its threshold on, either way round; for the edge, when one is past it."""
    assert rule.heard(a, b) is expected


def judged(a: float, b: float, rule: Rule) -> Row:
    return Row("x_db", "x", "dB", a, b, rule)


def test_a_decay_just_below_the_threshold_is_printed_so() -> None:
    """6.031 dB and 7.030 dB differ by less than 1 dB: both, the difference and the threshold show it."""
    row = judged(6.0312, 7.0301, LEVEL)
    assert row.heard is False
    assert (row.text(row.a), row.text(row.b)) == ("6.031", "7.030")
    assert (row.text(row.difference, sign=True), row.text(row.threshold)) == ("+0.999", "1.000")


@pytest.mark.parametrize("rule", [LEVEL, TIME, PITCH, Share(0.1, ""), EDGE])
def test_what_is_printed_leads_to_the_verdict(rule: Rule) -> None:
    """For values about every threshold: from the printed texts alone a reader comes to the unrounded verdict."""
    rng = np.random.default_rng(5)
    for a in rng.uniform(0.2, 20, 60):
        for off in (0.0, 1e-12, -1e-7, 1e-6, -1e-4, 3e-3, -0.2):
            threshold = rule.threshold(a, 2 * a)
            b = (1.0 if threshold is None else a + threshold) + off
            row = judged(float(a), b, rule)
            printed_a, printed_b = float(row.text(row.a)), float(row.text(row.b))
            if row.threshold is None:
                verdict = (printed_a >= 1) != (printed_b >= 1)
            else:
                difference = abs(float(row.text(row.difference, sign=True)))
                verdict = difference >= float(row.text(row.threshold)) and difference > 0
            assert verdict == row.heard, row


def test_half_the_clock_is_judged_where_the_filters_let_it_through() -> None:
    """Clocks a third apart: heard where a filter reaches half the clock, not where both stay far below it."""
    low, wide = {"cutoff_hz": 1200.0, "order": 5}, {"cutoff_hz": 5000.0, "order": 2}
    for low_pass, heard in ((low, False), (wide, True)):
        filters = {f"filters.{name}.{key}": value for name in ("anti_alias", "reconstruction") for key, value in low_pass.items()}
        plain = voicer.load("quay-slap").changed(filters)
        other = plain.changed({"delay.time_ms": 90 / 1.33, "delay.longest_ms": 120.0})
        row = rows_between(voicer.design(plain), voicer.design(other))["half_clock_hz"]
        assert row.heard is heard
        assert ("filters hold half the clock below -40 dB" in row.as_json()["rule"]) is not heard


def test_energy_above_half_the_clock() -> None:
    """Two tones, below and above half the clock: their ratio behind a Butterworth of order 2, ``1 / sqrt(1 + (f/fc)^4)``,
    and a first-order low cut, ``f / sqrt(f^2 + fc^2)`` (any filter handbook).
    """
    circuit = circuit_of("old-dredger", filters__anti_alias__cutoff_hz=3200.0, filters__low_cut_hz=90.0)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    levels = []
    x = np.zeros(time_s.size)
    for f_hz, level in ((500.0, 0.1), (2500.0, 0.05)):
        x += level * np.sin(2 * np.pi * f_hz * time_s)
        levels.append(level * f_hz / np.hypot(f_hz, 90) / np.sqrt(1 + (f_hz / 3200) ** 4))
    expected = 20 * np.log10(levels[1] / np.hypot(*levels))
    assert circuit.clock_hz / 2 < 2500
    assert predict.energy_above_half_clock_db(circuit, x, RATE_HZ) == pytest.approx(expected, abs=0.02)
    assert predict.energy_above_half_clock_db(circuit, x[:0], RATE_HZ) == -np.inf


def rows_between(a: Circuit, b: Circuit) -> dict[str, Any]:
    x = noise(0.5)
    return {row.key: row for row in rows_of(Heard(a, x, -23.0, RATE_HZ, x), Heard(b, x, -23.0, RATE_HZ, x))}


@pytest.mark.parametrize(("changes", "marked"), [
    ({}, set()),
    ({"delay.time_ms": 94.0}, set()),
    ({"delay.time_ms": 96.0}, {"time_ms"}),
    ({"filters.anti_alias.cutoff_hz": 3000.0}, {"anti_alias_hz"}),
    ({"filters.reconstruction.cutoff_hz": 3000.0}, {"reconstruction_hz"}),
    ({"repeats.feedback": 0.3}, {"decay_db"}),
    ({"repeats.feedback": 1.5}, {"decay_db", "loop_gain"}),
    ({"output.blend": 0.5}, {"echo_to_dry_db"}),
    ({"modulation.range": "fast", "modulation.rate_hz": 5.0, "modulation.depth_percent": 2.0}, {"wobble_cents"}),
])  # fmt: skip
def test_what_is_changed_is_what_is_marked(changes: dict[str, Any], marked: set[str]) -> None:
    """One changed parameter marks its own figures; what follows from it in the loop may be marked too, no other."""
    plain = voicer.load("quay-slap")
    rows = rows_between(voicer.design(plain), voicer.design(plain.changed(changes)))
    found = {key for key, row in rows.items() if row.heard}
    assert marked <= found
    assert found <= marked | {"decay_db", "noise_db", "folding_db"}
    assert marked or not found


def test_figures_are_the_circuits(pair: Pair) -> None:
    """Each figure is that of the circuit `voicer show` tells, for both."""
    rows = {row.key: row for row in pair.rows()}
    for name, circuit in pair.circuits.items():
        told = voicer.circuit.collect_facts(circuit)
        mine = {key: getattr(row, name.lower()) for key, row in rows.items()}
        for key in ("time_ms", "clock_hz", "half_clock_hz", "loop_gain"):
            assert mine[key] == told[key]
        assert mine["anti_alias_hz"] == told["anti_alias"]["cutoff_hz"]
        assert mine["reconstruction_hz"] == told["reconstruction"]["cutoff_hz"]
        assert mine["decay_db"] == pytest.approx(-20 * np.log10(told["loop_gain"]))


def test_ends_of_the_scales() -> None:
    """No repeats, dry only and echo only are finite numbers, and a modulation that is off has no rate."""
    dry, wet = (circuit_of(output__blend=blend, repeats__feedback=0) for blend in (0, 1))
    rows = rows_between(dry, wet)
    assert (rows["decay_db"].a, rows["echo_to_dry_db"].a, rows["echo_to_dry_db"].b) == (60, -60, 60)
    assert (rows["rate_hz"].a, rows["rate_hz"].heard, rows["wobble_cents"].a) == (None, None, 0)


@pytest.mark.parametrize("turns", [0.1, 0.25, 0.5, 0.9, 2.3])
def test_wobble_by_closed_form(turns: float) -> None:
    """For shallow depths the pitch bends by the clock now less the clock a delay ago: 2 d |sin(pi f t)| for a sine,
    4 d times the nearer distance to a whole turn for a triangle (at most 2 d).
    """
    base, depth = circuit_of(), 1e-4
    rate_hz = turns * base.clock_hz / base.line.periods
    distance = min(turns % 1, 1 - turns % 1)
    for shape, bend in (("sine", 2 * np.sin(np.pi * distance)), ("triangle", 4 * distance)):
        circuit = replace(base, lfo=LfoParts(rate_hz, depth, shape))  # type: ignore[arg-type]
        expected = 1200 / np.log(2) * depth * bend
        assert wobble_cents(circuit) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("shape", ["sine", "triangle"])
def test_wobble_is_nothing_when_a_delay_is_a_whole_turn(shape: Any) -> None:
    """A line that holds a whole number of the slow oscillator's turns bends no pitch, however deep."""
    base = circuit_of()
    circuit = replace(base, lfo=LfoParts(3 * base.clock_hz / base.line.periods, 0.2, shape))
    assert wobble_cents(circuit) < 0.1  # the law is followed numerically


def test_centroid() -> None:
    """A tone's is its frequency; of two equal ones the middle."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    low, high = (np.sin(2 * np.pi * f_hz * time_s) for f_hz in (500, 1500))
    assert centroid_hz(low, RATE_HZ) == pytest.approx(500, abs=0.1)
    assert centroid_hz(low + high, RATE_HZ) == pytest.approx(1000, abs=0.1)


def test_noise_follows_the_flaw(pair: Pair) -> None:
    """A noisy line's rest is louder against the same music; without the flaw it is at the bottom of the scale."""
    levels = [
        differences.noise_db(Heard(circuit_of(flaws__noise=amount, compander__enabled=False), noise(1), -40, RATE_HZ, noise(1)))
        for amount in (0, 1, 3)
    ]
    assert levels[0] == -60
    assert levels[0] < levels[1] < levels[2]
