"""Recordings: WAV and FLAC files in and out, one channel, at any rate. Imports soundfile and soxr when asked."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicer.errors import FileError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

WRITES = (".wav", ".flac")


def read(path: str | os.PathLike[str]) -> tuple[NDArray[np.float64], int]:
    """Read a recording, its channels mixed to one.

    Returns
    -------
    samples : float64 [shape=(frames,)], full scale 1.0
    sample_rate_hz : int

    Raises
    ------
    FileError
        When there is no such file, it is no sound file, or it holds no sound.
    """
    import soundfile

    name = os.fspath(path)
    if not Path(name).exists():
        raise FileError("the recording must be there (no such file)", where=name, remedy="check its name")
    if Path(name).is_dir():
        raise FileError("the recording must be a file (got a folder)", where=name, remedy="name a file in it")
    try:
        samples, rate_hz = soundfile.read(name, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        reason = getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error)
        what = f"the recording must be a sound file such as WAV or FLAC (got: {reason.rstrip('.')})"
        raise FileError(what, where=name, remedy="convert it first") from error
    if not samples.size:
        raise FileError("the recording must hold sound (got 0 frames)", where=name, remedy="record it again")
    mixed: NDArray[np.float64] = samples.mean(axis=1)
    return mixed, int(rate_hz)


def at_rate(samples: NDArray[Any], rate_hz: float, wanted_hz: float) -> NDArray[np.float64]:
    """The same sound at another sample rate."""
    import soxr

    if rate_hz == wanted_hz:
        return samples
    changed: NDArray[np.float64] = soxr.resample(samples, rate_hz, wanted_hz, quality="VHQ")
    return changed


def write(path: str | os.PathLike[str], samples: NDArray[Any], sample_rate_hz: int) -> None:
    """Write a 24-bit WAV or FLAC file, whole or not at all.

    Raises
    ------
    FileError
        For another ending, an absent folder or a disk that does not take it.
    """
    import soundfile

    wanted = Path(path)
    check_writable(wanted)
    unfinished = wanted.with_name(f".{wanted.stem}-{secrets.token_hex(4)}{wanted.suffix}")
    try:
        soundfile.write(unfinished, samples, sample_rate_hz, subtype="PCM_24")
        os.replace(unfinished, wanted)
    except (soundfile.LibsndfileError, OSError) as error:
        unfinished.unlink(missing_ok=True)
        what = f"the recording must fit where it goes (got: {error})"
        raise FileError(what, where=str(path), remedy="free some space, or name another place") from error


def check_writable(path: str | os.PathLike[str]) -> None:
    """Raise `FileError` when a recording could not be written there; call it before long work."""
    wanted = Path(path)
    if wanted.suffix.lower() not in WRITES:
        raise FileError(
            f"the recording's name must end in {' or '.join(WRITES)} (got '{wanted.suffix}')", where=str(path),
            remedy=f"call it {wanted.stem or 'echo'}.wav",
        )  # fmt: skip
    if not wanted.parent.is_dir():
        raise FileError(
            f"the folder '{wanted.parent}' must be there (it is not)", where=str(path), remedy="make it first"
        )
    if not os.access(wanted.parent, os.W_OK):
        raise FileError(
            f"the folder '{wanted.parent}' must be writable (it is not)", where=str(path), remedy="choose another"
        )
