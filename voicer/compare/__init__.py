"""Two voicings beside each other: by figures, and by ear without knowing which is which."""
