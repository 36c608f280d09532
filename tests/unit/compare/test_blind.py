"""The blind test: fair order, one plan, nothing judged before its end, answers that no kill and no second session loses."""

from __future__ import annotations

import multiprocessing
import resource
from dataclasses import replace
from math import comb
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import voicer
from voicer.compare.answers import Sitting, listen, read_session
from voicer.compare.blind import (
    Answer,
    Plan,
    Session,
    check_resumable,
    draw_order,
    least_right,
    plan_session,
    tail_probability,
)
from voicer.compare.pair import Pair, load_programme, render_pair, write_pair
from voicer.errors import FileError, VoicerError

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Pair:
    """Two voicings over half a second of noise."""
    path = tmp_path_factory.mktemp("in") / "in.wav"
    soundfile.write(path, 0.1 * np.random.default_rng(4).standard_normal(RATE_HZ // 2), RATE_HZ)
    circuits = (voicer.design(voicer.load(name)) for name in ("quay-slap", "lamp-lane"))
    return render_pair(load_programme(path, 0.5), *circuits)


def session_of(right: int, count: int, trials: int = 16) -> Session:
    plan = Plan(a="Quay Slap", b="Lamp Lane", input="in.wav", sounds="0" * 16, trials=trials)
    return Session(plan, tuple(
        Answer(trial=n + 1, x="A", answer="A" if n < right else "B") for n in range(count)
    ))  # fmt: skip


@pytest.mark.parametrize(("right", "count"), [(5, 5), (12, 16), (11, 16), (8, 16), (0, 16), (16, 16), (17, 24)])
def test_p_value_is_the_binomial_tail(right: int, count: int) -> None:
    """Ways to get so many or more right, out of all."""
    expected = sum(comb(count, k) for k in range(right, count + 1)) / 2**count
    assert session_of(right, count, count).p_value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("trials", "right"), [(5, 5), (16, 12), (24, 17), (32, 22), (40, 26)])
def test_the_least_right_answers_that_count(trials: int, right: int) -> None:
    """Critical numbers of the duo-trio test at 5 % (ISO 10399, table A.1; values from memory)."""
    assert least_right(trials) == right
    assert tail_probability(right, trials) < 0.05 <= tail_probability(right - 1, trials)


@pytest.mark.parametrize("count", range(16))
def test_nothing_is_judged_before_the_last_answer(count: int) -> None:
    """Neither score nor probability, in words or as data: a listener cannot stop at a lucky moment."""
    for right in (0, count):
        session = session_of(right, count)
        assert (session.right, session.p_value) == (None, None)
        assert session.report() == [
            f"Not finished: {count} of 16 trials answered, {16 - count} left. The result comes after the last one."
        ]
        data = session.as_json()
        assert (data["finished"], data["right"], data["p_value"], data["answered"]) == (False, None, None, count)


@pytest.mark.parametrize(("right", "count", "says"), [
    (12, 16, ["12 of 16 correct. By guessing, 3.84 % of sessions reach that or more (p = 0.0384, exact one-sided binomial test).", "p is below 0.05: the difference was heard."]),
    (11, 16, ["11 of 16 correct. By guessing, 10.5 % of sessions reach that or more (p = 0.105, exact one-sided binomial test).", "p is not below 0.05: this shows neither that the difference is audible nor that it is not."]),
    (16, 16, ["16 of 16 correct. By guessing, 1.5 in 100000 of sessions reach that or more (p = 1.53e-05, exact one-sided binomial test).", "p is below 0.05: the difference was heard."]),
])  # fmt: skip
def test_result_in_words(right: int, count: int, says: list[str]) -> None:
    """How many, how likely by guessing, by which test, and what that means."""
    assert session_of(right, count).report() == says


def test_the_order_is_fair_and_repeats_only_when_asked() -> None:
    """As many A as B within five standard deviations, trials independent of each other; a seed repeats the order."""
    for drawn in (draw_order(None), draw_order(7)):
        turns = [drawn(trial) for trial in range(1, 1001)]
        same = sum(one == other for one, other in zip(turns[1:], turns[:-1], strict=True))
        assert abs(turns.count("A") - 500) < 80
        assert abs(same - 500) < 80
    first, again, other = ([draw_order(number)(trial) for trial in range(1, 33)] for number in (7, 7, 8))
    assert first == again != other
    assert [draw_order(None)(1) for _ in range(64)].count("A") not in (0, 64)


def text_of(session: Session) -> str:
    return "".join(f"{line.model_dump_json()}\n" for line in (session.plan, *session.answers))


def test_a_session_is_read_as_it_was_written(tmp_path: Path) -> None:
    """File to session and back; the file is JSON lines."""
    session = session_of(3, 5)
    (tmp_path / "s.jsonl").write_text(text_of(session))
    assert read_session(tmp_path / "s.jsonl") == session
    assert len(text_of(session).splitlines()) == 6


GOOD = text_of(session_of(1, 5, 5)).splitlines()


@pytest.mark.parametrize(("lines", "line"), [
    ([], 's.jsonl:1: the line must be {"session":1,'),
    (["[delay]"], "s.jsonl:1: the line must be"),
    ([GOOD[0].replace('"session":1', '"session":2')], "s.jsonl:1: the line must be"),
    ([GOOD[0].replace('"trials":5', '"trials":4')], "s.jsonl:1: the line must be"),
    ([GOOD[0], GOOD[1], '{"trial":2,"x":"C","answer":"A"}'], 's.jsonl:3: the line must be {"trial":…,"x":"A" or "B","answer":"A" or "B"} (got \'{"trial":2,"x":"C","answer":"A"}\'); give a file that'),
    ([GOOD[0], GOOD[1], GOOD[2][:12]], "s.jsonl:3: the line must be"),
    ([GOOD[0], GOOD[1], ""], "s.jsonl:3: the line must be"),
    ([GOOD[0], GOOD[2]], "s.jsonl:2: trial must be 1 (got 2)"),
    ([*GOOD, GOOD[5].replace("5", "6")], "s.jsonl:7: there must be at most 5 trials (got 6)"),
], ids=range(9))  # fmt: skip
def test_a_malformed_answers_file_is_reported_with_its_line(lines: list[str], line: str, tmp_path: Path) -> None:
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


def test_perfect_ears_score_all_and_deaf_ones_do_not(pair: Pair, tmp_path: Path) -> None:
    """X.wav holds what X is, new for each trial; the file holds what was answered; X.wav is gone at the end."""
    write_pair(pair, tmp_path)
    plan, answers = plan_session(pair, 12), tmp_path / "s.jsonl"
    heard = listen(Session(plan), Sitting(pair, answers, tmp_path), ears(tmp_path), draw_order(3))
    assert (heard.right, len(heard.answers)) == (12, 12)
    assert {one.x for one in heard.answers} == {"A", "B"}
    assert read_session(answers) == heard
    deaf = listen(Session(plan), Sitting(pair, tmp_path / "t.jsonl", tmp_path), lambda *_: "A", draw_order(3))
    assert deaf.right is not None
    assert 0 < deaf.right < 12
    assert sorted(path.name for path in tmp_path.iterdir()) == ["A.wav", "B.wav", "s.jsonl", "t.jsonl"]


def test_only_the_sound_reveals_what_x_is(pair: Pair, tmp_path: Path) -> None:
    """X's name, size, owner and mode are the same for A and B, it is newer than both, and not yet in the answers."""
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

    listen(Session(plan_session(pair, 12)), Sitting(pair, tmp_path / "s.jsonl", tmp_path), ask, draw_order(3))
    assert len(seen["A"]) == 1
    assert seen["A"] == seen["B"]


def test_a_session_is_finished_in_several_sittings(pair: Pair, tmp_path: Path) -> None:
    """Ended or interrupted, its answers are kept; resumed, it asks the trials that are left, in the same order."""
    write_pair(pair, tmp_path)
    plan, answers, listener = plan_session(pair, 9), tmp_path / "s.jsonl", ears(tmp_path)
    sitting = Sitting(pair, answers, tmp_path)
    ended = listen(Session(plan), sitting, lambda n, *rest: listener(n, *rest) if n < 4 else None, draw_order(3))
    assert (len(ended.answers), ended.right) == (3, None)

    def interrupted(trial: int, *rest: Any) -> Any:
        if trial == 6:
            raise KeyboardInterrupt
        return listener(trial, *rest)

    with pytest.raises(KeyboardInterrupt):
        listen(read_session(answers), sitting, interrupted, draw_order(3))
    assert len(read_session(answers).answers) == 5
    assert not (tmp_path / "X.wav").exists()
    done = listen(read_session(answers), sitting, listener, draw_order(3))
    assert [one.trial for one in done.answers] == list(range(1, 10))
    assert [one.x for one in done.answers] == [draw_order(3)(trial) for trial in range(1, 10)]


def test_an_x_that_was_there_is_kept(pair: Pair, tmp_path: Path) -> None:
    """Somebody's own X.wav is neither replaced nor deleted; the answers file is not begun."""
    (tmp_path / "X.wav").write_text("mine")
    answers = tmp_path / "s.jsonl"
    with pytest.raises(FileError, match=r"X.wav: the file already exists; add --overwrite to replace it"):
        listen(Session(plan_session(pair, 5)), Sitting(pair, answers, tmp_path), lambda *_: "A", draw_order(1))
    assert (tmp_path / "X.wav").read_text() == "mine"
    assert not answers.exists()
    done = listen(
        Session(plan_session(pair, 5)), Sitting(pair, answers, tmp_path, overwrite=True), lambda *_: "A", draw_order(1)
    )
    assert len(done.answers) == 5


def sit(pair: Pair, folder: Path, answers: Path, given: Any, go_on: Any) -> None:
    """A second process at the same answers: gives what became of it."""

    def ask(*_: Any) -> Any:
        go_on.wait(30)
        return "A"

    folder.mkdir()
    try:
        session = read_session(answers) if answers.exists() else Session(plan_session(pair, 6))
        given.put(len(listen(session, Sitting(pair, answers, folder), ask, draw_order(1)).answers))
    except FileError as error:
        given.put(str(error))


def test_two_sessions_at_once_lose_no_answer(pair: Pair, tmp_path: Path) -> None:
    """Of two processes at one answers file one is refused in one line, and every answer of the other is kept."""
    pytest.importorskip("fcntl")
    context = multiprocessing.get_context("fork")
    given, go_on, answers = context.Queue(), context.Event(), tmp_path / "s.jsonl"
    sitters = [context.Process(target=sit, args=(pair, tmp_path / name, answers, given, go_on)) for name in "ab"]
    for sitter in sitters:
        sitter.start()
    refused = given.get(timeout=30)
    go_on.set()
    answered = given.get(timeout=30)
    for sitter in sitters:
        sitter.join(30)
    assert answered == 6
    assert str(refused).endswith("another session is writing to it); end that session, or name another file with --answers")
    assert len(read_session(answers).answers) == 6


def test_answers_read_before_another_session_ended_are_not_added_to(pair: Pair, tmp_path: Path) -> None:
    """A session read while another went on would number its answers twice: it is refused."""
    sitting = Sitting(pair, tmp_path / "s.jsonl", tmp_path)
    plan = plan_session(pair, 6)
    listen(Session(plan), sitting, lambda n, *_: "A" if n < 3 else None, draw_order(1))
    stale = read_session(sitting.answers)
    listen(stale, sitting, lambda n, *_: "B" if n < 5 else None, draw_order(1))
    with pytest.raises(FileError, match="another session has added to it"):
        listen(stale, sitting, lambda *_: "A", draw_order(1))
    assert [one.answer for one in read_session(sitting.answers).answers] == ["A", "A", "B", "B"]


def test_a_full_disk_keeps_the_earlier_answers(pair: Pair, tmp_path: Path) -> None:
    """An answer that does not fit is reported in one line, and the file ends with the answer before it."""
    plan = plan_session(pair, 6)
    answers = tmp_path / "s.jsonl"
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)

    def ask(trial: int, *_: Any) -> Any:
        if trial == 3:
            resource.setrlimit(resource.RLIMIT_FSIZE, (answers.stat().st_size + 10, limits[1]))
        return "A"

    try:
        with pytest.raises(FileError, match=r"s.jsonl: the answers cannot be written \(.*\); earlier answers are safe"):
            listen(Session(plan), Sitting(pair, answers, tmp_path), ask, draw_order(1))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert len(read_session(answers).answers) == 2


def test_only_an_unfinished_session_with_the_same_plan_is_resumed(tmp_path: Path) -> None:
    """Other sounds, another number of trials and a finished session are refused."""
    earlier, path = session_of(2, 3, 6), tmp_path / "s.jsonl"
    check_resumable(earlier, earlier.plan, path)
    for plan, line in (
        (earlier.plan.model_copy(update={"sounds": "1" * 16}), "s.jsonl:1: the answers must be about these sounds (got Quay Slap and Lamp Lane over in.wav"),
        (earlier.plan.model_copy(update={"trials": 8}), "s.jsonl:1: trials must stay 6, as planned at the start (got 8)"),
    ):
        with pytest.raises(FileError) as caught:
            check_resumable(earlier, plan, path)
        assert str(caught.value).startswith(f"{tmp_path}/{line}")
    complete = session_of(2, 6, 6)
    with pytest.raises(FileError, match=r"the session must have trials left \(all 6 are answered\)"):
        check_resumable(complete, complete.plan, path)


def test_a_sound_is_not_tested_against_itself(pair: Pair) -> None:
    """Two sounds that are the same cannot be told apart."""
    twice = replace(pair, sounds={"A": pair.sounds["A"], "B": pair.sounds["A"].copy()})
    with pytest.raises(VoicerError, match="A and B must differ to be told apart"):
        plan_session(twice, 16)
