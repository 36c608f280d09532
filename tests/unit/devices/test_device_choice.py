"""Which PortAudio devices a name stands for, each way, with lists of devices as data."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from voicer.devices.audio import AudioDevice, choose_device, choose_pair, named_devices
from voicer.devices.streams import STORED_BLOCKS, BlockRing
from voicer.errors import PortError

APIS = [
    {"name": "Old", "default_input_device": -1, "default_output_device": -1},
    {"name": "Core", "default_input_device": 1, "default_output_device": 0},
    {"name": "Loop", "default_input_device": 4, "default_output_device": 5},
]


def raw(name: str, api: int, inputs: int, outputs: int) -> dict[str, Any]:
    return {
        "name": name, "hostapi": api, "max_input_channels": inputs, "max_output_channels": outputs,
        "default_samplerate": 48_000.0,
    }  # fmt: skip


RAW = [
    raw("Monitors", 1, 0, 2), raw("Built-in microphone", 1, 1, 0), raw("Desk", 1, 4, 4), raw("Desk two", 1, 2, 0),
    raw("Bridge", 2, 2, 0), raw("Bridge", 2, 0, 2), raw("Monitors", 2, 0, 8),
]  # fmt: skip
DEVICES = named_devices(RAW, APIS)


def test_names_are_unique_and_do_not_depend_on_the_order() -> None:
    """The host API and a count stand in a name only where they are needed; other devices may come and go."""
    names = [device.name for device in DEVICES]
    assert names == [
        "Monitors, Core", "Built-in microphone", "Desk", "Desk two", "Bridge, Loop #1", "Bridge, Loop #2",
        "Monitors, Loop",
    ]  # fmt: skip
    moved = named_devices([raw("New", 1, 2, 2), *RAW], APIS)
    assert [device.name for device in moved[1:]] == names


def test_each_direction_has_its_own_default() -> None:
    """The default input is never taken for the default output, nor the other way round."""
    pair = choose_pair(None, None, DEVICES)
    assert (pair.input.name, pair.output.name) == ("Built-in microphone", "Monitors, Core")  # type: ignore[union-attr]
    assert pair.says == "input: Built-in microphone, channel 1; output: Monitors, Core"


@pytest.mark.parametrize(
    ("output", "input_", "expected"),
    [
        ("Desk", None, ("Desk", "Desk")),  # a device with both is used for both
        ("monitors, core", None, ("Built-in microphone", "Monitors, Core")),  # one without takes the default input
        ("monitors, core", "desk TWO", ("Desk two", "Monitors, Core")),  # two devices, one of them input-only
        ("Desk", "built-in", ("Built-in microphone", "Desk")),
        (None, "Desk", ("Desk", "Monitors, Core")),  # the whole name wins over being part of another
    ],
)
def test_a_device_each_way(output: str | None, input_: str | None, expected: tuple[str, str]) -> None:
    """Any combination of an input and an output device can be named, by name or part of it, in any case."""
    pair = choose_pair(output, input_, DEVICES)
    assert pair.input
    assert (pair.input.name, pair.output.name) == expected


@pytest.mark.parametrize(
    ("output", "input_", "told"),
    [
        ("Desk", "Monitors, Core", "input device 'Monitors, Core' must be one of 'Built-in microphone', 'Desk', "
         "'Desk two', 'Bridge, Loop #1' ('Monitors, Core' has no input); see 'voicer devices'"),
        ("microphone", None, "output device 'microphone' must be one of 'Monitors, Core', 'Desk', 'Bridge, Loop #2', "
         "'Monitors, Loop' ('Built-in microphone' has no output); see 'voicer devices'"),
        ("monitors", None, "output device 'monitors' matches 2: 'Monitors, Core', 'Monitors, Loop'; give the whole name"),
        (None, "des", "input device 'des' matches 2: 'Desk', 'Desk two'; give the whole name"),
        (None, "2", "input device '2' must be one of"),
    ],
)  # fmt: skip
def test_what_cannot_be_had_is_refused(output: str | None, input_: str | None, told: str) -> None:
    """In one line with the candidates, before any sound; an index is no name."""
    with pytest.raises(PortError) as caught:
        choose_pair(output, input_, DEVICES)
    assert str(caught.value).startswith(told)


def test_without_an_input_nothing_plays_in_silence() -> None:
    """Live playing is refused where no device has an input; a looped recording needs none."""
    deaf = named_devices([raw("Monitors", 1, 0, 2)], [APIS[0], {**APIS[1], "default_input_device": -1}])
    with pytest.raises(PortError, match=r"there is no audio device with an input; .* --input FILE"):
        choose_pair(None, None, deaf)
    assert choose_pair(None, None, deaf, needs_input=False).says == "output: Monitors"
    nothing: list[AudioDevice] = []
    with pytest.raises(PortError, match=r"there is no audio device with an output; .* 'voicer render'"):
        choose_device(None, "output", nothing)


def play_through(ring: BlockRing, order: str) -> list[float]:
    """Write (``w``) and read (``r``) numbered blocks; what was read, 0 for silence, negative where it was reported."""
    heard, count, into = [], 0, np.zeros(1, np.float32)
    for step in order:
        if step == "w":
            count += 1
            ring.write(np.array([count], np.float32))
        else:
            whole = ring.read(into)
            heard.append(float(into[0]) if whole else -float(into[0]))
    return heard


def test_separate_streams_lose_nothing_while_they_run_alike() -> None:
    """After the store has filled, blocks come out in order, whoever is called first."""
    ring = BlockRing(1)
    heard = play_through(ring, "rw" * STORED_BLOCKS + "rwwrrwrwwr" * 20)
    assert heard == [0] * STORED_BLOCKS + [float(k + 1) for k in range(100)]
    assert ring.missing == 0


def test_a_faster_input_loses_its_oldest_blocks() -> None:
    """A store that runs over is emptied to its usual length, and that is reported once."""
    heard = play_through(BlockRing(1), "w" * (2 * STORED_BLOCKS + 3) + "rrr")
    assert heard == [-(STORED_BLOCKS + 4), STORED_BLOCKS + 5, 0]


def test_an_input_that_stops_is_silence_and_reported() -> None:
    """Missing blocks are reported each, and counted in a row so that the stream can give up."""
    ring = BlockRing(1)
    play_through(ring, "w" * STORED_BLOCKS + "r" * STORED_BLOCKS)
    into = np.ones(1, np.float32)
    assert [ring.read(into) for _ in range(5)] == [False] * 5
    assert (into[0], ring.missing) == (0, 5)
