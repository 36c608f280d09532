"""Comparing two voicings: matched loudness, files whole or not at all, figures and what is marked, blind sessions."""

from __future__ import annotations

from dataclasses import replace
from math import comb
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

import voicer
from voicer.circuit.circuit import LfoParts
from voicer.compare import blind, differences
from voicer.compare.blind import Answer, Head, Session, listen, order, read_session, to_go_on
from voicer.compare.differences import EDGE, PITCH, TIME, Heard, Rule, centroid_hz, rows_of, wobble_cents
from voicer.compare.pair import Pair, compare, programme, write_pair
from voicer.errors import FileError, VoicerError
from voicer.measure.meters import loudness_lufs

if TYPE_CHECKING:
    from voicer.circuit import Circuit

RATE_HZ = 48_000


def circuit_of(name: str = "quay-slap", **changes: Any) -> Circuit:
    values = {key.replace("__", "."): value for key, value in changes.items()}
    return voicer.design(voicer.load(name).changed(values))


def noise(seconds: float, level: float = 0.1) -> Any:
    return level * np.random.default_rng(4).standard_normal(round(seconds * RATE_HZ))


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Pair:
    """Two voicings over a second of noise, 6 dB apart in their level."""
    path = tmp_path_factory.mktemp("in") / "in.wav"
    soundfile.write(path, noise(1.0), RATE_HZ)
    return compare(programme(path, 1.0), circuit_of(), circuit_of("lamp-lane", output__level_db=-6))


def test_both_sound_as_loud_and_as_long(pair: Pair) -> None:
    """Matched by BS.1770 within 0.001 LU: the louder is turned down, the quieter is left; both have the tail."""
    a, b = pair.sounds["A"], pair.sounds["B"]
    assert a.size == b.size == 2 * RATE_HZ
    assert loudness_lufs(a, RATE_HZ) == pytest.approx(loudness_lufs(b, RATE_HZ), abs=1e-3)
    assert sorted(pair.gain_db.values())[1] == 0
    assert sorted(pair.gain_db.values())[0] == pytest.approx(-abs(pair.loudness_lufs["A"] - pair.loudness_lufs["B"]))
    assert max(np.abs(a).max(), np.abs(b).max()) <= 10 ** (-3 / 20) + 1e-9


def test_what_is_heard_is_what_render_makes(pair: Pair) -> None:
    """Apart from the matching, A is the render of its voicing."""
    rendered = voicer.render(pair.programme.samples, RATE_HZ, pair.circuits["A"])
    assert pair.sounds["A"] == pytest.approx(rendered * 10 ** (pair.gain_db["A"] / 20), abs=1e-12)


def test_the_shipped_riff_and_other_rates(tmp_path: Path) -> None:
    """Without a file the riff is played; a rate the echo does not run at becomes 48 kHz."""
    assert programme(None, 0).samples.size == 12 * RATE_HZ
    soundfile.write(tmp_path / "low.wav", noise(1.0)[::3], 16_000)
    low = programme(tmp_path / "low.wav", 0.5)
    assert (low.sample_rate_hz, low.samples.size) == (48_000, 72_000)


@pytest.mark.parametrize(("sound", "line"), [
    (np.zeros(48_000), "in.wav: the recording must not be silent (got nothing above -70 LUFS); record it louder"),
    (noise(1, 1e-6), "in.wav: the recording must not be silent"),
    (noise(0.3), "in.wav: the recording must last at least 0.4 s for its loudness (got 0.3 s); record more"),
    (np.full(48_000, np.nan), "in.wav: the recording must hold finite numbers (got nan or infinity); record it again"),
], ids=["zeros", "too soft", "too short", "nan"])  # fmt: skip
def test_recordings_that_cannot_be_compared_over(sound: Any, line: str, tmp_path: Path) -> None:
    """One line with the file's name and the rule."""
    soundfile.write(tmp_path / "in.wav", sound, RATE_HZ, subtype="DOUBLE")
    with pytest.raises(FileError) as caught:
        programme(tmp_path / "in.wav")
    assert str(caught.value).startswith(f"{tmp_path}/{line}")


def test_a_voicing_too_soft_to_measure(tmp_path: Path) -> None:
    """It is named."""
    soundfile.write(tmp_path / "in.wav", noise(1.0, 1e-3), RATE_HZ)
    with pytest.raises(VoicerError, match=r"B \(Quay Slap\) must be loud enough to measure"):
        compare(programme(tmp_path / "in.wav"), circuit_of(), circuit_of(output__level_db=-40))


def test_files_are_both_written_into_a_folder_that_is_made(pair: Pair, tmp_path: Path) -> None:
    """As they sound, 24 bits, of the same size, and nothing beside them."""
    assert write_pair(pair, tmp_path / "new" / "out") == [tmp_path / "new" / "out" / f"{name}.wav" for name in "AB"]
    found = sorted((tmp_path / "new" / "out").iterdir())
    assert [path.name for path in found] == ["A.wav", "B.wav"]
    assert found[0].stat().st_size == found[1].stat().st_size
    for path in found:
        assert soundfile.read(path)[0] == pytest.approx(pair.sounds[path.stem], abs=2**-23)


def test_files_are_written_both_or_none(pair: Pair, tmp_path: Path) -> None:
    """Where B.wav cannot go, A.wav stays what it was and nothing is left over."""
    (tmp_path / "B.wav").mkdir()
    (tmp_path / "A.wav").write_text("older")
    with pytest.raises(FileError, match=r"B.wav must be a file \(it is a folder\); choose another"):
        write_pair(pair, tmp_path)
    assert (tmp_path / "A.wav").read_text() == "older"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["A.wav", "B.wav"]
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match=r"the folder must be writable \(Not a directory\)"):
        write_pair(pair, tmp_path / "file" / "out")


@pytest.mark.parametrize(("rule", "a", "b", "expected"), [
    (TIME, 300, 304.9, False),
    (TIME, 300, 305, True),
    (TIME, 305, 300, True),
    (PITCH, 0, 9.9, False),
    (PITCH, 0, 10, True),
    (Rule(0.1, "", relative=True), 1000, 1099, False),
    (Rule(0.1, "", relative=True), 1100, 1000, True),
    (Rule(0.1, "", relative=True), 0, 0, False),
    (EDGE, 0.9, 0.99, False),
    (EDGE, 0.99, 1.0, True),
    (EDGE, 1.2, 0.1, True),
    (EDGE, 1.1, 1.4, False),
])  # fmt: skip
def test_thresholds(rule: Rule, a: float, b: float, expected: bool) -> None:
    """A difference is marked from its threshold on, either way round; for the edge, when one is past it."""
    assert rule.heard(a, b) is expected


def rows_between(a: Circuit, b: Circuit) -> dict[str, Any]:
    x = noise(0.5)
    return {row.key: row for row in rows_of(Heard(a, x, -23.0, RATE_HZ), Heard(b, x, -23.0, RATE_HZ))}


@pytest.mark.parametrize(("changes", "marked"), [
    ({}, set()),
    ({"delay.time_ms": 94.0}, set()),
    ({"delay.time_ms": 96.0}, {"time_ms"}),
    ({"filters.anti_alias.cutoff_hz": 3000.0}, {"anti_alias_hz"}),
    ({"filters.reconstruction.cutoff_hz": 3000.0}, {"reconstruction_hz"}),
    ({"repeats.feedback": 0.3}, {"decay_db"}),
    ({"repeats.feedback": 1.5}, {"decay_db", "loop_gain"}),
    ({"output.blend": 0.5}, {"echo_to_dry_db"}),
    ({"modulation.range": "fast", "modulation.rate_hz": 5.0, "modulation.depth_percent": 2.0}, {"wobble_cents"}),
])  # fmt: skip
def test_what_is_changed_is_what_is_marked(changes: dict[str, Any], marked: set[str]) -> None:
    """One changed parameter marks its own figures; what follows from it in the loop may be marked too, no other."""
    plain = voicer.load("quay-slap")
    rows = rows_between(voicer.design(plain), voicer.design(plain.changed(changes)))
    found = {key for key, row in rows.items() if row.heard}
    assert marked <= found
    assert found <= marked | {"decay_db", "noise_db"}
    assert marked or not found


def test_figures_are_the_circuits(pair: Pair) -> None:
    """Each figure is that of the circuit `voicer show` tells, for both."""
    rows = {row.key: row for row in pair.rows()}
    for name, circuit in pair.circuits.items():
        told = voicer.circuit.facts(circuit)
        mine = {key: getattr(row, name.lower()) for key, row in rows.items()}
        for key in ("time_ms", "clock_hz", "half_clock_hz", "loop_gain"):
            assert mine[key] == told[key]
        assert mine["anti_alias_hz"] == told["anti_alias"]["cutoff_hz"]
        assert mine["reconstruction_hz"] == told["reconstruction"]["cutoff_hz"]
        assert mine["decay_db"] == pytest.approx(-20 * np.log10(told["loop_gain"]))


def test_ends_of_the_scales() -> None:
    """No repeats, dry only and echo only are finite numbers, and a modulation that is off has no rate."""
    dry, wet = (circuit_of(output__blend=blend, repeats__feedback=0) for blend in (0, 1))
    rows = rows_between(dry, wet)
    assert (rows["decay_db"].a, rows["echo_to_dry_db"].a, rows["echo_to_dry_db"].b) == (60, -60, 60)
    assert (rows["rate_hz"].a, rows["rate_hz"].heard, rows["wobble_cents"].a) == (None, None, 0)


@pytest.mark.parametrize("turns", [0.1, 0.25, 0.5, 0.9, 2.3])
def test_wobble_by_closed_form(turns: float) -> None:
    """For shallow depths the pitch bends by the clock now less the clock a delay ago: 2 d |sin(pi f t)| for a sine,
    4 d times the nearer distance to a whole turn for a triangle (at most 2 d).
    """
    base, depth = circuit_of(), 1e-4
    rate_hz = turns * base.clock_hz / base.line.periods
    distance = min(turns % 1, 1 - turns % 1)
    for shape, bend in (("sine", 2 * np.sin(np.pi * distance)), ("triangle", 4 * distance)):
        circuit = replace(base, lfo=LfoParts(rate_hz, depth, shape))  # type: ignore[arg-type]
        expected = 1200 / np.log(2) * depth * bend
        assert wobble_cents(circuit) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("shape", ["sine", "triangle"])
def test_wobble_is_nothing_when_a_delay_is_a_whole_turn(shape: Any) -> None:
    """A line that holds a whole number of the slow oscillator's turns bends no pitch, however deep."""
    base = circuit_of()
    circuit = replace(base, lfo=LfoParts(3 * base.clock_hz / base.line.periods, 0.2, shape))
    assert wobble_cents(circuit) < 0.1  # the law is followed numerically


def test_centroid() -> None:
    """A tone's is its frequency; of two equal ones the middle."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    low, high = (np.sin(2 * np.pi * f_hz * time_s) for f_hz in (500, 1500))
    assert centroid_hz(low, RATE_HZ) == pytest.approx(500, abs=0.1)
    assert centroid_hz(low + high, RATE_HZ) == pytest.approx(1000, abs=0.1)


def test_noise_follows_the_flaw(pair: Pair) -> None:
    """A noisy line's rest is louder against the same music; without the flaw it is at the bottom of the scale."""
    levels = [
        differences.noise_db(Heard(circuit_of(flaws__noise=amount, compander__enabled=False), noise(1), -40, RATE_HZ))
        for amount in (0, 1, 3)
    ]
    assert levels[0] == -60
    assert levels[0] < levels[1] < levels[2]


def session_of(right: int, count: int, trials: int = 16) -> Session:
    head = Head(a="Quay Slap", b="Lamp Lane", input="in.wav", sounds="0" * 16, trials=trials)
    return Session(head, tuple(
        Answer(trial=n + 1, x="A", answer="A" if n < right else "B") for n in range(count)
    ))  # fmt: skip


@pytest.mark.parametrize(("right", "count"), [(0, 1), (5, 5), (12, 16), (11, 16), (8, 16), (0, 16), (16, 16)])
def test_p_value_is_the_binomial_tail(right: int, count: int) -> None:
    """Ways to get so many or more right, out of all."""
    expected = sum(comb(count, k) for k in range(right, count + 1)) / 2**count
    assert session_of(right, count).p_value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("right", "count", "says"), [
    (12, 16, ["12 of 16 right. One who only guesses gets so many or more in 4 of 100 sessions (p = 0.0384).", "That is unlikely (the usual limit is 0.05): the difference was heard."]),
    (11, 16, ["11 of 16 right. One who only guesses gets so many or more in 11 of 100 sessions (p = 0.105).", "Guessing explains it: this does not show a difference that is heard, nor that there is none."]),
    (16, 16, ["16 of 16 right. One who only guesses gets so many or more in 2 of 100000 sessions (p = 1.53e-05).", "That is unlikely (the usual limit is 0.05): the difference was heard."]),
    (4, 4, ["4 of 4 right. One who only guesses gets so many or more in 6 of 100 sessions (p = 0.0625).", "So few answers cannot rule out guessing: give at least 5.", "Broken off: 4 of 16 trials are answered."]),
    (0, 0, ["No answer was given: nothing can be said."]),
])  # fmt: skip
def test_result_in_words(right: int, count: int, says: list[str]) -> None:
    """How many, how likely by guessing, what that means, and whether it is all."""
    assert session_of(right, count).says() == says


def test_order_is_fair_and_repeats_only_when_asked() -> None:
    """As many A as B within five standard deviations, and no two trials tied; a number draws the same again."""
    for drawn in (order(None), order(7)):
        turns = [drawn(trial) for trial in range(1, 1001)]
        same = sum(one == other for one, other in zip(turns[1:], turns[:-1], strict=True))
        assert abs(turns.count("A") - 500) < 80
        assert abs(same - 500) < 80
    first, again, other = ([order(number)(trial) for trial in range(1, 33)] for number in (7, 7, 8))
    assert first == again != other
    assert [order(None)(1) for _ in range(64)].count("A") not in (0, 64)


def test_a_session_is_read_as_it_was_written(tmp_path: Path) -> None:
    """File to session and back; the file is JSON lines."""
    session = session_of(3, 5)
    (tmp_path / "s.jsonl").write_text(session.text)
    assert read_session(tmp_path / "s.jsonl") == session
    assert len(session.text.splitlines()) == 6


GOOD = session_of(1, 2, 2).text.splitlines()


@pytest.mark.parametrize(("lines", "line"), [
    ([], 's.jsonl:1: the line must be {"session":1,'),
    (["[delay]"], "s.jsonl:1: the line must be"),
    ([GOOD[0].replace('"session":1', '"session":2')], "s.jsonl:1: the line must be"),
    ([GOOD[0].replace('"trials":2', '"trials":0')], "s.jsonl:1: the line must be"),
    ([GOOD[0], GOOD[1], '{"trial":2,"x":"C","answer":"A"}'], 's.jsonl:3: the line must be {"trial":…,"x":"A" or "B","answer":"A" or "B"} (got \'{"trial":2,"x":"C","answer":"A"}\'); give a file that'),
    ([GOOD[0], GOOD[1], GOOD[2][:12]], "s.jsonl:3: the line must be"),
    ([GOOD[0], GOOD[1], ""], "s.jsonl:3: the line must be"),
    ([GOOD[0], GOOD[2]], "s.jsonl:2: trial must be 1 (got 2)"),
    ([*GOOD, GOOD[2].replace("2", "3")], "s.jsonl:4: there must be at most 2 trials (got 3)"),
], ids=range(9))  # fmt: skip
def test_a_wrong_answers_file_is_told_with_its_line(lines: list[str], line: str, tmp_path: Path) -> None:
    """File, line, what it must be."""
    (tmp_path / "s.jsonl").write_text("".join(f"{text}\n" for text in lines))
    with pytest.raises(FileError) as caught:
        read_session(tmp_path / "s.jsonl")
    assert str(caught.value).startswith(f"{tmp_path}/{line}")
    assert "\n" not in str(caught.value)


def ears(folder: Path) -> Any:
    """A listener who hears every difference: compares the samples of X with those of A."""

    def ask(_trial: int, x_wav: Path, _x: str) -> Any:
        same = np.array_equal(soundfile.read(x_wav)[0], soundfile.read(folder / "A.wav")[0])
        return "A" if same else "B"

    return ask


def test_one_who_hears_is_right_and_one_who_does_not_is_not_always(pair: Pair, tmp_path: Path) -> None:
    """What X is is what is in X.wav, each time anew; what is kept is what was answered; X is gone at the end."""
    write_pair(pair, tmp_path)
    head, answers = blind.head_of(pair, 12), tmp_path / "s.jsonl"
    heard = listen(Session(head), pair, tmp_path, answers, ears(tmp_path), order(3))
    assert (heard.right, len(heard.answers)) == (12, 12)
    assert {one.x for one in heard.answers} == {"A", "B"}
    assert read_session(answers) == heard
    deaf = listen(Session(head), pair, tmp_path, answers, lambda *_: "A", order(3))
    assert 0 < deaf.right < 12
    assert sorted(path.name for path in tmp_path.iterdir()) == ["A.wav", "B.wav", "s.jsonl"]


def test_nothing_but_the_sound_tells_what_x_is(pair: Pair, tmp_path: Path) -> None:
    """Name, size, owner and rights of X are the same for A and B, it is younger than both, and not in the answers."""
    write_pair(pair, tmp_path)
    seen: dict[str, set[Any]] = {"A": set(), "B": set()}

    def ask(trial: int, x_wav: Path, x: Any) -> Any:
        found, (a, b) = x_wav.stat(), ((tmp_path / f"{name}.wav").stat() for name in "AB")
        assert found.st_mtime_ns > max(a.st_mtime_ns, b.st_mtime_ns)
        assert found.st_ino not in (a.st_ino, b.st_ino)
        names = tuple(sorted(path.name for path in tmp_path.iterdir()))
        lines = len((tmp_path / "s.jsonl").read_text().splitlines())
        assert lines == trial
        seen[x].add((found.st_size, found.st_mode, found.st_uid, found.st_nlink, names))
        return x

    listen(Session(blind.head_of(pair, 12)), pair, tmp_path, tmp_path / "s.jsonl", ask, order(3))
    assert len(seen["A"]) == 1
    assert seen["A"] == seen["B"]


def test_a_session_broken_off_is_kept_and_goes_on(pair: Pair, tmp_path: Path) -> None:
    """By an end or by a blow; taken up again it asks for what is left, of the same order."""
    write_pair(pair, tmp_path)
    head, answers, listener = blind.head_of(pair, 9), tmp_path / "s.jsonl", ears(tmp_path)
    ended = listen(Session(head), pair, tmp_path, answers, lambda n, *rest: listener(n, *rest) if n < 4 else None, order(3))
    assert len(ended.answers) == 3

    def struck(trial: int, *rest: Any) -> Any:
        if trial == 6:
            raise KeyboardInterrupt
        return listener(trial, *rest)

    with pytest.raises(KeyboardInterrupt):
        listen(to_go_on(read_session(answers), head, answers), pair, tmp_path, answers, struck, order(3))
    assert len(read_session(answers).answers) == 5
    assert not (tmp_path / "X.wav").exists()
    done = listen(to_go_on(read_session(answers), head, answers), pair, tmp_path, answers, listener, order(3))
    assert [one.trial for one in done.answers] == list(range(1, 10))
    assert [one.x for one in done.answers] == [order(3)(trial) for trial in range(1, 10)]


def test_a_session_goes_on_only_as_it_was_begun(tmp_path: Path) -> None:
    """Other sounds, another number of trials and one that is complete are refused."""
    earlier, path = session_of(2, 3, 4), tmp_path / "s.jsonl"
    assert to_go_on(earlier, earlier.head, path) is earlier
    for head, line in (
        (earlier.head.model_copy(update={"sounds": "1" * 16}), "s.jsonl:1: the answers must be about these sounds (got Quay Slap and Lamp Lane over in.wav"),
        (earlier.head.model_copy(update={"trials": 8}), "s.jsonl:1: trials must be 4, as the session was begun with (got 8)"),
    ):
        with pytest.raises(FileError) as caught:
            to_go_on(earlier, head, path)
        assert str(caught.value).startswith(f"{tmp_path}/{line}")
    complete = session_of(2, 4, 4)
    with pytest.raises(FileError, match=r"a trial must be left to answer \(got 4 of 4 answered\)"):
        to_go_on(complete, complete.head, path)


def test_a_voicing_is_not_asked_about_against_itself(pair: Pair) -> None:
    """Two sounds that are the same cannot be told apart."""
    twice = replace(pair, sounds={"A": pair.sounds["A"], "B": pair.sounds["A"].copy()})
    with pytest.raises(VoicerError, match="A and B must differ to be told apart"):
        blind.head_of(twice, 16)
