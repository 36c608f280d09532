"""What a player does: the session, the live loop, the terminal view, the demo."""
