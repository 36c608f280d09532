"""Letters and digits large enough to be read from two metres, of block characters. Own drawing."""

from __future__ import annotations

import unicodedata

_GLYPHS = {
    "A": ".#. #.# ### #.# #.#", "B": "##. #.# ##. #.# ##.", "C": ".## #.. #.. #.. .##", "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###", "F": "### #.. ##. #.. #..", "G": ".## #.. #.# #.# .##", "H": "#.# #.# ### #.# #.#",
    "I": "# # # # #", "J": "..# ..# ..# #.# .#.", "K": "#.# #.# ##. #.# #.#", "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#", "N": "#..# ##.# #.## #..# #..#", "O": ".#. #.# #.# #.# .#.",
    "P": "##. #.# ##. #.. #..", "Q": ".#. #.# #.# .#. ..#", "R": "##. #.# ##. #.# #.#", "S": ".## #.. .#. ..# ##.",
    "T": "### .#. .#. .#. .#.", "U": "#.# #.# #.# #.# ###", "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#", "X": "#.# #.# .#. #.# #.#", "Y": "#.# #.# .#. .#. .#.",
    "Z": "### ..# .#. #.. ###",
    "0": "### #.# #.# #.# ###", "1": ".#. ##. .#. .#. ###", "2": "### ..# ### #.. ###", "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#", "5": "### #.. ### ..# ###", "6": "### #.. ### #.# ###", "7": "### ..# ..# .#. .#.",
    "8": "### #.# ### #.# ###", "9": "### #.# ### ..# ###",
    " ": ".. .. .. .. ..", ".": ". . . . #", ",": ". . . # #", "'": "# # . . .", "!": "# # # . #", ":": ". # . # .",
    "-": ".. .. ## .. ..", "+": "... .#. ### .#. ...", "/": "..# ..# .#. #.. #..", "%": "#.# ..# .#. #.. #.#",
    "&": ".#. #.# .#. #.# .##", "(": ".# #. #. #. .#", ")": "#. .# .# .# #.",
}  # fmt: skip
"""Five rows of each, from the top; ``#`` is ink."""

_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def small_rows(text: str) -> list[str] | None:
    """The text in three rows of half blocks, 4 columns a letter; None when it holds a letter that is not drawn."""
    ink = _ink(text)
    if ink is None:
        return None
    ink = [*ink, [False] * len(ink[0])]
    return ["".join(_HALVES[pair] for pair in zip(ink[row], ink[row + 1], strict=True)) for row in (0, 2, 4)]


def large_rows(text: str) -> list[str] | None:
    """The text in five rows of whole blocks, 8 columns a digit; None when it holds a letter that is not drawn."""
    ink = _ink(text)
    return None if ink is None else ["".join("██" if dot else "  " for dot in row) for row in ink]


def _ink(text: str) -> list[list[bool]] | None:
    """Five rows of dots, one free column between letters; accents are left out."""
    plain = "".join(char for char in unicodedata.normalize("NFKD", text) if not unicodedata.combining(char))
    letters = [_GLYPHS.get(char.upper()) for char in plain]
    if not letters or None in letters:
        return None
    rows = [".".join(parts) for parts in zip(*(glyph.split() for glyph in letters if glyph), strict=True)]
    return [[dot == "#" for dot in row] for row in rows]
