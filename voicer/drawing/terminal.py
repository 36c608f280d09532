"""The terminal: one console for every command, which prints text as it is and never as commands to itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.segment import Segment

from voicer.errors import printable

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from rich.console import ConsoleOptions, RenderableType
    from rich.text import Text


def console(*, stderr: bool = False) -> Console:
    """A console for text of any origin: no markup, no emoji codes, no highlighting.

    ``[/red]`` in a name is printed as it stands, and what could steer the terminal is escaped by `printable`. Styled
    text is built as `rich.text.Text`, never by markup.
    """
    return _PlainConsole(stderr=stderr, markup=False, emoji=False, highlight=False)


class _PlainConsole(Console):
    def render_str(self, text: str, **options: Any) -> Text:
        """Escape before anything is measured, so that columns stay straight; line breaks and tabs stay."""
        return super().render_str(_printable_lines(text), **options)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Escape also what came as styled text."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else _printable_lines(text), style, control)


def _printable_lines(text: str) -> str:
    return text if text.isprintable() else "\n".join(map(_printable_cells, text.split("\n")))


def _printable_cells(line: str) -> str:
    return "\t".join(map(printable, line.split("\t")))
