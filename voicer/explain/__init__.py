"""A set of pictures and sounds that shows others why a voicing sounds as it does."""
