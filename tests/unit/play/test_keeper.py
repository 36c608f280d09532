"""The parent of a session on systems that lack something it, or the engine, would use."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from voicer.play import keeper
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


def test_processes_that_cannot_be_started_end_nothing(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """With no memory or process left, the supervisor hears of the engine's end and tries again, and the host counts as
    one that died at once; the parent lives on.
    """
    made = keeper._Keeper(["play"])
    monkeypatch.setattr(sys, "executable", "/no/such/python")
    made._obey({"do": "playing"})
    made._obey({"do": "start", "engine": 7})
    assert [made._inbox.get_nowait()["event"] for _ in range(2)] == ["failed", "ended"]
    made._start_host()
    assert made._handle(made._inbox.get_nowait()) is None
    assert made._inbox.get(timeout=5) == {"event": "again"}
    assert "cannot be started (No such file or directory)" in capsys.readouterr().err


BACKGROUND = """
import os, signal, sys, termios
from voicer.play import keeper
parent, terminal = os.openpty()
os.setsid()
os.dup2(terminal, 0)
import fcntl
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
modes = keeper._terminal_modes()
child = os.fork()
if child == 0:
    os.setpgid(0, 0)
    keeper._restore_terminal(modes)
    os._exit(0)
status = os.waitpid(child, os.WUNTRACED)[1]
if os.WIFSTOPPED(status):
    os.kill(child, signal.SIGKILL)
print(modes is not None, os.WIFSTOPPED(status))
"""


def test_a_parent_in_the_background_is_not_stopped_by_its_terminal() -> None:
    """One that changes the modes of a terminal that others have is stopped by the system (POSIX, 11.1.4), and would
    start no other host.
    """
    done = subprocess.run(
        [sys.executable, "-c", BACKGROUND], capture_output=True, text=True, check=True, start_new_session=False
    )
    assert done.stdout == "True False\n"


def test_a_line_that_is_cut_off_is_the_end_of_the_parent() -> None:
    """The host then ends in order and does not wait for a parent that was killed while it wrote."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(b'{"event": "hello", "engines": [], "state": null}\n{"engine": 1, "ev')
        parent = keeper.Parent(theirs.fileno(), 0, 0, 0)
        ours.shutdown(socket.SHUT_WR)
        assert parent._gone.wait(timeout=5)
        assert parent.asks_to_end


def test_modules_of_the_working_folder_do_not_reach_the_engine(tmp_path: Path) -> None:
    """A file there that is called like a library's is a musician's own, not the engine's."""
    (tmp_path / "queue.py").write_text("raise SystemExit(9)\n")
    (tmp_path / "numpy.py").write_text("raise SystemExit(9)\n")
    code = (
        "from voicer.engine.launch import OwnEngines\n"
        "engines = OwnEngines(); engines.start(1)\n"
        "print(engines.events.get(timeout=60)['event']); engines.kill(1)\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout == "born\n"
