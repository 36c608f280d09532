"""Files of any kind: text, TOML, sound and what comes with the package; knows nothing of voicings."""
