"""Changes to a controller map's file: what is bound is added and taken out, everything else in it stays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from voicer.control.learning import Found
from voicer.control.map_files import DEFAULT, load_map, maps_folder, own_files, shipped
from voicer.control.mapfile import Place, told_place
from voicer.control.maps import ControllerMap, read_map
from voicer.control.targets import target
from voicer.errors import FileError, VoicerError
from voicer.files.file_lock import locked
from voicer.files.text_file import load_text, write_atomically
from voicer.library import home
from voicer.library.names import slug

BEFORE = ".before"
"""Ending of the copy that `undo` brings back."""

_KEYS: dict[str, str] = {"cc": "controller"}


def file_for(port: str) -> Path:
    """The file that what is learnt on a port goes into: the one that is for it, or the player's map for any port.

    Where there is neither, a new one; it begins as a copy of the shipped map, which was in force until then.
    """
    loaded: list[tuple[Path, ControllerMap]] = []
    for path in own_files():
        try:
            loaded.append((path, load_map(path)))
        except VoicerError:
            continue
    for path, one in loaded:
        if one.serves(port):
            return path
    for path, one in loaded:
        if one.serves_any:
            return path
    return maps_folder() / f"{slug(port)[:60] or 'controller'}.toml"


def bind(path: Path, port: str, found: Found, wanted: str, is_action: bool, *, replace: bool = False) -> str:
    """Bind a control to a parameter or an action, and write the file at once.

    Parameters
    ----------
    path : Path
        From `file_for`.
    port : str
        Name of the input it was learnt on.
    found : Found
    wanted : str
        Key of the parameter, or the action.
    is_action : bool
    replace : bool
        Whether a use that the control has already may be given up.

    Returns
    -------
    str
        One line about what was done.

    Raises
    ------
    FileError
        When the control has another use (both are named), the two do not fit, or the file is broken or not written.
    """
    if is_action and found.kind != "button":
        raise FileError(f"'{wanted}' is done by a button (got {found.told})", remedy="press a button or foot switch")
    if not is_action and found.kind == "button" and target(wanted).kind not in ("switch", "choice"):
        raise FileError(f"{wanted} is moved by a knob, fader, pedal or encoder (got {found.told})", remedy="move one")
    if not is_action and found.place[0] in ("note", "program"):
        raise FileError(f"{wanted} is moved by a controller (got {told_place(found.place)})", remedy="use another")
    home.made(path.parent)
    with locked(path):
        old = load_text(path) if path.exists() else _fresh(port)
        document = _parsed(old, path)
        used = read_map(old, where=str(path)).bound_to(found.place)
        if used is not None and used != wanted and used != "recall":
            if not replace:
                raise FileError(f"{told_place(found.place)} is already on {used}, and {wanted} was to be bound to it",
                                remedy="use --replace to give up the old use, or move another control")
            _take_out(document, found.place)
        elif used == wanted:
            _take_out(document, found.place)
        document["schema"] = 2
        table = "button" if is_action else "control"
        entries = document.get(table)
        if entries is None:
            entries = tomlkit.aot()
            document.append(table, entries)
        entries.append(_entry(found, wanted, is_action))
        text = tomlkit.dumps(document)
        read_map(text, where=str(path))
        write_atomically(path.with_suffix(path.suffix + BEFORE), old)
        write_atomically(path, text)
    gone = f"; {used} has lost it" if used not in (None, wanted, "recall") else ""
    return f"{told_place(found.place)} of '{port}' is bound to {wanted}{gone}"


def undo(path: Path) -> str:
    """Bring back the file as it was before the last binding; the present one can be brought back in the same way."""
    before = path.with_suffix(path.suffix + BEFORE)
    if not before.exists():
        raise FileError("nothing was bound since the file was made", where=str(path), remedy="delete the file")
    with locked(path):
        old, now = load_text(before), load_text(path)
        write_atomically(path, old)
        write_atomically(before, now)
    return f"{path}: as it was before the last binding"


def _entry(found: Found, wanted: str, is_action: bool) -> Any:
    entry = tomlkit.table()
    kind, number = found.place
    if kind == "bend":
        entry["pitch_bend"] = True
    else:
        entry[_KEYS.get(kind, kind)] = number
    if is_action:
        entry["action"] = wanted
        if found.latching:
            entry["latching"] = True
        return entry
    entry["parameter"] = wanted
    if found.encoding is not None:
        entry["encoder"] = found.encoding
    elif kind == "cc" and found.resolution == 14:
        entry["resolution"] = 14
    elif kind in ("nrpn", "rpn") and found.resolution == 7:
        entry["resolution"] = 7
    meant = target(wanted)
    if meant.kind == "number" and meant.unit in ("Hz", "ms") and meant.low > 0:
        entry["curve"] = "log"
    return entry


def _take_out(document: Any, place: Place) -> None:
    """Remove every entry that uses the place."""
    key, number = _KEYS.get(place[0], "pitch_bend" if place[0] == "bend" else place[0]), place[1]
    wanted = True if place[0] == "bend" else number
    for table in ("control", "button"):
        entries = document.get(table)
        if entries is None:
            continue
        for index in reversed(range(len(entries))):
            if entries[index].get(key) == wanted:
                del entries[index]
        if not entries:
            del document[table]


def _parsed(text: str, path: Path) -> Any:
    read_map(text, where=str(path))  # a broken file is refused with its line
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise FileError(f"the file cannot be changed ({error})", where=str(path), remedy="write it anew") from error


def _fresh(port: str) -> str:
    """A copy of the shipped map, for this port alone."""
    document: Any = tomlkit.parse(shipped()[DEFAULT].read_text("utf-8"))
    document["name"] = port[:60]
    lines = tomlkit.dumps(document).splitlines(keepends=True)
    at = next(index for index, line in enumerate(lines) if line.startswith("name = "))
    lines.insert(at + 1, f"port = {tomlkit.string(port).as_string()}\n")
    return "".join(lines)
