"""Volts at full scale of each audio input, kept in the user's folder.

``calibration.toml`` is a table of inputs and volts, written by ``voicer calibrate``; it may be edited by hand. An input
is looked up by its exact key: system, device and channel.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from voicer.errors import FileError, one_line, printable
from voicer.files.file_lock import locked
from voicer.files.text_file import load_text, write_atomically
from voicer.files.toml_plain import read_plain
from voicer.library.home import home_folder, made

ASSUMED_V = 1.0
"""Full scale of an input that is not calibrated. Chosen: the order of magnitude of usual line inputs."""

LOWEST_V, HIGHEST_V = 0.001, 100.0
HEAD = "# Volts at a sample value of 1, for each audio input. Written by 'voicer calibrate'.\n"
LONGEST_KEY = 300


@dataclass(frozen=True)
class AudioInput:
    """One channel that can be listened to."""

    system: str
    """``jack`` or ``portaudio``."""
    device: str
    """JACK client, or unique name of a PortAudio device."""
    channel: str
    """JACK port, or number of the channel from 1."""

    @property
    def key(self) -> str:
        """Name in the file: ``jack system:capture_1``, ``portaudio Desk, channel 1``."""
        if self.system == "jack":
            return f"jack {self.device}:{self.channel}"
        return f"{self.system} {self.device}, channel {self.channel}"

    @property
    def keys(self) -> tuple[str, ...]:
        """Names to look it up by; earlier versions left out the channel, which was always the first."""
        older = (f"portaudio {self.device}",) if self.system == "portaudio" and self.channel == "1" else ()
        return (self.key, *older)

    @property
    def calibrate_command(self) -> str:
        """What to type to calibrate it."""
        options = f"--from {self.device}:{self.channel}" if self.system == "jack" else f"--input-device '{self.device}'"
        return f"voicer calibrate --audio {self.system} {options} --level-v VOLTS"


def calibration_file() -> Path:
    """The file; it need not exist yet."""
    return home_folder() / "calibration.toml"


def read_calibrations() -> dict[str, float]:
    """Volts at full scale by key; empty when nothing is calibrated.

    Raises
    ------
    FileError
        When the file is not TOML, or a value is not a voltage within 1 mV..100 V.
    """
    path = calibration_file()
    if not path.exists():
        return {}
    table = read_plain(load_text(path), where=str(path)).get("full_scale_v", {})
    if not isinstance(table, dict):
        raise FileError("full_scale_v must be a table", where=str(path), remedy="correct or remove the file")
    for name, value in table.items():
        if not isinstance(value, int | float) or isinstance(value, bool) or not LOWEST_V <= value <= HIGHEST_V:
            raise FileError(
                f"full_scale_v.'{name}' must be in {LOWEST_V:g}..{HIGHEST_V:g} V (got {value})", where=str(path),
                remedy="calibrate that input again",
            )  # fmt: skip
    return {name: float(value) for name, value in table.items()}


def save_calibration(key: str, full_scale_v: float) -> Path:
    """Keep one input's figure beside the others; returns the file.

    Raises
    ------
    FileError
        When the voltage is out of range, the key cannot belong to an input, or the file cannot be written.
    """
    if not LOWEST_V <= full_scale_v <= HIGHEST_V:
        raise FileError(
            f"full scale must be in {LOWEST_V:g}..{HIGHEST_V:g} V (got {full_scale_v:.4g})",
            remedy="check that --level-v is the tone's level in V rms",
        )
    check_key(key)
    made(home_folder())
    with locked(calibration_file()):
        table = read_calibrations() | {key: full_scale_v}
        lines = [f"{_quoted(name)} = {value:.6g}" for name, value in sorted(table.items())]
        write_atomically(calibration_file(), HEAD + "[full_scale_v]\n" + "\n".join(lines) + "\n")
    return calibration_file()


def check_key(key: str) -> None:
    """Refuse, with a `FileError`, a key that no input can have."""
    system, _, rest = key.partition(" ")
    if system not in ("jack", "portaudio") or not rest.strip():
        raise FileError(
            f"the input's name must begin with 'jack ' or 'portaudio ' (got '{one_line(key)}')",
            remedy="for example 'jack system:capture_1'; 'voicer devices' lists the inputs",
        )
    if printable(key) != key or len(key) > LONGEST_KEY:
        raise FileError(
            f"the input's name must be printable and at most {LONGEST_KEY} characters long (got '{one_line(key)}')",
            remedy="rename the device or port",
        )


def full_scale_v(source: AudioInput | None) -> tuple[float, str]:
    """Volts at full scale of an input, and how they are known, in words.

    ``source`` is None where the machine has no input.
    """
    if source is None:
        return ASSUMED_V, f"no audio input: {ASSUMED_V:g} V at full scale assumed"
    table = read_calibrations()
    for key in source.keys:
        if key in table:
            return table[key], f"full scale is {table[key]:.4g} V (calibrated, {key})"
    return ASSUMED_V, (
        f"input '{source.key}' is not calibrated: {ASSUMED_V:g} V at full scale assumed; "
        f"run '{source.calibrate_command}' with a tone of VOLTS rms at it"
    )


def _quoted(text: str) -> str:
    """A TOML string; of the characters TOML wants escaped JSON leaves DEL as it is."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
