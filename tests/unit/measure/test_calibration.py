"""What full scale is in volts: the tone found, the file kept, the figures that use it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

import voicer
from tests.conftest import Jackd
from voicer.dsp.coefficients import named
from voicer.errors import FileError, VoicerError
from voicer.library.calibrations import (
    ASSUMED_V,
    AudioInput,
    calibration_file,
    full_scale_v,
    read_calibrations,
    save_calibration,
)
from voicer.measure.calibration import tone_found, volts_at_full_scale
from voicer.play.session import Session

RATE_HZ = 48_000


def tone(f_hz: float, peak: float, seconds: float = 2.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * f_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


@pytest.mark.parametrize("f_hz", [82.3, 400.0, 997.0, 5000.7])
def test_full_scale_from_a_tone(f_hz: float) -> None:
    """0.1 V rms that reaches 0.05 of full scale: full scale is 0.1 sqrt(2) / 0.05 V, whatever the pitch; hum is borne."""
    x = tone(f_hz, 0.05) + 0.0005 * np.random.default_rng(3).standard_normal(2 * RATE_HZ)
    found = tone_found(x, RATE_HZ)
    assert found.f_hz == pytest.approx(f_hz, abs=0.05)
    assert volts_at_full_scale(found, 0.1) == pytest.approx(0.1 * np.sqrt(2) / 0.05, rel=2e-3)


@pytest.mark.parametrize(
    ("x", "told"),
    [
        (np.zeros(RATE_HZ), "the input must carry a tone above -60 dB of full scale (got -240 dB)"),
        (np.clip(tone(400, 1.5), -1, 1), "the tone must stay below full scale (it reaches it); turn the input down"),
        (tone(400, 0.2) + tone(700, 0.1), "the input must carry one steady tone, all else 26 dB below it (got 6 dB)"),
        (0.1 * np.random.default_rng(1).standard_normal(RATE_HZ), "the input must carry one steady tone"),
        (tone(400, 0.3)[:1000], "the recording must be at least half a second long (got 0.021 s)"),
    ],
    ids=["silence", "clipped", "two tones", "noise", "short"],
)
def test_what_is_no_tone_is_told(x: np.ndarray, told: str) -> None:
    """Rule, value and remedy."""
    with pytest.raises(VoicerError) as caught:
        tone_found(x, RATE_HZ)
    assert str(caught.value).startswith(told)


def test_a_tone_that_drifts_is_told() -> None:
    """A level that moves by more than 2 % between its halves."""
    with pytest.raises(VoicerError, match=r"the tone must be steady \(its level changes by"):
        tone_found(tone(400, 0.3) * np.linspace(1, 1.05, 2 * RATE_HZ), RATE_HZ)


DESK, DESK_TWO = (AudioInput("portaudio", name, "1") for name in ("Desk", "Desk Two"))
CAPTURE = AudioInput("jack", "system", "capture_1")


def test_kept_for_exactly_one_input() -> None:
    """Only the very system, device and channel that was calibrated gets its figure, however names begin."""
    save_calibration(DESK_TWO.key, 7.0)
    save_calibration(CAPTURE.key, 2.5)
    assert full_scale_v(DESK_TWO) == (7.0, "full scale is 7 V (calibrated, portaudio Desk Two, channel 1)")
    assert full_scale_v(CAPTURE) == (2.5, "full scale is 2.5 V (calibrated, jack system:capture_1)")
    for other in (DESK, AudioInput("portaudio", "Desk Two", "2"), AudioInput("jack", "system", "capture_10")):
        assert full_scale_v(other)[0] == ASSUMED_V


def test_an_input_that_is_not_calibrated_is_told_with_the_remedy() -> None:
    """What is assumed, and the command that ends it."""
    assert full_scale_v(DESK)[1] == (
        "input 'portaudio Desk, channel 1' is not calibrated: 1 V at full scale assumed; run 'voicer calibrate "
        "--audio portaudio --input-device 'Desk' --level-v VOLTS' with a tone of VOLTS rms at it"
    )
    assert "--audio jack --from system:capture_1 --level-v" in full_scale_v(CAPTURE)[1]
    assert full_scale_v(None) == (ASSUMED_V, "no audio input: 1 V at full scale assumed")


def test_a_file_of_an_earlier_version_is_read() -> None:
    """Before 0.1 was released a PortAudio input was kept without its channel, which was the first."""
    calibration_file().parent.mkdir(parents=True)
    calibration_file().write_text('[full_scale_v]\n"jack system:capture_1" = 2.5\n"portaudio Desk" = 0.7\n')
    assert (full_scale_v(CAPTURE)[0], full_scale_v(DESK)[0], full_scale_v(DESK_TWO)[0]) == (2.5, 0.7, ASSUMED_V)
    save_calibration(DESK.key, 0.9)
    assert (full_scale_v(CAPTURE)[0], full_scale_v(DESK)[0]) == (2.5, 0.9)


@pytest.mark.parametrize("key", ["jack a\x7fb:c", "jack a\nb:c", "portaudio a\x1b[31m", "portaudio \ud800", "jack " + 300 * "x"])
def test_a_name_that_no_file_can_hold_is_refused(key: str) -> None:
    """DEL, other control characters and surrogates, and names without end; what is kept stays as it was."""
    save_calibration(CAPTURE.key, 2.5)
    with pytest.raises(FileError, match="must be printable and at most 300 characters long"):
        save_calibration(key, 1.0)
    assert read_calibrations() == {CAPTURE.key: 2.5}


def test_escapes_in_a_hand_written_file_survive_a_save() -> None:
    """What TOML wants escaped is escaped again, so the file stays TOML."""
    calibration_file().parent.mkdir(parents=True)
    calibration_file().write_text('[full_scale_v]\n"odd \\u007f \\" \\\\ ñ" = 3.0\n')
    save_calibration(CAPTURE.key, 2.5)
    assert read_calibrations() == {'odd \x7f " \\ ñ': 3.0, CAPTURE.key: 2.5}


SAVER = """
import sys
from voicer.library.calibrations import save_calibration
for k in range(20):
    save_calibration(f"jack writer:{sys.argv[1]}-{k}", 1 + k)
"""


def test_two_processes_lose_none_of_each_others_calibrations() -> None:
    """Each save reads, adds and writes under a lock."""
    writers = [subprocess.Popen([sys.executable, "-c", SAVER, name]) for name in "abc"]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0, 0]
    assert len(read_calibrations()) == 60


@pytest.mark.parametrize("text", ["full_scale_v = 3", "[full_scale_v]\njack = 0", "[full_scale_v]\njack = true", "[full", "a." * 50_000 + "b = 1", "a = " + "9" * 5000, "a = " + "[" * 2000])
def test_a_wrong_file_is_told(text: str) -> None:
    """In one line, with the file."""
    calibration_file().parent.mkdir(parents=True)
    calibration_file().write_text(text)
    with pytest.raises(FileError) as caught:
        read_calibrations()
    assert str(calibration_file()) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_sound_uses_it() -> None:
    """A session's numbers carry the volts at full scale."""
    session = Session("quay-slap", voicer.load("quay-slap"))
    session.calibrate(2.5)

    class Ear:
        rack, sample_rate_hz = ("echo",), 48_000.0

    assert named(session.numbers_for(Ear(), 48_000)["echo"])["volts_per_unit"] == 2.5  # type: ignore[arg-type]


def run(*arguments: str, **more: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", "-m", "voicer", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60, **more)  # type: ignore[call-overload]


def test_the_command_on_a_recording(tmp_path: Path) -> None:
    """The figure and the file; a recording needs a name to be kept under."""
    soundfile.write(tmp_path / "tone.wav", tone(400, 0.25), RATE_HZ)
    done = run("calibrate", "--level-v", "0.5", "--input", str(tmp_path / "tone.wav"), "--name", CAPTURE.key, "--json")
    assert json.loads(done.stdout)["full_scale_v"] == pytest.approx(0.5 * np.sqrt(2) / 0.25, rel=1e-3)
    assert full_scale_v(CAPTURE)[0] == pytest.approx(2.8284, rel=1e-3)
    for more, told in (((), "--input and --name go together"), (("--name", "Desk"), "the input's name must begin with")):
        refused = run("calibrate", "--level-v", "0.5", "--input", str(tmp_path / "tone.wav"), *more)
        assert (refused.returncode, refused.stderr.count("\n")) == (2, 1)
        assert refused.stderr.startswith(f"voicer: {told}")


@pytest.mark.jack
def test_the_command_through_jack(jackd: Jackd, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tone played by an independent JACK client is found at its level and kept under the port's name."""
    jack = pytest.importorskip("jack")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jackd.name)
    client = jack.Client("generator", no_start_server=True, servername=jackd.name)
    out, state = client.outports.register("tone"), {"at": 0}

    @client.set_process_callback
    def process(frames: int) -> None:
        at = state["at"] + np.arange(frames)
        out.get_array()[:] = 0.2 * np.sin(2 * np.pi * 400 * at / 48_000)
        state["at"] += frames

    with client:
        done = run("calibrate", "--level-v", "0.1", "--audio", "jack", "--from", "generator:tone", "--json")
        silent = run("calibrate", "--level-v", "0.1", "--audio", "jack")
        absent = run("calibrate", "--level-v", "0.1", "--audio", "jack", "--from", "nobody:tone")
    assert json.loads(done.stdout)["full_scale_v"] == pytest.approx(0.1 * np.sqrt(2) / 0.2, rel=5e-3)
    assert read_calibrations() == {"jack generator:tone": pytest.approx(0.7071, rel=5e-3)}
    assert silent.stderr.startswith("voicer: the input must carry a tone above -60 dB")
    assert absent.stderr == "voicer: JACK port 'nobody:tone' must be an output that exists; see 'voicer devices'\n"
    assert silent.returncode == absent.returncode == 2
