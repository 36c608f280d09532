"""One block in, one block out, through PortAudio, from one device or from two.

Two devices of one host API run as a single full-duplex stream. Where PortAudio cannot combine them, two streams are
joined by a few blocks of memory. That costs latency (`STORED_BLOCKS`), and as the clocks of the two devices drift
apart, a block of input is dropped or missing now and then; each is reported as an overrun.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import DevicePair
from voicer.errors import PortError

STORED_BLOCKS = 2
"""Blocks of input kept ready between two separate streams."""

DEAF_AFTER_S = 1.0
"""Without a block of input for this long, a pair of separate streams ends itself."""

Block = Callable[[NDArray[np.float32], NDArray[np.float32], bool], None]
"""Called with the input [shape=(frames,)], the output to fill [shape=(frames, channels)], and whether PortAudio
reported an under- or overrun since the last block. Thread: audio."""


class BlockRing:
    """Blocks on their way from an input stream to an output stream: one writer, one reader.

    Parameters
    ----------
    frames : int
        Length of a block.
    """

    def __init__(self, frames: int) -> None:
        self._size = 4 * STORED_BLOCKS
        self._blocks = np.zeros((self._size, frames), np.float32)
        self._written = 0
        self._read = 0
        self._filling = True
        self.missing = 0
        """Blocks in a row that were asked for and not there."""

    def write(self, block: NDArray[np.float32]) -> None:
        """Store a block. Thread: audio (input stream)."""
        self._blocks[self._written % self._size] = block
        self._written += 1

    def read(self, into: NDArray[np.float32]) -> bool:
        """Take the oldest block, or silence; False if one was missing or dropped. Thread: audio (output stream)."""
        stored = self._written - self._read
        if stored < (STORED_BLOCKS if self._filling else 1):
            self._filling = True
            self.missing += 1
            into[:] = 0.0
            return False
        kept = stored <= 2 * STORED_BLOCKS
        if not kept:
            self._read = self._written - STORED_BLOCKS
        into[:] = self._blocks[self._read % self._size]
        self._read += 1
        self._filling, self.missing = False, 0
        return kept


class PortAudioStream:
    """An open stream, or two, returned stopped.

    Parameters
    ----------
    pair : DevicePair
    sample_rate_hz : float
    frames : int
        Block length.
    channels : int
        Of the output.
    block : callable
        See `Block`.
    apart : bool
        Use two streams even where one would do.

    Raises
    ------
    PortError
        When a device cannot be opened this way.
    """

    def __init__(
        self, pair: DevicePair, sample_rate_hz: float, frames: int, channels: int, block: Block, *, apart: bool = False
    ) -> None:
        import sounddevice

        self._pair, self._block, self._ring = pair, block, BlockRing(frames)
        self._heard = np.zeros(frames, np.float32)
        self._stop, self._most_missing = sounddevice.CallbackAbort, DEAF_AFTER_S * sample_rate_hz / frames
        self._how: dict[str, Any] = {
            "samplerate": sample_rate_hz, "blocksize": frames, "dtype": "float32", "latency": "low",
        }  # fmt: skip
        self._channels = min(channels, pair.output.outputs)
        self._streams: list[Any] = []
        self.says = ""
        """What is worth knowing about the way it runs, in words."""
        try:
            self._open(sounddevice, apart)
        except sounddevice.PortAudioError as error:
            self.close()
            raise PortError(
                f"{pair.says}: must run at {sample_rate_hz:g} Hz in blocks of {frames} (got: {error})",
                remedy="try another --device, --input-device, --rate or --frames",
            ) from error

    def start(self) -> None:
        """Let the callback run; `PortError` when a device refuses."""
        import sounddevice

        try:
            for stream in self._streams:
                stream.start()
        except sounddevice.PortAudioError as error:
            self.close()
            raise PortError(f"{self._pair.says}: must start (got: {error})", remedy="see 'voicer devices'") from error

    def close(self) -> None:
        """Stop and let go of the devices."""
        for stream in reversed(self._streams):
            stream.close()
        self._streams.clear()

    def _open(self, sounddevice: Any, apart: bool) -> None:
        source, target = self._pair.input, self._pair.output
        if source is None:
            self._streams = [
                sounddevice.OutputStream(
                    device=target.number, channels=self._channels, callback=self._alone, **self._how
                )
            ]
            return
        if not apart:
            try:
                self._streams = [
                    sounddevice.Stream(
                        device=(source.number, target.number), channels=(1, self._channels), callback=self._both,
                        **self._how,
                    )
                ]  # fmt: skip
            except sounddevice.PortAudioError:
                if source.number == target.number:
                    raise
            else:
                return
        self._streams.append(
            sounddevice.InputStream(device=source.number, channels=1, callback=self._hear, **self._how)
        )
        self._streams.append(
            sounddevice.OutputStream(device=target.number, channels=self._channels, callback=self._speak, **self._how)
        )
        added_ms = 1e3 * STORED_BLOCKS * self._how["blocksize"] / self._how["samplerate"]
        self.says = (
            f"'{source.name}' and '{target.name}' run as two streams: {added_ms:.1f} ms more latency, "
            "and a block of input lost now and then as their clocks drift"
        )

    def _both(self, indata: Any, outdata: Any, _frames: int, _time: Any, status: Any) -> None:
        self._block(indata[:, 0], outdata, bool(status))

    def _alone(self, outdata: Any, _frames: int, _time: Any, status: Any) -> None:
        self._block(self._heard, outdata, bool(status))

    def _hear(self, indata: Any, _frames: int, _time: Any, _status: Any) -> None:
        self._ring.write(indata[:, 0])

    def _speak(self, outdata: Any, _frames: int, _time: Any, status: Any) -> None:
        whole = self._ring.read(self._heard)
        if self._ring.missing > self._most_missing:
            outdata[:] = 0.0
            raise self._stop
        self._block(self._heard, outdata, bool(status) or not whole)
