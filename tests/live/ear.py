"""A JACK client that listens to voicer's first output, whichever engine it belongs to, and can turn a controller.

Usage: ``python ear.py FILE``. A line ``CONTROLLER VALUE`` on standard input is sent as a control change. At the end of
the input it writes FILE: float64 [shape=(2, blocks)], the moment of each block (`time.monotonic`) and its peak.
"""

from __future__ import annotations

import sys
import threading
import time

import jack
import numpy as np

OUTPUT, CONTROLS = "voicer-audio:output_1", "voicer:controls"
MOST_BLOCKS = 2_000_000


def main(path: str) -> None:
    client = jack.Client("listener", no_start_server=True)
    ear, keys = client.inports.register("ear"), client.midi_outports.register("keys")
    heard, count, waiting = np.zeros((2, MOST_BLOCKS)), [0], []

    @client.set_process_callback
    def process(_frames: int) -> None:
        keys.clear_buffer()
        if waiting:
            keys.write_midi_event(0, waiting.pop(0))
        at = count[0]
        if at < MOST_BLOCKS:
            heard[0, at] = time.monotonic()
            heard[1, at] = np.abs(ear.get_array()).max()
            count[0] = at + 1

    ended = threading.Event()

    def read() -> None:
        for line in sys.stdin:
            controller, value = (int(word) for word in line.split())
            waiting.append(bytes((0xB0, controller, value)))
        ended.set()

    with client:
        threading.Thread(target=read, daemon=True).start()
        print("ready", flush=True)
        while not ended.wait(0.01):
            for source, target in ((OUTPUT, ear.name), (keys.name, CONTROLS)):
                try:
                    client.connect(source, target)
                except jack.JackError:  # not there, or connected already
                    continue
    heard[:, : count[0]].tofile(path)


if __name__ == "__main__":
    main(sys.argv[1])
