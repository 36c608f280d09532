"""What full scale is in volts, kept for each audio input in the user's folder.

``calibration.toml`` is a table of names and volts, written by ``voicer calibrate``; people may write it too.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

from voicer.errors import FileError
from voicer.files.text_file import load_text, write_atomically
from voicer.library.home import home, made

ASSUMED_V = 1.0
"""Full scale where nothing was calibrated. Chosen: a usual line input's order of size."""

LOWEST_V, HIGHEST_V = 0.001, 100.0
HEAD = "# What a sample value of 1 is in volts, for each audio input. Written by 'voicer calibrate'.\n"


def calibration_file() -> Path:
    """The file; it need not exist yet."""
    return home() / "calibration.toml"


def calibrations() -> dict[str, float]:
    """Volts at full scale by input; empty where nothing was calibrated.

    Raises
    ------
    FileError
        When the file is no TOML, or a value no voltage within 1 mV..100 V.
    """
    path = calibration_file()
    if not path.exists():
        return {}
    try:
        table = tomllib.loads(load_text(path)).get("full_scale_v", {})
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"the file must be TOML ({error})", where=str(path), remedy="mend or remove it") from error
    if not isinstance(table, dict):
        raise FileError(f"full_scale_v must be a table (got {table})", where=str(path), remedy="mend or remove it")
    for name, value in table.items():
        if not isinstance(value, int | float) or isinstance(value, bool) or not LOWEST_V <= value <= HIGHEST_V:
            raise FileError(
                f"full_scale_v.{name} must be in {LOWEST_V:g}..{HIGHEST_V:g} V (got {value})", where=str(path),
                remedy="calibrate that input again",
            )  # fmt: skip
    return {name: float(value) for name, value in table.items()}


def save_calibration(name: str, full_scale_v: float) -> Path:
    """Keep one; `FileError` if it is out of range or cannot be written."""
    if not LOWEST_V <= full_scale_v <= HIGHEST_V:
        raise FileError(
            f"full scale must be in {LOWEST_V:g}..{HIGHEST_V:g} V (got {full_scale_v:.4g})",
            remedy="see whether --level-v is the tone's level in V rms",
        )
    table = calibrations() | {name: full_scale_v}
    lines = [f"{json.dumps(key, ensure_ascii=False)} = {value:.6g}" for key, value in sorted(table.items())]
    made(home())
    write_atomically(calibration_file(), HEAD + "[full_scale_v]\n" + "\n".join(lines) + "\n")
    return calibration_file()


def full_scale_v(system: str) -> tuple[float, str]:
    """Volts at full scale for an audio system, and how it is known, in words.

    ``system`` is the beginning of an input's name, such as ``jack`` or ``portaudio Desk``.
    """
    for name, value in calibrations().items():
        if name.startswith(system):
            return value, f"full scale is {value:.4g} V (calibrated, {name})"
    return ASSUMED_V, f"full scale is assumed to be {ASSUMED_V:g} V (not calibrated)"
