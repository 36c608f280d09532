"""The commands: parse, call, print. An error a user can cause is one line on standard error and exit code 2."""

from __future__ import annotations

import sys

import typer

from voicer.cli import building, comparing, explaining, machine, measuring, playing, shelf
from voicer.cli.common import app, say
from voicer.errors import VoicerError

__all__ = ["app", "building", "comparing", "explaining", "machine", "main", "measuring", "playing", "shelf"]


def main() -> None:
    """Entry point of the ``voicer`` command."""
    try:
        sys.exit(app(standalone_mode=False))  # None, or the code a command left with
    except typer.Abort:
        sys.exit(130)
    except KeyboardInterrupt:
        sys.exit(130)
    except VoicerError as error:
        say(f"voicer: {error}", err=True)
        sys.exit(2)
    except Exception as error:
        if not hasattr(error, "format_message"):  # not one of the command parser's own
            raise
        say(f"voicer: {error.format_message()}", err=True)
        sys.exit(2)
