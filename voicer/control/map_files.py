"""Where controller maps are kept, and reading them: one file a controller, several at once."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.control.maps import ControllerMap, read_map
from voicer.errors import FileError, VoicerError, did_you_mean, one_line
from voicer.files import resources
from voicer.files.text_file import load_text
from voicer.library.home import home_folder

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

USER_FILE = "controller.toml"
"""The one map file of old; it is read for ever."""

DEFAULT = "default"
"""The shipped map for ports that none of the player's own is for."""


def maps_folder() -> Path:
    """Folder of the player's own maps; it need not exist yet."""
    return home_folder() / "controllers"


def own_files() -> list[Path]:
    """The player's own map files, in order of their names."""
    folder, found = maps_folder(), [home_folder() / USER_FILE]
    with suppress(OSError):
        found += sorted(path for path in folder.iterdir() if path.suffix == ".toml" and not path.name.startswith("."))
    return [path for path in found if path.is_file()]


def shipped() -> dict[str, Traversable]:
    """The shipped maps by name."""
    return {Path(item.name).stem: item for item in (resources.presets() / "controllers").iterdir()}


def load_map(wanted: str | Path) -> ControllerMap:
    """Read one map.

    Parameters
    ----------
    wanted : str or Path
        A path (it has a folder or ends in ``.toml``), or the name of a shipped map.

    Raises
    ------
    FileError
        There is no such file or name, or its contents are wrong.
    """
    if isinstance(wanted, Path) or wanted.endswith(".toml") or Path(wanted).name != wanted:
        return read_map(load_text(wanted), where=str(wanted))
    names = shipped()
    if wanted not in names:
        near = did_you_mean(wanted, sorted(names))
        raise FileError(f"no controller map is named '{one_line(wanted)}'", remedy=near)
    return read_map(names[wanted].read_text("utf-8"), where=f"presets/controllers/{wanted}.toml")


class Maps:
    """The maps in force, and which of them serve which port.

    A port is served by every map that names it; a port that none names, by the maps that name no port.
    """

    def __init__(self, maps: list[ControllerMap]) -> None:
        self.all = maps

    def serving(self, port: str) -> list[ControllerMap]:
        """The maps for messages of that port."""
        return [one for one in self.all if one.serves(port)] or [one for one in self.all if one.serves_any]


def load_maps(wanted: str | Path | None = None) -> tuple[Maps, list[str]]:
    """The maps to play with, and one line for each file of the player's that cannot be read.

    Parameters
    ----------
    wanted : str or Path, optional
        As in `load_map`; that map alone then, and an error in it is raised. None: every map of the player's own, and
        the shipped ``default`` for ports that none of them is for.
    """
    if wanted is not None:
        return Maps([load_map(wanted)]), []
    maps, complaints = [], []
    for path in own_files():
        try:
            maps.append(load_map(path))
        except VoicerError as error:
            complaints.append(f"{error}; its controls do nothing until then")
    if not any(one.serves_any for one in maps):
        maps.append(load_map(DEFAULT))
    return Maps(maps), complaints


class MapWatch:
    """Notices that the player's map files have changed, by their times and sizes."""

    def __init__(self) -> None:
        self._seen = self._look()

    def has_changed(self) -> bool:
        """Whether any has changed, come or gone since the last call."""
        before, self._seen = self._seen, self._look()
        return before != self._seen

    @staticmethod
    def _look() -> list[tuple[str, int, int, int]]:
        found = []
        for path in own_files():
            with suppress(OSError):
                status = path.stat()
                found.append((str(path), status.st_mtime_ns, status.st_size, status.st_ino))
        return found
