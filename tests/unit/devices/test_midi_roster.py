"""Which inputs a wish stands for, what a player is told when inputs come and go, and playing without RtMidi."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from voicer.devices import midi_process
from voicer.devices.midi_ports import MidiPort, Roster, Selection, choose, off_line, open_inputs, survey
from voicer.errors import PortError

KEYS = MidiPort("alsa", 0, "Keys A:Keys A MIDI 1 20:0")
PEDALS = MidiPort("jack", 1, "pedals:out")
OWN = MidiPort("jack", 2, "voicer:controls")


def test_auto_takes_every_real_input() -> None:
    """Neither voicer's own port nor nothing at all counts as a controller."""
    assert Selection("auto").pick([KEYS, PEDALS, OWN]) == [KEYS, PEDALS]
    assert Selection("none").pick([KEYS, PEDALS, OWN]) == []


def test_a_chosen_input_is_waited_for() -> None:
    """Once found, an input that goes is no error and no other takes its place; ALSA may renumber it."""
    wish = Selection("Keys")
    assert wish.pick([KEYS, PEDALS]) == [KEYS]
    assert wish.pick([PEDALS]) == []
    again = MidiPort("alsa", 1, "Keys A:Keys A MIDI 1 24:0")
    assert wish.pick([PEDALS, again]) == [again]


def test_comings_and_goings_are_told() -> None:
    """One line for what has come, gone, or was away between two looks."""
    roster = Roster()
    assert roster.update([(1, "jack", "pedals:out")]) == ["MIDI input 'pedals:out' is connected"]
    assert roster.update([(1, "jack", "pedals:out")]) == []
    assert roster.update([(2, "jack", "pedals:out")]) == ["MIDI input 'pedals:out' was reconnected"]
    assert roster.update([]) == ["MIDI input 'pedals:out' was disconnected"]
    assert (roster.names, roster.highest) == ([], 2)


def test_a_restart_tells_only_what_changed_meanwhile() -> None:
    """After a restart of the MIDI process other numbers are expected; inputs that are back need no word."""
    roster = Roster()
    roster.update([(1, "jack", "pedals:out"), (2, "jack", "keys:out")])
    roster.forget_numbers()
    assert roster.update([(3, "jack", "keys:out")]) == ["MIDI input 'pedals:out' was disconnected"]
    assert roster.highest == 3


def test_control_characters_of_a_port_name_are_escaped() -> None:
    """A port's name is a stranger's text: no terminal escape in it reaches a message."""
    name = "\x1b[31mred\x07\n:out"
    roster = Roster()
    lines = roster.update([(1, "jack", name)])
    with pytest.raises(PortError) as caught:
        choose("nothing", [MidiPort("jack", 0, name)])
    for shown in (*lines, *roster.names, str(caught.value)):
        assert shown.isprintable()
        assert "red" in shown


HIDDEN = 'raise ModuleNotFoundError("No module named \'rtmidi\'", name="rtmidi")\n'
BROKEN = 'raise ImportError("libasound.so.2: cannot open shared object file")\n'


def hide(folder: Path, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a module that cannot be imported before the real RtMidi, for processes started from here."""
    (folder / "rtmidi.py").write_text(how)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")]))


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        (HIDDEN, off_line("")),
        (BROKEN, "MIDI is off: python-rtmidi cannot be loaded (libasound.so.2: cannot open shared object file); "
                 "install the library it lacks, on Debian libasound2"),
    ],
)  # fmt: skip
def test_without_rtmidi(how: str, expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without RtMidi one clear line says so and playing goes on; only a port that was asked for by name is an error."""
    hide(tmp_path, how, monkeypatch)
    assert survey().trouble == [expected]
    opened = open_inputs("auto")
    assert (opened.names, opened.poll(), opened.changes(), opened.changes()) == ([], [], [expected], [])
    opened.close()
    with pytest.raises(PortError) as caught:
        open_inputs("pedals")
    assert str(caught.value) == expected


def test_the_line_names_this_python() -> None:
    """The line names the Python that lacks RtMidi, and what to do."""
    line = off_line("")
    assert line.startswith("MIDI is off: python-rtmidi is not installed for this Python 3.")
    assert "pip install python-rtmidi" in line


CRASHING = "import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)\n"


def test_midi_that_crashes_at_every_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Playing does not wait for MIDI that never starts: it is told, and tried again ever more slowly."""
    hide(tmp_path, CRASHING, monkeypatch)
    started_s = time.monotonic()
    opened = open_inputs("auto")
    told = opened.changes()
    opened.close()
    assert told == ["MIDI stopped (segmentation fault); restarting it"] * 2 + [
        "MIDI keeps stopping (segmentation fault); trying again"
    ]
    assert time.monotonic() - started_s < 10.0
    with pytest.raises(PortError, match="MIDI keeps stopping"):
        open_inputs("pedals")


HUNG = """
import ctypes
from voicer.devices import midi_systems
midi_systems.HANG_S = 0.3
midi_systems.end_if_hung()
ctypes.PyDLL(None).sleep(60)  # a call that keeps the interpreter lock, as RtMidi's do
"""


@pytest.mark.skipif(os.name != "posix", reason="needs the C library's sleep")
def test_a_call_that_hangs_ends_the_process() -> None:
    """A call into RtMidi that never returns does not keep the MIDI process alive, though no Python can run."""
    ended = subprocess.run([sys.executable, "-c", HUNG], stderr=subprocess.DEVNULL, timeout=30, check=False)
    assert ended.returncode == 1


def test_a_command_that_is_cut_off_ends_the_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host killed while it wrote is a host that has gone: the process must not keep its ports."""
    commands: deque[dict[str, Any]] = deque()
    has_ended = threading.Event()
    monkeypatch.setattr(sys, "stdin", io.StringIO('{"listen": [], "virtual": false}\n{"lis'))
    midi_process._take_commands(commands, has_ended)
    assert len(commands) == 1
    assert has_ended.is_set()


def test_a_crash_is_not_an_unplugging() -> None:
    """After a crash of MIDI an input has another number and the same plug; plugged in again it has another plug."""
    roster = Roster()
    roster.update([(1, "jack", "desk:out")])
    roster.forget_numbers()
    roster.update([(2, "jack", "desk:out")])
    assert [roster.plug_of(1), roster.plug_of(2)] == [1, 1]
    roster.update([])
    roster.update([(3, "jack", "desk:out")])
    assert roster.plug_of(3) == 3
    roster.update([(4, "jack", "desk:out")])  # away and back between two looks
    assert roster.plug_of(4) == 4


def test_twins_are_told_apart() -> None:
    """Two controllers of one model, which ALSA tells apart by numbers only, have names of their own."""
    roster = Roster()
    roster.update([(1, "alsa", "Desk:Desk MIDI 1 20:0"), (2, "alsa", "Desk:Desk MIDI 1 24:0")])
    assert [roster.name_of(1), roster.name_of(2)] == ["Desk:Desk MIDI 1", "Desk:Desk MIDI 1 #2"]


def test_a_named_input_that_is_absent_is_waited_for() -> None:
    """Nothing is listened to and one line says so; when it comes it is the one."""
    wish = Selection("pedal")
    assert wish.pick([]) == []
    assert wish.missing == "MIDI input 'pedal' is not there yet, it is waited for; there are none"
    there = MidiPort("jack", 0, "Quay Pedals:out")
    assert [wish.pick([there]), wish.missing] == [[there], ""]
