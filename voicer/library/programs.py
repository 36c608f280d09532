"""Voicings called up by program number, and numbers given to voicings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicer.errors import FileError, did_you_mean
from voicer.library.names import slug
from voicer.library.shelf import entry, list_names, load
from voicer.library.slots import checked_slot, read_slots, write_slot

if TYPE_CHECKING:
    from voicer.voicing import Voicing


def recall(slot: int) -> Voicing:
    """Load the voicing of a slot, bank times 128 plus program number; `FileError` if it is empty or names none."""
    name = read_slots().get(checked_slot(slot))
    if name is None:
        held = ", ".join(str(number + 1) for number in read_slots())
        what = f"{_told(slot)} recalls no voicing (slot {slot}: slots count from 0, displays count from 1)"
        raise FileError(what, remedy=f"programs that do are {held}")
    if slug(name) not in map(slug, list_names()):
        raise FileError(f"{_told(slot)} (slot {slot}) must name a voicing (got '{name}')",
                        remedy=did_you_mean(name, list_names()))
    return load(name)


def assign(slot: int, name: str | None) -> None:
    """Let a slot, bank times 128 plus program number, call up the voicing of that name or title; None empties the slot.

    The user's own slots are changed, the shipped order stays. `FileError` for a number or name there is not.
    """
    write_slot(checked_slot(slot), "" if name is None else entry(name).name)


def _told(slot: int) -> str:
    bank, program = divmod(slot, 128)
    return f"bank {bank + 1} program {program + 1}" if bank else f"program {program + 1}"
