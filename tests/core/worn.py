"""Small made-up references for the tests of the computing core: beats by hand."""

from __future__ import annotations

import numpy as np

from wearbench.core.running import Running


def at(*numbers):
    return np.array(numbers, dtype=float)


def beats(beat_s, usable=None, doubtful=None, mended=None):
    """Beat phase by its definition: one beat an interval, nothing in a gap."""
    beat_s = np.asarray(beat_s, dtype=float)
    length = np.diff(beat_s)

    def flags(given, default):
        return np.full(length.size, default) if given is None else np.asarray(given, dtype=bool)

    def total(step):
        return np.concatenate([[0.0], np.cumsum(step)])

    use = flags(usable, default=True)
    return Running(
        knot_s=beat_s,
        amount=total(use.astype(float)),
        covered_s=total(np.where(use, length, 0.0)),
        mended_s=total(np.where(use & flags(mended, default=False), length, 0.0)),
        doubtful_s=total(np.where(use & flags(doubtful, default=False), length, 0.0)),
        scale=60.0,
    )
