"""The only finder of the data that comes with the package: shipped voicings and panel files.

In an installed wheel they are in ``voicer/_data``; in a checkout, and so in an editable install, in the
folders beside ``voicer/``. What is returned may be inside a zip file: read it, do not turn it into a path.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable


def data_root() -> Traversable:
    """Folder that holds ``presets`` and ``assets``."""
    package = files("voicer")
    packaged = package / "_data"
    if packaged.is_dir():
        return packaged
    return Path(str(package)).parent


def presets() -> Traversable:
    """Folder of the shipped voicings."""
    return _folder("presets")


def assets() -> Traversable:
    """Folder of panel files, pictures and the demo riff."""
    return _folder("assets")


def _folder(name: str) -> Traversable:
    folder = data_root() / name
    if not folder.is_dir():
        raise FileError(
            f"the packaged folder '{name}' is missing", remedy="install voicer again"
        )
    return folder
