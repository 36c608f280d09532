"""The answers of a blind session on disk: JSON lines, the plan first, then one line per answer.

Each answer is appended as it comes, so a session that is broken off is kept. One session at a time writes a file: a
second one is refused, since both would play their X from the same place. Where a system has no file locks (`fcntl`),
two sessions at once are not refused; each answer is still appended whole.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from voicer.compare.blind import LEAST_TRIALS, MOST_TRIALS, Answer, Ask, Plan, Session, Which, with_answer
from voicer.compare.pair import Pair
from voicer.errors import FileError, one_line
from voicer.files import recording
from voicer.files.text_file import load_text

try:
    import fcntl
except ImportError:  # not on every system
    fcntl = None  # type: ignore[assignment]

X_WAV = "X.wav"
"""Name of the sound in question; it exists during a session only."""


def read_session(path: Path) -> Session:
    """A session from its answers file; `FileError` names the line that is wrong."""
    lines = load_text(path).splitlines() or [""]
    plan = _parsed(Plan, lines[0], f"{path}:1")
    answers: list[Answer] = []
    for number, line in enumerate(lines[1:], start=1):
        where = f"{path}:{number + 1}"
        answer = _parsed(Answer, line, where)
        if answer.trial != number or number > plan.trials:
            what = f"trial must be {number}" if number <= plan.trials else f"there must be at most {plan.trials} trials"
            raise FileError(f"{what} (got {answer.trial})", where=where, remedy=_OWN)
        answers.append(answer)
    return Session(plan, tuple(answers))


@dataclass(frozen=True)
class Sitting:
    """What one sitting works on."""

    pair: Pair
    answers: Path
    folder: Path
    """``X.wav`` is written here, anew for each trial, as long as ``A.wav`` and ``B.wav``, and removed at the end."""
    overwrite: bool = False
    """Whether an ``X.wav`` that is already there may be replaced."""
    inputs: Sequence[Path] = ()
    """Files being read; ``X.wav`` never replaces one of them."""


def listen(session: Session, sitting: Sitting, ask: Ask, draw: Callable[[int], Which]) -> Session:
    """Ask the trials that are left, and append each answer to the file as it comes.

    Raises
    ------
    FileError
        When ``X.wav`` is already there, another session is using the answers, or a file cannot be written; the
        answers before are kept.
    """
    x_wav = sitting.folder / X_WAV
    overwrite = sitting.overwrite
    recording.check_writable(x_wav, overwrite=overwrite, inputs=sitting.inputs)
    with _locked(sitting.answers, session) as file:
        written = False
        try:
            for trial in range(len(session.answers) + 1, session.plan.trials + 1):
                x = draw(trial)
                recording.write(
                    x_wav, sitting.pair.sounds[x], sitting.pair.programme.sample_rate_hz,
                    overwrite=overwrite or written, inputs=sitting.inputs,
                )  # fmt: skip
                written = True
                said = ask(trial, x_wav, x)
                if said is None:
                    break
                answer = Answer(trial=trial, x=x, answer=said)
                _append(file, sitting.answers, answer)
                session = with_answer(session, answer)
        finally:
            if written:
                x_wav.unlink(missing_ok=True)
    return session


@contextmanager
def _locked(path: Path, session: Session) -> Iterator[int]:
    """The answers file, open for appending and locked; a new one begins with the plan."""
    try:
        if not session.answers:
            with suppress(FileExistsError):
                _create(path, session.plan)
        file = os.open(path, os.O_RDWR | os.O_APPEND)
    except OSError as error:
        raise _not_written(path, error) from error
    try:
        if fcntl is not None:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise FileError("the answers file must not be in use (another session is writing to it)",
                                where=str(path),
                                remedy="end that session, or name another file with --answers") from error  # fmt: skip
        if read_session(path) != session:
            raise FileError("the answers file must not change during a test (another session has added to it)",
                            where=str(path), remedy="start again")  # fmt: skip
        yield file
    finally:
        os.close(file)


def _create(path: Path, plan: Plan) -> None:
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        os.write(file, _line(plan))
        os.fsync(file)
    finally:
        os.close(file)


def _append(file: int, path: Path, answer: Answer) -> None:
    """Add a line, whole or not at all."""
    before = os.fstat(file).st_size
    try:
        line = _line(answer)
        if os.write(file, line) != len(line):
            raise OSError(0, "the disk is full")
        os.fsync(file)
    except OSError as error:
        with suppress(OSError):
            os.ftruncate(file, before)
        raise _not_written(path, error) from error


def _line(line: BaseModel) -> bytes:
    return f"{line.model_dump_json()}\n".encode()


def _not_written(path: Path, error: OSError) -> FileError:
    return FileError(f"the answers cannot be written ({error.strerror}); earlier answers are safe", where=str(path),
                     remedy="free some space, or name another file with --answers")  # fmt: skip


_Kind = TypeVar("_Kind", bound=BaseModel)
_OWN = "give a file that 'voicer compare --blind' wrote"
_FORMS: dict[type[BaseModel], str] = {
    Plan: f'{{"session":1,"a":…,"b":…,"input":…,"sounds":…,"trials":{LEAST_TRIALS}..{MOST_TRIALS}}}',
    Answer: '{"trial":…,"x":"A" or "B","answer":"A" or "B"}',
}


def _parsed(kind: type[_Kind], line: str, where: str) -> _Kind:
    try:
        return kind.model_validate_json(line)
    except ValidationError as error:
        what = f"the line must be {_FORMS[kind]} (got '{one_line(line)}')"
        raise FileError(what, where=where, remedy=_OWN) from error
