"""Recordings in and out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicer.errors import FileError
from voicer.files import recording


def test_channels_are_mixed(tmp_path: Path) -> None:
    """Two channels become their mean, at the file's own rate."""
    soundfile.write(tmp_path / "two.wav", np.array([[0.5, 0.25], [0.0, -0.5]]), 22_050, subtype="FLOAT")
    samples, rate_hz = recording.read(tmp_path / "two.wav")
    assert (samples.tolist(), rate_hz) == ([0.375, -0.25], 22_050)


@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_what_is_written_reads_back(tmp_path: Path, ending: str) -> None:
    """24 bits, whole, and no temporary file stays."""
    sound = 0.5 * np.sin(np.arange(5000) / 9)
    recording.write(tmp_path / f"echo{ending}", sound, 48_000)
    samples, rate_hz = recording.read(tmp_path / f"echo{ending}")
    assert rate_hz == 48_000
    assert np.abs(samples - sound).max() < 2**-22
    assert [path.name for path in tmp_path.iterdir()] == [f"echo{ending}"]


def test_another_rate_keeps_pitch_and_length() -> None:
    """A tone at 44.1 kHz is the same tone, as long, at 48 kHz."""
    tone = np.sin(2 * np.pi * 441 / 44_100 * np.arange(44_100))
    changed = recording.at_rate(tone, 44_100, 48_000)
    assert changed.size == 48_000
    expected = np.sin(2 * np.pi * 441 / 48_000 * np.arange(48_000))
    assert np.abs(changed - expected)[500:-500].max() < 1e-5


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (None, "no such file; check the path"),
        (b"", "the recording must be a sound file such as WAV or FLAC (got: "),
        (b"not a sound\n" * 50, "the recording must be a sound file such as WAV or FLAC (got: "),
    ],
)
def test_what_is_no_recording_is_told(tmp_path: Path, content: bytes | None, line: str) -> None:
    """The file's name, the rule, what it is, what to do."""
    path = tmp_path / "riff.wav"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(FileError) as caught:
        recording.read(path)
    assert str(caught.value).startswith(f"{path}: {line}")


def test_no_frames_are_no_recording(tmp_path: Path) -> None:
    """A sound file without sound is told as such; a folder too."""
    soundfile.write(tmp_path / "none.wav", np.zeros(0), 48_000)
    for path, rule in ((tmp_path / "none.wav", "must hold sound (got 0 frames)"), (tmp_path, "must be a regular file (got a folder)")):
        with pytest.raises(FileError) as caught:
            recording.read(path)
        assert rule in str(caught.value)


@pytest.mark.parametrize(
    ("name", "rule"),
    [("echo.mp3", "must end in .wav or .flac (got '.mp3')"), ("absent/echo.wav", "absent' does not exist; create it first")],
)
def test_places_that_cannot_be_written_are_told_before_work(tmp_path: Path, name: str, rule: str) -> None:
    """Before anything is computed."""
    with pytest.raises(FileError) as caught:
        recording.check_writable(tmp_path / name)
    assert rule in str(caught.value)
