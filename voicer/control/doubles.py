"""One message that reaches voicer by two ways is one message.

A controller may be connected twice: by voicer itself and by hand to ``voicer:controls``, or by ALSA and again by a
bridge from ALSA to JACK. Pure: the times are passed in.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import takewhile

from voicer.control.messages import ControlChange, Message, Note

WINDOW_S = 0.03
"""Two ways differ by less than this: both inputs are polled every millisecond, and a bridge adds a JACK period, 21 ms
at 1024 frames and 48 kHz."""


@dataclass
class _Original:
    message: Message
    at_s: float
    source: int
    heard_by: set[int] = field(default_factory=set)


class Doubles:
    """Recognises the second arrival of a message, one for one.

    A message is a double when another input brought the same bytes less than `WINDOW_S` ago, this input has not yet
    repeated that one, and has brought nothing of its own on that controller since. So two equal messages of one input
    are both new, and two controllers that move the same control do not silence each other.
    """

    def __init__(self) -> None:
        self._recent: dict[tuple[str, int, int], deque[_Original]] = {}

    def is_new(self, message: Message, at_s: float, source: int) -> bool:
        """Whether to act on a message that the input ``source`` heard at ``at_s``; False for a double."""
        recent = self._recent.setdefault(_line_of(message), deque())
        while recent and recent[0].at_s < at_s - WINDOW_S:
            recent.popleft()
        since_own = list(takewhile(lambda original: original.source != source, reversed(recent)))
        for original in reversed(since_own):
            if original.message == message and source not in original.heard_by:
                original.heard_by.add(source)
                return False
        recent.append(_Original(message, at_s, source))
        return True


def _line_of(message: Message) -> tuple[str, int, int]:
    """What a message belongs with: messages of one control, or of one kind."""
    number = -1
    if isinstance(message, ControlChange):
        number = message.controller
    elif isinstance(message, Note):
        number = message.note
    return type(message).__name__, getattr(message, "channel", 0), number
