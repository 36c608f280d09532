"""Routing: ranges, curves, steps, buttons, program changes, and where maps are found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

import pytest

from tests.hands import At, bare
from voicer.control.events import Move, Press, Recall
from voicer.control.map_files import load_map, load_maps
from voicer.control.mapfile import Action
from voicer.control.maps import ControllerMap, read_map
from voicer.control.messages import ControlChange, ProgramChange
from voicer.errors import FileError
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from pathlib import Path

VOICING = Voicing(name="Quay")


def mapped(body: str, channel: int = 0) -> ControllerMap:
    """A map from the lines below its head."""
    return read_map(f'schema = 1\nname = "t"\nchannel = {channel}\n{body}', where="t.toml")


def one_control(lines: str) -> ControllerMap:
    """A map with one control on controller 20."""
    return mapped(f"[[control]]\ncontroller = 20\n{lines}")


def moved(lines: str, value: int, voicing: Voicing = VOICING) -> Any:
    """Value the one control gives for a controller value."""
    lines = lines if "take_over" in lines else f'{lines}\ntake_over = "jump"'
    (move,) = one_control(lines).route(ControlChange(1, 20, value), At(voicing))
    assert isinstance(move, Move)
    return move.value


@pytest.mark.parametrize(
    ("lines", "value", "expected"),
    [
        ('parameter = "repeats.feedback"', 0, 0.0),
        ('parameter = "repeats.feedback"', 127, 1.5),
        ('parameter = "repeats.feedback"\nlow = 0.2\nhigh = 1.2', 0, 0.2),
        ('parameter = "repeats.feedback"\nlow = 0.2\nhigh = 1.2', 127, 1.2),
        ('parameter = "repeats.feedback"\nlow = 0.2\nhigh = 1.2', 32, 0.2 + 32 / 127),
        ('parameter = "output.blend"\nlow = 1\nhigh = 0', 0, 1.0),
        ('parameter = "output.blend"\nlow = 1\nhigh = 0', 127, 0.0),
        ('parameter = "filters.low_cut_hz"\ncurve = "log"', 0, 10.0),
        ('parameter = "filters.low_cut_hz"\ncurve = "log"', 127, 500.0),
        ('parameter = "delay.time_ms"', 0, 30.0),
        ('parameter = "delay.time_ms"', 127, 400.0),
        ('parameter = "delay.time_ms"\nlow = 100', 0, 100.0),
        ('parameter = "delay.time_ms"\nhigh = 1000', 127, 400.0),
        ('parameter = "line.devices"', 0, 1),
        ('parameter = "line.devices"', 127, 8),
        ('parameter = "line.devices"', 64, 5),
        ('parameter = "compander.enabled"', 63, False),
        ('parameter = "compander.enabled"', 64, True),
        ('parameter = "modulation.range"', 0, "off"),
        ('parameter = "modulation.range"', 42, "off"),
        ('parameter = "modulation.range"', 43, "slow"),
        ('parameter = "modulation.range"', 127, "fast"),
        ('parameter = "line.stages"', 31, 512),
        ('parameter = "line.stages"', 32, 1024),
        ('parameter = "line.stages"', 127, 4096),
    ],
)
def test_range_and_steps(lines: str, value: int, expected: object) -> None:
    """Both ends are reached; whole numbers are rounded; the steps of a choice share the travel evenly."""
    found = moved(lines, value)
    assert type(found) is type(expected)
    assert found == (pytest.approx(expected, rel=1e-4) if isinstance(expected, float) else expected)


@pytest.mark.parametrize(("curve", "expected"), [("log", (200 * 5000) ** 0.5), ("linear", 2600.0)])
def test_middle_of_a_curve(curve: str, expected: float) -> None:
    """Half way a log curve gives the geometric mean of its ends, a linear one the mean (to a 14-bit step)."""
    steer = mapped(
        "[[control]]\ncontroller = 20\nresolution = 14\nlow = 200\nhigh = 5000\ntake_over = \"jump\"\n"
        f'parameter = "filters.anti_alias.cutoff_hz"\ncurve = "{curve}"'
    )
    (move,) = steer.route(ControlChange(1, 20, 64), At(VOICING))
    assert isinstance(move, Move)
    assert move.value == pytest.approx(expected, rel=2e-4)


def test_delay_time_follows_the_voicing_at_the_moment_of_the_move() -> None:
    """With no low and high the ends are the voicing's own shortest and longest time, whichever is playing."""
    steer = one_control('parameter = "delay.time_ms"\ntake_over = "jump"')
    short = VOICING.changed({"delay.shortest_ms": 50, "delay.longest_ms": 350})
    found = [event for voicing in (VOICING, short) for event in steer.route(ControlChange(1, 20, 127), At(voicing))]
    assert bare(found) == [Move("delay.time_ms", 400.0), Move("delay.time_ms", 350.0)]


@pytest.mark.parametrize(
    ("mode", "low", "high"), [("off", 0.05, 12.0), ("slow", 0.05, 3.0), ("fast", 2.0, 12.0)]
)
def test_rate_keeps_to_the_mode(mode: str, low: float, high: float) -> None:
    """The rate's ends are those of the mode that is on, so no move can break the voicing."""
    voicing = VOICING.changed({"modulation.range": mode, "modulation.rate_hz": 2.5})
    ends = [moved('parameter = "modulation.rate_hz"\ncurve = "log"', value, voicing) for value in (0, 127)]
    assert ends == pytest.approx([low, high])


def test_fourteen_bits_and_the_reset_rule() -> None:
    """MSB 64, LSB 127, MSB 64 again gives 64*128 at last; the fine half is not left over."""
    steer = one_control('parameter = "output.blend"\nresolution = 14\ntake_over = "jump"')
    sent = [ControlChange(1, 20, 64), ControlChange(1, 52, 127), ControlChange(1, 20, 64)]
    values = [event for message in sent for event in steer.route(message, At(VOICING))]
    assert bare(values) == [Move("output.blend", float(f"{steps / 16_383:.5g}")) for steps in (8192, 8319, 8192)]


def test_fine_half_of_a_seven_bit_control_does_nothing() -> None:
    """A 7-bit control takes no notice of the controller 32 above it."""
    steer = one_control('parameter = "output.blend"')
    assert steer.route(ControlChange(1, 52, 127), At(VOICING)) == []


@pytest.mark.parametrize(
    ("values", "presses"),
    [
        ([127], 1),
        ([0], 0),
        ([127, 0], 1),
        ([127, 127, 127], 1),
        ([127, 0, 127, 0], 2),
        ([0, 63, 64, 65, 63, 64], 2),
        ([127, 0, 0, 127], 2),
    ],
)
def test_button_fires_on_the_way_down(values: list[int], presses: int) -> None:
    """A value from 64 up fires when it follows a lower one or comes first; holding or repeating does not."""
    board = mapped('[[button]]\ncontroller = 112\naction = "bypass"')
    found = [
        event for at, value in enumerate(values) for event in board.route(ControlChange(1, 112, value), At(VOICING), at)
    ]
    assert [type(event) for event in found] == [Press] * presses


@pytest.mark.parametrize(
    ("rule", "program", "expected"),
    [
        ("program_change = true\noffset = 0", 0, Recall(0)),
        ("program_change = true\noffset = 0", 127, Recall(127)),
        ("program_change = true\noffset = -1", 1, Recall(0)),
        ("program_change = true\noffset = -1", 0, None),
        ("program_change = true\noffset = 10", 5, Recall(15)),
        ("program_change = false", 5, None),
    ],
)
def test_program_change(rule: str, program: int, expected: Recall | None) -> None:
    """A program recalls the slot of its number 0..127 plus the offset; there is no slot below 0."""
    found = mapped(f"[recall]\n{rule}").route(ProgramChange(1, program), At(VOICING))
    assert found == ([expected] if expected else [])


def test_no_recall_section_recalls_nothing() -> None:
    """What the file does not ask for is not done."""
    assert mapped("").route(ProgramChange(1, 5), At(VOICING)) == []


@pytest.mark.parametrize(("channel", "heard"), [(0, [1, 2, 16]), (2, [2])])
def test_channel(channel: int, heard: list[int]) -> None:
    """Channel 0 hears all; another hears only itself."""
    steer = mapped('[[control]]\ncontroller = 20\nparameter = "output.blend"\ntake_over = "jump"\n', channel)
    assert [c for c in (1, 2, 16) if steer.route(ControlChange(c, 20, 1), At(VOICING))] == heard


def test_default_map(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The shipped map has every action once, all on controllers that MIDI 1.0 leaves undefined.

    3, 9, 14, 15, 20..31, 85..90 and 102..119: MIDI 1.0 Detailed Specification, table III (from memory); 88 was given a
    meaning later.
    """
    monkeypatch.setenv("VOICER_HOME", str(tmp_path))
    file = load_maps()[0].all[0].file
    numbers = [part.controller for part in (*file.control, *file.button)]
    undefined = {3, 9, 14, 15, *range(20, 32), 85, 86, 87, 89, 90, *range(102, 120)}
    assert set(numbers) <= undefined
    assert len(set(numbers)) == len(numbers)
    assert sorted(button.action for button in file.button) == sorted(get_args(Action))


def test_names_of_older_maps() -> None:
    """A map written when the modulation's range was called its mode moves and presses the same as today."""
    older = mapped(
        '[[control]]\ncontroller = 20\nparameter = "modulation.mode"\n'
        '[[button]]\ncontroller = 21\naction = "modulation-mode"'
    )
    at = At(VOICING.changed({"modulation.rate_hz": 2.5}))
    for value in range(128):
        at.take(sweep := older.route(ControlChange(1, 20, value), at))
    assert bare(sweep)[-1] == Move("modulation.range", "fast")
    assert bare(older.route(ControlChange(1, 21, 127), At(VOICING))) == [Press("modulation-range")]


@pytest.mark.parametrize("value", [0, 1, 64, 127])
@pytest.mark.parametrize("mode", ["off", "slow", "fast"])
def test_every_default_move_is_a_value_the_voicing_takes(mode: str, value: int) -> None:
    """No knob position of the shipped map makes a voicing that is refused."""
    voicing = VOICING.changed({"modulation.range": mode, "modulation.rate_hz": 2.5})
    for control in load_map("default").file.control:
        assert control.controller is not None
        steer, at = load_map("default"), At(voicing)
        for sent in (0, 127, value):
            at.take(steer.route(ControlChange(1, control.controller, sent), at))
        assert at.mover_of(control.parameter)


def test_own_map_goes_before_the_shipped_one(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With no map named, controller.toml in the user's folder is taken; by name the shipped one still is."""
    monkeypatch.setenv("VOICER_HOME", str(tmp_path))
    (tmp_path / "controller.toml").write_text('schema = 1\nname = "Mine"\n')
    assert [one.file.name for one in load_maps()[0].all] == ["Mine"]
    assert load_map("default").file.name == "Workshop bench"


def test_absent_maps(tmp_path: Path) -> None:
    """A map the user named and that is not there is an error, with the nearest name or the path."""
    with pytest.raises(FileError) as by_name:
        load_map("defualt")
    assert str(by_name.value) == "no controller map is named 'defualt'; did you mean 'default'?"
    with pytest.raises(FileError) as by_path:
        load_map(tmp_path / "gone.toml")
    assert str(by_path.value) == f"{tmp_path / 'gone.toml'}: no such file; check the path"
