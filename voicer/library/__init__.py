"""Voicings on disk: `load`, `listing` and `save` by name, `recall` by program number, `parse` and `to_text`.

From the outside in: `changes` (that lose nothing), `revisions` and `deleted` voicings, `shelf` (files by name) and
`programs` (by number), `slots`, `form` (text and voicing),
`migration` (older forms), `names` and `home`.
"""

from voicer.library.changes import Saved, known_text, save_known, save_new
from voicer.library.form import parse, to_text
from voicer.library.names import slug
from voicer.library.programs import assign, recall
from voicer.library.shelf import Entry, check_save, entry, is_path, list_names, listing, load, save, save_file
from voicer.library.slots import read_slots

__all__ = [
    "Entry",
    "Saved",
    "assign",
    "check_save",
    "entry",
    "is_path",
    "known_text",
    "list_names",
    "listing",
    "load",
    "parse",
    "read_slots",
    "recall",
    "save",
    "save_file",
    "save_known",
    "save_new",
    "slug",
    "to_text",
]
