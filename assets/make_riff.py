"""Make riff.flac, the demo's phrase: a plucked, sliding lap steel computed from a string model.

Run ``python assets/make_riff.py`` in the checkout. Nothing recorded, nothing quoted: eight bars of our own for the
workshop's player. The string is a delay line with a damped loop (Karplus and Strong 1983), read by linear
interpolation so that it can slide.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000
SECONDS = 12.0

# start s, first pitch, last pitch (semitones from A = 110 Hz), slide s, loudness
NOTES = [
    (0.00, 0, 0, 0.0, 0.8), (0.02, 7, 7, 0.0, 0.7), (0.04, 12, 12, 0.0, 0.7),
    (1.20, 14, 16, 0.25, 0.8), (1.80, 16, 12, 0.40, 0.7), (2.60, 19, 19, 0.0, 0.6),
    (3.20, 5, 5, 0.0, 0.8), (3.22, 12, 12, 0.0, 0.7), (3.24, 17, 16, 0.5, 0.7),
    (4.60, 12, 14, 0.2, 0.7), (5.20, 9, 9, 0.0, 0.7), (5.80, 7, 7, 0.0, 0.8),
    (5.82, 11, 12, 0.3, 0.7), (5.84, 16, 16, 0.0, 0.7), (7.20, 24, 23, 0.35, 0.45),
    (7.70, 19, 19, 0.0, 0.5), (8.20, 0, 0, 0.0, 0.9), (8.22, 7, 7, 0.0, 0.6), (8.24, 16, 16, 0.0, 0.6),
]  # fmt: skip


def string(first_hz: float, last_hz: float, slide_s: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    """One pluck [shape=(frames,)] that slides from one pitch to another."""
    frames = int(seconds * RATE_HZ)
    line = np.zeros(4096)
    pluck = np.convolve(rng.uniform(-1, 1, int(RATE_HZ / first_hz)), np.hanning(9) / 4, mode="same")
    line[: pluck.size] = pluck - pluck.mean()
    out, write, last = np.zeros(frames), pluck.size, 0.0
    for n in range(frames):
        share = min(1.0, n / (slide_s * RATE_HZ)) if slide_s else 1.0
        period = RATE_HZ / (first_hz * (last_hz / first_hz) ** share) - 0.5
        place = write - period
        whole = int(np.floor(place))
        value = line[whole % 4096] + (place - whole) * (line[(whole + 1) % 4096] - line[whole % 4096])
        line[write % 4096] = 0.9985 * 0.5 * (value + last)
        last = value
        out[n] = value
        write += 1
    return out * np.minimum(1, np.linspace(0, frames / 96, frames))


def main() -> None:
    """Write riff.flac beside this file."""
    rng = np.random.default_rng(1872)
    mix = np.zeros(int(SECONDS * RATE_HZ))
    for start_s, first, last, slide_s, loud in NOTES:
        seconds = min(3.2, SECONDS - start_s)
        tone = string(110 * 2 ** (first / 12), 110 * 2 ** (last / 12), slide_s, seconds, rng)
        at = int(start_s * RATE_HZ)
        fade = np.minimum(1, np.linspace(seconds / 0.3, 0, tone.size))
        mix[at : at + tone.size] += loud * tone * fade
    mix *= 0.5 / np.abs(mix).max()
    soundfile.write(Path(__file__).with_name("riff.flac"), mix, RATE_HZ, subtype="PCM_16")


if __name__ == "__main__":
    main()
