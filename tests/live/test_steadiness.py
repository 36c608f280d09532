"""The command that measures live timing really plays, and its yardstick really waits."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest

from tests.conftest import lacking

pytestmark = pytest.mark.jack


def test_live_timing_is_told_beside_a_bare_loop() -> None:
    """Twelve seconds at 64 frames: blocks were played, every knob message was sent, and the loop woke once a block."""
    if shutil.which("jackd") is None:
        lacking("no jackd; install Debian's jackd2")
    command = [sys.executable, "-m", "voicer", "speed", "--live", "0.2", "--frames", "64", "--messages", "100", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    block_s = told["block_us"] / 1e6
    assert told["voicer"]["blocks"] > 0.5 * 12 / block_s
    assert 0.8 * 12 / block_s < told["wake_loop"]["wakes"] <= 12 / block_s + 2
    assert told["messages_sent"] > 0.9 * 12 * 100
    assert 0 < told["block_time_p99_share"] < 1
