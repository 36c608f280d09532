"""A tapped tempo as a delay time: halved or doubled until the time control reaches it, and never without a word."""

from __future__ import annotations

_SHARES = {
    -3: "an eighth of the tapped time", -2: "a quarter of the tapped time", -1: "half the tapped time",
    1: "twice the tapped time",
}  # fmt: skip


def fit_tap(tapped_ms: float, shortest_ms: float, longest_ms: float) -> tuple[float | None, str]:
    """Find the delay time that keeps step with a tapped interval.

    Parameters
    ----------
    tapped_ms : float, > 0
    shortest_ms, longest_ms : float
        Span of the time control.

    Returns
    -------
    time_ms : float or None
        The interval times the power of two nearest to 1 that brings it into the span; None if none does.
    line : str
        What was done, in words.
    """
    octaves = 0
    while tapped_ms * 2.0**octaves > longest_ms:
        octaves -= 1
    while tapped_ms * 2.0**octaves < shortest_ms and octaves >= 0:
        octaves += 1
    if octaves == 0:
        return tapped_ms, f"tapped {tapped_ms:.0f} ms"
    time_ms = tapped_ms * 2.0**octaves
    side, end_ms = ("beyond", longest_ms) if octaves < 0 else ("below", shortest_ms)
    limit = f"{side} this voicing's {end_ms:.4g} ms"
    if not shortest_ms <= time_ms <= longest_ms:
        span = f"{shortest_ms:.4g}..{longest_ms:.4g} ms"
        return None, f"{tapped_ms:.0f} ms is {limit}, and no half or double of it falls within {span}: time unchanged"
    share = _SHARES.get(octaves) or (
        f"1/{2**-octaves} of the tapped time" if octaves < 0 else f"{2**octaves} times the tapped time"
    )
    return time_ms, f"{tapped_ms:.0f} ms is {limit}: playing {time_ms:.0f} ms, {share}"
