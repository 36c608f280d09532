"""Real MIDI ports: a JACK client plays into ours, comes, goes, and its server is lost and found again."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from voicer.control.controller import Controller
from voicer.control.maps import Move, Recall, load_map
from voicer.devices.midi_ports import PortChange, inputs, open_inputs
from voicer.errors import PortError
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd
    from voicer.devices.midi_ports import MidiInputs

VOICING = Voicing(name="Quay")
PATIENCE_S = 10.0
ATTEMPTS = 10

BOARD = """
import json, sys, time
import jack

try:
    client = jack.Client(sys.argv[1], no_start_server=True)
except jack.JackOpenError:
    sys.exit(print("no server", flush=True))
outputs = [client.midi_outports.register(name) for name in ("keys-a", "keys-b")]
plan, start_frame, xruns = [], 0, 0

@client.set_process_callback
def process(frames):
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
            client.connect(outputs[0], argument)
        elif command == "ports":
            answer = [port.name for port in client.get_ports(argument, is_input=True)]
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


def played_whole(
    player: Player, opened: MidiInputs, plan: list[tuple[int, bytes]]
) -> list[tuple[bytes, float]]:
    """What one poll finds after the plan was played in a run without xruns."""
    for _ in range(ATTEMPTS):
        opened.poll()
        if player.play(plan) == 0:
            return opened.poll()
    pytest.fail(f"{ATTEMPTS} runs of the JACK server in a row had xruns; this machine is too busy to tell")


def sweep(count: int, step_frames: int) -> list[tuple[int, bytes]]:
    """Control changes 102 = 0, 1, 2 … at equal distances."""
    return [(index * step_frames, bytes([0xB0, 102, index % 128])) for index in range(count)]


@pytest.mark.jack
def test_messages_into_the_virtual_port_arrive_in_order(player: Player) -> None:
    """128 control changes at 200 a second and a program change arrive whole, in order, at their distances.

    They are fetched by one poll after the last was sent, so the times cannot be those of the poll. 20 ms is
    the scheduling of a loaded machine; a period here is a few.
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
    assert [data for data, _ in arrived] == [data for _, data in plan]
    took_s = arrived[-1][1] - arrived[0][1]
    assert took_s == pytest.approx(plan[-1][0] / int(player.greeting), abs=0.02)


@pytest.mark.jack
def test_controller_plays_the_voicing(player: Player) -> None:
    """From a real port to the moves: the knob ends where it was left, and the recall comes after it."""
    played = Controller(load_map("default"))
    played.listen(f"{player.name}:keys-a")
    try:
        assert played.names == [f"{player.name}:keys-a"]
        for _ in range(ATTEMPTS):
            late = player.play([*sweep(128, 100), (128 * 100, b"\xc0\x05")])
            events = [*played.drain(VOICING, timeout_s=1.0), *played.drain(VOICING)]
            if not late:
                break
    finally:
        played.close()
    assert events == [Move("delay.time_ms", 400.0), Recall(5)]
    assert played.last_move == "program 5 -> voicing 5"


@pytest.mark.jack
def test_two_matching_names(player: Player) -> None:
    """A part of a name that two ports share is refused with both, numbered; a number then picks one."""
    first, second = [port for port in inputs() if port.name.startswith(player.name)]
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
def test_vanished_client_is_noticed_and_found_again(player: Player) -> None:
    """A rescan reports a client that went, and opens it when it is there again; messages flow anew."""
    name = f"{player.name}:keys-a"
    opened = open_inputs(name)
    try:
        assert opened.rescan() == []
        player.close()
        assert opened.rescan() == [PortChange("jack", name, present=False)]
        assert opened.names == []
        again = Player()
        try:
            assert opened.rescan() == [PortChange("jack", name, present=True)]
            arrived = played_whole(again, opened, sweep(3, 10))
            assert [data for data, _ in arrived] == [data for _, data in sweep(3, 10)]
        finally:
            again.close()
    finally:
        opened.close()


@pytest.mark.jack
def test_nothing_is_left_behind(player: Player) -> None:
    """Forty openings, and closing each, leave no port of ours and do not run out of clients."""
    ours = r"^voicer(-\w+)*:"
    before = player.ports_like(ours)
    for _ in range(40):
        open_inputs(f"{player.name}:keys-a").close()
    assert player.ports_like(ours) - before == set()


def run_beside(script: str, *, server: str) -> subprocess.CompletedProcess[str]:
    """Run a script in its own process with another JACK server as the default one."""
    where = {**os.environ, "JACK_DEFAULT_SERVER": server, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", script]
    return subprocess.run(command, env=where, capture_output=True, text=True, timeout=60, check=False)


QUIET = """
from voicer.devices.midi_ports import inputs, open_inputs
inputs()
opened = open_inputs("auto")
for _ in range(3):
    opened.rescan()
opened.close()
open_inputs("none").close()
"""


def test_missing_systems_print_nothing() -> None:
    """With no JACK server, and with no ALSA sequencer where there is none, nothing is printed or raised."""
    ran = run_beside(QUIET, server=f"absent{os.getpid()}")
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


SERVER_LOST = """
import os, subprocess, time
from voicer.devices.midi_ports import open_inputs

def start():
    command = ["jackd", "-n", os.environ["JACK_DEFAULT_SERVER"], "-d", "dummy", "-r", "48000", "-p", "256"]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(1.5)
    return server

def lines(command):
    return subprocess.run(command, capture_output=True, text=True).stdout.split()

opened = open_inputs("auto")
server = start()
try:
    opened.rescan()
    print(lines("jack_lsp").count("voicer:controls"))
    for _ in range(2):
        server.terminate()
        server.wait()
        server = start()
        opened.reopen()
        print(lines("jack_lsp").count("voicer:controls"))
finally:
    server.terminate()
    server.wait()
opened.reopen()
opened.rescan()
opened.close()
print("closed")
"""


@pytest.mark.jack
@pytest.mark.usefixtures("player")
def test_server_lost_and_restarted() -> None:
    """The virtual port appears when a server starts later, and after each restart once told to reopen."""
    ran = run_beside(SERVER_LOST, server=f"board{os.getpid()}")
    assert (ran.returncode, ran.stdout.split()) == (0, ["1", "1", "1", "closed"]), ran.stderr
