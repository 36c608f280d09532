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
    """Load the voicing of a program number, 0..127; `FileError` if the slot is empty or names none."""
    name = read_slots().get(checked_slot(slot))
    if name is None:
        held = ", ".join(str(number + 1) for number in read_slots())
        what = f"program {slot + 1} recalls no voicing (slot {slot}: slots count from 0, displays count from 1)"
        raise FileError(what, remedy=f"programs that do are {held}")
    if slug(name) not in map(slug, list_names()):
        raise FileError(f"program {slot + 1} (slot {slot}) must name a voicing (got '{name}')",
                        remedy=did_you_mean(name, list_names()))
    return load(name)


def assign(slot: int, name: str | None) -> None:
    """Let a program number, 0..127, call up the voicing of that name or title; None empties the slot.

    The user's own slots are changed, the shipped order stays. `FileError` for a number or name there is not.
    """
    write_slot(checked_slot(slot), "" if name is None else entry(name).name)
