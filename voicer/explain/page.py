"""The page that shows an explanation: every chapter with its picture, its claims and its sounds."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from voicer.errors import printable
from voicer.explain.chapter import Chapter, Snippet
from voicer.explain.claims import Claim, Subject, changes_between
from voicer.explain.contents import Explanation


def render_page(explanation: Explanation) -> str:
    """The page as HTML; pictures and sounds are named as `folder.write_explanation` writes them."""
    voicing, circuit = explanation.voicing, explanation.circuit
    parts = [f"<h1>{_safe(voicing.name)}</h1>"]
    if voicing.notes:
        parts.append(f"<p>{_safe(voicing.notes)}</p>")
    loop = f"loop gain {circuit.loop_gain(circuit.clock_hz):.2f}" if circuit.mixer.feedback_gain else "no repeats"
    parts.append(
        f"<p>{circuit.line.devices} × {circuit.line.device.stages} stages, {1e3 * circuit.time_s:.4g} ms, clock "
        f"{circuit.clock_hz / 1e3:.2f} kHz, {loop}.</p>"
    )
    parts.append(f'<p class="caution">{_safe(explanation.caution)}</p>')
    for chapter in explanation.chapters:
        parts += _chapter(chapter, explanation)
    parts.append("<h2>One flaw at a time</h2>")
    parts.append(
        "<p>The same phrase through the voicing with no, each and all flaws of its devices, all at one loudness; hiss "
        "and clock on silence, raised so that they can be heard.</p>"
    )
    parts.append(_note(explanation.flaws.subject.note))
    parts += [_sound(snippet, explanation.flaws.subject) for snippet in explanation.flaws.snippets]
    if explanation.omissions:
        parts.append("<h2>Not shown</h2>")
        parts += [f"<p>{_safe(one.title)}: {_safe(one.reason)}</p>" for one in explanation.omissions]
    return PAGE.format(title=_safe(voicing.name), body="\n".join(part for part in parts if part))


def _chapter(chapter: Chapter, explanation: Explanation) -> Iterable[str]:
    yield f"<h2>{_safe(heading(chapter))}</h2>"
    yield _note(chapter.subject.note)
    yield f'<figure><img src="{chapter.name}.svg" alt="{_safe(heading(chapter))}"></figure>'
    yield f"<p>{_text(chapter.claims)}</p>"
    for snippet in chapter.snippets:
        yield _sound(snippet, chapter.subject)
    if explanation.runaway and chapter.subject is explanation.runaway.subject:
        yield _sound(explanation.runaway, chapter.subject)


def heading(chapter: Chapter) -> str:
    """Its title, and whether a changed copy is shown."""
    return f"{chapter.title} (changed copy)" if chapter.subject.changes else chapter.title


def _sound(snippet: Snippet, around: Subject) -> str:
    """A sound with its claims; what was changed for it beside its flaws is named."""
    changes = changes_between(around.shown, snippet.subject.shown)
    changed = "; ".join(words for key, words in changes.items() if not key.startswith("flaws."))
    note = f"Changed copy: {snippet.subject.reason}. Changed for this sound: {changed}." if changed else ""
    return (
        f'<div class="sound"><b>{_safe(snippet.title)}</b><audio controls preload="none" src="{snippet.name}.wav">'
        f"</audio><p>{_text(snippet.claims)}</p>{_note(note)}</div>"
    )


def _note(text: str) -> str:
    return f'<p class="copy">{_safe(text)}</p>' if text else ""


def _text(claims: Iterable[Claim]) -> str:
    return _safe(" ".join(claim.text for claim in claims))


def _safe(text: str) -> str:
    return escape(printable(text))


PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}: why it sounds as it does</title>
<style>
body {{ font: 16px/1.45 "DejaVu Sans", sans-serif; color: #1d2433; background: #fbf9f2; max-width: 56rem;
  margin: 2rem auto; padding: 0 1rem; overflow-wrap: break-word; }}
h1, h2 {{ line-height: 1.2; }}
h2 {{ margin-top: 2.5rem; border-top: 1px solid; padding-top: .8rem; font-size: 1.3rem; }}
figure {{ margin: 0; overflow-x: auto; }}
img {{ width: 100%; min-width: 34rem; height: auto; display: block; }}
.caution {{ border: 2px solid; padding: .5rem .8rem; font-weight: bold; }}
.copy {{ border-left: 4px solid #8a8f9c; padding-left: .8rem; font-size: .9rem; }}
.sound {{ display: grid; grid-template-columns: 11rem 1fr; gap: .2rem 1rem; align-items: center;
  border-top: 1px solid #c9c7bf; padding: .5rem 0; }}
.sound p {{ margin: 0; grid-column: 1 / -1; }}
audio {{ width: 100%; }}
@media (max-width: 40rem) {{ .sound {{ grid-template-columns: 1fr; }} }}
</style>
</head>
<body>
{body}
</body>
</html>
"""
