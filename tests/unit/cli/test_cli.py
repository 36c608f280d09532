"""The commands as a user meets them: real processes, exit codes, one line for what is wrong."""

from __future__ import annotations

import inspect
import io
import json
import os
import re
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
import soundfile

import voicer
from tests.commands import run_here
from voicer.cli.commands import COMMANDS as TABLE
from voicer.cli.common import app
from voicer.files.resources import presets
from voicer.library import list_names
from voicer.play.speed import voicings_to_imports

COMMANDS = list(TABLE)
ENDINGS = {"flac": "FLAC", "wav": "WAV"}


def run(*arguments: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "voicer", *arguments],
        cwd=folder, env=os.environ | environment, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(command: str, tmp_path: Path) -> None:
    """Each command's help shows how it is called."""
    done = run(command, "--help", folder=tmp_path)
    assert done.returncode == 0
    assert f"Example: voicer {command}" in done.stdout


def test_the_list_of_commands_is_that_of_their_modules() -> None:
    """The table that stands in for the modules names every command they define, with the first line of its help."""
    found = {}
    for module in {module for module, _ in TABLE.values()}:
        import_module(f"voicer.cli.{module}")
    for info in app.registered_commands:
        assert info.callback is not None
        place = info.callback.__module__.rpartition(".")[2]
        found[info.name or info.callback.__name__] = (place, inspect.getdoc(info.callback).split("\n")[0])
    assert found == TABLE


def test_the_list_of_voicings_costs_little_more_than_the_imports() -> None:
    """`voicer voicings` takes at most 1.6 times the processor time of importing typer and pydantic."""
    assert min(voicings_to_imports(runs=3) for _ in range(2)) <= 1.6


@pytest.mark.parametrize(("arguments", "unloaded"), [
    (["voicings"], ["pydantic.main", "numpy", "rich", "voicer.circuit"]),
    (["--help"], ["numpy", "rich", "voicer.library", "voicer.voicing"]),
    (["devices", "--help"], ["numpy", "rich", "voicer.library", "voicer.voicing"]),
])  # fmt: skip
def test_a_command_loads_no_more_than_it_needs(arguments: list[str], unloaded: list[str], tmp_path: Path) -> None:
    """Neither models, numbers, tables nor other commands' modules."""
    code = f"import sys; sys.argv[1:] = {arguments}\nfrom voicer.cli import main\ntry: main()\nexcept SystemExit: pass\n"
    code += f"print([name for name in {unloaded} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("arguments", [["voicings"], ["voicings", "--json"], ["show", "quay-slap"], ["schema"]])
def test_a_full_disk_behind_the_output_is_told(arguments: list[str], tmp_path: Path) -> None:
    """One line on standard error and exit code 2; a reader that has gone away is no error to tell."""
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-m", "voicer", *arguments], stdout=full, stderr=subprocess.PIPE, text=True)
    expected = "voicer: standard output cannot be written (No space left on device); free some space\n"
    assert (done.returncode, done.stderr) == (2, expected)
    reading, writing = os.pipe()
    os.close(reading)
    with open(writing, "w") as gone:
        done = subprocess.run([sys.executable, "-m", "voicer", *arguments], stdout=gone, stderr=subprocess.PIPE, text=True)
    assert done.stderr == ""


def test_commands_are_the_promised_ones() -> None:
    """What the README and the developers' notes list."""
    assert sorted(COMMANDS) == [
        "calibrate", "check", "compare", "demo", "devices", "explain", "learn", "measure", "parts", "play", "render",
        "schema", "setlists", "show", "speed", "takes", "voicings",
    ]  # fmt: skip


VOICING = 'schema = 2\nname = "Pier"\n'
SOUND = 0.3 * np.sin(np.arange(4800) / 9)



def sound_bytes(form: str) -> bytes:
    """One second of noise as a file, which no coder can make small."""
    file = io.BytesIO()
    soundfile.write(file, 0.3 * np.random.default_rng(8).standard_normal(48_000), 48_000, format=form)
    return file.getvalue()


# arguments, files to make, what the line begins with behind "voicer: "
WRONG: list[tuple[list[str], dict[str, Any], str]] = [
    (["show", "harbor-dusk"], {}, "the voicing must be a known name or a path (got 'harbor-dusk'); did you mean 'harbour-dusk'?"),
    (["show", "./absent.toml"], {}, "./absent.toml: "),
    (["show", "v.toml"], {"v.toml": VOICING + "[filters]\nlow_cut_hz = 5\n"}, "v.toml:4: filters.low_cut_hz must be in 10..500 Hz (got 5)"),
    (["check", "v.toml"], {"v.toml": VOICING + "[line]\nstages = 4000\n"}, "v.toml:4: line.stages must be one of 512, 1024, 2048, 4096 (got 4000)"),
    (["check", "v.toml"], {"v.toml": VOICING + "[delay\n"}, "v.toml:3: "),
    (["render", "in.wav", "out.wav", "--set", "repeats.fedback=1"], {"in.wav": SOUND}, "unknown parameter 'repeats.fedback'; did you mean 'repeats.feedback'?"),
    (["render", "in.wav", "out.wav", "--set", "repeats.feedback"], {"in.wav": SOUND}, "--set must be KEY=VALUE (got 'repeats.feedback')"),
    (["render", "in.wav", "out.wav", "--set", "repeats.feedback=loud"], {"in.wav": SOUND}, "repeats.feedback must be in 0..1.5 (got 'loud')"),
    (["render", "in.wav", "out.wav", "--set", "repeats.feedback=9"], {"in.wav": SOUND}, "repeats.feedback must be in 0..1.5 (got 9)"),
    (["render", "in.wav", "out.wav", "--swap", "R7"], {"in.wav": SOUND}, "a swap must be REF=VALUE (got 'R7'); for example --swap R7=12k"),
    (["render", "in.wav", "out.wav", "--unit", "1", "--swap", "C4=12k"], {"in.wav": SOUND}, "a capacitor must have a value in 0.1p..100m F (got '12k')"),
    (["render", "in.wav", "out.wav", "--series", "E24", "--set", "delay.time_ms=479", "--set", "delay.shortest_ms=479"], {"in.wav": SOUND}, "the fastest clock of"),
    (["play", "quay-slap", "--swap", "R799=1k"], {}, "no part 'R799' on this board; did you mean"),
    (["parts", "quay-slap", "--swap", "R7=1k", "--swap", "R7=2k"], {}, "part R7 must be swapped only once (got 'R7=2k' too); keep one of them"),
    (["parts", "quay-slap", "--limit", "longest_ms"], {}, "--limit must be KEY=LOW..HIGH (got 'longest_ms'); for example --limit longest_ms=500..600"),
    (["parts", "quay-slap", "--limit", "longest=1..2"], {}, "no figure 'longest' has a spread; did you mean 'longest_ms'?"),
    (["parts", "quay-slap", "--measured", "absent.csv"], {}, "absent.csv: no such file"),
    (["parts", "v.toml"], {"v.toml": VOICING + "[delay]\nshortest_ms = 300\ntime_ms = 301\nlongest_ms = 302\n"}, "the fastest clock of 6.837 kHz must be 1.021 to 1001 times the slowest (got 1.0067 times); widen"),
    (["render", "in.wav", "out.mp3"], {"in.wav": SOUND}, "out.mp3: the recording's name must end in .wav or .flac"),
    (["render", "in.wav", "absent/out.wav"], {"in.wav": SOUND}, "absent/out.wav: the folder 'absent' does not exist; create it first"),
    (["render", "absent.wav", "out.wav"], {}, "absent.wav: no such file"),
    (["render", "in.wav", "out.wav"], {"in.wav": "no sound"}, "in.wav: the recording must be a sound file"),
    (["render", "in.flac", "out.wav"], {"in.flac": b"fLaC" + bytes(60)}, "in.flac: the recording must be a sound file"),
    (["render", "in.flac", "out.wav"], {"in.flac": sound_bytes("FLAC")[:9000]}, "in.flac: the recording must be a sound file"),
    (["render", "in.wav", "out.wav"], {"in.wav": b""}, "in.wav: the recording must be a sound file"),
    (["render", ".", "out.wav"], {}, ".: the recording must be a regular file (got a folder)"),
    (["render", "in.wav", "/proc/echo.wav"], {"in.wav": SOUND}, "/proc/echo.wav: the "),
    (["render", "in.wav", "out.wav", "--tail", "-1"], {"in.wav": SOUND}, "Invalid value for '--tail'"),
    (["render", "in.wav", "out.wav", "--voicing", "./v.toml"], {"in.wav": SOUND, "v.toml": "not a voicing"}, "./v.toml:1: "),
    (["play", "harbour-dusk", "--input", "."], {}, ".: the recording must be a regular file (got a folder)"),
    (["play", "harbour-dusk", "--input", "in.wav"], {"in.wav": "no sound"}, "in.wav: the recording must be a sound file"),
    (["play", "v.toml"], {"v.toml": VOICING + "[repeats]\nfeedback = 2\n"}, "v.toml:4: repeats.feedback must be in 0..1.5 (got 2)"),
    (["play", "harbour-dusk", "--seconds", "nan"], {}, "Invalid value for '--seconds'"),
    (["play", "harbour-dusk", "--frames", "8"], {}, "Invalid value for '--frames'"),
    (["demo", "--out", "/proc/voicer-demo"], {}, "/proc/voicer-demo: the folder cannot be written"),
    (["play", "harbour-dusk", "--map", "m.toml"], {"m.toml": 'schema = 1\nname = "M"\n[[control]]\ncontroller = 121\nparameter = "output.blend"\n'}, "m.toml:4: "),
    (["play", "harbour-dusk", "--map", "absent.toml"], {}, "absent.toml: "),
    (["play", "harbour-dusk", "--input", "absent.wav"], {}, "absent.wav: no such file"),
    (["play", "harbour-dusk", "--rack", "echo,gate"], {}, "no unit 'gate' is installed; use one of echo"),
    (["play", "harbour-dusk", "--audio", "jack"], {}, "no JACK server 'voicer-none' is running; start one"),
    (["play", "nothing-like-it"], {}, "the voicing must be a known name or a path"),
    (["play", "storm", "bell"], {}, "play takes one voicing (got 2 words: 'storm bell'); did you mean 'storm-bell'?"),
    (["demo", "--out", "taken"], {"taken": "a file"}, "taken: the folder cannot be written"),
    (["sing"], {}, "No such command 'sing'"),
    (["show"], {}, "Missing argument"),
    (["render", "in.wav", "out.wav", "--loud"], {"in.wav": SOUND}, "No such option: --loud"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "files", "line"), WRONG, ids=[" ".join(row[0]) for row in WRONG])
def test_what_is_wrong_is_one_line(arguments: list[str], files: dict[str, Any], line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line on standard error, exit code 2, and nothing written."""
    for name, content in files.items():
        if isinstance(content, np.ndarray):
            soundfile.write(tmp_path / name, content, 48_000)
        elif isinstance(content, bytes):
            (tmp_path / name).write_bytes(content)
        else:
            (tmp_path / name).write_text(content)
    before = sorted(path.name for path in tmp_path.iterdir())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "voicer-none")
    refused = run_here(*arguments).refused()
    assert refused.startswith(f"voicer: {line}"), refused
    assert sorted(path.name for path in tmp_path.iterdir()) == before


@pytest.mark.jack
def test_a_wrong_midi_port_is_one_line(tmp_path: Path, jackd: Any) -> None:
    """A number that no input has: that nothing matches, and what there is or what to do."""
    done = run("play", "harbour-dusk", "--midi", "99", folder=tmp_path)
    assert done.returncode == 2
    assert done.stderr.startswith("voicer: MIDI input '99' matches no port; ")
    assert done.stderr.count("\n") == 1


@pytest.mark.jack
def test_a_midi_port_that_is_not_there_yet(tmp_path: Path, jackd: Any) -> None:
    """It is named, with what there is, and waited for; the sound starts without it."""
    done = run("play", "harbour-dusk", "--midi", "No Such Keys", "--seconds", "1", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "MIDI input 'No Such Keys' is not there yet, it is waited for; " in done.stdout


def test_voicings_as_json(tmp_path: Path) -> None:
    """A list of objects; ``name`` is what other commands take, and every one can be shown."""
    found = json.loads(run("voicings", "--json", folder=tmp_path).stdout)
    assert [entry["name"] for entry in found] == list_names()
    assert all(entry["error"] is None and entry["shipped"] for entry in found)
    assert [entry["slot"] for entry in found] == list(range(9))


def test_show_as_json(tmp_path: Path) -> None:
    """The voicing under the file's own keys, and the circuit's figures."""
    done = run("show", "old-dredger", "--set", "delay.time_ms=300", "--json", folder=tmp_path)
    shown = json.loads(done.stdout)
    assert shown["voicing"] == voicer.load("old-dredger").changed({"delay.time_ms": 300}).model_dump()
    assert shown["circuit"]["half_clock_hz"] == pytest.approx(shown["circuit"]["clock_hz"] / 2)
    assert shown["circuit"]["clock_hz"] == pytest.approx(6830, rel=2e-3)


def test_check_names_good_and_bad(tmp_path: Path) -> None:
    """All files are checked; the good ones with what to mind, the bad ones on standard error, exit code 2."""
    (tmp_path / "bad.toml").write_text(VOICING + "[output]\nblend = 2\n")
    done = run("check", "old-dredger", "bad.toml", folder=tmp_path)
    assert done.returncode == 2
    assert done.stdout.startswith("old-dredger: valid\n  note: folds: at 600 ms")
    assert done.stderr == "voicer: bad.toml:4: output.blend must be in 0..1 (got 2)\n"


def test_schema_lists_every_key(tmp_path: Path) -> None:
    """A JSON Schema whose properties are the file's tables; unknown keys are forbidden."""
    schema = json.loads(run("schema", folder=tmp_path).stdout)
    assert schema["properties"]["schema"] == {"const": 4, "type": "integer"}
    assert set(schema["properties"]) == {"schema", *voicer.Voicing.model_fields}
    assert schema["additionalProperties"] is False


KEYWORDS = {
    "$defs", "$ref", "$schema", "additionalProperties", "const", "default", "description", "enum", "maxLength",
    "maximum", "minLength", "minimum", "pattern", "properties", "required", "title", "type", "unit",
}  # fmt: skip
TYPES = {"object": dict, "string": str, "boolean": bool, "integer": int, "number": (int, float)}


def refused(value: Any, rule: dict[str, Any], schema: dict[str, Any], at: str = "") -> list[str]:
    """Where a value breaks a JSON Schema, as draft 2020-12 defines these keywords; unknown ones are an error."""
    assert set(rule) <= KEYWORDS, set(rule) - KEYWORDS
    if "$ref" in rule:
        return refused(value, schema["$defs"][rule["$ref"].removeprefix("#/$defs/")], schema, at)
    kind = TYPES[rule["type"]] if "type" in rule else object
    if not isinstance(value, kind) or (isinstance(value, bool) and rule.get("type") != "boolean"):
        return [at]
    wrong = (
        "const" in rule and value != rule["const"],
        "enum" in rule and value not in rule["enum"],
        "minimum" in rule and value < rule["minimum"],
        "maximum" in rule and value > rule["maximum"],
        "minLength" in rule and len(value) < rule["minLength"],
        "maxLength" in rule and len(value) > rule["maxLength"],
        "pattern" in rule and not re.search(rule["pattern"], value),
        not set(rule.get("required", [])) <= set(value if isinstance(value, dict) else []),
    )
    found, known = [at] if any(wrong) else [], rule.get("properties", {})
    for key, inner in value.items() if isinstance(value, dict) else []:
        if key in known:
            found += refused(inner, known[key], schema, f"{at}.{key}")
        elif rule.get("additionalProperties") is False:
            found.append(f"{at}.{key}")
    return found


def test_schema_accepts_what_is_shipped_and_refuses_what_is_wrong(tmp_path: Path) -> None:
    """Each shipped file's own data fits the schema; a value out of range, an unknown key and a wrong type do not."""
    schema = json.loads(run("schema", folder=tmp_path).stdout)
    files = [tomllib.loads((presets() / f"{name}.toml").read_text("utf-8")) for name in list_names()]
    assert len(files) == 9
    assert [refused(data, schema, schema) for data in files] == [[]] * len(files)
    wrong = [
        ({"output": {"blend": 1.5}}, [".output.blend"]),
        ({"output": {"blond": 0.5}}, [".output.blond"]),
        ({"line": {"stages": 1000}}, [".line.stages"]),
        ({"compander": {"enabled": 1}}, [".compander.enabled"]),
        ({"modulation": {"range": "flutter"}}, [".modulation.range"]),
        ({"filters": {"anti_alias": {"order": 9}}}, [".filters.anti_alias.order"]),
        ({"schema": 1}, [".schema"]),
    ]
    for change, places in wrong:
        assert refused(files[0] | change, schema, schema) == places


def test_check_as_json(tmp_path: Path) -> None:
    """One object a file: whether it is good, else its one line; the exit code is that of the plain form."""
    (tmp_path / "bad.toml").write_text(VOICING + "[output]\nblend = 2\n")
    done = run("check", "old-dredger", "bad.toml", "--json", folder=tmp_path)
    good, bad = json.loads(done.stdout)
    assert (done.returncode, done.stderr) == (2, "")
    assert (good["name"], good["ok"], good["error"]) == ("old-dredger", True, None)
    assert good["remarks"]
    assert bad == {
        "name": "bad.toml", "ok": False, "error": "bad.toml:4: output.blend must be in 0..1 (got 2)", "remarks": [],
    }  # fmt: skip


@pytest.mark.jack
def test_play_as_json(tmp_path: Path, jackd: Any) -> None:
    """The summary is all there is on standard output: what the engine did, and the voicing it ended on."""
    soundfile.write(tmp_path / "in.wav", SOUND, 48_000)
    done = run("play", "quay-slap", "--input", "in.wav", "--audio", "jack", "--seconds", "1", "--json", folder=tmp_path)
    summary = json.loads(done.stdout)
    assert done.returncode == 0
    assert (summary["system"], summary["frames"], summary["sample_rate_hz"]) == ("jack", jackd.frames, 48_000)
    assert summary["blocks"] > 500
    assert summary["restarts"] == 0
    assert summary["voicing"] == voicer.load("quay-slap").model_dump()


def test_devices_says_what_is_missing(tmp_path: Path) -> None:
    """Without a server it says so and what to do, and ends well."""
    done = run("devices", folder=tmp_path, JACK_DEFAULT_SERVER="voicer-none")
    assert done.returncode == 0
    assert "JACK: no server is running" in done.stdout
    assert "note: " in done.stdout
    assert set(json.loads(run("devices", "--json", folder=tmp_path).stdout)) == {
        "jack", "portaudio", "midi_inputs", "full_scale_v", "trouble",
    }  # fmt: skip


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000])
def test_render_keeps_the_rate_and_adds_the_tail(rate_hz: int, tmp_path: Path) -> None:
    """A stereo file of any rate comes out in one channel at its own rate, longer by the tail, with echoes in it."""
    sound = np.zeros((rate_hz, 2))
    sound[: rate_hz // 20] = 0.3 * np.sin(2 * np.pi * 440 / rate_hz * np.arange(rate_hz // 20))[:, None]
    soundfile.write(tmp_path / "in.wav", sound, rate_hz)
    done = run("render", "in.wav", "out.flac", "--voicing", "quay-slap", "--tail", "1.5", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    heard, out_hz = soundfile.read(tmp_path / "out.flac")
    assert (out_hz, heard.ndim, heard.size) == (rate_hz, 1, round(2.5 * rate_hz))
    after = slice(int(0.085 * rate_hz), int(0.16 * rate_hz))
    assert np.abs(heard[after]).max() > 0.02


def test_demo_makes_what_it_promises(tmp_path: Path) -> None:
    """Sound, pictures, the circuit in words and the voicing saved while playing; with no audio system at all."""
    done = run("demo", "--out", "made", folder=tmp_path, JACK_DEFAULT_SERVER="voicer-none")
    assert done.returncode == 0, done.stderr
    made = tmp_path / "made"
    assert {path.name for path in made.iterdir()} == {
        "echo.wav", "dry.wav", "performance.png", "repeats.png", "circuit.txt", "voicings", "sheet",
    }  # fmt: skip
    assert (made / "sheet" / "sheet.pdf").read_bytes().startswith(b"%PDF")
    heard, _ = soundfile.read(made / "echo.wav")
    dry, _ = soundfile.read(made / "dry.wav")
    assert heard.size == dry.size
    assert np.abs(heard[int(15.5 * 48_000) : int(16.5 * 48_000)]).max() > 0.05  # the howl that holds
    assert np.abs(heard[-48_000:]).max() < 1e-3  # and has died
    for picture in ("performance.png", "repeats.png"):
        pixels = matplotlib.image.imread(made / picture)
        assert min(pixels.shape[:2]) > 300
        assert pixels[..., :3].std() > 0.02
    saved = voicer.load(made / "voicings" / "harbour-dusk.toml")
    assert saved != voicer.load("harbour-dusk")
    assert saved.modulation.range == "fast"


@pytest.mark.long
def test_speed_tells_multiples_of_real_time(tmp_path: Path) -> None:
    """Multiples under keys that hold ``real_time``; the others are seconds, milliseconds and a ratio."""
    figures = json.loads(run("speed", "--json", folder=tmp_path).stdout)
    multiples = {name: value for name, value in figures.items() if "real_time" in name}
    assert len(multiples) == 9
    assert min(multiples.values()) > 10
    assert figures["silence_to_burst"] < 1.2
    assert figures["start_empty_cache_s"] > figures["start_s"] > 0


def test_parts_as_a_table_and_as_data(tmp_path: Path) -> None:
    """Every part, figure and caution for people; the same for programs; the share of units within limits."""
    done = run("parts", "quay-slap", "--units", "200", "--limit", "longest_ms=100..140", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    for word in ("R1 ", "22 kΩ", "shortest delay", "Spread over 200 units", "meet all limits:", "caution: Use only a low-voltage"):
        assert word in done.stdout
    data = json.loads(run("parts", "quay-slap", "--units", "200", "--json", folder=tmp_path).stdout)
    assert all(row["ok"] for row in data["figures"])
    assert f"{data['parts'][0]['ref']} " in done.stdout


def test_parts_writes_the_sheet_and_keeps_the_voicing(tmp_path: Path) -> None:
    """A swap is on the sheet and in the voicing the parts make, which is saved and can be called up."""
    home = {"VOICER_HOME": str(tmp_path / "home")}
    done = run(
        "parts", "quay-slap", "--swap", "C5=10n", "--units", "50", "--out", "sheet", "--keep", "swapped",
        folder=tmp_path, **home,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in (tmp_path / "sheet").iterdir()) == [
        "bom.csv", "circuit.cir", "clock.cir", "lfo.cir", "response.svg", "sheet.pdf",
    ]  # fmt: skip
    assert re.search(r"^[^,]*C5\b[^,]*,10n,", (tmp_path / "sheet" / "bom.csv").read_text(), re.MULTILINE)
    shown = json.loads(run("show", "swapped", "--json", folder=tmp_path, **home).stdout)
    assert shown["voicing"]["filters"]["low_cut_hz"] != 90


def test_parts_are_heard(tmp_path: Path) -> None:
    """A unit renders another sound than exact values, the same unit the same sound; exact parts the very same."""
    soundfile.write(tmp_path / "in.wav", SOUND, 48_000)
    heard = {}
    for name, options in (
        ("plain", []), ("exact", ["--series", "exact"]), ("unit", ["--unit", "5"]), ("again", ["--unit", "5"]),
    ):  # fmt: skip
        done = run("render", "in.wav", f"{name}.wav", "--tail", "1", *options, folder=tmp_path)
        assert done.returncode == 0, done.stderr
        heard[name] = soundfile.read(tmp_path / f"{name}.wav")[0]
    assert np.array_equal(heard["unit"], heard["again"])
    assert np.abs(heard["unit"] - heard["plain"]).max() > 0.01
    assert np.abs(heard["exact"] - heard["plain"]).max() < 1e-6
