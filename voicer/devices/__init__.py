"""Audio devices and MIDI ports of this machine."""
