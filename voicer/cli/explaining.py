"""Commands for showing others: explain."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voicer import library
from voicer.cli.common import Overwrite, Settings, VoicingName, app, changed, progress_bar, say


@app.command("explain")
def explain_command(
    voicing: VoicingName,
    settings: Settings = None,
    tone_hz: Annotated[float | None, typer.Option("--tone-hz", help="Tone of the sampling picture.")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for what it makes.")] = Path("explained"),
    overwrite: Overwrite = False,
) -> None:
    """Write pictures, snippets and a page that show others why a voicing sounds as it does.

    Example: voicer explain storm-bell --out explained
    """
    from voicer.explain.page import CAUTION, explain

    asked = changed(library.load(voicing), settings)
    with progress_bar() as bar:
        task = bar.add_task("explaining", total=1.0)
        written = explain(asked, out, lambda done: bar.update(task, completed=done), tone_hz, overwrite=overwrite)
    say(*written, CAUTION)
