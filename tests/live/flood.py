"""A JACK client that floods a MIDI port: control changes for eight controllers in turn, evenly in time.

Usage: ``python flood.py PORT PER_SECOND SECONDS``. Ends each controller on its own last value, 10 times its place plus 3,
and prints how many messages were sent.
"""

from __future__ import annotations

import sys
import threading

import jack

CONTROLLERS = (102, 103, 104, 105, 106, 107, 108, 109)


def last_value(place: int) -> int:
    """Where the controller of that place is left."""
    return 10 * place + 3


def main(port: str, per_second: float, seconds: float) -> None:
    from peer import connect  # its neighbour, when run as a script

    client = jack.Client("flood", no_start_server=True)
    keys = client.midi_outports.register("keys")
    total = int(per_second * seconds)
    sent, frame, running, done = 0, 0, threading.Event(), threading.Event()

    @client.set_process_callback
    def process(frames: int) -> None:
        nonlocal sent, frame
        keys.clear_buffer()
        if not running.is_set():
            return
        frame += frames
        due = min(int(frame / client.samplerate * per_second), total + len(CONTROLLERS))
        for number in range(sent, due):
            place = number % len(CONTROLLERS)
            value = last_value(place) if number >= total else (number * 7 // 8 + 13 * place) % 128
            keys.write_midi_event(min(number - sent, frames - 1), bytes((0xB0, CONTROLLERS[place], value)))
        sent = due
        if sent == total + len(CONTROLLERS):
            done.set()

    with client:
        connect(client, keys.name, port)
        print("flooding", flush=True)
        running.set()
        done.wait(seconds + 30)
    print(sent, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]))
