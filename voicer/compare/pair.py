"""Two voicings side by side: one recording rendered through both, matched in loudness."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.resources import as_file
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.compare.differences import Heard, Row, rows_of
from voicer.dsp.coefficients import CEILING_DB
from voicer.dsp.rendering import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, render
from voicer.errors import FileError, VoicerError
from voicer.files import recording
from voicer.files.resources import assets
from voicer.files.whole_folder import write_whole
from voicer.measure.meters import BLOCK_S, loudness_lufs

RIFF = "assets/riff.flac"
"""The shipped recording, used when no other is given."""

OTHER_RATE_HZ = 48_000
"""Recordings at a rate the echo does not run at are resampled to this one."""

TAIL_S = 4.0
_SILENCE = "the recording must not be silent (got nothing above -70 LUFS)"


@dataclass(frozen=True)
class Programme:
    """What is played through both voicings."""

    name: str
    samples: NDArray[np.float64]
    """[shape=(frames,)], followed by silence for the echo to ring out."""
    sample_rate_hz: int


@dataclass(frozen=True)
class Pair:
    """Both sounds, of the same length and loudness."""

    programme: Programme
    circuits: dict[str, Circuit]
    """By ``A`` and ``B``, as are the following."""
    sounds: dict[str, NDArray[np.float64]]
    """Matched: the louder one is turned down, so neither exceeds its ceiling."""
    loudness_lufs: dict[str, float]
    """Before matching, by ITU-R BS.1770-4."""

    @property
    def gain_db(self) -> dict[str, float]:
        """Gain that matching applied to each, dB, 0 or less."""
        quieter = min(self.loudness_lufs.values())
        return {name: quieter - loudness for name, loudness in self.loudness_lufs.items()}

    def rows(self) -> list[Row]:
        """Figures side by side."""
        rate_hz = self.programme.sample_rate_hz
        a, b = (
            Heard(circuit, self.sounds[name], self.loudness_lufs[name], rate_hz, self.programme.samples)
            for name, circuit in self.circuits.items()
        )
        return rows_of(a, b)


def load_programme(path: Path | None, tail_s: float = TAIL_S) -> Programme:
    """The recording to play through both; the shipped riff for None.

    Raises
    ------
    FileError
        When it is not a sound file, silent, shorter than 400 ms, or holds values that are not finite.
    """
    if path is None:
        with as_file(assets() / Path(RIFF).name) as riff:
            x, rate_hz = recording.read(riff)
    else:
        x, rate_hz = recording.read(path)
    name = RIFF if path is None else str(path)
    if x.size < BLOCK_S * rate_hz:
        what = f"the recording must last at least {BLOCK_S:g} s for its loudness (got {x.size / rate_hz:.3g} s)"
        raise FileError(what, where=name, remedy="use a longer one")
    inner_hz = rate_hz if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ else OTHER_RATE_HZ
    x = recording.at_rate(x, rate_hz, inner_hz)
    if not np.isfinite(loudness_lufs(x, inner_hz)):
        raise FileError(_SILENCE, where=name, remedy="record it louder or use another")
    return Programme(name, np.concatenate((x, np.zeros(round(tail_s * inner_hz)))), inner_hz)


def render_pair(
    programme: Programme, a: Circuit, b: Circuit, *, ceiling_db: float = CEILING_DB,
    progress: Callable[[float], None] = lambda _share: None,
) -> Pair:  # fmt: skip
    """Render a recording through two circuits and match the results in loudness.

    Parameters
    ----------
    ceiling_db : float
        Output ceiling, dB of full scale.
    progress : callable, optional
        Called with the share done, 0..1.

    Raises
    ------
    VoicerError
        When one of the results is too quiet to measure.
    """
    circuits, sounds, loudness = {"A": a, "B": b}, {}, {}
    for number, (name, circuit) in enumerate(circuits.items()):

        def done(frames: int, before: float = 0.5 * number) -> None:
            progress(before + 0.5 * frames / programme.samples.size)

        rate_hz = programme.sample_rate_hz
        sounds[name] = render(programme.samples, rate_hz, circuit, ceiling_db=ceiling_db, progress=done)
        loudness[name] = loudness_lufs(sounds[name], rate_hz)
        if not np.isfinite(loudness[name]):
            raise VoicerError(
                f"{name} ({circuit.name}) must be loud enough to measure (got nothing above -70 LUFS)",
                remedy="raise output.level_db or use a louder recording",
            )
    quieter = min(loudness.values())
    matched = {name: sound * 10 ** ((quieter - loudness[name]) / 20) for name, sound in sounds.items()}
    return Pair(programme, circuits, matched, loudness)


def write_pair(
    pair: Pair, folder: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> list[Path]:
    """Write ``A.wav`` and ``B.wav``, both or neither, into a folder that is created if need be.

    Raises
    ------
    FileError
        When the folder cannot be created or written, or a file is in the way: one of ``inputs``, or another that
        holds something else and ``overwrite`` is not set. The folder then holds what it held before.
    """

    def write(inside: Path) -> list[str]:
        for name, sound in pair.sounds.items():
            recording.write(inside / f"{name}.wav", sound, pair.programme.sample_rate_hz)
        return [f"{name}.wav" for name in pair.sounds]

    return write_whole(folder, write, overwrite=overwrite, inputs=inputs)


def as_json(pair: Pair, rows: list[Row]) -> dict[str, Any]:
    """Everything as plain data, units in the keys."""
    return {
        "input": pair.programme.name,
        "sample_rate_hz": pair.programme.sample_rate_hz,
        "names": {name: circuit.name for name, circuit in pair.circuits.items()},
        "matching_gain_db": pair.gain_db,
        "figures": [row.as_json() for row in rows],
    }
