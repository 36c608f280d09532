"""How much memory the engine keeps, and what it says when it may not keep it."""

from __future__ import annotations

import subprocess
import sys

import pytest

from voicer.engine.residence import resident_mb
from voicer.play.speed import measure_engine_memory

MOST_MB = 250


def test_the_engine_stays_small() -> None:
    """Locked and playing, the engine's share of memory stays within 250 MB, JACK's own left out."""
    resident, _ = measure_engine_memory()
    if not resident:
        pytest.skip("no /proc to read it from")
    assert 50 < resident < MOST_MB


def test_a_refused_lock_is_told() -> None:
    """Where the system refuses, or has no such call, one line says so and what is lost; sound is not held up."""
    code = """
import ctypes, sys
from voicer.engine import residence
class Refusing:
    def __init__(self, *_arguments, **_options): pass
    def mlockall(self, flags):
        ctypes.set_errno(1)
        return -1
class Lacking:
    def __init__(self, *_arguments, **_options): pass
def without(*_arguments, **_options):
    raise TypeError("no library without a name here")
for library in (Refusing, Lacking, without):
    ctypes.CDLL = library
    print(residence.stay_in_memory())
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    refused, lacking, without = done.stdout.splitlines()
    assert refused.startswith("the engine's memory is not locked (operation not permitted): after a pause")
    assert lacking == without
    assert lacking.startswith("this system cannot lock the engine's memory: after a pause")


def test_memory_of_no_process_is_unknown() -> None:
    """A process that is not there, or a system without /proc, gives no figure instead of an error."""
    assert resident_mb(0x7FFFFFFF) is None
