"""What all tests share: a folder of their own for the user's files, a private JACK server, guitar recordings."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what takes minutes unless ``-m`` names it."""
    if "acceptance" in str(config.getoption("-m")):
        return
    left_out = [item for item in items if item.get_closest_marker("acceptance")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


GUITARS = Path("/usr/share/sonic-pi/samples")


def lacking(what: str) -> NoReturn:
    """Skip the test for a peer that is not installed; on the project's own machines that is a failure."""
    if os.environ.get("CI") == "true":
        pytest.fail(what)
    pytest.skip(what)


@pytest.fixture(autouse=True)
def voicer_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folder, empty, never the real one."""
    monkeypatch.setenv("VOICER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


class Jackd:
    """A JACK server of our own with the dummy driver, stopped by its process number."""

    def __init__(self, name: str, frames: int = 64) -> None:
        self.name, self.frames, self.rate_hz = name, frames, 48_000
        self.realtime = False
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, *, frames: int | None = None, rate_hz: int | None = None) -> None:
        """Start it, as it was or at another rate, with real-time priority where the system grants it."""
        self.frames, self.rate_hz = frames or self.frames, rate_hz or self.rate_hz
        for realtime in (["-R", "-P", "20"], ["-r"]):
            command = ["jackd", "-n", self.name, *realtime, "-d", "dummy"]
            command += ["-r", str(self.rate_hz), "-p", str(self.frames)]
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            if self._answers():
                self.realtime = realtime[0] == "-R"
                return
            self.stop()
        pytest.fail("jackd did not start with the dummy driver")

    def stop(self) -> None:
        """End it."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None

    def _answers(self) -> bool:
        import jack

        jack.set_error_function(lambda _text: None)
        jack.set_info_function(lambda _text: None)
        for _ in range(50):
            time.sleep(0.1)
            if self._process is None or self._process.poll() is not None:
                return False
            try:
                jack.Client("knock", no_start_server=True, servername=self.name).close()
            except jack.JackOpenError:
                continue
            return True
        return False


@pytest.fixture(scope="session")
def _jackd() -> Iterator[Jackd]:
    if shutil.which("jackd") is None:
        lacking("no jackd; install Debian's jackd2")
    server = Jackd(f"voicer-test-{os.getpid()}")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def jackd(_jackd: Jackd, monkeypatch: pytest.MonkeyPatch) -> Jackd:
    """The private server, made the default one of this process and its children."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", _jackd.name)
    return _jackd


@pytest.fixture
def fresh_jackd(monkeypatch: pytest.MonkeyPatch) -> Iterator[Jackd]:
    """Another private server that a test may stop and start."""
    if shutil.which("jackd") is None:
        lacking("no jackd; install Debian's jackd2")
    server = Jackd(f"voicer-fresh-{os.getpid()}")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def guitar_file() -> Path:
    """A real guitar recording: an open chord, 44.1 kHz stereo, about 10 s (CC0)."""
    path = GUITARS / "guit_em9.flac"
    if not path.exists():
        lacking("no guitar recordings; install Debian's sonic-pi-samples")
    return path


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Any:
    """Print a figure past pytest's capture, so that every run shows it."""

    def tell(line: str) -> None:
        with capsys.disabled():
            print(f"\n    {line}", end=" ")

    return tell
