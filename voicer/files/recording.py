"""Recordings: WAV and FLAC files in and out, one channel, at any rate. Imports soundfile and soxr when asked.

What a file's header claims is checked before anything is read, so that a lie in it costs neither time nor memory.
"""

from __future__ import annotations

import io
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicer.errors import FileError
from voicer.files.safe_write import checked_target, kind_of, write_bytes

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy as np
    from numpy.typing import NDArray
    from soundfile import SoundFile

    from voicer.files.safe_write import FilePath

WRITES = {".wav": "WAV", ".flac": "FLAC"}

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 768_000
MOST_CHANNELS = 64
LONGEST_S = 3600
LARGEST_FRAMES = 200_000_000
"""One hour at 48 kHz and a little more; 1.6 GB as float64."""

_BLOCK = 65_536


def read(path: FilePath) -> tuple[NDArray[np.float64], int]:
    """Read a recording, its channels mixed to one.

    Returns
    -------
    samples : float64 [shape=(frames,)], full scale 1.0
    sample_rate_hz : int

    Raises
    ------
    FileError
        When there is no such file, or it is not a sound file of 4..768 kHz, at most 64 channels, one hour and 200
        million frames, or holds no sound or no numbers.
    """
    import soundfile

    where = os.fspath(path)
    try:
        mode = os.stat(where).st_mode
        if not stat.S_ISREG(mode):
            raise FileError(f"the recording must be a regular file (got {kind_of(mode)})", where=where,
                            remedy="name a sound file")
        with io.FileIO(where) as file:
            file.name = ""  # its content alone says what it is
            with soundfile.SoundFile(file) as sound:
                _check_claims(sound, where)
                samples = _mixed(sound, where)
                rate_hz = int(sound.samplerate)
    except FileNotFoundError as error:
        raise FileError("no such file", where=where, remedy="check the path") from error
    except FileError:
        raise
    except soundfile.LibsndfileError as error:
        what = f"the recording must be a sound file such as WAV or FLAC (got: {error.error_string.rstrip('.')})"
        raise FileError(what, where=where, remedy="convert it first") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise FileError(f"the file cannot be read ({reason})", where=where,
                        remedy="check the path and its permissions") from error
    _check_samples(samples, where)
    return samples, rate_hz


def at_rate(samples: NDArray[Any], rate_hz: float, wanted_hz: float) -> NDArray[np.float64]:
    """The same sound at another sample rate."""
    import soxr

    if rate_hz == wanted_hz:
        return samples
    changed: NDArray[np.float64] = soxr.resample(samples, rate_hz, wanted_hz, quality="VHQ")
    return changed


def write(
    path: FilePath, samples: NDArray[Any], sample_rate_hz: int, *, overwrite: bool = False,
    inputs: Iterable[FilePath] = (),
) -> None:  # fmt: skip
    """Write a 24-bit WAV or FLAC file, whole or not at all.

    Raises
    ------
    FileError
        As `check_writable`, and when the disk does not take it or the format no such sound.
    """
    import soundfile

    check_writable(path, overwrite=overwrite, inputs=inputs)
    encoded = io.BytesIO()
    try:
        kind = WRITES[Path(path).suffix.lower()]
        soundfile.write(encoded, samples, sample_rate_hz, format=kind, subtype="PCM_24")
    except (soundfile.LibsndfileError, ValueError) as error:
        raise FileError(f"the sound cannot be written as {kind} ({error})", where=os.fspath(path),
                        remedy="choose the other of .wav and .flac") from error
    write_bytes(path, encoded.getbuffer(), overwrite=overwrite, inputs=inputs)


def check_writable(path: FilePath, *, overwrite: bool = False, inputs: Iterable[FilePath] = ()) -> None:
    """Raise `FileError` when a recording could not be written there; call it before long work.

    Parameters
    ----------
    overwrite : bool
        Whether an existing file may be replaced; one of ``inputs`` never is.
    """
    wanted = Path(path)
    if wanted.suffix.lower() not in WRITES:
        raise FileError(f"the recording's name must end in {' or '.join(WRITES)} (got '{wanted.suffix}')",
                        where=os.fspath(path), remedy=f"call it {wanted.stem or 'echo'}.wav")
    checked_target(path, overwrite=overwrite, inputs=inputs)


def _check_claims(sound: SoundFile, where: str) -> None:
    rate_hz, channels, frames = sound.samplerate, sound.channels, sound.frames
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise FileError(f"the sample rate must be in {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ} Hz (got {rate_hz})",
                        where=where, remedy="convert it first")
    if channels > MOST_CHANNELS:
        raise FileError(f"the recording must have at most {MOST_CHANNELS} channels (got {channels})", where=where,
                        remedy="mix it down first")
    if frames > min(LARGEST_FRAMES, LONGEST_S * rate_hz):
        rule = f"at most {LONGEST_S // 60} minutes and {LARGEST_FRAMES // 1_000_000} million frames"
        raise FileError(f"the recording must last {rule} (got {frames} frames at {rate_hz} Hz)", where=where,
                        remedy="cut it first")


def _mixed(sound: SoundFile, where: str) -> NDArray[np.float64]:
    """All frames as the mean of their channels, read block by block: a header may claim more than there is."""
    import numpy as np

    claimed = sound.frames
    blocks = [block.mean(axis=1) for block in sound.blocks(_BLOCK, dtype="float64", always_2d=True)]
    samples = np.concatenate(blocks) if blocks else np.zeros(0)
    if samples.size < claimed:
        raise FileError(f"the recording must be a sound file that is whole (got {samples.size} of {claimed} frames)",
                        where=where, remedy="copy or export it again")
    return samples


def _check_samples(samples: NDArray[np.float64], where: str) -> None:
    import numpy as np

    if not samples.size:
        raise FileError("the recording must hold sound (got 0 frames)", where=where, remedy="record it again")
    if not np.isfinite(samples).all():
        raise FileError("the recording must hold finite numbers (got NaN or infinity)", where=where,
                        remedy="export it again")
