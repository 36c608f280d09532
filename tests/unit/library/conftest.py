"""A home of its own for each test of the library."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folder, empty; it need not exist until something is saved."""
    monkeypatch.setenv("VOICER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"
