"""What becomes of the sound, the session and the machine when a process of `voicer play` dies at any moment."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from tests.live.players import RATE_HZ, clear_voicing, jumping

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.conftest import Jackd

pytestmark = pytest.mark.jack
HERE = Path(__file__).parent
FIRST_SOUND_WITHIN_S = 60.0  # a kernel may have to be compiled, on a machine that does other things too


def wait_until(condition: Callable[[], Any], within_s: float, what: str) -> Any:
    until_s = time.monotonic() + within_s
    while not (found := condition()):
        assert time.monotonic() < until_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.01)
    return found


def name_of(pid: int) -> str:
    """Name in the process list; empty when it has ended, or waits to be reaped."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return ""
    return "" if stat.rpartition(")")[2].split()[0] == "Z" else stat.partition("(")[2].rpartition(")")[0]


class Playing:
    """`voicer play`, its family of processes, and an ear on its output."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self._heard_file = folder / "heard.f64"
        self.shared_before = shared_memory()
        command = [sys.executable, "-W", "error", "-m", "voicer", "play", *jumping(), *arguments, "--audio", "jack", "--json"]
        self._ear = subprocess.Popen(
            [sys.executable, str(HERE / "ear.py"), str(self._heard_file)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._ear.stdout
        assert self._ear.stdout.readline() == "ready\n"
        self.begun_s = time.monotonic()
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.lines: list[tuple[float, str]] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.seen: set[int] = {self.process.pid}
        self.ended_s = 0.0

    def _read(self) -> None:
        assert self.process.stderr
        for line in self.process.stderr:
            self.lines.append((time.monotonic(), line.strip()))

    def family(self) -> dict[int, str]:
        """Every process that was started for it and lives, with its name."""
        found, waiting = {}, [pid for pid in self.seen if name_of(pid)]
        while waiting:
            pid = waiting.pop()
            found[pid] = name_of(pid)
            try:
                children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
            except OSError:
                continue
            waiting += [int(child) for child in children if int(child) not in found]
        self.seen |= set(found)
        return {pid: name for pid, name in found.items() if name}

    def member(self, name: str, within_s: float = FIRST_SOUND_WITHIN_S, but: int = 0) -> int:
        """The process of that name, another than ``but``."""

        def find() -> int:
            return next((pid for pid, called in self.family().items() if called == name and pid != but), 0)

        return int(wait_until(find, within_s, f"a process {name}"))

    def said(self, text: str, since_s: float = 0.0, within_s: float = 20.0) -> float:
        """When a line with that text was printed."""
        found = wait_until(
            lambda: [at_s for at_s, line in list(self.lines) if text in line and at_s >= since_s], within_s, text
        )
        return float(found[0])

    def plays(self, within_s: float = FIRST_SOUND_WITHIN_S) -> None:
        """Wait until the host shows that blocks are played."""
        self.said(" blocks ", within_s=within_s)

    def turn(self, controller: int, value: int) -> None:
        assert self._ear.stdin
        self._ear.stdin.write(f"{controller} {value}\n")
        self._ear.stdin.flush()

    def end(self, number: int = signal.SIGINT) -> dict[str, Any]:
        """End it in order; its summary."""
        self.family()
        self.ended_s = time.monotonic()
        self.process.send_signal(number)
        assert self.process.stdout
        out = self.process.stdout.read()
        assert self.process.wait(timeout=20) == 0, [line for _, line in self.lines]
        summary: dict[str, Any] = json.loads(out)
        return summary

    def heard(self) -> tuple[np.ndarray, np.ndarray]:
        """Moments and peaks of all blocks the ear heard; ends the ear."""
        self._ear.communicate("", timeout=20)
        moments, peaks = np.fromfile(self._heard_file).reshape(2, -1)
        return moments, peaks

    def leaves_nothing(self, within_s: float = 5.0) -> None:
        """Of processes, shared memory and JACK ports."""
        wait_until(lambda: not [pid for pid in self.seen if name_of(pid)], within_s, f"no process of {self.family()}")
        assert shared_memory() <= self.shared_before
        assert voicer_ports() == []

    def close(self) -> None:
        for pid, name in self.family().items():
            if name:
                os.kill(pid, signal.SIGKILL)
        self._ear.kill()
        self.process.wait()
        self._ear.wait()
        self._reader.join(5)
        for pipe in (self.process.stdout, self.process.stderr, self._ear.stdin, self._ear.stdout):
            if pipe is not None:
                pipe.close()


def shared_memory() -> set[str]:
    """What lies in /dev/shm, without the JACK server's own and other programs' of other names."""
    found = Path("/dev/shm").iterdir()  # noqa: S108
    return {path.name for path in found if path.name.startswith("voicer")}


def voicer_ports() -> list[str]:
    import jack

    client = jack.Client("look", no_start_server=True)
    try:
        return [port.name for port in client.get_ports("^voicer")]
    finally:
        client.close()


@contextmanager
def chord_playing(folder: Path, *arguments: str) -> Iterator[Playing]:
    """A held chord, looped for ever through a clear echo."""
    t = np.arange(RATE_HZ) / RATE_HZ
    chord = sum(0.1 * np.sin(2 * np.pi * f_hz * t) for f_hz in (110, 165, 220, 277))
    soundfile.write(folder / "chord.wav", chord, RATE_HZ, subtype="FLOAT")
    played = Playing(folder, str(clear_voicing(folder)), "--input", str(folder / "chord.wav"), *arguments)
    try:
        yield played
    finally:
        played.close()


def longest_gap_s(moments: np.ndarray, peaks: np.ndarray, from_s: float, to_s: float) -> float:
    """Longest time without sound between two moments of sound."""
    loud = moments[(peaks > 0.01) & (moments >= from_s) & (moments <= to_s)]
    return float(np.diff(loud).max())


def kill_at_random(folder: Path, kills: int, told: Any, seed: int = 8) -> None:
    """Kill engine and host in turn at random moments under a held chord, and judge what was heard and what is left.

    The times allowed are those of a machine at rest, stretched by its load.
    """
    dice, done = random.Random(seed), []
    with chord_playing(folder) as played:
        played.plays()
        played.turn(102, 127)
        time.sleep(0.5)
        for turn in range(kills):
            victim = ("voicer-engine", "voicer-host")[turn % 2]
            played.member("voicer-spare")
            time.sleep(dice.uniform(0.5, 2.5))
            pid = played.member(victim)
            killed_s = time.monotonic()
            os.kill(pid, signal.SIGKILL)
            back = "sound is back" if victim == "voicer-engine" else "the controls are back"
            back_s = played.said(back, since_s=killed_s)
            played.member(victim, but=pid)
            done.append((victim, killed_s, back_s))
        time.sleep(1.0)
        summary = played.end()
        moments, peaks = played.heard()
        gaps_s: dict[str, list[float]] = {"voicer-engine": [], "voicer-host": []}
        for victim, killed_s, back_s in done:
            gaps_s[victim].append(longest_gap_s(moments, peaks, killed_s - 0.2, back_s + 0.4))
        controls_s = [back_s - killed_s for victim, killed_s, back_s in done if victim == "voicer-host"]
        silent_s = moments[peaks > 0.01].max() - played.ended_s
        for who, figures in (*gaps_s.items(), ("controls back after a host", controls_s)):
            told(f"{who}, {len(figures)} kills: median {np.median(figures):.3f} s, longest {max(figures):.3f} s")
        strain = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
        told(f"silent {silent_s:.3f} s after Ctrl-C; load per processor {strain:.1f}")
        assert np.median(gaps_s["voicer-engine"]) < 2 * strain
        assert max(gaps_s["voicer-host"]) < 0.1  # a period that the ear's own interpreter missed, not a restart
        assert np.median(controls_s) < 3 * strain
        assert silent_s < 0.3 * strain
        assert summary["voicing"]["delay"]["time_ms"] == 60.0
        assert summary["restarts"] == len(gaps_s["voicer-engine"])
        played.leaves_nothing()


def test_sound_outlives_kills_of_engine_and_host(jackd: Jackd, tmp_path: Path, told: Any) -> None:
    """Six kills at random moments: the engine's successor plays within 2 s (median), a host's death is not heard; the
    voicing stays as it was turned, and nothing is left behind.
    """
    kill_at_random(tmp_path, 6, told)


@pytest.mark.acceptance
@pytest.mark.timeout(900)
def test_sound_outlives_fifty_kills(jackd: Jackd, tmp_path: Path, told: Any) -> None:
    """The same with fifty kills."""
    kill_at_random(tmp_path, 50, told)


def test_sound_comes_back_with_the_jack_server_at_another_rate(fresh_jackd: Jackd, tmp_path: Path, told: Any) -> None:
    """The server stops and comes back at 44.1 kHz in blocks of 128: the same voicing plays at the new rate, the session
    says why it was silent, and the control loop was never held up.
    """
    with chord_playing(tmp_path) as played:
        played.plays()
        played.turn(102, 127)
        time.sleep(1.0)
        stopped_s = time.monotonic()
        fresh_jackd.stop()
        played.said("the JACK server has gone", since_s=stopped_s)
        played.said("no sound: no JACK server", since_s=stopped_s)
        time.sleep(3.0)
        fresh_jackd.start(frames=128, rate_hz=44_100)
        begun_s = time.monotonic()
        back_s = played.said("sound is back (44100 Hz, 128 frames)", since_s=begun_s, within_s=30)
        told(f"plays {back_s - begun_s:.2f} s after the server")
        time.sleep(1.5)
        shown_s = [at_s for at_s, line in played.lines if " blocks " in line and at_s > stopped_s]
        assert np.diff(shown_s).max() < 3
        summary = played.end()
        assert (summary["sample_rate_hz"], summary["frames"]) == (44_100, 128)
        assert summary["voicing"]["delay"]["time_ms"] == 60.0
        assert summary["blocks"] > 44_100 / 128
        played.leaves_nothing()


@pytest.mark.parametrize("victim", ["parent", "host", "engine", "parent and host"])
def test_nothing_is_left_of_a_start_that_is_killed(jackd: Jackd, tmp_path: Path, victim: str) -> None:
    """`kill -9` of any process at any moment of the start: all end, or a sound plays and ends in order when asked."""
    dice = random.Random(victim)
    for _ in range(2):
        played = Playing(tmp_path, str(clear_voicing(tmp_path)))
        try:
            time.sleep(dice.uniform(0.05, 1.2 if victim == "parent and host" else 3.0))  # an orphan that plays has 30 s
            family = played.family()
            chosen = {
                "parent": [played.process.pid],
                "host": [pid for pid, name in family.items() if name.startswith(("voicer-host", "python"))][1:2],
                "engine": [pid for pid, name in family.items() if name in ("voicer-warming", "voicer-engine")],
            }
            chosen["parent and host"] = chosen["parent"] + chosen["host"]
            for pid in chosen[victim]:
                os.kill(pid, signal.SIGKILL)
            time.sleep(1.0)
            if played.process.poll() is None:
                played.process.send_signal(signal.SIGTERM)
            played.leaves_nothing(within_s=45 if victim == "parent and host" else 20)
        finally:
            played.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_polite_end_at_any_moment_leaves_nothing(jackd: Jackd, tmp_path: Path, number: int) -> None:
    """TERM and HUP, sent to the parent alone, while it starts and while it plays."""
    for wait_s in (0.15, 1.0, None):
        with chord_playing(tmp_path) as played:
            if wait_s is None:
                played.plays()
                played.member("voicer-engine")
                played.end(number)
            else:
                time.sleep(wait_s)
                played.process.send_signal(number)
            played.leaves_nothing(within_s=20)


def test_a_session_without_parent_ends_in_order(jackd: Jackd, tmp_path: Path) -> None:
    """A killed parent: host and engine end by themselves, faded out, since no key would reach them any more."""
    with chord_playing(tmp_path) as played:
        played.plays()
        played.family()
        played.process.kill()
        played.leaves_nothing(within_s=10)


@pytest.mark.acceptance
def test_an_orphaned_engine_plays_on_and_fades_out(jackd: Jackd, tmp_path: Path, told: Any) -> None:
    """With neither host nor parent it goes on for 30 s, then fades within a second and is gone."""
    with chord_playing(tmp_path) as played:
        played.plays()
        engine, host = played.member("voicer-engine"), played.member("voicer-host")
        killed_s = time.monotonic()
        for pid in (played.process.pid, host):
            os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not name_of(engine), 45, "the engine's end")
        ended_s = time.monotonic() - killed_s
        moments, peaks = played.heard()
        told(f"the orphan ended after {ended_s:.1f} s")
        assert 29 < ended_s < 36
        after = moments > killed_s + 0.2
        last_s = moments[peaks > 0.0005].max()
        loud = after & (moments < last_s - 1.2)
        assert np.percentile(peaks[loud], 0.5) > 0.05  # an xrun of the ear leaves a block or two
        fade = peaks[(moments > last_s - 0.2) & (moments <= last_s)]
        assert fade.max() < 0.3 * peaks[loud].max()
        played.leaves_nothing()


def test_a_host_that_keeps_dying_ends_the_session_in_words(jackd: Jackd, tmp_path: Path) -> None:
    """After five short lives in a row the parent gives up, ends the sound and says so, with exit code 1."""
    with chord_playing(tmp_path) as played:
        played.plays()
        pid, until_s = 0, time.monotonic() + 120
        while played.process.poll() is None and time.monotonic() < until_s:
            for found, name in played.family().items():
                if name == "voicer-host" and found != pid and len(played.lines):
                    since_s = time.monotonic()
                    if pid:
                        played.said("the controls are back", since_s=since_s - 0.5)
                    pid = found
                    os.kill(pid, signal.SIGKILL)
            time.sleep(0.02)
        assert played.process.wait() == 1
        assert "5 times in a row; the sound is ended" in played.lines[-1][1]
        played.leaves_nothing()


def test_a_session_is_taken_up_without_its_files(jackd: Jackd, tmp_path: Path, told: Any) -> None:
    """Voicing, recording and controller map are gone when the host is killed: the sound goes on, another host has the
    controls, with the voicing as it was and no controller, starts another engine where that dies too, and ends in order.
    """
    chart = tmp_path / "map.toml"
    chart.write_text('schema = 1\nname = "Empty"\n')
    with chord_playing(tmp_path, "--map", str(chart)) as played:
        played.plays()
        host = played.member("voicer-host")
        for name in ("clear.toml", "chord.wav", "map.toml"):
            (tmp_path / name).unlink()
        killed_s = time.monotonic()
        os.kill(host, signal.SIGKILL)
        back_s = played.said("the controls are back", since_s=killed_s)
        told(f"controls back after {back_s - killed_s:.1f} s")
        played.said("no MIDI controller", since_s=killed_s)
        time.sleep(1.0)
        os.kill(played.member("voicer-engine"), signal.SIGKILL)
        played.said("sound is back", since_s=killed_s)
        summary = played.end()
        moments, peaks = played.heard()
        assert summary["voicing"]["name"] == "Clear"
        assert summary["restarts"] == 1
        assert longest_gap_s(moments, peaks, killed_s - 0.5, killed_s + 1.0) < 0.1
        played.leaves_nothing()


FATAL = """
import ctypes, os
from voicer.engine.units import BlockUnit

class Fatal(BlockUnit):
    def __init__(self, numbers, sample_rate_hz):
        self.blocks = 0

    def glide_to(self, numbers):
        pass

    def process(self, x, y):
        y[:] = x
        self.blocks += 1
        if self.blocks > 400:
            self.fail()

class Crashing(Fatal):
    def fail(self):
        ctypes.string_at(0)

class Leaving(Fatal):
    def fail(self):
        os._exit(0)

class Hanging(Fatal):
    def fail(self):
        ctypes.PyDLL(None).sleep(1000)  # holds the interpreter lock
"""


@pytest.mark.parametrize("unit", ["crashing", "leaving", "hanging"])
def test_a_unit_in_which_two_engines_died_is_left_out(
    jackd: Jackd, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unit: str
) -> None:
    """A unit that crashes, leaves or hangs its process is named and left out; the rest of the rack plays on."""
    package = tmp_path / "package"
    info = package / "fatal_units-1.0.dist-info"
    info.mkdir(parents=True)
    (package / "fatal_units.py").write_text(FATAL)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: fatal-units\nVersion: 1.0\n")
    names = "".join(f"{name.lower()} = fatal_units:{name}\n" for name in ("Crashing", "Leaving", "Hanging"))
    (info / "entry_points.txt").write_text(f"[voicer.units]\n{names}")
    monkeypatch.setenv("PYTHONPATH", str(package))
    with chord_playing(tmp_path, "--rack", f"{unit},echo") as played:
        left_out_s = played.said(f"unit '{unit}' is left out: 2 engines died while it ran", within_s=90)
        played.said("sound is back", since_s=left_out_s, within_s=60)
        time.sleep(2.5)
        summary = played.end()
        assert summary["left_out"] == [unit]
        assert summary["restarts"] in (1, 2)  # the second death may come before its engine counts as started
        assert summary["blocks"] > 1000
        played.leaves_nothing(within_s=10)
