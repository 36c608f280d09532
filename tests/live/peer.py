"""A JACK client with no part of voicer in it: the guitar, the controller's MIDI and the recorder.

Usage: ``python peer.py PLAN.json``. The plan names ``play`` (float32 file), ``record`` (file to write), ``into`` and
``from`` (ports, waited for), ``midi_into`` (or null), ``midi`` as [frame, [bytes]] pairs, ``seconds``, and ``hold``:
whether to connect anew as soon as ports that went are back. Frame 0 of what is played, recorded and sent is one and
the same, at the start of a block.
"""

from __future__ import annotations

import json
import sys
import threading
import time

import jack
import numpy as np


def main(plan: dict) -> None:
    client = jack.Client("peer", no_start_server=True)
    guitar, ear = client.outports.register("guitar"), client.inports.register("ear")
    keys = client.midi_outports.register("keys")
    total = int(plan["seconds"] * client.samplerate) // client.blocksize * client.blocksize
    played, recorded = np.zeros(total, np.float32), np.zeros(total, np.float32)
    sound = np.fromfile(plan["play"], np.float32)[:total]
    played[: sound.size] = sound
    events = sorted(plan["midi"])
    state, running, done = {"frame": 0, "event": 0, "xruns": 0}, threading.Event(), threading.Event()

    @client.set_process_callback
    def process(frames: int) -> None:
        keys.clear_buffer()
        at = state["frame"]
        if not running.is_set() or at >= total:
            guitar.get_array()[:] = 0
            if running.is_set():
                done.set()
            return
        guitar.get_array()[:] = played[at : at + frames]
        recorded[at : at + frames] = ear.get_array()
        while state["event"] < len(events) and events[state["event"]][0] < at + frames:
            frame, data = events[state["event"]]
            keys.write_midi_event(max(0, frame - at), bytes(data))
            state["event"] += 1
        state["frame"] = at + frames

    @client.set_xrun_callback
    def late(_delay_us: float) -> None:
        state["xruns"] += 1

    with client:
        connect(client, guitar.name, plan["into"])
        connect(client, plan["from"], ear.name)
        if plan["midi_into"]:
            connect(client, keys.name, plan["midi_into"])
        time.sleep(0.3)
        print("playing", flush=True)
        running.set()
        until = time.monotonic() + plan["seconds"] + 20
        while not done.wait(0.02) and time.monotonic() < until:
            if plan["hold"]:
                reconnect(client, [(guitar.name, plan["into"]), (plan["from"], ear.name)])
    recorded.tofile(plan["record"])
    print(json.dumps({"frames": state["frame"], "xruns": state["xruns"], "done": done.is_set()}), flush=True)


def reconnect(client: jack.Client, wanted: list[tuple[str, str]]) -> None:
    """Connect what is there and not connected; what is away is tried at the next look."""
    for source, target in wanted:
        try:
            client.connect(source, target)
        except jack.JackError:
            continue


def connect(client: jack.Client, source: str, target: str, patience_s: float = 15.0) -> None:
    until = time.monotonic() + patience_s
    while True:
        try:
            client.connect(source, target)
        except jack.JackErrorCode as error:
            if error.code == 17:  # connected already
                return
        except jack.JackError:
            pass
        else:
            return
        if time.monotonic() > until:
            sys.exit(f"no such ports: {source}, {target}")
        time.sleep(0.1)


if __name__ == "__main__":
    with open(sys.argv[1]) as file:
        main(json.load(file))
