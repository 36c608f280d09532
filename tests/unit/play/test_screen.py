"""The thread that draws."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from voicer.play import screen


@pytest.mark.parametrize(("closes", "gone"), [(False, False), (True, True)])
def test_only_a_lost_terminal_ends_the_session(monkeypatch: pytest.MonkeyPatch, closes: bool, gone: bool) -> None:
    """A value that cannot be drawn ends the view in words and leaves the sound alone; a closed output is the end."""
    out = io.StringIO()

    def drawn(_shown: Any) -> str:
        if closes:
            out.close()
        raise ValueError("cannot convert float NaN to integer")

    monkeypatch.setattr(screen, "line", drawn)
    monkeypatch.setattr(screen, "_LINE_EVERY_S", 0.0)
    made = screen.Screen(Console(file=out, width=200))
    made.show(object())  # type: ignore[arg-type]
    made._thread.join(5)
    assert made.gone == gone
    if not closes:
        assert "NaN" in out.getvalue()
        assert "the sound goes on" in out.getvalue()
    made.close()
