"""A controller that comes and goes, is learnt from, and is shown the truth: with real JACK MIDI ports."""

from __future__ import annotations

import os
import random
import time
from typing import TYPE_CHECKING

import pytest

jack = pytest.importorskip("jack")

from tests.hands import At  # noqa: E402
from tests.live.stage import Stage  # noqa: E402
from voicer.control.controller import Controller  # noqa: E402
from voicer.control.map_files import Maps, load_map, maps_folder  # noqa: E402
from voicer.control.maps import read_map  # noqa: E402
from voicer.voicing import Voicing  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd

pytestmark = pytest.mark.jack
CYCLES = 200 if os.environ.get("VOICER_CAMPAIGN") == "long" else 8
FOUND_WITHIN_S = 1.0


class Desk:
    """A JACK client with one MIDI output, and an input where it hears what is sent back."""

    def __init__(self, name: str = "quaydesk") -> None:
        self.client = jack.Client(name, no_start_server=True)
        self._out = self.client.midi_outports.register("keys")
        self._in = self.client.midi_inports.register("rings")
        self.waiting: list[bytes] = []
        self.heard: list[tuple[float, bytes]] = []

        @self.client.set_process_callback
        def process(frames: int) -> None:
            self._out.clear_buffer()
            for at in range(min(len(self.waiting), frames)):
                self._out.write_midi_event(at, self.waiting.pop(0))
            for _, data in self._in.incoming_midi_events():
                self.heard.append((time.monotonic(), bytes(data)))

        self.client.activate()
        self.name = f"{self.client.name}:keys"

    def close(self) -> None:
        self.client.deactivate()
        self.client.close()


@pytest.fixture
def desk(jackd: Jackd) -> Iterator[Desk]:
    made = Desk()
    yield made
    made.close()


def eventually(what: object, within_s: float = 10.0) -> bool:
    until_s = time.monotonic() + within_s
    while not what():  # type: ignore[operator]
        if time.monotonic() > until_s:
            return False
        time.sleep(0.005)
    return True


def test_plugged_in_again_and_again(jackd: Jackd) -> None:
    """At random gaps of 50 ms to 5 s it is found within a second and heard; no port or descriptor is leaked."""
    source, controller = random.Random(5), Controller(Maps([load_map("default")]))
    controller.listen("quaydesk")
    at = At(Voicing(name="Quay"))
    looker = jack.Client("looker", no_start_server=True)
    found_s, counts = [], []
    try:
        for cycle in range(CYCLES):
            made = Desk()
            begun_s = time.monotonic()
            assert eventually(lambda: controller.drain(at) or controller.changes() or controller.names)
            assert eventually(lambda name=made.name: name in controller.names, 5.0)
            found_s.append(time.monotonic() - begun_s)
            made.waiting += [b"\xb0\x70\x7f", b"\xb0\x70\x00"]
            assert eventually(lambda: any(type(event).__name__ == "Press" for event in controller.drain(at))), cycle
            made.close()
            assert eventually(lambda: not controller.names, 5.0)
            if cycle >= 3:
                counts.append((len(looker.get_ports("voicer.*")), len(os.listdir("/proc/self/fd"))))
            longest = 5.0 if CYCLES > 50 else 0.4
            time.sleep(source.uniform(0.05, longest))
        print(f"\n    found after {max(found_s):.3f} s at most in {CYCLES} cycles; ports, descriptors {counts[0]} "
              f"to {counts[-1]}", end=" ")  # fmt: skip
        assert sorted(found_s)[int(0.95 * len(found_s))] < FOUND_WITHIN_S
        assert max(counts) <= counts[0]
    finally:
        controller.close()
        looker.close()


def test_rings_show_the_truth(desk: Desk) -> None:
    """After a change from elsewhere the value goes to the controller's own output, 50 times a second at most."""
    one = read_map('schema = 2\nname = "t"\nfeedback = true\n[[control]]\ncontroller = 20\nparameter = "output.blend"',
                   where="t.toml")  # fmt: skip
    controller, at = Controller(Maps([one])), At(Voicing(name="Quay"))
    controller.listen("quaydesk")
    try:
        assert eventually(lambda: controller.names)
        begun_s = time.monotonic()
        while time.monotonic() < begun_s + 2.0:
            at.voicing = at.voicing.changed({"output.blend": min(1.0, (time.monotonic() - begun_s) / 2)})
            controller.drain(at, 0.001)
            controller.send_back(at, {}, time.monotonic())
        at.voicing = at.voicing.changed({"output.blend": 1.0})
        assert eventually(
            lambda: (controller.send_back(at, {}, time.monotonic()), desk.heard[-1:])[1][0][1] == b"\xb0\x14\x7f"
        )
        told_s = [at_s for at_s, _ in desk.heard]
        assert all(sum(one_s <= at_s < one_s + 1.0 for at_s in told_s) <= 53 for one_s in told_s)
        before = len(desk.heard)
        desk.waiting += [bytes((0xB0, 20, value)) for value in (127, 120, 100)]  # the hand: no answer to it
        until_s = time.monotonic() + 1.0
        while time.monotonic() < until_s:
            at.take(controller.drain(at, 0.01))
            controller.send_back(at, {}, time.monotonic())
        assert at.value_of("output.blend") < 0.9
        assert len(desk.heard) == before
    finally:
        controller.close()


def test_learnt_while_playing(desk: Desk) -> None:
    """L, a knob turned up and down: bound, in the file, in force, without a pause; then it moves the sound."""
    stage = Stage("harbour-dusk", "--midi", "auto")
    try:
        stage.wait_for("q quit", 60)
        stage.type("\x1b[B\x1b[BL")  # the blend is the third
        stage.wait_for("turn a control up and down for output.blend", 5)
        time.sleep(0.5)
        for value in (10, 20, 35, 50, 62, 50, 40, 30, 12, 5):
            desk.waiting.append(bytes((0xB0, 3, value)))
            time.sleep(0.03)
        stage.wait_for("is bound to output.blend", 10)
        stage.wait_for("controller maps have changed and are in force", 5)
        assert any("output.blend" in path.read_text() for path in maps_folder().glob("*.toml"))
        for value in (10, 60, 100, 127):
            desk.waiting.append(bytes((0xB0, 3, value)))
            time.sleep(0.05)
        stage.wait_for("output.blend 1", 5)
        stage.type("q")
        _, summary = stage.ended()
        assert summary["voicing"]["output"]["blend"] == 1.0
    finally:
        stage.close()
