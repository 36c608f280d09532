"""`voicer compare` as a listener meets it: real processes, answers on standard input, one line for what is wrong."""

from __future__ import annotations

import io
import json
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.commands import run_here

RATE_HZ = 48_000
SOUND = 0.1 * np.random.default_rng(6).standard_normal(RATE_HZ // 2)
PAIR = ("compare", "quay-slap", "lamp-lane", "--input", "in.wav", "--tail", "0.5")
HEAD = '{"session":1,"a":"Quay Slap","b":"Lamp Lane","input":"in.wav","sounds":"0123456789abcdef","trials":6}\n'
CAUTION = "Caution: an echo near self-oscillation gets loud suddenly."


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-W", "error", "-m", "voicer", *arguments]


def run(*arguments: str, folder: Path, said: str = "", **more: Any) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"JACK_DEFAULT_SERVER": "voicer-none"}
    return subprocess.run(
        command(*arguments), cwd=folder, env=environment, input=said, capture_output=True, text=True, check=False,
        timeout=120, **more,
    )  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a recording in it."""
    soundfile.write(tmp_path / "in.wav", SOUND, RATE_HZ)
    return tmp_path


def test_a_table_for_people(folder: Path) -> None:
    """Caution first; figures of both, marks with their thresholds, how they were matched; nothing is written."""
    done = run(*PAIR, folder=folder)
    assert (done.returncode, done.stderr.strip()) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith(CAUTION)
    for words in (
        "A: Quay Slap, B: Lamp Lane, over in.wav", "B - A", "threshold", "delay ", "half the clock", "energy above half clock", "anti-alias, -3 dB", "reconstruction, -3 dB",
        "loop gain", "decay per repeat", "modulation rate", "loudness before matching", "spectral centroid",
        "audible: delay (threshold: 5 ms, chosen)", "level matching: ",
    ):  # fmt: skip
        assert words in done.stdout
    assert [path.name for path in folder.iterdir()] == ["in.wav"]


def test_files_and_data_for_programs(folder: Path) -> None:
    """With ``--json`` standard output is one object; with ``--out`` both files are in a folder made for them."""
    done = run(*PAIR, "--out", "new/pair", "--json", folder=folder)
    data = json.loads(done.stdout)
    assert done.stderr.startswith(CAUTION)
    assert data["names"] == {"A": "Quay Slap", "B": "Lamp Lane"}
    assert data["written"] == ["new/pair/A.wav", "new/pair/B.wav"]
    sounds = [soundfile.read(folder / path)[0] for path in data["written"]]
    assert [sound.size for sound in sounds] == [RATE_HZ, RATE_HZ]
    figures = {row["key"]: row for row in data["figures"]}
    assert (figures["time_ms"]["A"], figures["time_ms"]["can_be_heard"]) == (90, True)
    assert (figures["time_ms"]["threshold"], figures["time_ms"]["rule"]) == (5, "5 ms, chosen")
    assert figures["wobble_cents"]["rule"].startswith("10 cents, Hill & Summers, JASA 2007")
    assert figures["loudness_lufs"]["rule"] == "1 LU, chosen"
    assert figures["loop_gain"]["rule"] == "only one reaches 1, the edge of self-oscillation"
    assert figures["clock_hz"]["can_be_heard"] is None
    assert max(data["matching_gain_db"].values()) == 0


def test_own_voicing_files_over_the_shipped_riff(tmp_path: Path) -> None:
    """A and B may be files, and without ``--input`` they are heard over the riff; the same twice differs in nothing."""
    (tmp_path / "pier.toml").write_text('schema = 2\nname = "Pier"\n')
    done = run("compare", "pier.toml", "./pier.toml", "--tail", "0", folder=tmp_path)
    assert done.returncode == 0
    assert "A: Pier, B: Pier, over assets/riff.flac" in done.stdout
    assert "no figure differs by enough to be audible" in done.stdout
    assert "yes" not in done.stdout


def test_a_blind_session_on_standard_input(folder: Path) -> None:
    """Asked as often as wished, in either case of letters, again after what is no answer; the result in words."""
    done = run(*PAIR, "--blind", "--trials", "5", "--draw", "2", folder=folder, said="a\nB\nc\n\nb\n A \nb\n")
    assert (done.returncode, done.stderr.strip()) == (0, "")
    assert done.stdout.startswith(CAUTION)
    assert done.stdout.count("Trial ") == 5
    assert "5 trials. 5 or more correct would show an audible difference" in done.stdout
    assert done.stdout.count("A or B?") == 7
    kept = [json.loads(line) for line in (folder / "listening" / "answers.jsonl").read_text().splitlines()]
    assert [line["answer"] for line in kept[1:]] == ["A", "B", "B", "A", "B"]
    right = sum(line["answer"] == line["x"] for line in kept[1:])
    assert f"\n{right} of 5 correct. By guessing, " in done.stdout
    assert sorted(path.name for path in (folder / "listening").iterdir()) == ["A.wav", "B.wav", "answers.jsonl"]
    again = run("compare", "--blind", "--answers", "listening/answers.jsonl", "--result", folder=folder)
    assert again.stdout in done.stdout
    data = json.loads(run("compare", "--result", "--answers", "listening/answers.jsonl", "--json", folder=folder).stdout)
    assert (data["right"], data["answered"], data["trials"]) == (right, 5, 5)


class Listener:
    """One at the terminal with perfect ears: reads the question, looks into X.wav, answers."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder, self.told = folder, ""
        self.process = subprocess.Popen(
            command(*PAIR, "--blind", "--out", "pair", *options), cwd=folder, text=True, bufsize=0,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def __enter__(self) -> Listener:
        return self

    def __exit__(self, *_what: object) -> None:
        self.process.kill()
        self.process.communicate()

    def asked(self) -> bool:
        """Wait for the next question; False when there is none any more."""
        self.told = ""
        while not self.told.endswith("A or B? (q quits) "):
            char = self.process.stdout.read(1)  # type: ignore[union-attr]
            if not char:
                return False
            self.told += char
        return True

    def answer(self) -> None:
        """Say what is heard."""
        x, a = (soundfile.read(self.folder / "pair" / f"{name}.wav")[0] for name in "XA")
        self.say("a" if np.array_equal(x, a) else "b")

    def say(self, text: str) -> None:
        """One line of input."""
        self.process.stdin.write(f"{text}\n")  # type: ignore[union-attr]


def test_perfect_ears_are_always_right(folder: Path) -> None:
    """Drawn from the system's chance, ten trials through a terminal: ten right, and it is said to be heard."""
    with Listener(folder, "--trials", "10") as listener:
        while listener.asked():
            listener.answer()
        assert listener.process.wait(30) == 0
    assert "10 of 10 correct" in listener.told
    assert "the difference was heard" in listener.told


def test_a_session_struck_down_goes_on(folder: Path) -> None:
    """Interrupted in a question it leaves with 130 and keeps its answers; the same command asks for the rest."""
    with Listener(folder, "--trials", "6", "--answers", "mine.jsonl") as listener:
        for _ in range(2):
            assert listener.asked()
            listener.answer()
        assert listener.asked()
        listener.process.send_signal(signal.SIGINT)
        assert listener.process.wait(30) == 130
    assert len((folder / "mine.jsonl").read_text().splitlines()) == 3
    with Listener(folder, "--answers", "mine.jsonl") as listener:
        assert listener.asked()
        assert "Trial 3 of 6" in listener.told
        assert "2 answered, 4 left." in listener.told
        changed = run(*PAIR, "--blind", "--trials", "8", "--answers", "mine.jsonl", folder=folder)
        assert changed.stderr == (
            "voicer: mine.jsonl:1: trials must stay 6, as planned at the start (got 8); leave --trials out, or name "
            "another file with --answers\n"
        )
        assert changed.returncode == 2
        listener.answer()
        assert listener.asked()
        listener.say("q")
        assert not listener.asked()
        assert listener.process.wait(30) == 0
    assert "Not finished: 3 of 6 trials answered, 3 left." in listener.told
    assert " correct." not in listener.told


def test_nobody_at_the_terminal(folder: Path) -> None:
    """An input that ends at once ends the session: no answer, nothing said about hearing."""
    done = run(*PAIR, "--blind", folder=folder)
    assert done.returncode == 0
    assert "Not finished: 0 of 16 trials answered, 16 left." in done.stdout


def test_a_full_disk_leaves_nothing(folder: Path) -> None:
    """Where the files do not fit, one line, exit code 2, and no folder is left over."""

    def small_disk() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))

    done = run(*PAIR, "--out", "pair", folder=folder, preexec_fn=small_disk)
    told = [text for text in done.stderr.splitlines() if text]
    assert (done.returncode, len(told)) == (2, 1), done.stderr
    assert ".wav: the file cannot be written (File too large); nothing was changed" in told[0]
    assert [path.name for path in folder.iterdir()] == ["in.wav"]


WRONG: list[tuple[list[str], dict[str, Any], str]] = [
    (["compare"], {}, "compare needs two voicings, A and B (got none); see 'voicer voicings'"),
    (["compare", "quay-slap"], {}, "compare needs two voicings, A and B (got one)"),
    (["compare", "quay-slap", "lamp-lain"], {}, "the voicing must be a known name or a path (got 'lamp-lain'); did you mean 'lamp-lane'?"),
    (["compare", "quay-slap", "v.toml"], {"v.toml": "schema = 2\n"}, "v.toml:"),
    (["compare", "quay-slap", "lamp-lane", "--input", "absent.wav"], {}, "absent.wav: no such file"),
    (["compare", "quay-slap", "lamp-lane", "--input", "x.wav"], {"x.wav": "no sound"}, "x.wav: the recording must be a sound file"),
    (["compare", "quay-slap", "lamp-lane", "--input", "x.wav"], {"x.wav": np.zeros(48_000)}, "x.wav: the recording must not be silent (got nothing above -70 LUFS); record it louder"),
    (["compare", "quay-slap", "lamp-lane", "--input", "x.wav"], {"x.wav": SOUND[:9600]}, "x.wav: the recording must last at least 0.4 s for its loudness (got 0.2 s)"),
    ([*PAIR, "--out", "taken"], {"taken": "a file"}, "taken: the folder cannot be written"),
    ([*PAIR, "--out", "/proc/pair"], {}, "/proc/pair: the folder cannot be written"),
    ([*PAIR, "--trials", "8"], {}, "--trials requires --blind; add --blind, or leave it out"),
    ([*PAIR, "--play"], {}, "--play requires --blind"),
    ([*PAIR, "--blind", "--trials", "4"], {}, "Invalid value for '--trials'"),
    ([*PAIR, "--blind", "--play"], {}, "there is no audio device with an output; connect one"),
    ([*PAIR, "--blind", "--answers", "absent/s.jsonl"], {}, "absent/s.jsonl: the folder 'absent' does not exist; create it first"),
    ([*PAIR, "--blind", "--answers", "s.jsonl"], {"s.jsonl": HEAD + "right\n"}, "s.jsonl:2: the line must be {\"trial\":"),
    ([*PAIR, "--blind", "--answers", "s.jsonl"], {"s.jsonl": HEAD}, "s.jsonl:1: the answers must be about these sounds"),
    ([*PAIR, "--blind", "--answers", "."], {}, ".: the input must be a regular file (got a folder)"),
    (["compare", "quay-slap", "quay-slap", "--input", "in.wav", "--blind"], {}, "A and B must differ to be told apart"),
    (["compare", "--blind", "--result"], {}, "--result requires --answers FILE"),
    (["compare", "--blind", "--result", "--answers", "absent.jsonl"], {}, "absent.jsonl: no such file"),
    (["compare", "--blind", "--result", "--answers", "s.jsonl"], {"s.jsonl": HEAD + '{"trial":1,"x":"A","answer":"D"}\n'}, "s.jsonl:2: the line must be"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "files", "line"), WRONG, ids=range(len(WRONG)))
def test_what_is_wrong_is_one_line(arguments: list[str], files: dict[str, Any], line: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line on standard error, exit code 2, and nothing written."""
    for name, content in files.items():
        if isinstance(content, np.ndarray):
            soundfile.write(folder / name, content, RATE_HZ)
        else:
            (folder / name).write_text(content)
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    monkeypatch.chdir(folder)
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    refused = run_here(*arguments).refused()
    assert refused.startswith(f"voicer: {line}"), refused
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == before
