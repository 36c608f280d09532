"""A take rendered again: through the moves that were made, or with another voicing, other parts, another unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.rendering import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.errors import FileError
from voicer.play.sound import Sound

if TYPE_CHECKING:
    from voicer.board import PartChoice
    from voicer.library.takes import Take
    from voicer.voicing import Voicing

_STEP = 1 << 15


def render_take(
    take: Take,
    *,
    voicing: Voicing | None = None,
    parts_for: Callable[[Voicing], PartChoice] | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> NDArray[np.float32]:
    """The dry track through the recorded moves.

    Parameters
    ----------
    take : Take
    voicing : Voicing, optional
        Played in place of all that were; bypasses and mutes stay as they were.
    parts_for : callable, optional
        Gives the parts to hear of a voicing, in place of those that were heard.
    progress : callable, optional
        Told the share done, 0..1.

    Returns
    -------
    float32 [shape=(frames,)]
        With neither, the samples that were heard: the state at the begin, the noise and every set of numbers are those
        of the performance. Otherwise the echo begins empty.

    Raises
    ------
    FileError
        When the take holds no sound to begin with, or was played in a rack with other units.
    """
    where, file = str(take.path), take.file
    if file.rack != DEFAULT_RACK:
        raise FileError(f"the take must have been played through the echo alone (got {', '.join(file.rack)})",
                        where=where, remedy="render its dry.flac with voicer render")
    if not LOWEST_RATE_HZ <= file.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise FileError(f"sample_rate_hz must be in {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ} "
                        f"(got {file.sample_rate_hz:g})", where=where, remedy="the take is damaged")
    sounds = [(frame, Sound.from_json(data)) for frame, data in take.sounds]
    if not sounds or sounds[0][0] > 0:
        raise FileError("the take says no sound to begin with", where=where,
                        remedy="render its dry.flac with voicer render")
    if voicing is not None:
        sounds = [(frame, sound.changed(voicing=voicing, parts=sound.parts.fitted(voicing)[0]))
                  for frame, sound in sounds]  # fmt: skip
    if parts_for is not None:
        sounds = [(frame, sound.changed(parts=parts_for(sound.voicing))) for frame, sound in sounds]
    dry = take.samples("dry")
    engine = SteppedEngine(file.rack, file.sample_rate_hz, file.block_frames)
    engine.start(sounds[0][1].numbers)
    try:
        if voicing is None and parts_for is None:
            engine.restore(take.state())
        heard, at = [], 0
        for (frame, sound), until in zip(sounds, [frame for frame, _ in sounds[1:]] + [dry.size], strict=True):
            if frame > 0:
                engine.send(sound.numbers(file.sample_rate_hz))
            until = min(until, dry.size)
            while at < until:
                upto = min(at + _STEP // file.block_frames * file.block_frames, until)
                heard.append(engine.play(dry[at:upto]))
                at = upto
                progress(at / dry.size)
        return np.concatenate(heard) if heard else np.zeros(0, np.float32)
    except ValueError as error:
        raise FileError(str(error), where=where, remedy="render it with the voicer that recorded it") from error
    finally:
        engine.stop()
