"""Recall slots: which program number of a controller calls up which voicing.

The shipped order is in ``presets/slots.toml``. The user's ``slots.toml`` overrides it slot by slot; an empty name
there empties the slot.
"""

from __future__ import annotations

from voicer.errors import FileError, did_you_mean
from voicer.files.file_lock import locked
from voicer.files.resources import presets
from voicer.files.text_file import load_text, write_atomically
from voicer.files.toml_edits import with_value
from voicer.files.toml_places import key_places
from voicer.files.toml_plain import read_plain, shown, wrong_value
from voicer.library import home

LAST_SLOT = 128 * 128 - 1
"""Slots go from 0 to this: bank times 128 plus program number."""

_NEW_FILE = "# Program number of the controller = voicing it calls up; an empty name empties it.\n[slots]\n"


def read_slots() -> dict[int, str]:
    """Name of the voicing in each slot that holds one, in the order of the slots."""
    merged = shipped_slots()
    own = home.slots_file()
    if own.exists():
        merged |= _read(load_text(own), str(own))
    return {slot: name for slot, name in sorted(merged.items()) if name}


def shipped_slots() -> dict[int, str]:
    """Name of the shipped voicing in each slot before the user changes any."""
    return _read((presets() / "slots.toml").read_text("utf-8"), "presets/slots.toml")


def write_slot(slot: int, name: str) -> None:
    """Put a name into the user's file, everything else in it kept; the name is not checked here."""
    own = home.slots_file()
    home.made(own.parent)
    with locked(own):
        text = load_text(own) if own.exists() else _NEW_FILE
        _read(text, str(own))
        write_atomically(own, with_value(text, ("slots", _key_of(slot, text)), name))


def checked_slot(slot: int) -> int:
    """The slot's number, if it is one; `FileError` with the rule otherwise."""
    if isinstance(slot, bool) or not isinstance(slot, int) or not 0 <= slot <= LAST_SLOT:
        raise FileError(
            f"slot must be a whole number in 0..{LAST_SLOT} (got {slot!r})", remedy="use a program number"
        )
    return slot


def _read(text: str, where: str) -> dict[int, str]:
    data, places = read_plain(text, where=where), key_places(text)
    for key in data:
        if key != "slots":
            raise wrong_value(where, places, (key,), f"unknown key '{key}'", did_you_mean(key, ["slots"]))
    table = data.get("slots", {})
    if not isinstance(table, dict):
        what = f"slots must be a table (got {shown(table)})"
        raise wrong_value(where, places, ("slots",), what, "write it as [slots]")
    found: dict[int, str] = {}
    for key, name in table.items():
        number = int(key) if key.isascii() and key.isdigit() and len(key) <= 5 else -1
        if not 0 <= number <= LAST_SLOT:
            what = f"slot must be a whole number in 0..{LAST_SLOT} (got {key!r})"
            raise wrong_value(where, places, ("slots", key), what, "use a program number")
        if not isinstance(name, str):
            raise wrong_value(where, places, ("slots", key), f"slots.{key} must be text (got {shown(name)})")
        found[number] = name
    return found


def _key_of(slot: int, text: str) -> str:
    """The key the slot has in the file, be it ``7`` or ``007``; a new one is written short."""
    keys = [str(loc[1]) for loc in key_places(text) if loc[0] == "slots" and len(loc) == 2]
    return next((key for key in reversed(keys) if int(key) == slot), str(slot))
