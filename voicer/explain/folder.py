"""An explanation on disk: the page, its pictures as SVG and PNG, its sounds as WAV, all of them or none."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from voicer.drawing.paper import SCREEN, pyplot
from voicer.explain.chapter import Chapter
from voicer.explain.contents import Explanation
from voicer.explain.page import heading, render_page
from voicer.files import recording
from voicer.files.safe_write import checked_target
from voicer.files.whole_folder import write_whole
from voicer.measure import probes

PAGE = "index.html"
_LONGEST_TITLE = 80


def check_free(folder: Path, *, overwrite: bool = False) -> None:
    """Raise `FileError` when a page is already there and may not be replaced; call it before long work."""
    if os.path.lexists(folder / PAGE):
        checked_target(folder / PAGE, overwrite=overwrite)


def write_explanation(
    explanation: Explanation, folder: Path, *, overwrite: bool = False,
    progress: Callable[[float], None] = lambda done: None,
) -> list[Path]:  # fmt: skip
    """Write everything into a folder.

    Parameters
    ----------
    explanation : Explanation
    folder : Path
        Created if need be.
    overwrite : bool
        Whether existing files may be replaced.
    progress : callable
        Called with the share done, 0..1.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    FileError
        When the folder cannot be written, or a file is in the way and ``overwrite`` is not set.
    """

    def write(inside: Path) -> list[str]:
        names = [PAGE]
        (inside / PAGE).write_text(render_page(explanation), encoding="utf-8")
        for snippet in explanation.snippets:
            names.append(f"{snippet.name}.wav")
            recording.write(inside / names[-1], snippet.samples, probes.RATE_HZ)
        for number, chapter in enumerate(explanation.chapters, start=1):
            names += _draw(chapter, inside)
            progress(number / len(explanation.chapters))
        return names

    return write_whole(folder, write, overwrite=overwrite, expected=(PAGE,))


def _draw(chapter: Chapter, folder: Path) -> list[str]:
    plt, names = pyplot(), []
    with plt.rc_context(SCREEN):
        figure = plt.figure(figsize=chapter.size, layout="constrained")
        draw_chapter(chapter, figure)
        for ending in ("svg", "png"):
            names.append(f"{chapter.name}.{ending}")
            figure.savefig(folder / names[-1], dpi=130, metadata={"Date": None} if ending == "svg" else None)
            figure.set_layout_engine("none")  # it is laid out by now
        plt.close(figure)
    return names


def draw_chapter(chapter: Chapter, figure: Any) -> None:
    """Draw a chapter with the voicing's name above it."""
    chapter.draw(figure)
    name, title = chapter.subject.original.name, heading(chapter)
    apart = ": " if len(name) + len(title) < _LONGEST_TITLE else "\n"
    figure.suptitle(f"{name}{apart}{title[0].lower()}{title[1:]}", x=0.01, ha="left", fontsize=11)
