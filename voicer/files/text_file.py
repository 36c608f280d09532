"""Text files read and written whole: a save is the old file or the new one, whatever happens in between."""

from __future__ import annotations

import os
import stat

from voicer.errors import FileError
from voicer.files.safe_write import kind_of, not_written, write_bytes

LARGEST_BYTES = 1_000_000
"""A text file above this is refused: no voicing or controller map comes near it."""

def load_text(path: str | os.PathLike[str]) -> str:
    """Text of a UTF-8 file; `FileError` if it is absent, a folder, unreadable, too long or not text."""
    where = os.fspath(path)
    try:
        data = _bytes_of_a_file(where)
        return data.decode("utf-8-sig")
    except FileError:
        raise
    except FileNotFoundError as error:
        raise FileError("no such file", where=where, remedy="check the path") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"the file must be UTF-8 text (got byte 0x{data[error.start]:02x})"
        raise FileError(what, where=f"{where}:{line}", remedy="save it as UTF-8") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise FileError(f"the file cannot be read ({reason})", where=where,
                        remedy="check the path and its permissions") from error


def _bytes_of_a_file(where: str) -> bytes:
    mode = os.stat(where).st_mode
    if not stat.S_ISREG(mode):
        raise FileError(f"the input must be a regular file (got {kind_of(mode)})", where=where, remedy="name a file")
    with open(where, "rb") as file:
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise FileError(f"the file must be at most {LARGEST_BYTES // 1000} kB (it is larger)", where=where,
                        remedy="name a text file made for voicer")
    return data


def write_atomically(path: str | os.PathLike[str], text: str) -> None:
    """Save a text file over the old one: a kill or a power cut leaves the old text or the new one, whole.

    A symbolic link is followed and kept.

    Raises
    ------
    FileError
        When the folder is missing or not writable, the path leads to no regular file or the disk is full; the old
        file is untouched.
    """
    try:
        data = text.encode()
    except UnicodeEncodeError as error:
        raise not_written(path, error) from error
    write_bytes(path, data, overwrite=True)
