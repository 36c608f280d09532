"""MIDI in: messages, the controller map, tap tempo, ports and the controller that joins them.

Pure and without a port: `messages`, `mapfile`, `maps`, `tempo`, `controller`. Only `ports` imports rtmidi.
"""
