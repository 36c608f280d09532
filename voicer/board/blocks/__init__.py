"""Blocks: groups of parts on the board, each with the closed-form equations of its behaviour."""
