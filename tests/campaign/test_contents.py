"""Files and arguments of a stranger: lies in headers, endless keys and numbers, markup and terminal escapes."""

from __future__ import annotations

import io
import json
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings

from tests.campaign.conftest import Scene
from tests.commands import LONG
from tests.fuzz.strategies import voicings
from voicer.board import design_board
from voicer.board.netlist import path_netlist
from voicer.circuit import collect_facts
from voicer.errors import CircuitError, printable
from voicer.library import parse, save, to_text
from voicer.voicing import Voicing

HOSTILE = "a\x1b[2J\x07\x9b31m\x7f\u202eb\u2066\u2028\u2029\x85"
MARKUP = "[/red] [bold]x[/] :smile: {0} %s"


# --- recordings ---------------------------------------------------------------------------------------


def sound(form: str, rate_hz: int = 48_000, channels: int = 1, frames: int = 4800, subtype: str = "PCM_16") -> bytes:
    file = io.BytesIO()
    tone = 0.3 * np.sin(np.arange(frames) / 9)
    soundfile.write(file, np.tile(tone[:, None], channels), rate_hz, format=form, subtype=subtype)
    return file.getvalue()


def wav_of_rate(rate_hz: int) -> bytes:
    data = bytearray(sound("WAV"))
    at = data.index(b"fmt ") + 12
    data[at : at + 4] = struct.pack("<I", rate_hz)
    return bytes(data)


def flac_of_frames(frames: int) -> bytes:
    """STREAMINFO holds 20 bits of rate, 3 of channels, 5 of depth and 36 of frames from byte 18 on (RFC 9639, 8.2)."""
    data = bytearray(sound("FLAC"))
    packed = int.from_bytes(data[18:26], "big")
    data[18:26] = (packed >> 36 << 36 | frames).to_bytes(8, "big")
    return bytes(data)


def with_value(value: float) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, np.r_[np.zeros(4800), value], 48_000, format="WAV", subtype="DOUBLE")
    return file.getvalue()


RECORDINGS: dict[str, bytes | None] = {
    "2^31 Hz": wav_of_rate(2**31 - 1), "1 Hz": wav_of_rate(1), "0 Hz": wav_of_rate(0), "3 kHz": wav_of_rate(3000),
    "2^36 frames": flac_of_frames(2**36 - 1), "65 channels": sound("WAV", channels=65),
    "half a header": sound("WAV")[:30], "half a FLAC": sound("FLAC", frames=48_000)[:6000], "text": b"RIFF and so on\n" * 99,
    "nan": with_value(np.nan), "infinity": with_value(np.inf), "no frames": sound("WAV", frames=0),
    "zeros": bytes(100_000),
}  # fmt: skip
RECORDING_READERS = {
    "render": ("render", "x.wav", "o.wav"), "compare": ("compare", "quay-slap", "lamp-lane", "--input", "x.wav"),
    "play": ("play", "--input", "x.wav"), "measure": ("measure", "quay-slap", "--input", "x.wav"),
    "calibrate": ("calibrate", "--level-v", "0.1", "--name", "x", "--input", "x.wav"),
}  # fmt: skip


@pytest.mark.parametrize("content", RECORDINGS)
@pytest.mark.parametrize("reader", RECORDING_READERS)
def test_recordings_that_lie_or_hold_no_sound_are_refused(scene: Scene, reader: str, content: str) -> None:
    """In one line, before their memory is taken, from every command that reads recordings."""
    (scene.folder / "x.wav").write_bytes(RECORDINGS[content] or b"")
    before = scene.state()
    scene.run(*RECORDING_READERS[reader]).refused()
    assert scene.state() == before


@pytest.mark.parametrize(("name", "form"), [("x.raw", "WAV"), ("x", "FLAC"), ("x.mp3", "WAV"), ("x.wav", "AIFF")])
def test_a_recording_is_known_by_its_content(scene: Scene, name: str, form: str) -> None:
    """Whatever it is called."""
    (scene.folder / name).write_bytes(sound(form))
    assert scene.run("render", name, "o.wav", "--tail", "0").code == 0


# --- text ---------------------------------------------------------------------------------------------

TEXTS: dict[str, bytes] = {
    "endless key": b"x" + b".a" * 50_000 + b" = 1", "endless key with blanks": b"x" + b" . a" * 50_000 + b" = 1",
    "endless quoted key": b"x" + b'."a b"' * 50_000 + b" = 1", "endless header": b"[" + b"a." * 50_000 + b"b]",
    "endless number": b"schema = " + b"9" * 5_000, "endless hexadecimal": b"schema = 0x" + b"f" * 5_000,
    "deep list": b"schema = " + b"[" * 50_000, "deep table": b"schema = " + b"{a=" * 50_000,
    "control characters": b'schema = 4\nname = "a\x00b"\n', "latin": b'name = "\xe9"', "two megabytes": b"#" * 2_000_000,
    "escapes as key": ('"' + "\\u001b[2J\\u009b\\u202e\\n" + '" = 1').encode(), "markup as key": b'"[/red]" = 1',
    "escapes as value": b'schema = "\\u001b]0;x\\u0007\\u202e"', "bidi": 'schema = 4 # \u202e\nname = "\u2066x"\n'.encode(),
}  # fmt: skip
TEXT_READERS = {
    "show": ("show", "./x.toml"), "check": ("check", "./x.toml"), "json": ("check", "./x.toml", "--json"),
    "render": ("render", "in.wav", "o.wav", "--voicing", "./x.toml"), "map": ("play", "--map", "x.toml"),
    "measured": ("parts", "quay-slap", "--measured", "x.toml"), "answers": ("compare", "--result", "--answers", "x.toml"),
}  # fmt: skip


@pytest.mark.parametrize("content", TEXTS)
@pytest.mark.parametrize("reader", TEXT_READERS)
def test_hostile_text_is_refused_in_one_line(scene: Scene, reader: str, content: str) -> None:
    """At once, and nothing of it steers the terminal."""
    (scene.folder / "x.toml").write_bytes(TEXTS[content])
    before = scene.state()
    done = scene.run(*TEXT_READERS[reader])
    done.told_safely()
    if reader == "json":
        assert json.loads(done.out)[0]["ok"] is False
    else:
        done.refused()
    assert scene.state() == before


@pytest.mark.parametrize("content", TEXTS)
@pytest.mark.parametrize("name", ["voicings/x.toml", "slots.toml", "controller.toml", "calibration.toml"])
def test_hostile_text_among_the_users_own_files_stops_no_other_command(scene: Scene, name: str, content: str) -> None:
    """The list is still there, with the broken file named safely, and shipped voicings can be shown."""
    path = scene.home / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(TEXTS[content])
    before = scene.state()
    listed = scene.run("voicings")
    listed.told_safely()
    assert listed.code == 0
    assert all(shipped in listed.out for shipped in ("harbour-dusk", "storm-bell"))
    assert json.loads(scene.run("voicings", "--json").out)
    if name in ("controller.toml", "calibration.toml"):
        done = scene.run("play", "--seconds", "0.1", "--audio", "jack")
        done.refused()
        done.told_safely()
    assert scene.state() == before


# --- names and arguments ------------------------------------------------------------------------------


def test_markup_in_names_and_notes_is_printed_as_it_is(scene: Scene) -> None:
    """In the list, the figures, the parts and the check."""
    save(Voicing(name="[/red] bell", notes=MARKUP), "markup")
    for command in (["voicings"], ["show", "markup"], ["check", "markup"], ["parts", "markup", "--units", "2"]):
        done = scene.run(*command)
        assert done.code == 0, done.err
        assert "[/red]" in done.out or command[0] == "check"
    assert MARKUP in scene.run("voicings").out


@pytest.mark.parametrize("hostile", [HOSTILE, MARKUP, "a\nb", "\udcff\udc80", "x" * 300, "9" * 5000, "[" * 5000, "nan", "--"])
def test_hostile_arguments_are_refused_in_one_line(scene: Scene, hostile: str) -> None:
    """As a name, a path, a key, a value, a swap, a limit, a port, a rack or a map."""
    commands = (
        ["show", hostile], ["show", f"./{hostile}.toml"], ["check", hostile], ["render", "in.wav", "o.wav", "--voicing", hostile],
        ["show", "quay-slap", "--set", hostile], ["show", "quay-slap", "--set", f"{hostile}=1"],
        ["show", "quay-slap", "--set", f"delay.time_ms={hostile}"], ["show", "quay-slap", "--set", f"line.stages={hostile}"],
        ["show", "quay-slap", "--set", f"compander.enabled={hostile}"], ["show", "quay-slap", "--set", f"line.devices={hostile}"],
        ["parts", "quay-slap", "--swap", hostile], ["parts", "quay-slap", "--swap", f"R1={hostile}"],
        ["parts", "quay-slap", "--limit", hostile], ["parts", "quay-slap", "--keep", f"/{hostile}"],
        ["play", "--rack", hostile], ["play", "--map", hostile], ["play", "--audio", "jack", "--midi", hostile],
        ["play", "--audio", "portaudio", "--device", hostile], ["play", "--input", hostile], [hostile],
    )  # fmt: skip
    for command in commands:
        if "--" in command or command in (["show", "nan"], ["check", "nan"]):
            continue
        done = scene.run(*command)
        done.told_safely()
        done.refused()
    assert [path.name for path in scene.folder.iterdir()] == ["in.wav"]


@pytest.mark.parametrize("rows", ["R1," + "9" * 200_000, 'reference,value\n"R1', "reference,value\nR1,\x00", "reference,value\n" + HOSTILE + ",1k"])
def test_hostile_tables_of_measured_values_are_refused(scene: Scene, rows: str) -> None:
    """Fields without end, quotes that never close, null bytes."""
    (scene.folder / "m.csv").write_text(rows)
    done = scene.run("parts", "quay-slap", "--measured", "m.csv")
    done.told_safely()
    done.refused()


# --- random voicings ----------------------------------------------------------------------------------


@settings(max_examples=600 if LONG else 12, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
@given(voicing=voicings())
def test_random_voicings_are_built_or_refused_in_one_line(voicing: Voicing) -> None:
    """Read back exactly; every figure finite; parts found and read back, or one line saying why not."""
    assert parse(to_text(voicing), "v.toml") == voicing
    try:
        made = design_board(voicing)
    except CircuitError as error:
        assert "\n" not in str(error)
        assert "inf" not in str(error)
        return
    facts = collect_facts(made.circuit())
    assert all(np.isfinite(value) for value in facts.values() if isinstance(value, float))
    assert all(printable(line) == line for line in path_netlist(made).split("\n"))


# --- killed midway ------------------------------------------------------------------------------------

KILLED = """
import os, random, signal, sys, time
from pathlib import Path
from voicer.files.safe_write import write_bytes
from voicer.files.whole_folder import write_whole
folder, rounds = Path("k"), int(sys.argv[1])
sets = [bytes([n]) * 60_000 for n in (1, 2)]
def whole(inside, data):
    for name in "abc":
        (inside / name).write_bytes(data)
    return list("abc")
def write(data):
    write_bytes(folder / "single", data, overwrite=True)
    write_whole(folder, lambda inside: whole(inside, data), overwrite=True)
folder.mkdir()
begun = time.perf_counter()
for data in sets * 5:
    write(data)
took = (time.perf_counter() - begun) / 10
moments, mixed, left = random.Random(3), 0, 0
for _ in range(rounds):
    child = os.fork()
    if child == 0:
        while True:
            for data in sets:
                write(data)
    time.sleep(moments.uniform(0.2, 4) * took)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    held = [(folder / name).read_bytes() for name in ("single", *"abc")]
    assert all(data in sets for data in held), "half a file"
    mixed += len(set(held[1:])) > 1
    left += len([name for name in os.listdir(folder) if name.startswith(".")])
write(sets[0])
print(mixed, left, sorted(os.listdir(folder)))
"""


def test_killed_writers_leave_whole_files_and_the_next_run_cleans_up(tmp_path: Path) -> None:
    """Each file is the old or the new one, and temporaries are gone after the next write."""
    rounds = 200 if LONG else 25
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", KILLED, str(rounds)], cwd=tmp_path, capture_output=True, text=True, timeout=250
    )
    assert (done.returncode, done.stderr) == (0, "")
    mixed, left, after = done.stdout.split(" ", 2)
    assert after.strip() == "['a', 'b', 'c', 'single']"
    assert int(left) > 0  # some kills hit a write under way
    assert int(mixed) <= rounds / 3  # between two renames, as documented
