"""What a session leaves: whole, soon, off the control loop; a broken one is set aside; one session has the file."""

from __future__ import annotations

import json
import subprocess
import sys
import time

import voicer
from voicer.play.session import Session
from voicer.play.session_file import EVERY_S, SessionFile, read_left, session_path


def left_by(session: Session) -> None:
    kept = SessionFile()
    kept.note(session.state(), None, ("echo",))
    kept.close()


def test_it_comes_back_as_it_was() -> None:
    """Unsaved moves, parts, calibration, tempo."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"))
    session.set({"output.blend": 0.7})
    session.calibrate(2.5)
    session.set_tempo(93.0, "set")
    left_by(session)
    left, line = read_left()
    assert (line, left and left.rack) == ("", ("echo",))
    other = Session("quay-slap", voicer.load("quay-slap"))
    assert left is not None
    other.restore(left.session)
    assert (other.name, other.voicing, other.full_scale_v, other.tempo.bpm) == (
        "harbour-dusk", session.voicing, 2.5, 93.0,
    )  # fmt: skip
    assert other.changed


def test_nothing_is_left_at_first() -> None:
    """No file, no line."""
    assert read_left() == (None, "")


def test_a_broken_file_is_set_aside() -> None:
    """Whatever a crash or a stranger made of it; the next session writes a good one."""
    for text in ("", "{", "[1]", "null", '{"schema": 1}', '{"schema": 9, "session": {}, "setlist": null, "rack": []}',
                 "[" * 100_000, "\x00\xff"):  # fmt: skip
        session_path().parent.mkdir(exist_ok=True)
        session_path().write_text(text, "latin-1")
        left, line = read_left()
        assert left is None
        assert "is set aside" in line
        assert not session_path().exists()


def test_it_is_written_at_most_once_a_second() -> None:
    """A hundred changes in a second and a half are one or two writes, and the last counts."""
    session, kept = Session("harbour-dusk", voicer.load("harbour-dusk")), SessionFile()
    seen = set()
    for step in range(100):
        session.set({"output.blend": step / 100})
        begun_s = time.monotonic()
        kept.note(session.state(), None, ("echo",))
        assert time.monotonic() - begun_s < 0.05
        time.sleep(1.5 * EVERY_S / 100)
        if session_path().exists():
            seen.add(session_path().stat().st_mtime_ns)
    kept.close()
    assert 1 <= len(seen) <= 2
    assert json.loads(session_path().read_text())["session"]["sound"]["voicing"]["output"]["blend"] == 0.99


def test_two_sessions_do_not_write_over_each_other() -> None:
    """The second says so and leaves the file alone; after the first has been killed the file is free."""
    code = ("import time, voicer; from voicer.play.session import Session; from voicer.play.session_file import *\n"
            "kept = SessionFile(); kept.note(Session('quay-slap', voicer.load('quay-slap')).state(), None, ('echo',))\n"
            "print('here', flush=True); time.sleep(60)")
    first = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert first.stdout
    assert first.stdout.readline() == "here\n"
    second = SessionFile()
    assert "another voicer plays" in second.complaint
    second.note({}, None, ())
    time.sleep(1.2)
    assert json.loads(session_path().read_text())["session"]["name"] == "quay-slap"
    first.kill()
    first.wait()
    first.stdout.close()
    third = SessionFile()
    assert third.complaint == ""
    third.close()
