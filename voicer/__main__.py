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
    from voicer.cli import main

    main()


if __name__ == "__main__":
    main()
