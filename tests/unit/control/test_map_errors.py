"""A wrong controller map names file, line, key, rule, value and remedy in one line."""

from __future__ import annotations

import os
from pathlib import Path
from typing import get_args

import pytest

from voicer.control.map_files import load_map
from voicer.control.mapfile import Action
from voicer.control.maps import read_map
from voicer.errors import FileError
from voicer.voicing import parameters

GOOD = """\
schema = 1
name = "Bench"
channel = 0
[[control]]
controller = 102
parameter = "repeats.feedback"
[[button]]
controller = 112
action = "bypass"
[recall]
program_change = true
offset = 0
"""

ACTIONS = ", ".join(get_args(Action))
FEEDBACK = 'parameter = "repeats.feedback"'
SECOND = '\n[[control]]\ncontroller = {}\nparameter = "output.blend"'


def control(lines: str, parameter: str = "repeats.feedback") -> tuple[str, str]:
    """Replace the parameter line by one for ``parameter`` and more lines below it."""
    return FEEDBACK, f'parameter = "{parameter}"\n{lines}'


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (
            ("repeats.feedback", "repeats.feedbak"),
            "6: unknown parameter 'repeats.feedbak'; did you mean 'repeats.feedback'?",
        ),
        (
            ("repeats.feedback", "notes"),
            "6: parameter must be a number, a switch or a choice (got 'notes', a text); choose another",
        ),
        (
            control("low = -0.1"),
            "7: low must be in 0..1.5, the range of repeats.feedback (got -0.1); change it",
        ),
        (
            control("low = 0.1\nhigh = 1.6"),
            "8: high must be in 0..1.5, the range of repeats.feedback (got 1.6); change it",
        ),
        (
            control("high = 9", "line.devices"),
            "7: high must be in 1..8, the range of line.devices (got 9); change it",
        ),
        (
            control("low = 5000\nhigh = 100", "filters.anti_alias.cutoff_hz"),
            "8: high must be in 200..20000 Hz, the range of filters.anti_alias.cutoff_hz (got 100); "
            "change it",
        ),
        (control("low = 0.5\nhigh = 0.5"), "8: high must differ from low (got 0.5 twice); widen it"),
        (
            control("low = 0.1", "compander.enabled"),
            "7: low must be left out for a switch (got 0.1); remove it",
        ),
        (
            control("high = 2.0", "modulation.range"),
            "7: high must be left out for a choice (got 2); remove it",
        ),
        (
            control('curve = "log"'),
            '7: low must be above 0 for a log curve (got 0); set low higher, or use curve = "linear"',
        ),
        (
            control('low = 0\ncurve = "log"'),
            '7: low must be above 0 for a log curve (got 0); set low higher, or use curve = "linear"',
        ),
        (
            control('low = 1\nhigh = -3.0\ncurve = "log"', "output.level_db"),
            '8: high must be above 0 for a log curve (got -3); set high higher, or use curve = "linear"',
        ),
        (
            control('curve = "log"', "modulation.shape"),
            "7: curve must be linear for a choice (got 'log'); remove it",
        ),
        (control('curve = "bent"'), "7: control[0].curve must be one of linear, log (got 'bent')"),
        (
            control("resolution = 14"),
            "7: resolution must be 7 for controllers above 31 (got 14 for controller 102); "
            "only 0..31 have a fine half",
        ),
        (control("resolution = 8"), "7: control[0].resolution must be 7 or 14 (got 8)"),
        (control("lowest = 1"), "7: unknown key 'control[0].lowest'; did you mean 'low'?"),
        (
            ("controller = 102", "controller = 120"),
            "5: controller must be in 0..119 (got 120); 120..127 are channel mode messages, choose another",
        ),
        (("controller = 112", "controller = -1"), "8: controller must be in 0..119 (got -1); choose another"),
        (
            ("controller = 112", "controller = 127"),
            "8: controller must be in 0..119 (got 127); 120..127 are channel mode messages, choose another",
        ),
        (
            ("controller = 112", "controller = 102"),
            "8: controller 102 must be used once (got 102, which is already on repeats.feedback); choose another",
        ),
        (
            (FEEDBACK, FEEDBACK + SECOND.format(102)),
            "8: controller 102 must be used once (got 102, which is already on repeats.feedback); choose another",
        ),
        (
            (
                f"controller = 102\n{FEEDBACK}",
                f"controller = 7\nresolution = 14\n{FEEDBACK}{SECOND.format(39)}",
            ),
            "9: controller 39 must be used once (got 39, which is already the other half of controller 7, on repeats.feedback); choose another",
        ),
        (
            (
                f"controller = 102\n{FEEDBACK}",
                f"controller = 39\n{FEEDBACK}{SECOND.format(7)}\nresolution = 14",
            ),
            "8: controller 7 must have controller 39 to itself too "
            "(got 7, and 39 is already on repeats.feedback); choose another",
        ),
        (
            ('"bypass"', '"bypas"'),
            f"9: button[0].action must be one of {ACTIONS} (got 'bypas'); did you mean 'bypass'?",
        ),
        (("channel = 0", "channel = 17"), "3: channel must be a whole number in 0..16 (got 17)"),
        (("offset = 0", "offset = 128"), "12: recall.offset must be a whole number in -127..127 (got 128)"),
        (("= true", "= 1"), "11: recall.program_change must be true or false (got 1)"),
        (('name = "Bench"\n', ""), "1: name is missing; add a line 'name = …'"),
        (
            ('action = "bypass"\n', ""),
            "7: button[0].action is missing; add a line 'action = …'",
        ),
        (("schema = 1", "schema = 3"), "1: schema must be 1 or 2 (got 3)"),
    ],
)
def test_wrong_map(change: tuple[str, str], expected: str) -> None:
    """The first wrong thing is told at its own line, with what is allowed and what was found."""
    assert change[0] in GOOD
    with pytest.raises(FileError) as caught:
        read_map(GOOD.replace(*change), where="bench.toml")
    assert str(caught.value) == f"bench.toml:{expected}"


MANY = '[[button]]\ncontroller = 1\naction = "save"\n' * 20_000


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a" + ".a" * 50_000 + " = 1", "tables and lists must be nested at most 20 deep"),
        ("control = " + "[" * 5_000 + "]" * 5_000, "tables and lists must be nested at most 20 deep"),
        ("control = " + "[{a=" * 300 + "1" + "}]" * 300, "tables and lists must be nested at most 20 deep"),
        ("channel = " + "9" * 5_000, "numbers and dates must be within their range"),
        (MANY, "bench.toml:3: button must be given at most 512 times (got 20000 times); use each controller once"),
        ('"\\u001b[2J" = 1', r"unknown key '\x1b[2J'"),
        ('[[control]]\ncontroller = 1\nparameter = "\\u001b[0m\\nq"', r"unknown parameter '\x1b[0m\nq'"),
    ],
    ids=["dots", "lists", "inline tables", "digits", "buttons", "key", "parameter"],
)
def test_hostile_map(text: str, expected: str) -> None:
    """Whatever a stranger's map holds, it gives one printable line of bearable length, soon."""
    with pytest.raises(FileError) as caught:
        read_map(f'schema = 1\nname = "Bench"\n{text}', where="bench.toml")
    assert expected in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 1_000


@pytest.mark.parametrize("name", ["\\u001b[31mred", "bell\\u0007", "\\u202egnolruoy", "two\\nlines"])
def test_name_with_control_characters(name: str) -> None:
    """A name that could steer a terminal is refused, and is not printed raw in saying so."""
    with pytest.raises(FileError) as caught:
        read_map(GOOD.replace('"Bench"', f'"{name}"'), where="bench.toml")
    assert "bench.toml:2: name must not contain control characters (got" in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("kind", ["pipe", "device", "large"])
def test_map_that_is_no_ordinary_file(kind: str, tmp_path: Path) -> None:
    """A pipe is not waited for, a device not read, a file of any size not loaded."""
    path = tmp_path / "bench.toml"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        path.write_bytes(b"#" * 3_000_000)
    with pytest.raises(FileError, match="must be"):
        load_map(path)


def test_far_off_parameter_lists_what_there_is() -> None:
    """With no near name the known parameters are listed."""
    with pytest.raises(FileError) as caught:
        read_map(GOOD.replace("repeats.feedback", "zzz"), where="bench.toml")
    expected = "bench.toml:6: unknown parameter 'zzz'; use one of " + ", ".join(parameters())
    assert str(caught.value).startswith(expected[:300])


def test_the_good_map_is_good() -> None:
    """The text the cases above change is itself accepted."""
    assert read_map(GOOD, where="bench.toml").file.name == "Bench"
