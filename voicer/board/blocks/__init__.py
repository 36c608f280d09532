"""Blocks: groups of parts on the board, each knowing in closed form what its values do."""
