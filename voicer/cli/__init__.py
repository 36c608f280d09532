"""The commands: parse, call, print. An error a user can cause is one line on standard error and exit code 2."""

from __future__ import annotations

import errno
import os
import sys
from io import TextIOWrapper

import typer

from voicer.cli.common import app, say
from voicer.errors import VoicerError

__all__ = ["app", "main"]


def main() -> None:
    """Entry point of the ``voicer`` command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a terminal of another encoding, names that are no UTF-8
    try:
        code = _run()
        sys.stdout.flush()  # a full disk shows here, while it can still be told
        sys.exit(code)
    except typer.Abort:
        sys.exit(130)
    except KeyboardInterrupt:
        sys.exit(130)
    except VoicerError as error:
        say(f"voicer: {error}", err=True)
        sys.exit(2)
    except OSError as error:
        if error.filename is not None or error.errno not in _LOST_OUTPUT:
            raise
        _give_up_output(error)
        sys.exit(2)
    except Exception as error:
        if not hasattr(error, "format_message"):  # not one of the command parser's own
            raise
        say(f"voicer: {VoicerError(error.format_message())}", err=True)
        sys.exit(2)


_LOST_OUTPUT = {errno.EPIPE, errno.ENOSPC, errno.EIO}


def _give_up_output(error: OSError) -> None:
    """Leave with nothing in the buffers; a reader that went away needs no message."""
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())
    if error.errno != errno.EPIPE:
        say(f"voicer: standard output cannot be written ({error.strerror}); free some space", err=True)


def _run() -> int | None:
    """Run the command; None, or the exit code it left with."""
    if sys.argv[1:] in (["voicings"], ["voicings", "--json"]):  # the parser would take twice as long as the list
        from voicer.cli.shelf import voicings_command

        voicings_command(as_json=len(sys.argv) > 2)
        return None
    code: int | None = app(standalone_mode=False)
    return code
