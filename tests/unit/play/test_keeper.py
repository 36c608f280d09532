"""The parent of a session on systems that lack something it, or the engine, would use."""

from __future__ import annotations

import os
import socket
import subprocess
import sys

import pytest

from voicer.play.keeper import can_keep

HIDDEN = """
import os, signal, sys
for module, name in ((os, "memfd_create"), (os, "posix_fallocate"), (os, "sched_setscheduler"),
                     (os, "sched_getscheduler"), (os, "sched_getparam"), (signal, "setitimer"), (signal, "SIGHUP"),
                     (signal, "SIGUSR1")):
    if hasattr(module, name):
        delattr(module, name)
"""
"""What only some systems have, taken away before anything of voicer is imported."""

PLAYS = HIDDEN + """
import numpy as np
import voicer
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.engine import process, residence
from voicer.play.session import Session
def no_library(_name):
    raise OSError("no such library")
residence.ctypes.CDLL = no_library
process._arm_watchdog(1.0)
residence.stay_in_memory()
session = Session("quay-slap", voicer.load("quay-slap"))
engine = SteppedEngine(DEFAULT_RACK)
engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
session.play_through(engine)
x = np.zeros(24_000)
x[0] = 0.5
print(float(np.abs(engine.play(x)[3000:]).max()) > 0.001)
engine.stop()
"""


def test_the_chain_plays_without_calls_that_only_some_systems_have() -> None:
    """No memfd, interval timer, scheduling, locking or signals of POSIX: the stepped engine plays the same session."""
    done = subprocess.run([sys.executable, "-W", "error", "-c", PLAYS], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "True\n", "")


@pytest.mark.parametrize(("module", "name", "value"), [(os, "name", "nt"), (socket, "AF_UNIX", None), (socket, "socketpair", None)])
def test_without_unix_sockets_there_is_no_parent(
    monkeypatch: pytest.MonkeyPatch, module: object, name: str, value: object
) -> None:
    """The host then runs alone, and says what that costs."""
    assert can_keep()
    if value is None:
        monkeypatch.delattr(module, name)
    else:
        monkeypatch.setattr(module, name, value)
    assert not can_keep()


def test_the_parent_stays_small() -> None:
    """It imports no sound, no models, no numbers and no command parser, and is below 20 MB."""
    code = (
        "import sys; import voicer.play.keeper as k; k.OwnEngines();"
        "print([m for m in ('numpy', 'typer', 'pydantic', 'rich', 'numba', 'pyo', 'sounddevice') if m in sys.modules]);"
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmRSS')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded, resident_kb = done.stdout.split("\n")[:2]
    assert loaded == "[]"
    assert int(resident_kb) < 20_000
