"""Voicings on disk: `load`, `listing` and `save` by name, `recall` by program number, `parse` and `to_text`.

From the outside in: `shelf` (files by name) and `recall` (by number), `slots`, `form` (text and voicing),
`migration` (older forms), `names` and `home`.
"""

from voicer.library.form import parse, to_text
from voicer.library.names import slug
from voicer.library.recall import assign, recall
from voicer.library.shelf import Entry, check_save, entry, is_path, listing, load, names, save, save_file
from voicer.library.slots import slots

__all__ = [
    "Entry",
    "assign",
    "check_save",
    "entry",
    "is_path",
    "listing",
    "load",
    "names",
    "parse",
    "recall",
    "save",
    "save_file",
    "slots",
    "slug",
    "to_text",
]
