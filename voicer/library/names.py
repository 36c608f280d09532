"""Names of voicings: the title a player reads, and the slug that files and commands use."""

from __future__ import annotations

import unicodedata

from voicer.errors import FileError, one_line

_LONGEST_SLUG_BYTES, _LONGEST_QUOTE = 200, 60
_RESERVED = {"slots", "con", "prn", "aux", "nul"} | {
    f"{port}{number}" for port in ("com", "lpt") for number in range(10)
}
"""Names that some system keeps for its devices, and the one of the slots' own file."""


def slug(title: str) -> str:
    """File name of a title, without its ending: ``Harbour Dusk`` becomes ``harbour-dusk``.

    Accents go, letters of other scripts stay, everything between letters and digits becomes one hyphen.
    Empty for a title without any letter or digit.
    """
    plain = unicodedata.normalize("NFKD", title.casefold())
    plain = "".join(char for char in plain if not unicodedata.combining(char))
    kept = "".join(char if char.isalnum() else "-" for char in unicodedata.normalize("NFC", plain))
    return "-".join(part for part in kept.split("-") if part)


def slug_to_save_under(name: str) -> str:
    """Slug of a name for a new file; `FileError` with the rule if no file can have it."""
    found = slug(name)
    if not found:
        raise _refused("contain a letter or digit", name)
    if len(found.encode()) > _LONGEST_SLUG_BYTES:
        raise _refused(f"be at most {_LONGEST_SLUG_BYTES} bytes as a file name", name)
    if found in _RESERVED:
        raise _refused("not be a name the system reserves", name)
    return found


def checked_name(name: str) -> str:
    """The name a user typed for a save, if it is a plain name and no path; `FileError` otherwise."""
    if any(char in name for char in "/\\\0") or name.endswith(".toml") or name.startswith("."):
        raise _refused("be a plain name, without '/', '\\', a leading dot or '.toml'", name)
    from voicer.voicing import LONGEST_NAME

    if not 1 <= len(name) <= LONGEST_NAME:
        raise _refused(f"have 1..{LONGEST_NAME} characters", name)
    return name


def _refused(rule: str, name: str) -> FileError:
    shown = one_line(name if len(name) <= _LONGEST_QUOTE else name[:_LONGEST_QUOTE] + "…")
    return FileError(f"the voicing's name must {rule} (got '{shown}')", remedy="choose another name")
