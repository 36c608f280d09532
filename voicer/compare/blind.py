"""A blind listening session: X is A or B at random, the listener says which, and guessing is what answers are held to.

The answers file is JSON lines: what was compared, then one line per answer. It is written after each answer, so that
a session that was broken off is kept and can be taken up again.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from scipy.stats import binomtest

from voicer.compare.pair import Pair
from voicer.errors import FileError, VoicerError, one_line
from voicer.files import recording
from voicer.files.text_file import load_text, write_atomically

TRIALS, MOST_TRIALS = 16, 1000
CHANCE = 0.05
"""Below this likelihood of guessing so well a difference counts as heard (common practice, no source)."""

Which = Literal["A", "B"]
Ask = Callable[[int, Path, Which], "Which | None"]
"""Asks the listener: number of the trial, from 1, the file to hear and (for playing it only) which it is; None ends."""


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Head(_Line):
    """First line: what is compared."""

    session: Literal[1] = 1
    a: str
    b: str
    input: str
    sounds: str = Field(min_length=16, max_length=16)
    """Fingerprint of both sounds: answers about others do not belong here."""
    trials: int = Field(ge=1, le=MOST_TRIALS)


class Answer(_Line):
    """One further line."""

    trial: int
    x: Which
    answer: Which


@dataclass(frozen=True)
class Session:
    """What was compared, and the answers so far."""

    head: Head
    answers: tuple[Answer, ...] = ()

    @property
    def right(self) -> int:
        """Answers that were right."""
        return sum(one.x == one.answer for one in self.answers)

    @property
    def p_value(self) -> float | None:
        """Likelihood of as many right answers, or more, by guessing; None without answers."""
        if not self.answers:
            return None
        return float(binomtest(self.right, len(self.answers), 0.5, "greater").pvalue)

    @property
    def text(self) -> str:
        """As the answers file holds it."""
        return "".join(line.model_dump_json() + "\n" for line in (self.head, *self.answers))

    def says(self) -> list[str]:
        """The result in words."""
        count, p = len(self.answers), self.p_value
        if p is None:
            return ["No answer was given: nothing can be said."]
        lines = [
            f"{self.right} of {count} right. One who only guesses gets so many or more in {_share(p)} (p = {p:.3g})."
        ]
        if p < CHANCE:
            lines.append(f"That is unlikely (the usual limit is {CHANCE:g}): the difference was heard.")
        elif 0.5**count >= CHANCE:
            lines.append("So few answers cannot rule out guessing: give at least 5.")
        else:
            lines.append("Guessing explains it: this does not show a difference that is heard, nor that there is none.")
        if count < self.head.trials:
            lines.append(f"Broken off: {count} of {self.head.trials} trials are answered.")
        return lines

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        told = self.head.model_dump(exclude={"session", "sounds"})
        return told | {"answered": len(self.answers), "right": self.right, "p_value": self.p_value, "says": self.says()}


def head_of(pair: Pair, trials: int) -> Head:
    """First line of a session about two sounds.

    Raises
    ------
    VoicerError
        When both sound the same.
    """
    a, b = (pair.sounds[name] for name in ("A", "B"))
    if np.array_equal(a, b):
        raise VoicerError("A and B must differ to be told apart (got the same sound twice)", remedy="change one")
    digest = hashlib.sha256(a.tobytes() + b.tobytes()).hexdigest()[:16]
    names = {name: circuit.name for name, circuit in pair.circuits.items()}
    return Head(a=names["A"], b=names["B"], input=pair.programme.name, sounds=digest, trials=trials)


def read_session(path: Path) -> Session:
    """A session from its answers file; `FileError` with the line of what is wrong."""
    lines = load_text(path).splitlines() or [""]
    head = _parsed(Head, lines[0], f"{path}:1")
    answers: list[Answer] = []
    for number, line in enumerate(lines[1:], start=1):
        where = f"{path}:{number + 1}"
        answer = _parsed(Answer, line, where)
        if answer.trial != number or number > head.trials:
            what = f"trial must be {number}" if number <= head.trials else f"there must be at most {head.trials} trials"
            raise FileError(f"{what} (got {answer.trial})", where=where, remedy=_OWN)
        answers.append(answer)
    return Session(head, tuple(answers))


def to_go_on(earlier: Session, head: Head, path: Path) -> Session:
    """An earlier session, if its answers are about these very sounds and some are left to give."""
    if earlier.head.sounds != head.sounds:
        got = f"{earlier.head.a} and {earlier.head.b} over {earlier.head.input}"
        what = f"the answers must be about these sounds (got {one_line(got)}, sounding otherwise)"
        raise FileError(what, where=f"{path}:1", remedy="name another file with --answers")
    if earlier.head.trials != head.trials:
        what = f"trials must be {earlier.head.trials}, as the session was begun with (got {head.trials})"
        raise FileError(what, where=f"{path}:1", remedy="leave --trials out, or name another file with --answers")
    if len(earlier.answers) == head.trials:
        what = f"a trial must be left to answer (got {head.trials} of {head.trials} answered)"
        raise FileError(what, where=str(path), remedy="read it with --result, or name another file with --answers")
    return earlier


def order(number: int | None) -> Callable[[int], Which]:
    """What X is at each trial: from the system's own chance, or the same again for the same number."""
    if number is None:
        return lambda _trial: "AB"[secrets.randbelow(2)]  # type: ignore[return-value]
    return lambda trial: "AB"[int(np.random.default_rng([number, trial]).integers(2))]  # type: ignore[return-value]


def listen(session: Session, pair: Pair, folder: Path, path: Path, ask: Ask, drawn: Callable[[int], Which]) -> Session:
    """Ask for what is left of a session, and keep each answer as it comes.

    ``X.wav`` is written anew for each trial, as long as ``A.wav`` and ``B.wav``, and removed at the end.

    Raises
    ------
    FileError
        When a file cannot be written; the answers before are kept.
    """
    x_wav = folder / "X.wav"
    write_atomically(path, session.text)
    try:
        for trial in range(len(session.answers) + 1, session.head.trials + 1):
            x = drawn(trial)
            recording.write(x_wav, pair.sounds[x], pair.programme.sample_rate_hz)
            answer = ask(trial, x_wav, x)
            if answer is None:
                break
            session = replace(session, answers=(*session.answers, Answer(trial=trial, x=x, answer=answer)))
            write_atomically(path, session.text)
    finally:
        x_wav.unlink(missing_ok=True)
    return session


_Kind = TypeVar("_Kind", bound=_Line)
_OWN = "give a file that 'voicer compare --blind' wrote"
_FORMS = {
    Head: '{"session":1,"a":…,"b":…,"input":…,"sounds":…,"trials":1..1000}',
    Answer: '{"trial":…,"x":"A" or "B","answer":"A" or "B"}',
}


def _parsed(kind: type[_Kind], line: str, where: str) -> _Kind:
    try:
        return kind.model_validate_json(line)
    except ValidationError as error:
        what = f"the line must be {_FORMS[kind]} (got '{one_line(line)}')"
        raise FileError(what, where=where, remedy=_OWN) from error


def _share(p: float) -> str:
    """A likelihood as so many of so many sessions."""
    for many in (100, 1000, 10_000, 100_000):
        if p * many >= 1:
            return f"{p * many:.0f} of {many} sessions"
    return "less than 1 of 100000 sessions"
