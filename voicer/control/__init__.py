"""MIDI control: messages, the controller map, tap tempo, doubles, and the controller that joins them. Pure.

The ports are in `voicer.devices.midi_ports`.
"""
