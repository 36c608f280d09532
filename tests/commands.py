"""Commands run in the process of the tests: as a user's own, without the seconds a new process takes."""

from __future__ import annotations

import io
import os
import resource
import signal
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

from voicer.cli import main
from voicer.errors import printable

if TYPE_CHECKING:
    from types import FrameType

LONG = os.environ.get("VOICER_CAMPAIGN") == "long"

LONGEST_S, MOST_BYTES = 100, 700_000_000
"""What an attack may take before it counts as a hang, and add to the memory of the process."""


@dataclass(frozen=True)
class Done:
    """What a command left behind."""

    code: int
    out: str
    err: str

    def refused(self) -> str:
        """The one line of a refusal; fails for anything else."""
        assert self.code == 2, (self.code, self.out[-300:], self.err[-2000:])
        assert self.err.startswith("voicer: "), self.err[-2000:]
        assert self.err.endswith("\n")
        assert self.err.count("\n") == 1, self.err[-2000:]
        assert len(self.err) < 4500
        return self.err

    def told_safely(self) -> None:
        """Nothing printed could steer a terminal."""
        for text in (self.out, self.err):
            for line in text.split("\n"):
                assert printable(line.replace("\t", " ")) == line.replace("\t", " "), repr(line)


def run_here(*arguments: str) -> Done:
    """Run a command in the present folder; a hang, a traceback and memory without bound fail the test."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    signal.signal(signal.SIGALRM, _hang)
    signal.alarm(LONGEST_S)
    code, given = 0, sys.argv
    try:
        with redirect_stdout(out), redirect_stderr(err):
            sys.argv = ["voicer", *arguments]
            main()
    except SystemExit as left:
        code = int(left.code or 0)
    finally:
        signal.alarm(0)
        sys.argv = given
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert 1024 * (after - before) < MOST_BYTES, f"{(after - before) / 1024:.0f} MB more"
    return Done(code, *(stream.buffer.getvalue().decode() for stream in (out, err)))  # type: ignore[attr-defined]


def _hang(_number: int, _frame: FrameType | None) -> NoReturn:
    raise AssertionError(f"hangs: more than {LONGEST_S} s")
