"""``voicer`` and ``python -m voicer``."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run a command; `play` under a parent process that outlives a crash, where the system allows that."""
    if sys.argv[1:2] == ["play"] and "--help" not in sys.argv:
        from voicer.play.keeper import VARIABLE, can_keep, keep

        if VARIABLE not in os.environ and can_keep():
            sys.exit(keep(sys.argv[1:]))
        _run_and_leave()
    from voicer.cli import main

    main()


def _run_and_leave() -> None:
    """Run the command and end without the interpreter's tidying up, for which the player would have to wait."""
    from voicer.cli import main

    code: object = None
    try:
        main()
    except SystemExit as ended:
        code = ended.code
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code if isinstance(code, int) else 0)


if __name__ == "__main__":
    main()
