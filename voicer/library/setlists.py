"""Setlists: the songs of an evening in order, each with its voicing and, where it has one, its tempo.

A file of its own, in the folder ``setlists`` of the user's folder or anywhere else:

schema = 1
name = "Harbour night"
[[song]]
title = "Low water"               # may be left out, as may tempo_bpm
voicing = "harbour-dusk"
tempo_bpm = 96
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from voicer.errors import FileError, VoicerError, did_you_mean, one_line, printable
from voicer.files.text_file import load_text
from voicer.files.toml_text import read_model
from voicer.library.home import home_folder
from voicer.library.shelf import entry, is_path, load

MOST_SONGS = 500


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Song(_Part):
    """One song."""

    voicing: Annotated[str, Field(min_length=1, max_length=4096)]
    """Name of a voicing in the library, or path of one."""
    title: Annotated[str, Field(max_length=80)] = ""
    tempo_bpm: Annotated[float, Field(ge=20, le=400)] | None = None

    @field_validator("title", "voicing")
    @classmethod
    def _can_be_printed(cls, text: str, info: ValidationInfo) -> str:
        if printable(text) != text:
            raise ValueError(f"{info.field_name} must not contain control characters (got '{text}'); remove them")
        return text

    @property
    def told(self) -> str:
        """Title or voicing, and the tempo."""
        tempo = f", {self.tempo_bpm:g} beats a minute" if self.tempo_bpm is not None else ""
        return f"{self.title or self.voicing}{tempo}"


class Setlist(_Part):
    """A whole setlist."""

    schema_number: Literal[1] = Field(alias="schema")
    name: Annotated[str, Field(min_length=1, max_length=80)]
    song: Annotated[tuple[Song, ...], Field(min_length=1, max_length=MOST_SONGS)]

    @field_validator("name")
    @classmethod
    def _can_be_printed(cls, name: str) -> str:
        if printable(name) != name:
            raise ValueError(f"name must not contain control characters (got '{name}'); remove them")
        return name


def setlists_folder() -> Path:
    """Folder of the user's setlists; it need not exist yet."""
    return home_folder() / "setlists"


def list_setlists() -> list[str]:
    """Names of the setlists in that folder."""
    with suppress(OSError):
        return sorted(path.stem for path in setlists_folder().iterdir() if path.suffix == ".toml")
    return []


def load_setlist(wanted: str) -> Setlist:
    """Read a setlist by name or path; `FileError` with file, line and rule if there is none or it is wrong."""
    if is_path(wanted):
        return read_model(load_text(wanted), Setlist, where=wanted)
    names = list_setlists()
    if wanted not in names:
        remedy = did_you_mean(wanted, names) if names else f"write one in {setlists_folder()}, or give a path"
        raise FileError(f"no setlist is named '{one_line(wanted)}'", remedy=remedy)
    path = str(setlists_folder() / f"{wanted}.toml")
    return read_model(load_text(path), Setlist, where=path)


def faults(setlist: Setlist) -> dict[int, str]:
    """What is wrong with the voicings of songs, by the songs' places from 0."""
    found = {}
    for place, song in enumerate(setlist.song):
        try:
            load(song.voicing)
            if not is_path(song.voicing):
                entry(song.voicing)
        except VoicerError as error:
            found[place] = str(error)
    return found
