"""The meters against outside values, each beside its source, and against another implementation on real guitars."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
import soxr
from scipy import signal

from tests.conftest import GUITARS, lacking
from voicer.errors import VoicerError
from voicer.measure.meters import (
    a_weighting_db,
    itu_468_db,
    k_weighting,
    loudness_lufs,
    thd_n,
    tone_level,
    weighted_rms,
)

RATES_HZ = (44_100, 48_000, 96_000, 192_000)


def tone(f_hz: float, seconds: float, level: float = 1.0, rate_hz: float = 48_000) -> Any:
    return level * np.sin(2 * np.pi * f_hz / rate_hz * np.arange(round(seconds * rate_hz)))


def decibels(ratio: Any) -> Any:
    return 20 * np.log10(ratio)


def at_db(level_db: float, seconds: float, rate_hz: float = 48_000) -> Any:
    """1 kHz as both channels of a stereo signal at that level would load the meter: 3.01 dB more in one channel."""
    return tone(1000, seconds, np.sqrt(2) * 10 ** (level_db / 20), rate_hz)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_997_hz_at_full_scale(rate_hz: int) -> None:
    """ITU-R BS.1770-4: 997 Hz at 0 dBFS in one channel reads -3.01 LKFS, at any rate."""
    assert loudness_lufs(tone(997, 5, rate_hz=rate_hz), rate_hz) == pytest.approx(-3.01, abs=0.006)


def test_k_weighting_is_the_printed_one() -> None:
    """ITU-R BS.1770-4, tables 1 and 2, 48 kHz (the high-pass from memory): our filters for any rate are these."""
    (b1, a1), (b2, a2) = k_weighting(48_000)
    assert b1 == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=2e-9)
    assert a1 == pytest.approx([1, -1.69065929318241, 0.73248077421585], abs=2e-9)
    assert b2 == pytest.approx([1, -2, 1], abs=1e-12)
    assert a2 == pytest.approx([1, -1.99004745483398, 0.99007225036621], abs=2e-9)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_k_weighting_is_one_curve_at_every_rate(rate_hz: int) -> None:
    """Up to 4 kHz within 0.05 dB of the 48 kHz filters; above, the bilinear map parts them by less than 0.3 dB."""
    f_hz = np.geomspace(20, 16_000, 200)
    gains = []
    for fs in (rate_hz, 48_000):
        responses = [signal.freqz(b, a, f_hz, fs=fs)[1] for b, a in k_weighting(fs)]
        gains.append(decibels(np.abs(responses[0] * responses[1])))
    apart = np.abs(gains[0] - gains[1])
    assert apart[f_hz < 4000].max() < 0.05
    assert apart.max() < 0.3


# A loudness meter's manual: 1 kHz at -20 dBFS in one front channel reads -23.0 LUFS, in two -20.0 LUFS.
# EBU Tech 3341 (v2): stereo 1 kHz at -23 and -33 dBFS; sequences of levels for both gates, lengths and the last from
# memory. dBFS of a stereo sine, seconds; expected LUFS. The standard's own band is 0.1.
EBU_TECH_3341 = [
    ([(-23, 20)], -23.0),
    ([(-33, 20)], -33.0),
    ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
    ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
    ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
]


@pytest.mark.parametrize(("levels", "expected"), EBU_TECH_3341)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_23_lufs_set(levels: list[tuple[float, float]], expected: float, rate_hz: int) -> None:
    """EBU Tech 3341: steady tones and gated sequences read what they should within 0.1 LU."""
    x = np.concatenate([at_db(level_db, seconds, rate_hz) for level_db, seconds in levels])
    assert loudness_lufs(x, rate_hz) == pytest.approx(expected, abs=0.1)


def test_one_front_channel() -> None:
    """A loudness meter's manual: 1 kHz at -20 dBFS in one channel reads -23.0 LUFS."""
    assert loudness_lufs(tone(1000, 20, 0.1), 48_000) == pytest.approx(-23.0, abs=0.05)


def test_gates() -> None:
    """Silence behind a tone counts for nothing, nor does what is 30 dB softer; what is 6 dB softer does.

    Of 10 s there are 97 whole blocks, and three that hold 3/4, 1/2 and 1/4 of them, within 10 LU all.
    """
    loud = at_db(-23, 10)
    alone, edge_db = loudness_lufs(loud, 48_000), 10 * np.log10(98.5 / 100)
    for softer in (np.zeros(960_000), at_db(-53, 20)):
        found = loudness_lufs(np.concatenate((loud, softer)), 48_000)
        assert found == pytest.approx(alone + edge_db, abs=0.01)
    mean_db = 10 * np.log10((1 + 10**-0.6) / 2)
    assert loudness_lufs(np.concatenate((loud, at_db(-29, 10))), 48_000) == pytest.approx(alone + mean_db, abs=0.02)


@pytest.mark.parametrize(
    "x", [[], np.zeros(48_000), at_db(-72, 5), at_db(-23, 0.399)], ids=["empty", "silence", "below the gate", "399 ms"]
)
def test_nothing_to_measure(x: Any) -> None:
    """Silence, less than -70 LUFS and less than 400 ms are -inf, with no warning; 400 ms are enough."""
    assert loudness_lufs(x, 48_000) == -np.inf
    assert loudness_lufs(at_db(-23, 0.4), 48_000) == pytest.approx(-23, abs=0.1)


@pytest.mark.parametrize("name", ["guit_e_fifths", "guit_em9", "guit_e_slide", "guit_harmonics"])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_guitars_against_another_meter(name: str, rate_hz: int) -> None:
    """Real recordings within 0.1 LU of pyloudnorm, both with its own filters and with the standard's re-derived."""
    path = GUITARS / f"{name}.flac"
    if not path.exists():
        lacking("no guitar recordings; install Debian's sonic-pi-samples")
    sound, own_hz = soundfile.read(path, always_2d=True)
    x = soxr.resample(sound.mean(axis=1), own_hz, rate_hz)
    for filters in ("K-weighting", "DeMan"):
        other = pyloudnorm.Meter(rate_hz, filter_class=filters).integrated_loudness(x)
        assert loudness_lufs(x, rate_hz) == pytest.approx(other, abs=0.1)


# IEC 61672-1 (as reproduced), at the exact frequencies 1000 * 10^(n/10)
IEC_61672 = [
    (-15, -39.4), (-12, -26.2), (-10, -19.1), (-9, -16.1), (-6, -8.6), (-3, -3.2), (0, 0.0), (3, 1.2), (6, 1.0),
    (9, -1.1), (11, -4.3), (12, -6.6), (13, -9.3),
]  # fmt: skip


@pytest.mark.parametrize(("third", "expected_db"), IEC_61672)
def test_a_weighting(third: int, expected_db: float) -> None:
    """IEC 61672-1, rounded to 0.1 dB there."""
    assert float(a_weighting_db(1000 * 10 ** (third / 10))) == pytest.approx(expected_db, abs=0.06)


# ITU-R BS.468 (as reproduced)
ITU_468 = [
    (31.5, -29.9), (63, -23.9), (100, -19.8), (200, -13.8), (400, -7.8), (800, -1.9), (1000, 0.0), (2000, 5.6),
    (3150, 9.0), (4000, 10.5), (5000, 11.7), (6300, 12.2), (7100, 12.0), (8000, 11.4), (9000, 10.1), (10_000, 8.1),
    (12_500, 0.0), (14_000, -5.3), (16_000, -11.7), (20_000, -22.2), (31_500, -42.7),
]  # fmt: skip


@pytest.mark.parametrize(("f_hz", "expected_db"), ITU_468)
def test_468_weighting(f_hz: float, expected_db: float) -> None:
    """ITU-R BS.468, within 0.1 dB: the last digit its table prints."""
    assert float(itu_468_db(f_hz)) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize("weighting", ["A", "468"])
@pytest.mark.parametrize("f_hz", [100, 1000, 6300])
def test_a_weighted_tone(weighting: Any, f_hz: float) -> None:
    """A tone's weighted rms is its rms times the weighting at its frequency, whatever stands beside it."""
    curve = {"A": a_weighting_db, "468": itu_468_db}[weighting]
    expected = 0.5 / np.sqrt(2) * 10 ** (float(curve(f_hz)) / 20)
    assert decibels(weighted_rms(tone(f_hz, 4, 0.5), 48_000, weighting) / expected) == pytest.approx(0, abs=0.03)


def test_weighted_noise() -> None:
    """White noise: flat it reads its rms, A-weighted what the curve's mean square over 0..24 kHz leaves of it."""
    x = 0.1 * np.random.default_rng(3).standard_normal(48_000 * 20)
    assert weighted_rms(x, 48_000, "none") == pytest.approx(0.1, rel=0.01)
    f_hz = np.linspace(1, 24_000, 24_000)
    for weighting, curve in (("A", a_weighting_db), ("468", itu_468_db)):
        expected = 0.1 * np.sqrt(np.mean(10 ** (curve(f_hz) / 10)))
        assert weighted_rms(x, 48_000, weighting) == pytest.approx(expected, rel=0.01)  # type: ignore[arg-type]


@pytest.mark.parametrize("f_hz", [82.4069, 997.0, 6000.3])
def test_tone_level_beside_others(f_hz: float) -> None:
    """Amplitude to 1e-6 on and off the bins of the transform, with a stronger tone beside it and an offset below."""
    x = tone(f_hz, 1, 0.01) + tone(f_hz + 40, 1, 1.0) + 0.5
    assert tone_level(x, 48_000, f_hz) == pytest.approx(0.01, abs=1e-6)
    assert tone_level(x, 48_000, f_hz + 20) < 1e-6


@pytest.mark.parametrize("level", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("f_hz", [100.0, 997.0, 1234.5])
def test_thd_of_a_known_curve(level: float, f_hz: float) -> None:
    """A curve x + 0.1 x^2 + 0.05 x^3 makes of a tone a: a + 0.0375 a^3, second 0.05 a^2, third 0.0125 a^3, exactly."""
    x = tone(f_hz, 2, level)
    second, third = 0.05 * level**2, 0.0125 * level**3
    total = np.sqrt((level + 0.0375 * level**3) ** 2 + second**2 + third**2)
    found = thd_n(x + 0.1 * x**2 + 0.05 * x**3, 48_000, f_hz)
    assert found == pytest.approx(np.hypot(second, third) / total, rel=1e-4)
    y = x + 0.1 * x**2 + 0.05 * x**3
    assert tone_level(y, 48_000, 2 * f_hz) == pytest.approx(second, abs=1e-7)
    assert tone_level(y, 48_000, 3 * f_hz) == pytest.approx(third, abs=1e-7)


def test_thd_n_of_16_bits() -> None:
    """16 bits with triangular dither: noise power 3/12 steps^2 over half the rate, so -93.32 dB up to 24 kHz.

    Full scale is 2^15 steps and the tone 1 dB below it; of the noise 20 kHz / 24 kHz lies in the band.
    """
    rng, level = np.random.default_rng(5), 10 ** (-1 / 20)
    x = tone(997, 10, level)
    dither = rng.uniform(-0.5, 0.5, (2, x.size)).sum(axis=0)
    found_db = decibels(thd_n(np.round(x * 2**15 + dither) / 2**15, 48_000, 997))
    expected_db = 10 * np.log10(0.25 / 2**30 * 20 / 24 / (level**2 / 2))
    assert found_db == pytest.approx(expected_db, abs=0.1)


def test_thd_n_keeps_to_its_band() -> None:
    """An offset, rumble below 20 Hz and what lies above 20 kHz do not count; a pure tone is below -140 dB."""
    x = tone(997, 2, 0.5)
    assert decibels(thd_n(x, 48_000, 997)) < -140
    dirty = x + 0.3 + tone(9, 2, 0.2) + tone(22_000, 2, 0.2)
    assert decibels(thd_n(dirty, 48_000, 997)) < -120
    assert thd_n(x + tone(15_000, 2, 0.05), 48_000, 997) == pytest.approx(0.05 / np.hypot(0.5, 0.05), rel=1e-4)


WRONG = [
    (lambda: loudness_lufs(np.zeros((9, 2)), 48_000), r"the signal must be one channel \[shape=\(frames,\)\] \(got shape \(9, 2\)\); mix"),
    (lambda: loudness_lufs(np.full(48_000, np.nan), 48_000), "the signal must be finite numbers"),
    (lambda: loudness_lufs(np.zeros(9), 3000), r"the sample rate must be at least 8000 Hz \(got 3000\); resample it"),
    (lambda: thd_n(np.zeros(480), 48_000, 997), r"the tone must last at least 20 periods \(got 9.97\); record more"),
    (lambda: thd_n(np.zeros(48_000), 48_000, 5), r"the tone must be in 20..20000 Hz and below half the rate \(got 5 Hz\)"),
    (lambda: weighted_rms(np.zeros(9), 48_000, "B"), r"the weighting must be one of A, 468, none \(got 'B'\)"),  # type: ignore[arg-type]
]


@pytest.mark.parametrize(("call", "line"), WRONG, ids=range(len(WRONG)))
def test_what_cannot_be_measured(call: Any, line: str) -> None:
    """One line that names the rule."""
    with pytest.raises(VoicerError, match=line):
        call()
