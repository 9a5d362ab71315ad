"""Rate limits: so many of a kind a minute for one visitor, held in memory."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping

LIMITS: Mapping[str, tuple[int, float]] = {
    "look": (120, 2.0),
    "change": (60, 1.0),
    "upload": (10, 10 / 60),
    "ask": (20, 20 / 60),
    "knock": (10, 10 / 60),
}
"""Kind -> how many at once, how many a second after that. ``knock``: a link that opens nothing."""

_MOST_VISITORS = 10_000


class Rates:
    """Buckets that fill with time. ``clock`` gives seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic,
                 limits: Mapping[str, tuple[int, float]] = LIMITS) -> None:
        self._clock = clock
        self._limits = limits
        self._left: dict[tuple[str, str], tuple[float, float]] = {}
        self._guard = threading.Lock()

    def allow(self, kind: str, visitor: str) -> bool:
        """Whether ``visitor`` may do one more of ``kind`` now; counts it if so."""
        most, rate = self._limits[kind]
        now = self._clock()
        with self._guard:
            left, since = self._left.get((kind, visitor), (float(most), now))
            left = min(float(most), left + (now - since) * rate)
            allowed = left >= 1
            self._left[kind, visitor] = (left - 1 if allowed else left, now)
            if len(self._left) > _MOST_VISITORS:
                # Whoever was here longest ago is forgotten: their bucket is full again anyway.
                oldest = min(self._left, key=lambda key: self._left[key][1])
                del self._left[oldest]
        return allowed
