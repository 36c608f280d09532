"""What the MIDI process and its host say to each other, one JSON object a line.

From the process, on its standard output:

``{"inputs": [[system, name], ...], "open": [[number, system, name], ...], "obeys": bool, "patched": [name, ...]}``
    The MIDI inputs there are, and those it listens to. A number is used once, so an input that went and came back has
    another. ``obeys`` is false until the first command has been carried out. ``patched``: the JACK ports that somebody
    has connected to our virtual port.
``{"heard": [[number, message in hex, time.monotonic() of arrival], ...]}``
    Messages, in order of time; of the system messages only those of timing.
``{"off": reason}``
    RtMidi cannot be loaded; an empty reason means that it is not installed. The process ends.

To the process, on its standard input: ``{"listen": [[system, name], ...], "virtual": bool, "patched": [name, ...]}``.
Or ``{"send": [[name, message in hex], ...]}``: messages for the controllers whose inputs have those names.
It listens to these inputs whenever they are there, connects what is patched to its virtual port when it makes that,
and ends when its standard input does, so it never outlives its host.
"""

CLIENT = "voicer"
VIRTUAL_PORT = "controls"
VIRTUAL_NAME = f"{CLIENT}:{VIRTUAL_PORT}"
"""The port other programs connect to; a second voicer at the same time gets a numbered client name."""

QUEUE_LIMIT = 8192
"""Messages kept where they have to wait: 8 s at 1000 a second."""

JACK_LOST = 4
"""Exit code of the process when the JACK server has ended."""
