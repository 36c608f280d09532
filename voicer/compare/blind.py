"""A blind listening test: X is A or B at random, and the listener says which.

The number of trials is fixed before the first answer and kept with the answers. Nothing is judged before all of them
are given: a listener who may stop at a lucky moment makes a difference out of chance.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from scipy.stats import binomtest

from voicer.compare.pair import Pair
from voicer.errors import FileError, VoicerError, one_line

TRIALS, LEAST_TRIALS, MOST_TRIALS = 16, 5, 1000
"""Default, and limits: with fewer than five even a perfect score is no rarer than `CHANCE`."""

CHANCE = 0.05
"""A result rarer than this under pure guessing counts as heard (common practice, no source)."""

TEST = "exact one-sided binomial test"
"""Of k right answers out of n against a chance of 1/2, as ISO 10399 (duo-trio test) prescribes for a choice of two."""

Which = Literal["A", "B"]
Ask = Callable[[int, Path, Which], "Which | None"]
"""Asks the listener: number of the trial from 1, the file to hear, which it is (only to play it); None ends."""


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Plan(_Line):
    """First line of the answers file: what is compared, and how many trials were planned."""

    session: Literal[1] = 1
    a: str
    b: str
    input: str
    sounds: str = Field(min_length=16, max_length=16)
    """Fingerprint of both sounds: answers about other sounds are refused."""
    trials: int = Field(ge=LEAST_TRIALS, le=MOST_TRIALS)


class Answer(_Line):
    """One further line."""

    trial: int
    x: Which
    answer: Which


@dataclass(frozen=True)
class Session:
    """A plan and the answers so far."""

    plan: Plan
    answers: tuple[Answer, ...] = ()

    @property
    def left(self) -> int:
        """Trials still to be answered."""
        return self.plan.trials - len(self.answers)

    @property
    def right(self) -> int | None:
        """Number of right answers; None before the last trial is answered."""
        return None if self.left else sum(one.x == one.answer for one in self.answers)

    @property
    def p_value(self) -> float | None:
        """Probability of as many right answers or more by guessing; None before the last trial is answered."""
        return None if self.right is None else tail_probability(self.right, self.plan.trials)

    def report(self) -> list[str]:
        """The result in words, or how many trials are left."""
        if self.right is None or self.p_value is None:
            answered = f"{len(self.answers)} of {self.plan.trials} trials answered, {self.left} left"
            return [f"Not finished: {answered}. The result comes after the last one."]
        return [
            f"{self.right} of {self.plan.trials} correct. By guessing, {_share(self.p_value)} of sessions reach that "
            f"or more (p = {self.p_value:.3g}, {TEST}).",
            f"p is below {CHANCE:g}: the difference was heard." if self.p_value < CHANCE else
            f"p is not below {CHANCE:g}: this shows neither that the difference is audible nor that it is not.",
        ]  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        """Plain data; ``right`` and ``p_value`` are None before the last trial is answered."""
        plan = self.plan.model_dump(exclude={"session", "sounds"})
        return plan | {
            "answered": len(self.answers), "finished": not self.left, "right": self.right, "p_value": self.p_value,
            "test": TEST, "report": self.report(),
        }  # fmt: skip


def tail_probability(right: int, trials: int) -> float:
    """Probability of at least ``right`` right answers out of ``trials`` by guessing."""
    return float(binomtest(right, trials, 0.5, "greater").pvalue)


def least_right(trials: int) -> int:
    """The fewest right answers that count as heard."""
    return next(right for right in range(trials + 1) if tail_probability(right, trials) < CHANCE)


def plan_session(pair: Pair, trials: int) -> Plan:
    """The plan of a session about two sounds; `VoicerError` when both are the same."""
    a, b = (pair.sounds[name] for name in ("A", "B"))
    if np.array_equal(a, b):
        raise VoicerError("A and B must differ to be told apart (got the same sound twice)", remedy="change one")
    digest = hashlib.sha256(a.tobytes() + b.tobytes()).hexdigest()[:16]
    names = {name: circuit.name for name, circuit in pair.circuits.items()}
    return Plan(a=names["A"], b=names["B"], input=pair.programme.name, sounds=digest, trials=trials)


def check_resumable(earlier: Session, plan: Plan, path: Path) -> None:
    """Raise `FileError` unless an earlier session is about these very sounds, planned alike and not finished."""
    if earlier.plan.sounds != plan.sounds:
        got = f"{earlier.plan.a} and {earlier.plan.b} over {earlier.plan.input}, which sound different"
        what = f"the answers must be about these sounds (got {one_line(got)})"
        raise FileError(what, where=f"{path}:1", remedy="name another file with --answers")
    if earlier.plan.trials != plan.trials:
        what = f"trials must stay {earlier.plan.trials}, as planned at the start (got {plan.trials})"
        raise FileError(what, where=f"{path}:1", remedy="leave --trials out, or name another file with --answers")
    if not earlier.left:
        what = f"the session must have trials left (all {plan.trials} are answered)"
        raise FileError(what, where=str(path), remedy="show it with --result, or name another file with --answers")


def draw_order(number: int | None) -> Callable[[int], Which]:
    """What X is at each trial: from the system's random source, or repeatably from a number."""
    if number is None:
        return lambda _trial: "AB"[secrets.randbelow(2)]  # type: ignore[return-value]
    return lambda trial: "AB"[int(np.random.default_rng([number, trial]).integers(2))]  # type: ignore[return-value]


def with_answer(session: Session, answer: Answer) -> Session:
    """The session with one more answer."""
    return replace(session, answers=(*session.answers, answer))


def _share(p: float) -> str:
    """A probability as a share of sessions: ``3.84 %``, ``2 in 100000``."""
    return f"{100 * p:.3g} %" if p >= 0.001 else f"{1e5 * p:.2g} in 100000" if p >= 1e-5 else "fewer than 1 in 100000"
