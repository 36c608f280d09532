"""One message that reaches voicer by two ways is one message.

A controller may be connected twice: by voicer itself and by hand to ``voicer:controls``, or by ALSA and again by a
bridge from ALSA to JACK. Pure: the times are passed in.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import takewhile

from voicer.control.messages import ControlChange, Message, Note, TimeMessage

WINDOW_S = 0.03
"""Two ways differ by less than this: both inputs are polled every millisecond, and a bridge adds a JACK period, 21 ms
at 1024 frames and 48 kHz."""


SURE_AFTER = 3
"""So many messages that came twice tell that two inputs are ways of one controller (own choice)."""


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
        self._same: dict[int, int] = {}
        self._repeats: dict[tuple[int, int], int] = {}

    def first_of(self, source: int) -> int:
        """The input whose controller this one brings as well, by another way; the input itself where there is none."""
        return self._same.get(source, source)

    def is_new(self, message: Message, at_s: float, source: int) -> bool:
        """Whether to act on a message that the input ``source`` heard at ``at_s``; False for a double."""
        recent = self._recent.setdefault(_line_of(message), deque())
        while recent and recent[0].at_s < at_s - WINDOW_S:
            recent.popleft()
        since_own = list(takewhile(lambda original: original.source != source, reversed(recent)))
        for original in reversed(since_own):
            if original.message == message and source not in original.heard_by:
                original.heard_by.add(source)
                self._note_repeat(message, original.source, source)
                return False
        recent.append(_Original(message, at_s, source))
        return True

    def _note_repeat(self, message: Message, one: int, other: int) -> None:
        """Take two inputs for two ways of one controller once enough of its messages have come by both.

        Clocks do not count: those of two machines may come at the same time.
        """
        if isinstance(message, TimeMessage):
            return
        pair = min(one, other), max(one, other)
        self._repeats[pair] = self._repeats.get(pair, 0) + 1
        if self._repeats[pair] >= SURE_AFTER:
            first = min(self.first_of(one), self.first_of(other))
            self._same[one] = self._same[other] = first


def _line_of(message: Message) -> tuple[str, int, int]:
    """What a message belongs with: messages of one control, or of one kind."""
    number = -1
    if isinstance(message, ControlChange):
        number = message.controller
    elif isinstance(message, Note):
        number = message.note
    return type(message).__name__, getattr(message, "channel", 0), number
