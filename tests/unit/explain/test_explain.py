"""The explanation: every sentence is true for every voicing, copies are named, sounds are fit to compare, files are safe."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import Phase, given, settings

from tests.drawn_text import overlapping_texts
from tests.fuzz.strategies import voicings
from tests.unit.explain.checks import OF_CHAPTERS, OF_LEVELS, OF_SNIPPETS
from voicer import library
from voicer.drawing.paper import SCREEN, pyplot
from voicer.errors import CircuitError, FileError, VoicingError
from voicer.explain.claims import Subject, changes_between, subject_of
from voicer.explain.contents import Explanation, build_explanation
from voicer.explain.flaws import ideal_delay
from voicer.explain.folder import check_free, draw_chapter, write_explanation
from voicer.explain.page import heading, render_page
from voicer.measure.meters import loudness_lufs
from voicer.voicing import Voicing

SHIPPED = [entry.name for entry in library.listing()]
TITLES = {"Sampling at the clock's instants", "A tone above half the clock", "What each repeat loses",
          "Pitch under modulation", "One long device or several short ones", "Runaway, and how it ends"}  # fmt: skip
_BUILT: dict[str, Explanation] = {}


def explanation_of(name: str) -> Explanation:
    """Built once for all tests."""
    if name not in _BUILT:
        _BUILT[name] = build_explanation(library.load(name))
    return _BUILT[name]


def check(explanation: Explanation) -> int:
    """Check every claim; how many there were."""
    checked = 0
    for chapter in explanation.chapters:
        for claim in chapter.claims:
            OF_CHAPTERS[claim.key](chapter, claim.values)
            checked += 1
    for snippet in explanation.snippets:
        for claim in snippet.claims:
            if claim.key in OF_LEVELS:
                OF_LEVELS[claim.key](explanation, snippet, claim.values)
            else:
                OF_SNIPPETS[claim.key](snippet, claim.values)
            checked += 1
    return checked


@pytest.mark.parametrize("name", SHIPPED)
def test_every_sentence_is_true_of_shipped_voicings(name: str) -> None:
    """Each claim is computed again from the sound, the drawn data or a textbook formula (`checks`)."""
    explanation = explanation_of(name)
    assert check(explanation) >= 30
    assert {chapter.title for chapter in explanation.chapters} == TITLES
    assert explanation.omissions == ()


@settings(max_examples=3, derandomize=True, deadline=None, phases=[Phase.generate])
@given(voicings())
def test_every_sentence_is_true_of_any_voicing(voicing: Voicing) -> None:
    """Over the whole ranges; a chapter that cannot be made is listed with its reason."""
    try:
        explanation = build_explanation(voicing)
    except CircuitError:
        return
    check(explanation)
    titles = {chapter.title for chapter in explanation.chapters}
    assert titles | {one.title for one in explanation.omissions} == TITLES
    assert all(one.reason for one in explanation.omissions)


@pytest.mark.parametrize("name", SHIPPED)
def test_no_picture_writes_over_its_own_text(name: str) -> None:
    """Bounding boxes of all texts in each picture, as they are laid out."""
    plt = pyplot()
    for chapter in explanation_of(name).chapters:
        with plt.rc_context(SCREEN):
            figure = plt.figure(figsize=chapter.size, layout="constrained")
            draw_chapter(chapter, figure)
            assert overlapping_texts(figure) == [], chapter.name
            plt.close(figure)


@pytest.mark.parametrize("name", SHIPPED)
def test_copies_are_named_with_exactly_what_was_changed(name: str) -> None:
    """A chapter on a copy says so in its heading, on the page and in the picture; one on the voicing does not."""
    explanation = explanation_of(name)
    page = render_page(explanation)
    for chapter in explanation.chapters:
        copy = chapter.subject.shown != explanation.voicing
        assert ("changed copy" in heading(chapter)) is copy
        if copy:
            values = {key: chapter.subject.shown.get(key) for key in chapter.subject.changes}
            assert explanation.voicing.changed(values) == chapter.subject.shown
            assert chapter.subject.reason.replace("'", "&#x27;") in page
            assert all(words in page for words in chapter.subject.changes.values())


@pytest.mark.parametrize("name", SHIPPED)
def test_phrases_are_equally_loud_and_all_is_audible(name: str) -> None:
    """Phrases within half a LU, hiss and clock 12 LU below, nothing clips; the caution says how loud the runaway is."""
    explanation = explanation_of(name)
    sounds = {snippet.name: snippet.samples for snippet in explanation.snippets}
    phrases = ["ideal", "no-flaws", "only-transfer-loss", "only-saturation", "only-leakage", "as-it-is"]
    assert np.ptp([loudness_lufs(sounds[one], 48_000) for one in phrases]) < 0.5
    assert max(float(np.abs(y).max()) for y in sounds.values()) <= 10 ** (-0.99 / 20)
    assert all(np.abs(sounds[one] - sounds["no-flaws"]).max() > 1e-6 for one in phrases if one != "no-flaws")
    told = re.search(r"until it is (\d+) LU louder", explanation.caution)
    assert explanation.louder_lu is not None
    assert (int(told[1]) if told else 0) == pytest.approx(max(explanation.louder_lu, 0), abs=1.0)


def test_flaws_are_heard_as_much_as_the_voicing_has_of_them() -> None:
    """Old Dredger has more than one of some flaws: its sounds have that amount, not 1."""
    explanation = explanation_of("old-dredger")
    flaws = explanation.voicing.flaws
    by_name = {snippet.name: snippet for snippet in explanation.flaws.snippets}
    assert flaws.transfer_loss > 1
    for flaw in ("transfer_loss", "saturation", "noise"):
        shown = by_name[f"only-{flaw.replace('_', '-')}"].subject.shown.flaws
        assert getattr(shown, flaw) == getattr(flaws, flaw)


def test_a_copy_of_a_copy_lists_every_change() -> None:
    """Against the voicing itself, in words."""
    voicing = library.load("quay-slap")
    copy = subject_of(voicing).changed({"delay.time_ms": 100.0}, "it is short").changed({"repeats.feedback": 0.5}, "it is dry")
    assert copy.note == (
        "Changed copy, not the voicing itself: it is short; it is dry. Changed: delay.time_ms 100 instead of 90; repeats.feedback "
        "0.5 instead of 0.12."
    )
    assert changes_between(voicing, voicing) == {}
    assert Subject(voicing, voicing).note == ""


def test_the_ideal_delay_is_one() -> None:
    """Copies of the phrase at whole multiples of the time, each weaker by the loop gain."""
    subject = subject_of(library.load("quay-slap").changed({"repeats.feedback": 0.5, "output.blend": 1.0}))
    x = np.zeros(48_000)
    x[0] = 1.0
    y = ideal_delay(subject, x)
    period = round(48 * subject.shown.delay.time_ms)
    gain = subject.circuit.loop_gain(subject.circuit.clock_hz)
    assert np.flatnonzero(np.abs(y) > 1e-12).tolist() == list(range(period, x.size, period))
    assert y[period :: period][1:4] / y[period] == pytest.approx([gain, gain**2, gain**3])


def test_a_tone_above_half_the_clock_is_refused() -> None:
    """For the picture of sampling."""
    with pytest.raises(VoicingError, match=r"--tone-hz must be in 20\.\.\d+ Hz, half the clock \(got 9000\)"):
        build_explanation(library.load("quay-slap"), 9000.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("explained")
    write_explanation(explanation_of("quay-slap"), made)
    return made


def test_the_page_names_every_file_and_none_that_is_absent(folder: Path) -> None:
    """Pictures and sounds beside the page, each shown or offered on it; SVG on the page, PNG for slides."""
    page = (folder / "index.html").read_text()
    named = set(re.findall(r'src="([^"]+)"', page))
    there = {path.name for path in folder.iterdir()}
    assert named <= there
    assert there - named == {"index.html"} | {f"{Path(name).stem}.png" for name in named if name.endswith(".svg")}
    assert "<script" not in page
    assert "Caution" in page
    for snippet in explanation_of("quay-slap").snippets:
        assert soundfile.read(folder / f"{snippet.name}.wav")[0] == pytest.approx(snippet.samples, abs=2**-22)


def test_what_was_there_is_kept(folder: Path, tmp_path: Path) -> None:
    """A file in the way is neither replaced nor removed, nor is anything else written, unless asked."""
    (tmp_path / "runaway.svg").write_text("mine")
    with pytest.raises(FileError, match=r"runaway.svg: the file already exists"):
        write_explanation(explanation_of("quay-slap"), tmp_path)
    assert [path.read_text() for path in tmp_path.iterdir()] == ["mine"]
    with pytest.raises(FileError, match=r"index.html: the file already exists"):
        check_free(folder)
    check_free(folder, overwrite=True)
    check_free(tmp_path)


def test_a_name_is_shown_as_it_is_written() -> None:
    """Dollars are no formula, angle brackets no tag, and control characters steer nothing."""
    built = explanation_of("quay-slap")
    name = "5 $ <b> _x^ \x9b\u202e"
    page = render_page(Explanation(
        built.voicing.changed({"name": "Plain"}).model_copy(update={"name": name}), built.circuit, built.chapters,
        built.omissions, built.flaws, built.runaway, built.louder_lu,
    ))  # fmt: skip
    assert "<h1>5 $ &lt;b&gt; _x^ \\x9b\\u202e</h1>" in page


def test_the_command(tmp_path: Path) -> None:
    """It prints what it wrote and the caution, and refuses to write over it."""
    command = [sys.executable, "-W", "error", "-m", "voicer", "explain", "gull-vibrato", "--out", "shown"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=240)
    assert done.returncode == 0, done.stderr
    assert "shown/index.html" in done.stdout
    assert "Caution" in done.stdout
    again = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=240)
    assert again.returncode == 2
    assert again.stderr.startswith("voicer: shown/index.html: the file already exists; add --overwrite")
