"""The command for presenters: explain."""

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
    tone_hz: Annotated[float | None, typer.Option("--tone-hz", help="Tone for the sampling picture, Hz.")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder.")] = Path("explained"),
    overwrite: Overwrite = False,
) -> None:
    """Show others why a voicing sounds as it does: pictures, sounds and a page (index.html).

    Example: voicer explain storm-bell --out explained
    """
    from voicer.explain.contents import build_explanation
    from voicer.explain.folder import check_free, write_explanation

    asked = changed(library.load(voicing), settings)
    check_free(out, overwrite=overwrite)
    with progress_bar() as bar:
        task = bar.add_task("explaining", total=1.0)
        explanation = build_explanation(asked, tone_hz, lambda done: bar.update(task, completed=0.7 * done))
        written = write_explanation(
            explanation, out, overwrite=overwrite, progress=lambda done: bar.update(task, completed=0.7 + 0.3 * done)
        )
    say(*written, explanation.caution)
