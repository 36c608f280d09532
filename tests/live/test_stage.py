"""`voicer play` as a player has it: in a terminal, with a keyboard, a window that may be closed, and a flood of MIDI."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import voicer
from tests.live.flood import CONTROLLERS, last_value
from tests.live.players import MIDI_IN
from tests.live.stage import Stage
from voicer.control.map_files import load_map
from voicer.control.maps import curve_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd

pytestmark = pytest.mark.jack
HERE = Path(__file__).parent

END_WITHIN_S = 0.3
"""From Ctrl-C to the end of the process, on a machine with nothing else to do."""


@pytest.fixture
def stage(jackd: Jackd) -> Iterator[Stage]:
    """Voicer in a terminal, playing."""
    made = Stage("harbour-dusk", "--midi", "none")
    made.wait_for("q quit", 60)
    yield made
    made.close()


def test_keys_play(stage: Stage) -> None:
    """Arrows choose and turn, space taps, n calls the next voicing, p mutes, b bypasses, s saves, q quits."""
    stage.type("\x1b[C\x1b[C")
    stage.wait_for("←→ 403.1 ms")
    stage.type("\x1b[B\x1b[D")
    stage.wait_for("↑↓ repeats.feedback")
    stage.wait_for("←→ 0.54")
    stage.type(" ")
    time.sleep(0.25)
    stage.type(" ")
    stage.wait_for("tapped 2")
    stage.type("s")
    stage.wait_for("saved as 'harbour-dusk'")
    assert voicer.load("harbour-dusk").repeats.feedback == 0.54
    stage.type("p")
    stage.wait_for("MUTED, line cleared")
    stage.type("b")
    stage.wait_for("echo bypassed")
    stage.type("n")
    stage.wait_for("voicing 'quay-slap'; echo still bypassed; still muted")
    stage.type("pB")
    stage.wait_for("echo on")
    stage.type("q")
    _, summary = stage.ended()
    assert stage.process.returncode == 0
    assert summary["voicing"]["name"] == "Quay Slap"
    assert stage.restored()


def test_a_signal_ends_it_in_order(stage: Stage) -> None:
    """SIGUSR1 is a panic, twice brings the sound back; SIGHUP ends with code 0 and gives the terminal back."""
    stage.process.send_signal(signal.SIGUSR1)
    stage.wait_for("MUTED, line cleared", 3)
    stage.process.send_signal(signal.SIGUSR1)
    stage.wait_for("unmuted", 3)
    stage.process.send_signal(signal.SIGHUP)
    stage.ended()
    assert stage.process.returncode == 0
    assert stage.restored()


def test_a_terminal_that_stands_still_holds_up_nothing(stage: Stage) -> None:
    """Nothing is read from the terminal for three seconds: keys still play, and q quits voicer all the same."""
    stage.reading.clear()
    time.sleep(3.0)
    stage.type("\x1b[C")
    time.sleep(0.3)
    stage.type("q")
    took_s, summary = stage.ended()
    assert stage.process.returncode == 0
    assert took_s < 2 * patience()
    assert summary["voicing"]["delay"]["time_ms"] == 391.4
    assert stage.restored()


def test_a_closed_window_ends_the_sound(stage: Stage) -> None:
    """The terminal goes away: voicer ends within two seconds and leaves no ports."""
    stage.hang_up()
    took_s, _ = stage.ended()
    assert took_s < 2
    assert not ports_of_voicer()


def ports_of_voicer() -> list[str]:
    import jack

    client = jack.Client("look", no_start_server=True)
    names = [port.name for port in client.get_ports("voicer.*")]
    client.close()
    return names


def flood(jackd: Jackd, seconds: float, told: list[str]) -> None:
    """1,000 control changes a second on eight mapped controls, then Ctrl-C."""
    stage = Stage("harbour-dusk", "--midi", "auto")
    try:
        stage.wait_for("q quit", 60)
        command = [sys.executable, str(HERE / "flood.py"), MIDI_IN, "1000", str(seconds)]
        flooding = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert flooding.stdout
        assert flooding.stdout.readline() == "flooding\n"
        begun_s = time.monotonic()
        fewest = 10**9
        while flooding.poll() is None:
            time.sleep(1.0)
            fewest = min(fewest, stage.frames(time.monotonic() - 1.0))
            assert stage.process.poll() is None, stage.seen()[-2000:]
        took_s = time.monotonic() - begun_s
        sent = int(flooding.stdout.readline())
        flooding.stdout.close()
        time.sleep(0.5)
        stage.type("\x03")
        ended_s, summary = stage.ended()
        assert stage.process.returncode == 0
        assert stage.restored()
    finally:
        stage.close()
    told.append(
        f"{sent} messages in {took_s:.1f} s; frames drawn in the slowest second {fewest}; end {ended_s:.2f} s after "
        f"Ctrl-C; late blocks {summary['late_blocks']} of {summary['blocks']}"
    )
    assert sent == 1000 * seconds + len(CONTROLLERS)
    assert took_s < seconds + 3
    assert fewest >= 3
    assert summary["restarts"] == 0
    voicing = voicer.load("harbour-dusk")
    bound = {control.controller: control for control in load_map("default").file.control}
    for place, controller in enumerate(CONTROLLERS):
        control = bound[controller]
        found: Any = summary["voicing"]
        for part in control.parameter.split("."):
            found = found[part]
        assert found == curve_for(control, voicing).value_at(last_value(place) / 127)
    assert ended_s < END_WITHIN_S * patience()


def patience() -> float:
    """How many times longer things may take, with other programs on the processors."""
    return max(1.0, 1.5 * os.getloadavg()[0] / (os.cpu_count() or 1))


def test_a_flood_of_controller_messages(jackd: Jackd, capsys: pytest.CaptureFixture[str]) -> None:
    """12 s of 1,000 messages a second: no crash, the last value of each control plays, the view lives, Ctrl-C ends."""
    told: list[str] = []
    flood(jackd, 12, told)
    with capsys.disabled():
        print(f"\n    {told[0]}", end=" ")


@pytest.mark.acceptance
def test_a_long_flood_of_controller_messages(jackd: Jackd, capsys: pytest.CaptureFixture[str]) -> None:
    """The same for ten minutes, or for the seconds that VOICER_FLOOD_S says."""
    told: list[str] = []
    flood(jackd, float(os.environ.get("VOICER_FLOOD_S", "600")), told)
    with capsys.disabled():
        print(f"\n    {told[0]}", end=" ")
