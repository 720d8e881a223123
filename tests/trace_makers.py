"""Records of a patch that toggles between two levels, from a closed form of its step, made here and nowhere else."""

import numpy as np

LN9 = float(np.log(9.0))
LATE_S = 0.00037  # by which switches come after whole stays, so that they meet no sample


def toggling(step, *, rate=20_000, low=0.1, high=0.9, switches=6, dwell=0.25):
    """Time and signal without noise; ``step`` runs 0 to 1 against ms."""
    t = np.arange(int(rate * dwell * (switches + 1))) / rate
    y = np.full(len(t), low)
    for k in range(switches):
        at = (k + 1) * dwell + LATE_S
        a, b = (low, high) if k % 2 == 0 else (high, low)
        late = t >= at
        y[late] = a + (b - a) * step(1000 * (t[late] - at))
    return t, y


def exponential(tr):
    """Return the step of a pixel that takes ``tr`` ms from 10 to 90 %."""
    return lambda ms: -np.expm1(-ms * LN9 / tr)
