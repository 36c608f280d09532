"""Everything an explanation of a voicing holds: its chapters, its sounds, and the caution that goes with them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from voicer.circuit import Circuit
from voicer.errors import VoicingError
from voicer.explain.chapter import Array, Chapter, Omission, Snippet
from voicer.explain.claims import Claim, subject_of
from voicer.explain.devices import demonstrate_devices
from voicer.explain.flaws import PEAK_DB, Flawed, demonstrate_flaws
from voicer.explain.folding import demonstrate_folding
from voicer.explain.modulation import demonstrate_modulation
from voicer.explain.repeats import demonstrate_repeats
from voicer.explain.runaway import Runaway, demonstrate_runaway
from voicer.explain.sampling import demonstrate_sampling
from voicer.measure import probes
from voicer.measure.meters import loudest_lufs
from voicer.voicing import Voicing

HIGHEST_TONE_HZ, TONE_AT = 2000.0, 0.2
"""The tone of the sampling picture: this share of the clock, at most this."""


@dataclass(frozen=True)
class Explanation:
    """Chapters in the order of the signal path, then the sounds of one flaw at a time."""

    voicing: Voicing
    circuit: Circuit
    chapters: tuple[Chapter, ...]
    omissions: tuple[Omission, ...]
    flaws: Flawed
    runaway: Snippet | None
    louder_lu: float | None
    """Loudest moment of the runaway relative to the phrases, LU."""

    @property
    def snippets(self) -> tuple[Snippet, ...]:
        """All sounds."""
        heard = [snippet for chapter in self.chapters for snippet in chapter.snippets]
        return (*heard, *((self.runaway,) if self.runaway else ()), *self.flaws.snippets)

    @property
    def caution(self) -> str:
        """What to mind before playing the sounds."""
        first = "Caution: start with the volume low, headphones lowest."
        if self.louder_lu is None or self.louder_lu < 1:
            return f"{first} No sound is louder than the phrases by 1 LU or more."
        return f"{first} The runaway grows until it is {self.louder_lu:.0f} LU louder than the phrases."


def build_explanation(
    voicing: Voicing, tone_hz: float | None = None, progress: Callable[[float], None] = lambda done: None
) -> Explanation:
    """Play, measure and put into words why a voicing sounds as it does.

    Parameters
    ----------
    voicing : Voicing
    tone_hz : float, optional
        Of the sampling picture; a fifth of the clock, at most 2 kHz, if left out.
    progress : callable
        Called with the share done, 0..1.

    Raises
    ------
    CircuitError
        When no circuit can be designed for the voicing.
    VoicingError
        When the tone is above half the clock.
    """
    subject = subject_of(voicing)
    circuit = subject.circuit
    tone_hz = tone_hz or min(TONE_AT * circuit.clock_hz, HIGHEST_TONE_HZ)
    highest_hz = min(circuit.clock_hz / 2, probes.RATE_HZ / 2)
    if not 20 <= tone_hz < highest_hz:
        raise VoicingError(
            f"--tone-hz must be in 20..{highest_hz:.0f} Hz, half the clock (got {tone_hz:g})",
            remedy="the picture of folding shows what happens above",
        )
    found: list[Chapter | Omission] = [demonstrate_sampling(subject, float(tone_hz))]
    demonstrations: tuple[Callable[..., Sequence[Chapter | Omission]], ...] = (
        demonstrate_folding, demonstrate_repeats, demonstrate_modulation, demonstrate_devices, demonstrate_runaway,
    )  # fmt: skip
    for number, demonstrate in enumerate(demonstrations, start=1):
        found += demonstrate(subject)
        progress(number / (len(demonstrations) + 2))
    flaws = demonstrate_flaws(subject)
    runaway, louder_lu = _runaway_snippet(found, flaws)
    progress(1.0)
    return Explanation(
        voicing, circuit, tuple(one for one in found if isinstance(one, Chapter)),
        tuple(one for one in found if isinstance(one, Omission)), flaws, runaway, louder_lu,
    )  # fmt: skip


def _runaway_snippet(found: list[Chapter | Omission], flaws: Flawed) -> tuple[Snippet | None, float | None]:
    """The runaway at the phrases' own gain, as loud beside them as it is, turned down where it would clip."""
    chapter = next((one for one in found if isinstance(one, Runaway)), None)
    if chapter is None:
        return None, None
    highest = float(np.abs(chapter.heard).max())
    gain = min(flaws.gain, 10 ** (PEAK_DB / 20) / highest)
    samples: Array = gain * chapter.heard
    louder_lu = loudest_lufs(samples, probes.RATE_HZ) - flaws.loudness_lufs
    turned_db = 20 * float(np.log10(gain / flaws.gain))
    how = Claim(
        "runaway.loudness", "At the same gain as the phrases below; its loudest moment is {louder_lu:+.1f} LU relative "
        "to them.", {"louder_lu": louder_lu},
    )  # fmt: skip
    if turned_db < 0:
        how = Claim(
            "runaway.turned_down", "Turned down by {turned_db:.1f} dB against the phrases below, so that it does not "
            "clip; its loudest moment is then {louder_lu:+.1f} LU relative to them.",
            {"turned_db": -turned_db, "louder_lu": louder_lu},
        )  # fmt: skip
    return Snippet("runaway", "the runaway", (how,), samples, chapter.subject), louder_lu
