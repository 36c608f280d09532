"""The voicing file's form: what is refused and in which words, what a save keeps, what comes back."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import given, settings

from tests.fuzz.strategies import voicings
from voicer.errors import FileError
from voicer.files.toml_edits import literal
from voicer.library import parse, to_text
from voicer.voicing import Voicing

DUSK = """\
schema = 4
name = "Harbour Dusk"
notes = "Slow."

[line]
stages = 4096              # per device
devices = 2                # in series

[delay]
time_ms = 380.0
shortest_ms = 25.0
longest_ms = 550.0

[filters]
low_cut_hz = 70.0
anti_alias     = { shape = "butterworth", order = 3, cutoff_hz = 3100.0 }

[filters.reconstruction]
shape = "butterworth"
order = 5
cutoff_hz = 2900.0

[compander]
enabled = true

[modulation]
range = "slow"
rate_hz = 0.6
"""

SYNTAX = "the line must be TOML such as key = value"
TWICE = "is given twice; remove one of the two"

WRONG = [
    # ranges
    ("low_cut_hz = 70.0", "low_cut_hz = 5", "15: filters.low_cut_hz must be in 10..500 Hz (got 5)"),
    ("cutoff_hz = 3100.0", "cutoff_hz = 5",
     "16: filters.anti_alias.cutoff_hz must be in 200..20000 Hz (got 5)"),
    ("cutoff_hz = 2900.0", "cutoff_hz = 1e9",
     "21: filters.reconstruction.cutoff_hz must be in 200..20000 Hz (got 1000000000.0)"),
    ("order = 5", "order = 7", "20: filters.reconstruction.order must be a whole number in 2..6 (got 7)"),
    ("devices = 2 ", "devices = 9 ", "7: line.devices must be a whole number in 1..8 (got 9)"),
    ("[compander]", "[repeats]\nfeedback = -0.1\n[compander]",
     "24: repeats.feedback must be in 0..1.5 (got -0.1)"),
    ("[compander]", "output = { blend = 0.5, level_db = 13 }\n[compander]",
     "23: unknown key 'filters.reconstruction.output'; use one of shape, order, cutoff_hz"),
    # not a number, not finite
    ("time_ms = 380.0", "time_ms = nan", "10: delay.time_ms must be in 1.25..2000 ms (got nan)"),
    ("longest_ms = 550.0", "longest_ms = inf", "12: delay.longest_ms must be in 1.25..2000 ms (got inf)"),
    # types
    ("time_ms = 380.0", 'time_ms = "380"', "10: delay.time_ms must be in 1.25..2000 ms (got '380')"),
    ("time_ms = 380.0", "time_ms = true", "10: delay.time_ms must be in 1.25..2000 ms (got true)"),
    ("time_ms = 380.0", "time_ms = 1979-05-27",
     "10: delay.time_ms must be a number, text, true or false (got the date or time 1979-05-27); "
     "put text in quotes"),
    ("devices = 2 ", "devices = 2.0 ", "7: line.devices must be a whole number in 1..8 (got 2.0)"),
    ("enabled = true", "enabled = 1", "24: compander.enabled must be true or false (got 1)"),
    ("enabled = true", 'enabled = "yes"', "24: compander.enabled must be true or false (got 'yes')"),
    ('name = "Harbour Dusk"', "name = 7", "2: name must be text (got 7)"),
    ('notes = "Slow."', "notes = []", "3: notes must be text (got [])"),
    ("[compander]\nenabled = true", "[[compander]]\nenabled = true",
     "23: compander must be a table (got [{'enabled': True}]); write it as [compander]"),
    # enumerations
    ("stages = 4096 ", "stages = 3000 ", "6: line.stages must be one of 512, 1024, 2048, 4096 (got 3000)"),
    ('range = "slow"', 'range = "korus"',
     "27: modulation.range must be one of off, slow, fast (got 'korus')"),
    ('{ shape = "butterworth"', '{ shape = "eliptic"',
     "16: filters.anti_alias.shape must be one of butterworth, bessel, chebyshev-0.5db, chebyshev-1db "
     "(got 'eliptic')"),
    # unknown and missing keys
    ("cutoff_hz = 3100.0", "cuttoff_hz = 3100.0",
     "16: unknown key 'filters.anti_alias.cuttoff_hz'; did you mean 'cutoff_hz'?"),
    ("[modulation]", "[modulaton]", "26: unknown key 'modulaton'; did you mean 'modulation'?"),
    ('notes = "Slow."', "volume = 3",
     "3: unknown key 'volume'; use one of name, notes, line, delay, filters, compander, repeats, modulation, "
     "output, flaws"),
    ('name = "Harbour Dusk"\n', "", "1: name is missing; add a line 'name = …'"),
    ("name =", "nmae =", "2: unknown key 'nmae'; did you mean 'name'?"),
    # the name's own rules
    ('"Harbour Dusk"', '""', "2: name must have 1..60 characters and no space at either end (got '')"),
    ('"Harbour Dusk"', '" Dusk"',
     "2: name must have 1..60 characters and no space at either end (got ' Dusk')"),
    # given twice
    ("order = 5", "order = 5\norder = 5", f"21: order {TWICE}"),
    ("order = 3,", "order = 3, order = 4,", f"16: order {TWICE}"),
    ("[compander]", "[delay]", f"23: delay {TWICE}"),
    # syntax
    ("low_cut_hz = 70.0", "low_cut_hz = = 70.0",
     f"15: {SYNTAX} (got 'low_cut_hz = = 70.0'); invalid value at column 14"),
    ("low_cut_hz = 70.0", "low_cut_hz 70.0",
     f"15: {SYNTAX} (got 'low_cut_hz 70.0'); expected '=' after a key in a key/value pair at column 12"),
    ("low_cut_hz = 70.0", "low_cut_hz = 70,5",
     f"15: {SYNTAX} (got 'low_cut_hz = 70,5'); expected newline or end of document after a statement "
     "at column 16"),
    ('"Slow."', '"Slow.', f"3: {SYNTAX} (got 'notes = \"Slow.'); illegal character '\\n' at column 15"),
    # schema
    ("schema = 4\n", "", "1: schema is missing; add a line 'schema = 4' at the top"),
    ("schema = 4", "schema = 5",
     "1: schema must be at most 4 (got 5); the file was written by a newer voicer: update this one"),
    ("schema = 4", 'schema = "2"',
     "1: schema must be a whole number in 1..4 (got '2'); write schema = 4"),
    ("schema = 4", "schema = true",
     "1: schema must be a whole number in 1..4 (got True); write schema = 4"),
    ("schema = 4", "schema = 0", "1: schema must be a whole number in 1..4 (got 0); write schema = 4"),
    # cross-checks
    ("time_ms = 380.0", "time_ms = 600.0",
     "10: delay.time_ms must be within shortest_ms..longest_ms = 25..550 ms (got 600); "
     "move the time or widen the span"),
    ("shortest_ms = 25.0", "shortest_ms = 560.0",
     "11: delay.shortest_ms must be below delay.longest_ms (got 560 and 550); widen the span"),
    ("shortest_ms = 25.0", "shortest_ms = 10.0",
     "11: delay.shortest_ms must be at least 18.71 ms for 2 x 4096 stages (got 10, a clock of 411.6 kHz); "
     "lengthen it or use fewer stages"),
    ("devices = 2 ", "devices = 8 ",
     "11: delay.shortest_ms must be at least 74.85 ms for 8 x 4096 stages (got 25, a clock of 658.6 kHz); "
     "lengthen it or use fewer stages"),
    ("stages = 4096              # per device\ndevices = 2 ", "stages = 512\ndevices = 1 ",
     "12: delay.longest_ms must be at most 169.8 ms for 1 x 512 stages (got 550, a clock of 0.4631 kHz); "
     "shorten it or use more stages"),
    ("rate_hz = 0.6", "rate_hz = 8",
     "28: modulation.rate_hz must be in 0.05..3 Hz for range 'slow' (got 8); change the rate or the range"),
    ("rate_hz = 0.6\n", "",
     None),
    ('range = "slow"\nrate_hz = 0.6', 'range = "fast"',
     "26: modulation.rate_hz must be in 2..12 Hz for range 'fast' (got 0.6); change the rate or the range"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_file_is_refused_in_these_words(right: str, wrong: str, message: str | None) -> None:
    """One line: file, line, key, rule, value, remedy; only what breaks a rule is refused."""
    assert DUSK.count(right) == 1
    text = DUSK.replace(right, wrong)
    if message is None:
        assert parse(text, "dusk.toml") == parse(DUSK, "dusk.toml")
        return
    with pytest.raises(FileError) as caught:
        parse(text, "dusk.toml")
    assert str(caught.value) == f"dusk.toml:{message}"


def test_an_empty_file_is_refused() -> None:
    """Nothing is no voicing."""
    with pytest.raises(FileError) as caught:
        parse("", "empty.toml")
    expected = "empty.toml:1: schema is missing; add a line 'schema = 4' at the top"
    assert str(caught.value) == expected


@settings(max_examples=200, derandomize=True, deadline=None)
@given(voicings())
def test_every_voicing_comes_back_exactly(voicing: Voicing) -> None:
    """Text of a voicing reads back as the same voicing, floats to the last bit."""
    assert parse(to_text(voicing), "x.toml") == voicing


@settings(max_examples=100, derandomize=True, deadline=None)
@given(voicings(), voicings())
def test_every_voicing_written_over_another_comes_back_exactly(old: Voicing, new: Voicing) -> None:
    """Changing a file's values in place gives the same voicing as writing it afresh, comments kept."""
    text = "# first\n" + to_text(old).replace("[delay]", "# middle\n[delay]") + "# last\n"
    changed = to_text(new, text)
    assert parse(changed, "x.toml") == new
    assert (changed.startswith("# first\n"), "# middle\n[delay]" in changed, changed.endswith("# last\n")) == (
        True, True, True,
    )  # fmt: skip


SPARSE = [
    'schema = 4\nname = "a"\n',
    'schema = 4\nname = "a"  # the name\n[delay]\n# only this\n',
    'schema = 4\nname = "a"\ndelay.time_ms = 200  # dotted\nline.devices = 1\n',
    'name = "a"\nschema = 4\ndelay = { time_ms = 200 }  # inline\nfilters = {}\n',
    'schema = 4\nname = "a"\n[filters]\nanti_alias.order = 4 # dotted\n[filters.reconstruction]\norder = 3\n',
    'schema = 4\r\nname = "a"\r\n\r\n[line] # board\r\ndevices = 1\r\n\r\n\r\n[output]\r\nblend = 0.5\r\n',
    "schema = 4\nname = '''\na'''\nnotes = \"\"\"\none\ntwo\"\"\"\n[filters.anti_alias]\n[filters.reconstruction]\n",
    'schema = 1\nname = "a"\n[repeats]\n"feedback_percent" = 50 # old\n[modulation]\ndepth_percent = 1\n',
    'schema = 1\nname = "a"\nrepeats.feedback_percent = 50 # old\nmodulation = { depth_percent = 1 }\n',
]


@pytest.mark.parametrize("text", SPARSE)
@settings(max_examples=25, derandomize=True, deadline=None)
@given(voicing=voicings())
def test_keys_a_file_lacks_are_added_and_its_comments_stay(text: str, voicing: Voicing) -> None:
    """Whatever form the old text has, the new one reads back exactly and holds every old comment."""
    new = to_text(voicing, text)
    assert parse(new, "x.toml") == voicing
    assert [comment for comment in re.findall(r"# [\w ]+", text) if comment not in new] == []


def test_only_what_differs_is_touched() -> None:
    """A change of two values changes their digits and nothing else; comments keep their column."""
    before = parse(DUSK, "dusk.toml")
    after = before.changed({"line.stages": 512, "line.devices": 8, "filters.anti_alias.cutoff_hz": 1234.5,
                            "delay.longest_ms": 500})  # fmt: skip
    expected = (
        DUSK.replace("stages = 4096              # per", "stages = 512               # per")
        .replace("devices = 2 ", "devices = 8 ")
        .replace("cutoff_hz = 3100.0", "cutoff_hz = 1234.5")
        .replace("longest_ms = 550.0", "longest_ms = 500.0")
    )
    assert to_text(after, DUSK) == expected


def test_an_unchanged_voicing_leaves_the_text_as_it_is() -> None:
    """Writing the same voicing over its own text changes no byte."""
    assert to_text(parse(DUSK, "dusk.toml"), DUSK) == DUSK


@pytest.mark.parametrize(
    ("value", "text"),
    [(12.0, "12.0"), (0.1, "0.1"), (1e-05, "1e-05"), (4096, "4096"), (True, "true"), ("a\"\\\n\x7f é", None)],
)  # fmt: skip
def test_values_are_written_short_and_as_toml(value: object, text: str | None) -> None:
    """The shortest form that reads back as the same value."""
    assert tomllib.loads(f"v = {literal(value)}") == {"v": value}
    if text is not None:
        assert literal(value) == text


def test_writing_over_what_is_no_voicing_is_refused() -> None:
    """A text whose comments cannot be kept is not replaced without a word."""
    with pytest.raises(FileError, match=r"^the old text:1: the line must be TOML"):
        to_text(Voicing(name="a"), "= 3")
