"""Folder of the user's own voicings, slots and calibrations."""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_data_path

from voicer.errors import FileError


def home_folder() -> Path:
    """The user's folder: the environment variable ``VOICER_HOME``, or the system's place for such data."""
    named = os.environ.get("VOICER_HOME")
    return Path(named).expanduser() if named else user_data_path("voicer")


def voicings_folder() -> Path:
    """Folder of the user's own voicings; it need not exist yet."""
    return home_folder() / "voicings"


def slots_file() -> Path:
    """File of the user's own recall slots; it need not exist yet."""
    return home_folder() / "slots.toml"


def made(folder: Path) -> Path:
    """The folder, created if it does not exist; `FileError` if it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(
            f"the folder cannot be created ({reason})",
            where=str(folder),
            remedy="set VOICER_HOME to another folder",
        ) from error
    return folder
