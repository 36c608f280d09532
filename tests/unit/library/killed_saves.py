"""Kill a saving process at random moments, over and over; run by ``test_safe_saves`` in a process of its own.

Usage: ``python killed_saves.py ROUNDS``; prints one JSON object with what was found. The process has one thread, so it may
fork without warnings.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from typing import TYPE_CHECKING, NoReturn

from voicer.library import save, to_text
from voicer.library.home import voicings_folder
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from pathlib import Path

PAIR = (
    Voicing(name="Mine", notes="old " * 500),
    Voicing(name="Mine", notes="new " * 499).changed({"delay.time_ms": 123.456}),
)
SAVES_BEFORE_THE_LATEST_KILL = 4


def main(rounds: int) -> dict[str, int]:
    """Fork, let save, kill and look, as often as asked; count what was in the file each time."""
    moments = random.Random(1)
    file = save(PAIR[0])
    begun_s = time.perf_counter()
    for voicing in (*PAIR, *PAIR):
        save(voicing)
    latest_s = (time.perf_counter() - begun_s) / 4 * SAVES_BEFORE_THE_LATEST_KILL
    save(PAIR[0])
    texts = [to_text(voicing) for voicing in PAIR]
    found = {"old": 0, "new": 0, "broken": 0, "temporaries": 0, "most_temporaries": 0}
    for _ in range(rounds):
        _run_and_kill(moments.uniform(0.0, latest_s))
        text = file.read_text()
        found["old" if text == texts[0] else "new" if text == texts[1] else "broken"] += 1
        left = _temporaries()
        found["temporaries"] += len(left)
        found["most_temporaries"] = max(found["most_temporaries"], len(left))
    save(PAIR[0])
    return found | {"temporaries_after_a_save": len(_temporaries()), "listed": len(list(_listed()))}


def _run_and_kill(after_s: float) -> None:
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.write(writing, b"!")
        _save_for_ever()
    os.read(reading, 1)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(reading)
    os.close(writing)


def _save_for_ever() -> NoReturn:
    while True:
        for voicing in reversed(PAIR):
            save(voicing)


def _temporaries() -> list[Path]:
    return [path for path in voicings_folder().iterdir() if path.name.endswith(".tmp")]


def _listed() -> list[Path]:
    return [path for path in voicings_folder().iterdir() if path.suffix == ".toml"]


if __name__ == "__main__":
    print(json.dumps(main(int(sys.argv[1]))))
