"""Older forms of the voicing file are read for ever, and brought to the current form by a save only."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from voicer.errors import FileError
from voicer.library import load, parse, save, to_text
from voicer.library.migration import SCHEMA

FERRY = Path(__file__).parent / "data" / "ferry-bell.toml"
"""A file of schema 1 as a user wrote it."""


def test_a_file_of_schema_1_is_read_in_todays_units() -> None:
    """Feedback was in percent; depth was from peak to peak and is from the middle now."""
    voicing = load(FERRY)
    expected = {
        "name": "Ferry Bell",
        "repeats.feedback": 0.57,
        "modulation.depth_percent": 0.75,
        "modulation.rate_hz": 0.4,
        "delay.time_ms": 260.0,
        "filters.anti_alias.order": 4,
    }
    assert {key: voicing.get(key) for key in expected} == expected


def test_reading_leaves_the_file_alone_and_saving_brings_it_up_to_date(home: Path) -> None:
    """Only a save rewrites the file: the form is the current one, the comments are the user's."""
    own = home / "voicings" / "ferry-bell.toml"
    own.parent.mkdir(parents=True)
    shutil.copy(FERRY, own)
    voicing = load("ferry-bell")
    assert own.read_text() == FERRY.read_text()
    save(voicing)
    expected = (
        FERRY.read_text()
        .replace("schema = 1", f"schema = {SCHEMA}")
        .replace("feedback_percent = 57   # three", "feedback = 0.57   # three")
        .replace("depth_percent = 1.5     #", "depth_percent = 0.75     #")
        .replace('mode = "chorus"', 'range = "slow"')
    )
    assert own.read_text() == expected
    assert load("ferry-bell") == voicing


WRONG = [
    ("= 57 ", "= 151 ", "21: repeats.feedback_percent must be in 0..150 % (got 151)"),
    ("= 57 ", "= nan ", "21: repeats.feedback_percent must be in 0..150 % (got nan)"),
    ("= 57 ", "= '57' ", "21: repeats.feedback_percent must be in 0..150 % (got '57')"),
    ("= 57 ", "= true ", "21: repeats.feedback_percent must be in 0..150 % (got True)"),
    ("feedback_percent = 57", "feedback = 0.5",
     "21: unknown key 'repeats.feedback' in schema 1; did you mean 'feedback_percent'?"),
    ("= 1.5 ", "= 41 ", "26: modulation.depth_percent must be in 0..40 % (got 41)"),
    ("cutoff_hz = 2700", "cutoff_hz = 27", "18: filters.reconstruction.cutoff_hz must be in 200..20000 Hz (got 27)"),
    ("[repeats]", "repeats = 3\n[x]", "20: unknown key 'filters.repeats'; use one of low_cut_hz, anti_alias, reconstruction"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_file_of_schema_1_is_refused_in_its_own_units(right: str, wrong: str, message: str) -> None:
    """The message speaks of what stands in the file, with the rule of that form and its line."""
    text = FERRY.read_text()
    assert text.count(right) == 1
    with pytest.raises(FileError) as caught:
        parse(text.replace(right, wrong), "ferry.toml")
    assert str(caught.value) == f"ferry.toml:{message}"


@pytest.mark.parametrize(("percent", "feedback"), [(0, 0.0), (57, 0.57), (110, 1.1), (150, 1.5), (62.5, 0.625)])
def test_percent_becomes_the_number_a_person_would_write(percent: float, feedback: float) -> None:
    """57 % becomes 0.57, not 0.5699999999999999, so that a saved file reads well."""
    text = FERRY.read_text().replace("= 57 ", f"= {percent} ")
    voicing = parse(text, "ferry.toml")
    assert voicing.repeats.feedback == feedback
    assert f"feedback = {feedback} " in to_text(voicing, text)


STORM = Path(__file__).parent / "data" / "storm-bell-2.toml"
"""A file of schema 2 as voicer shipped it: every line with its comment."""


def test_a_file_of_schema_2_has_its_range_named_after_the_switch() -> None:
    """Chorus and vibrato are what one hears; the switch has a slow and a fast range. Only two lines change."""
    text = STORM.read_text()
    expected = text.replace("schema = 2", "schema = 4").replace(
        'mode = "chorus"             # off, chorus, vibrato', 'range = "slow"             # off, slow, fast'
    )
    voicing = parse(text, "storm.toml")
    assert voicing.modulation.range == "slow"
    assert [old.split() for old in to_text(voicing, text).splitlines()] == [new.split() for new in expected.splitlines()]


@pytest.mark.parametrize(("right", "wrong", "message"), [
    ('mode = "chorus"', 'mode = "slow"', "28: modulation.mode must be one of off, chorus, vibrato (got 'slow')"),
    ('mode = "chorus"', "mode = []", "28: modulation.mode must be one of off, chorus, vibrato (got [])"),
    ('mode = "chorus"', 'range = "slow"', "28: unknown key 'modulation.range' in schema 2"),
])  # fmt: skip
def test_a_wrong_file_of_schema_2_is_refused_in_its_own_words(right: str, wrong: str, message: str) -> None:
    """The message speaks of the words that the file's own form knows."""
    text = STORM.read_text()
    assert text.count(right) == 1
    with pytest.raises(FileError) as caught:
        parse(text.replace(right, wrong), "storm.toml")
    assert str(caught.value).startswith(f"storm.toml:{message}")
