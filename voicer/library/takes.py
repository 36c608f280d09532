"""Takes on disk: one folder each, with the dry and the wet sound, every move, and the state it began in.

    dry.flac     the input as the rack heard it, 24 bits
    wet.flac     what was heard, 24 bits
    moves.jsonl  one JSON object a line: from which frame which sound was in force, what was done, which block was late
    take.toml    name, time, sample rate, block length, rack
    state.npz    the state of the rack before the first frame

A take that was cut off by a crash or a full disk is put in order when it is next looked at: what was written stays.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from voicer.errors import FileError, VoicerError, did_you_mean, one_line
from voicer.files.safe_write import write_bytes
from voicer.files.text_file import load_text
from voicer.files.toml_edits import literal
from voicer.files.toml_text import read_model
from voicer.library import home

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

BITS = "PCM_24"
_READ = 2048  # a part that was cut off is lost as a whole
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


class TakeFile(BaseModel):
    """What take.toml says."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    schema_number: Literal[1] = Field(alias="schema")
    began: Annotated[str, Field(max_length=40)]
    """Local time, ISO 8601."""
    sample_rate_hz: Annotated[float, Field(ge=8000, le=768_000)]
    block_frames: Annotated[int, Field(ge=1, le=8192)]
    rack: Annotated[tuple[str, ...], Field(max_length=64)]
    first_frame: Annotated[int, Field(ge=0)]
    """Number of the first frame since the session began; moves count from it."""
    finished: bool
    """Whether it was ended in order."""
    writer: Annotated[int, Field(ge=0)]
    """Process that writes it."""


@dataclass
class Take:
    """A take that can be read."""

    name: str
    path: Path
    file: TakeFile
    moves: list[dict[str, Any]] = field(default_factory=list)

    @property
    def sounds(self) -> list[tuple[int, dict[str, Any]]]:
        """The sounds in force, each from its frame on, counted from the take's first."""
        found = [(int(move["frame"]), move["sound"]) for move in self.moves if move.get("kind") == "sound"]
        return sorted(found, key=lambda one: one[0])

    @property
    def seconds(self) -> float:
        """Length; 0 where the sound cannot be read."""
        import soundfile

        with suppress(OSError, RuntimeError):
            frames = soundfile.info(self.path / "wet.flac").frames
            return float(frames / self.file.sample_rate_hz) if frames < 1 << 40 else 0.0
        return 0.0

    def count(self, kind: str) -> int:
        """How many marks of a kind there are: ``late``, ``gap``, ``failed``, ``engine``."""
        return sum(move.get("kind") == kind for move in self.moves)

    def samples(self, which: Literal["dry", "wet"]) -> NDArray[np.float64]:
        """One of the recordings [shape=(frames,)]."""
        return _read_flac(self.path / f"{which}.flac")

    def state(self) -> NDArray[np.int64]:
        """State of the rack before the first frame."""
        import numpy as np

        try:
            with np.load(self.path / "state.npz", allow_pickle=False) as kept:
                return np.asarray(kept["state"], np.int64)
        except (OSError, ValueError, KeyError) as error:
            raise FileError("the state at the take's begin cannot be read", where=str(self.path / "state.npz"),
                            remedy="the take can be listened to, not rendered again") from error


def takes_folder() -> Path:
    """Folder of all takes; it need not exist yet."""
    return home.home_folder() / "takes"


def take_name(now: datetime | None = None) -> str:
    """A name that no take has, from the time: ``2031-05-01-22-14-09``."""
    base = f"{now or datetime.now():%Y-%m-%d-%H-%M-%S}"
    for number in range(1, 1000):
        name = base if number == 1 else f"{base}-{number}"
        if not (takes_folder() / name).exists():
            return name
    raise AssertionError("unreachable")


class TakeWriter:
    """A take while it is written. Thread: the recorder's.

    Raises
    ------
    FileError, OSError
        When the disk does not take it.
    """

    def __init__(
        self, name: str, sample_rate_hz: float, block_frames: int, rack: tuple[str, ...], first: int,
        state: NDArray[np.int64],
    ) -> None:  # fmt: skip
        import numpy as np
        import soundfile

        self.first, self.done = first, 0
        self._path = home.made(takes_folder()) / name
        self._path.mkdir()
        self._file = TakeFile(
            schema=1, began=datetime.now().astimezone().isoformat(timespec="seconds"), sample_rate_hz=sample_rate_hz,
            block_frames=block_frames, rack=rack, first_frame=first, finished=False, writer=os.getpid(),
        )  # fmt: skip
        self._write_file()
        np.savez_compressed(self._path / "state.npz", state=state)
        self._sounds = [
            soundfile.SoundFile(self._path / f"{which}.flac", "w", round(sample_rate_hz), 1, BITS, format="FLAC")
            for which in ("dry", "wet")
        ]
        self._moves = open(self._path / "moves.jsonl", "a", encoding="utf-8")  # noqa: SIM115  (closed by finish and leave)

    def add(self, dry: NDArray[np.float32], wet: NDArray[np.float32]) -> None:
        """Append samples."""
        for sound, samples in zip(self._sounds, (dry, wet), strict=True):
            sound.write(samples.clip(-1.0, 1.0))

    def move(self, frame: int, what: dict[str, Any]) -> None:
        """Append a line to the moves; ``frame`` counts since the session began."""
        self._moves.write(json.dumps({"frame": frame - self.first, **what}) + "\n")

    def flush(self) -> None:
        """Bring what there is to the disk."""
        for sound in self._sounds:
            sound.flush()
        self._moves.flush()

    def finish(self) -> None:
        """End it in order."""
        self._close()
        self._file = self._file.model_copy(update={"finished": True})
        self._write_file()

    def leave(self) -> None:
        """Let go of it as it is, after an error."""
        with suppress(OSError, RuntimeError):
            self._close()

    def _close(self) -> None:
        try:
            for sound in self._sounds:
                sound.close()
        finally:
            self._moves.close()

    def _write_file(self) -> None:
        _write_take_file(self._path, self._file)


def list_takes() -> list[str]:
    """Names of all takes, the oldest first."""
    with suppress(OSError):
        return sorted(path.name for path in takes_folder().iterdir() if (path / "take.toml").is_file())
    return []


def load_take(name: str) -> Take:
    """Read a take by name or path; one that was cut off is put in order first.

    Raises
    ------
    FileError
        When there is none, or it is not readable.
    """
    path = Path(name) if os.sep in name or Path(name, "take.toml").is_file() else takes_folder() / name
    if not (path / "take.toml").is_file():
        remedy = did_you_mean(name, list_takes()) if list_takes() else "record one with voicer play --record"
        raise FileError(f"no take is named '{one_line(name)}'", remedy=remedy)
    where = str(path / "take.toml")
    file = read_model(load_text(where), TakeFile, where=where)
    if not file.finished and not _lives(file.writer):
        file = _put_in_order(path, file)
    return Take(path.name, path, file, _read_moves(path / "moves.jsonl"))


def delete_take(name: str) -> Path:
    """Remove a take and all that is in it."""
    take = load_take(name)
    if not take.file.finished and _lives(take.file.writer):
        raise FileError(f"take '{one_line(name)}' is being recorded", remedy="end it first")
    inside = takes_folder().resolve()
    if take.path.resolve().parent != inside:
        raise FileError("only takes of voicer's own folder are deleted", where=str(take.path),
                        remedy="delete it by hand")
    try:
        shutil.rmtree(take.path)
    except OSError as error:
        raise FileError(f"the take cannot be deleted ({error.strerror})", where=str(take.path),
                        remedy="check its permissions") from error
    return take.path


def export_take(name: str, target: Path) -> Path:
    """Copy a take's folder to another place; nothing there is replaced."""
    take = load_take(name)
    if target.exists():
        raise FileError("the place must be free", where=str(target), remedy="choose another")
    staged = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        shutil.copytree(take.path, staged)
        staged.rename(target)
    except OSError as error:
        shutil.rmtree(staged, ignore_errors=True)
        raise FileError(f"the take cannot be copied ({error.strerror})", where=str(target),
                        remedy="free some space or choose another place") from error
    return target


def _put_in_order(path: Path, file: TakeFile) -> TakeFile:
    """Close what a crash left open: whole sound files of one length, whole lines of moves."""
    import soundfile

    sounds = {which: _read_flac(path / f"{which}.flac") for which in ("dry", "wet")}
    frames = min(samples.size for samples in sounds.values())
    for which, samples in sounds.items():
        whole = path / f".{which}.part"
        soundfile.write(whole, samples[:frames], round(file.sample_rate_hz), BITS, format="FLAC")
        whole.replace(path / f"{which}.flac")
    lines = [json.dumps(move) for move in _read_moves(path / "moves.jsonl")]
    write_bytes(path / "moves.jsonl", "".join(f"{line}\n" for line in lines).encode(), overwrite=True)
    done = file.model_copy(update={"finished": True})
    _write_take_file(path, done)
    return done


def _read_flac(path: Path) -> NDArray[np.float64]:
    """All that can be decoded, of a file that may have been cut off."""
    import numpy as np
    import soundfile

    parts = []
    try:
        with soundfile.SoundFile(path) as sound, suppress(soundfile.LibsndfileError, RuntimeError):
            while (part := sound.read(_READ, "float64", always_2d=True)).size:
                parts.append(part[:, 0])
    except (OSError, RuntimeError) as error:
        if path.exists() and path.stat().st_size < 8192:  # cut off before the first block
            return np.zeros(0)
        raise FileError("the sound cannot be read", where=str(path), remedy="the file is damaged") from error
    return np.concatenate(parts) if parts else np.zeros(0)


def _read_moves(path: Path) -> list[dict[str, Any]]:
    """The moves; a line that was cut off, and anything that is no move, is left out."""
    found = []
    with suppress(OSError), open(path, encoding="utf-8", errors="replace") as lines:
        for line in lines:
            with suppress(ValueError):
                move = json.loads(line)
                if isinstance(move, dict) and isinstance(move.get("frame"), int):
                    found.append(move)
    return found


def _write_take_file(path: Path, file: TakeFile) -> None:
    data = file.model_dump(by_alias=True)
    plain = {key: list(value) if isinstance(value, tuple) else value for key, value in data.items()}
    text = "".join(f"{key} = {literal(value)}\n" for key, value in plain.items())
    write_bytes(path / "take.toml", text.encode(), overwrite=True)


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (OSError, ValueError, OverflowError):
        return False
    return process > 0


__all__ = ["Take", "TakeWriter", "VoicerError", "delete_take", "export_take", "list_takes", "load_take", "take_name"]
