"""Real MIDI ports: a JACK client plays into ours, comes, goes, and its server is lost and found again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, ClassVar

import pytest

from tests.hands import At, bare
from voicer.control.controller import Controller
from voicer.control.events import Move, Press, Recall
from voicer.control.map_files import Maps, load_map
from voicer.devices.midi_ports import Heard, open_inputs, survey
from voicer.errors import PortError
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd
    from voicer.control.events import Event
    from voicer.devices.midi_ports import MidiInputs

VOICING = Voicing(name="Quay")
PATIENCE_S = 10.0
ATTEMPTS = 10

BOARD = """
import json, sys, time
from contextlib import suppress
import jack

try:
    client = jack.Client(sys.argv[1], no_start_server=True)
except jack.JackOpenError:
    sys.exit(print("no server", flush=True))
outputs = [client.midi_outports.register(name) for name in ("keys-a", "keys-b")]
plan, start_frame, xruns = [], 0, 0

@client.set_process_callback
def process(frames):
    if not outputs:
        return
    for output in outputs:
        output.clear_buffer()
    now = client.last_frame_time
    while plan and plan[0][0] + start_frame < now + frames:
        frame, data = plan.pop(0)
        outputs[0].write_midi_event(max(0, frame + start_frame - now), bytes(data))

@client.set_xrun_callback
def count(delayed_us):
    global xruns
    xruns += 1

with client:
    print(client.samplerate, flush=True)
    for line in sys.stdin:
        command, argument = json.loads(line)
        answer = None
        if command == "play":
            xruns, start_frame = 0, client.frame_time + 4096
            plan.extend(argument)
            while plan:
                time.sleep(0.01)
            time.sleep(0.05)
            answer = xruns
        elif command == "feed only":
            outputs[0].disconnect()
            with suppress(jack.JackError):
                client.connect(outputs[0], argument)
        elif command == "feed too":
            with suppress(jack.JackError):
                client.connect(outputs[0], argument)
        elif command == "fed":
            answer = [port.name for port in client.get_all_connections(outputs[0])]
        elif command == "renew":
            taken, outputs[:] = outputs[:], []
            for output in taken:
                output.unregister()
            time.sleep(argument)
            outputs[:] = [client.midi_outports.register(name) for name in ("keys-a", "keys-b")]
        elif command == "ports":
            while answer is None:
                try:
                    answer = [port.name for port in client.get_ports(argument, is_input=True)]
                except Exception:
                    time.sleep(0.01)  # one went while the others were looked up
        print(json.dumps(answer), flush=True)
"""
"""The player's side, with no part of voicer in it and in its own process as a real one would be.

JACK itself loses MIDI events when a client is late, so it counts the xruns while it plays.
"""


class Player:
    """Asks a JACK client in another process to send MIDI events at exact frames."""

    def __init__(self) -> None:
        self.name = f"board{os.getpid()}"
        self.process = subprocess.Popen(
            [sys.executable, "-c", BOARD, self.name],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )
        assert self.process.stdout
        self.greeting = self.process.stdout.readline().strip()

    def ask(self, command: str, argument: object = None) -> Any:
        """Give the other process a command and wait for its answer."""
        assert self.process.stdin
        assert self.process.stdout
        self.process.stdin.write(json.dumps([command, argument]) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def play(self, plan: list[tuple[int, bytes]]) -> int:
        """Send (frame, message) pairs, wait until all are out, and give the xruns meanwhile."""
        return int(self.ask("play", [(frame, list(data)) for frame, data in plan]))

    def ports_like(self, pattern: str) -> set[str]:
        """Names of the input ports that match."""
        return set(self.ask("ports", pattern))

    def close(self) -> None:
        """End the other process and with it its ports; may be called twice."""
        if self.process.stdin and not self.process.stdin.closed:
            self.process.stdin.close()
        self.process.wait(timeout=PATIENCE_S)
        if self.process.stdout:
            self.process.stdout.close()


@pytest.fixture
def player(jackd: Jackd) -> Iterator[Player]:
    """A JACK client with two MIDI outputs on the private server."""
    made = Player()
    assert made.greeting.isdecimal()
    yield made
    made.close()


def played_whole(player: Player, opened: MidiInputs, plan: list[tuple[int, bytes]]) -> list[Heard]:
    """What is heard of the plan in a run without xruns."""
    for _ in range(ATTEMPTS):
        opened.poll()
        if player.play(plan) == 0:
            return heard_of(opened, len(plan))
    pytest.fail(f"{ATTEMPTS} runs of the JACK server in a row had xruns; this machine is too busy to tell")


def heard_of(opened: MidiInputs, count: int) -> list[Heard]:
    """So many messages, or what has come of them when patience ends."""
    heard: list[Heard] = []
    until_s = time.monotonic() + PATIENCE_S
    while len(heard) < count and time.monotonic() < until_s:
        heard += opened.poll(0.1)
    return heard


def await_lines(opened: MidiInputs, *expected: str) -> None:
    """Wait until these changes have been told, in this order and no others."""
    told: list[str] = []
    until_s = time.monotonic() + PATIENCE_S
    while len(told) < len(expected) and time.monotonic() < until_s:
        told += opened.changes()
        time.sleep(0.01)
    assert told == list(expected)


def sweep(count: int, step_frames: int) -> list[tuple[int, bytes]]:
    """Control changes 102 = 0, 1, 2 … at equal distances."""
    return [(index * step_frames, bytes([0xB0, 102, index % 128])) for index in range(count)]


@pytest.mark.jack
def test_messages_into_the_virtual_port_arrive_in_order(player: Player) -> None:
    """128 control changes at 200 a second and a program change arrive whole, in order, at their distances.

    They are fetched after the last was sent, so the times cannot be those of the fetching. 20 ms is the scheduling of
    a loaded machine; a period here is one or two.
    """
    ours = r"^voicer(-\d+)?:controls$"
    before = player.ports_like(ours)
    plan = [*sweep(128, 240), (128 * 240, b"\xc0\x05")]
    opened = open_inputs("auto")
    try:
        assert "voicer:controls" in opened.names
        (port,) = player.ports_like(ours) - before
        player.ask("feed only", port)
        arrived = played_whole(player, opened, plan)
    finally:
        opened.close()
    assert [heard.data for heard in arrived] == [data for _, data in plan]
    took_s = arrived[-1].at_s - arrived[0].at_s
    assert took_s == pytest.approx(plan[-1][0] / int(player.greeting), abs=0.02)


@pytest.mark.jack
def test_a_message_is_handed_over_soon(player: Player) -> None:
    """From arrival at our port to the host takes 3 ms at most for half the messages: one poll, one pipe, two threads."""
    opened = open_inputs("auto")
    sending = threading.Thread(target=player.play, args=([(960 * index, b"\xb0\x66\x01") for index in range(60)],))
    try:
        player.ask("feed only", "voicer:controls")
        opened.poll()
        sending.start()
        took_s = []
        while heard := opened.poll(1.0):
            took_s += [time.monotonic() - one.at_s for one in heard]
    finally:
        sending.join()
        opened.close()
    assert len(took_s) > 50
    assert median(took_s) < 0.003


@pytest.mark.jack
def test_controller_plays_the_voicing(player: Player) -> None:
    """From a real port to the moves: the knob ends where it was left, and the recall comes after it."""
    played = Controller(Maps([load_map("default")]))
    played.listen(f"{player.name}:keys-a")
    try:
        assert played.names == [f"{player.name}:keys-a"]
        for _ in range(ATTEMPTS):
            late = player.play([*sweep(128, 100), (128 * 100, b"\xc0\x05")])
            events = []
            while not events or (not late and Recall(5) not in events):
                events += played.drain(At(VOICING), timeout_s=1.0)
            if not late:
                break
    finally:
        played.close()
    assert bare(events[-2:]) == [Move("delay.time_ms", 400.0), Recall(5)]
    assert played.last_move == "program 5 -> voicing 5"


@pytest.mark.jack
def test_two_matching_names(player: Player) -> None:
    """A part of a name that two ports share is refused with both, numbered; a number then picks one."""
    first, second = [port for port in survey().inputs if port.name.startswith(player.name)]
    with pytest.raises(PortError) as caught:
        open_inputs(player.name)
    assert str(caught.value) == (
        f"MIDI input '{player.name}' matches 2 ports: [{first.number}] {player.name}:keys-a, "
        f"[{second.number}] {player.name}:keys-b; give more of the name or its number"
    )
    opened = open_inputs(str(second.number))
    names = opened.names
    opened.close()
    assert names == [f"{player.name}:keys-b"]


@pytest.mark.jack
def test_vanished_client_is_told_and_found_again(player: Player) -> None:
    """A client that goes is told, and so is its return; its messages flow anew."""
    name = f"{player.name}:keys-a"
    opened = open_inputs(name)
    try:
        assert opened.changes() == []
        player.close()
        await_lines(opened, f"MIDI input '{name}' was disconnected")
        assert opened.names == []
        again = Player()
        try:
            await_lines(opened, f"MIDI input '{name}' is connected")
            arrived = played_whole(again, opened, sweep(3, 10))
            assert [heard.data for heard in arrived] == [data for _, data in sweep(3, 10)]
        finally:
            again.close()
    finally:
        opened.close()


@pytest.mark.jack
@pytest.mark.parametrize("away_s", [0.0, 0.1, 0.5, 3.0])
def test_input_that_was_away_shortly(player: Player, away_s: float) -> None:
    """However soon a port of the same name is back, it is heard again, and a button that was down counts as up."""
    name = f"{player.name}:keys-a"
    played = Controller(Maps([load_map("default")]))
    played.listen(name)
    press = [(0, b"\xb0\x70\x7f")]
    try:
        player.play(press)
        assert [event.action for event in drained(played, 1) if isinstance(event, Press)] == ["bypass"]
        player.ask("renew", away_s)
        told = "".join(lines_until(played, "is connected", "was reconnected"))
        assert name in told
        assert played.names == [name]
        player.play(press)
        assert [event.action for event in drained(played, 1) if isinstance(event, Press)] == ["bypass"]
    finally:
        played.close()


def drained(played: Controller, count: int) -> list[Event]:
    """So many events, or what has come of them when patience ends."""
    events: list[Event] = []
    until_s = time.monotonic() + PATIENCE_S
    while len(events) < count and time.monotonic() < until_s:
        events += played.drain(At(VOICING), 0.1)
    return events


def lines_until(played: Controller, *words: str) -> list[str]:
    """What is told until a line holds one of the words."""
    told: list[str] = []
    until_s = time.monotonic() + PATIENCE_S
    while not any(word in line for word in words for line in told) and time.monotonic() < until_s:
        told += played.changes()
        time.sleep(0.01)
    return told


@pytest.mark.jack
def test_port_connected_twice(player: Player) -> None:
    """A port that voicer has opened and that is connected to the virtual port by hand as well does everything once.

    Two taps within one period are a bouncing contact, one press.
    """
    ours = r"^voicer(-\d+)?:controls$"
    before = player.ports_like(ours)
    tap, release = b"\xb0\x72\x7f", b"\xb0\x72\x00"
    plan = [(9600 * index + after, data) for index in range(20) for after, data in ((0, tap), (240, release))]
    plan += [(192_000, tap), (192_000, release), (192_000, tap), (192_000, release)]
    opened = open_inputs("auto")
    try:
        (port,) = player.ports_like(ours) - before
        player.ask("feed too", port)
        assert len(player.ask("fed")) == 2
        for _ in range(ATTEMPTS):
            opened.poll()
            player.play(plan)
            heard = heard_of(opened, 2 * len(plan)) + opened.poll(0.2)
            if len(heard) >= 2 * len(plan):  # JACK drops messages when a client is late
                break
    finally:
        opened.close()
    assert [sum(one.data == data for one in heard) for data in (tap, release)] == [44, 44]
    events = drained(Controller(Maps([load_map("default")]), Replayed(heard)), 22)
    assert [type(event) for event in events] == [Press] * 21


class Replayed:
    """Gives what was heard once more."""

    names: ClassVar[list[str]] = []
    ports: ClassVar[list[str]] = []

    def __init__(self, heard: list[Heard]) -> None:
        self.heard = heard

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        again, self.heard = self.heard, []
        return again

    def name_of(self, source: int) -> str:
        return "prepared"

    def plug_of(self, source: int) -> int:
        return source

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        raise AssertionError("nothing is to be sent")

    def changes(self) -> list[str]:
        return []

    def close(self) -> None:
        self.heard = []


@pytest.mark.jack
def test_nothing_is_left_behind(player: Player) -> None:
    """Opening and closing again and again leaves no port of ours."""
    ours = r"^voicer(-\w+)*:"
    before = player.ports_like(ours)
    for _ in range(5):
        open_inputs(f"{player.name}:keys-a").close()
    assert player.ports_like(ours) - before == set()


def run_beside(script: str, *, server: str) -> subprocess.CompletedProcess[str]:
    """Run a script in its own process with another JACK server as the default one."""
    where = {**os.environ, "JACK_DEFAULT_SERVER": server, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", script]
    return subprocess.run(command, env=where, capture_output=True, text=True, timeout=60, check=False)


def processes_of(parent: int) -> set[int]:
    """Numbers of the processes a process has started and not yet taken the exit codes of, the dead among them."""
    found = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = stat.read_text().rpartition(")")[2].split()
            if int(fields[1]) == parent:
                found.add(int(stat.parent.name))
    return found


@pytest.mark.jack
@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGKILL])
def test_host_survives_the_death_of_the_midi_process(player: Player, number: signal.Signals) -> None:
    """A crash of RtMidi is told in words; messages pass again within a second, and nothing is left behind.

    What was connected to the virtual port by hand is connected to it again.

    The better of two crashes counts, since the machine may be busy with something else.
    """
    ours = r"^voicer(-\w+)*:"
    before, children = player.ports_like(ours), processes_of(os.getpid())
    took_s = []
    opened = open_inputs("auto")
    try:
        names, ports = opened.names, player.ports_like(ours) - before
        for _ in range(2):
            player.ask("feed too", "voicer:controls")
            time.sleep(0.2)
            (process,) = processes_of(os.getpid()) - children
            os.kill(process, number)
            took_s.append(seconds_until_heard(player, opened))
            await_lines(opened, f"MIDI stopped ({str(signal.strsignal(number)).lower()}); restarting it")
            assert opened.names == names
            assert player.ports_like(ours) - before == ports
            assert len(player.ask("fed")) == 2
            assert len(processes_of(os.getpid()) - children) == 1
            time.sleep(2.0)  # sooner than that it is not restarted at once
    finally:
        opened.close()
    assert processes_of(os.getpid()) == children
    assert player.ports_like(ours) - before == set()
    assert min(took_s) < 1.0


def seconds_until_heard(player: Player, opened: MidiInputs) -> float:
    """How long it takes from now until a message is heard."""
    started_s = time.monotonic()
    while time.monotonic() < started_s + PATIENCE_S:
        player.play(sweep(1, 1))
        if opened.poll(0.05):
            break
    return time.monotonic() - started_s


HOST = """
import os, signal, sys
from voicer.devices.midi_ports import open_inputs
opened = open_inputs("auto")
print(opened.names, flush=True)
sys.stdin.readline()
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.jack
def test_midi_process_ends_with_a_killed_host(player: Player) -> None:
    """A host killed outright takes its MIDI process and its ports with it."""
    ours = r"^voicer(-\w+)*:"
    before = player.ports_like(ours)
    host = subprocess.Popen([sys.executable, "-c", HOST], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    with host:
        assert host.stdout
        assert "voicer:controls" in host.stdout.readline()
        (child,) = processes_of(host.pid)
        assert player.ports_like(ours) - before
        host.communicate("now\n", timeout=PATIENCE_S)
    until_s = time.monotonic() + PATIENCE_S
    while (Path(f"/proc/{child}").exists() or player.ports_like(ours) - before) and time.monotonic() < until_s:
        time.sleep(0.02)
    assert not Path(f"/proc/{child}").exists()
    assert player.ports_like(ours) - before == set()


def test_missing_systems_print_nothing() -> None:
    """With no JACK server, and with no ALSA sequencer where there is none, nothing is printed or raised."""
    ran = run_beside(QUIET, server=f"absent{os.getpid()}")
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


QUIET = """
from voicer.devices.midi_ports import open_inputs, survey
survey()
opened = open_inputs("auto")
opened.poll(0.2)
opened.close()
open_inputs("none").close()
"""

SERVER_LOST = """
import os, subprocess, time
from voicer.devices.midi_ports import open_inputs

def start():
    command = ["jackd", "-n", os.environ["JACK_DEFAULT_SERVER"], "-d", "dummy", "-r", "48000", "-p", "256"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

def ports():
    return subprocess.run("jack_lsp", capture_output=True, text=True).stdout.split().count("voicer:controls")

opened = open_inputs("auto")
for _ in range(3):
    server = start()
    until = time.monotonic() + 15
    while not ports() and time.monotonic() < until:
        time.sleep(0.1)
    print(ports(), opened.names)
    server.terminate()
    server.wait()
    while opened.names and time.monotonic() < until:
        time.sleep(0.02)
    print(opened.names)
print(opened.changes())
opened.close()
print("closed")
"""


@pytest.mark.jack
@pytest.mark.usefixtures("player")
def test_server_lost_and_restarted() -> None:
    """The virtual port appears when a server starts later and after each restart, with nobody asking for it."""
    ran = run_beside(SERVER_LOST, server=f"board{os.getpid()}")
    connected, gone = "MIDI input 'voicer:controls' is connected", "MIDI input 'voicer:controls' was disconnected"
    expected = ["1 ['voicer:controls']", "[]"] * 3 + [str([connected, gone] * 3), "closed"]
    assert (ran.returncode, ran.stdout.splitlines()) == (0, expected), ran.stderr
