"""A bare loop that only wakes up once a block: what this machine's scheduler does to anyone, for comparison.

``python -m voicer.play.wake_loop PERIOD_US SECONDS PRIORITY`` prints one JSON object. It imports nothing of voicer.
"""

from __future__ import annotations

import gc
import json
import os
import sys
import time
from array import array


def run(period_us: float, seconds: float, priority: int) -> dict[str, float]:
    """Wake up every ``period_us`` for ``seconds`` and count how often that comes late.

    Returns
    -------
    dict
        ``wakes``; ``late``, those a whole period or more behind time; ``late_p50_us``, ``late_p99_us`` and
        ``late_max_us`` of all wakes; ``priority``, the real-time priority granted, 0 for none.
    """
    granted = _ask_for(priority)
    period_ns, behind = int(1e3 * period_us), array("q")
    gc.disable()
    due_ns = begun_ns = time.monotonic_ns()
    while due_ns - begun_ns < 1e9 * seconds:
        due_ns += period_ns
        wait_ns = due_ns - time.monotonic_ns()
        if wait_ns > 0:
            time.sleep(wait_ns / 1e9)
        behind.append(time.monotonic_ns() - due_ns)
        due_ns += behind[-1] // period_ns * period_ns if behind[-1] > 0 else 0  # what was missed is not made up
    ordered = sorted(behind)
    return {
        "wakes": len(behind),
        "late": sum(ns >= period_ns for ns in ordered),
        "late_p50_us": ordered[len(ordered) // 2] / 1e3,
        "late_p99_us": ordered[len(ordered) * 99 // 100] / 1e3,
        "late_max_us": ordered[-1] / 1e3,
        "priority": granted,
    }


def _ask_for(priority: int) -> int:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except (AttributeError, OSError):  # not on every system, not for every user
        return 0
    return priority


if __name__ == "__main__":
    period_us, seconds, priority = sys.argv[1:]
    print(json.dumps(run(float(period_us), float(seconds), int(priority))))  # noqa: T201
