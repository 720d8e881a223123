"""A photodiode record, and what samples must be to make one: enough of them, numbers, times that increase."""

from __future__ import annotations

import warnings as _warnings
from dataclasses import dataclass

import numpy as np

from blurscope.errors import TraceError

MIN_SAMPLES = 64
MAX_BAD_SHARE = 0.02  # of samples that are not numbers
_LEAST_BETWEEN_CHANGES = 1000  # samples: the sampling interval is then known to 0.1 %


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """One photodiode record.

    Attributes
    ----------
    name : str
        For messages.
    time_s : (n,) float, increasing
    signal : (n,) float
        In the recorder's own unit; only ratios of differences matter.
    dt_s : float
        Median sampling interval.
    dropped : int
        Samples left out because they were not numbers.
    """

    name: str
    time_s: np.ndarray
    signal: np.ndarray
    dt_s: float
    dropped: int = 0


def make_record(name: str, time: np.ndarray, signal: np.ndarray, bad_rows: int, *, time_known: bool) -> Record:
    """Check samples and put them in order.

    Parameters
    ----------
    name : str
        For refusals.
    time, signal : (n,) float
        Seconds, and the recorder's unit; NaN for what is no number.
    bad_rows : int
        Rows that were left out before.
    time_known : bool
        Whether the times were read, not counted from a sample rate.

    Raises
    ------
    TraceError
        Too few samples, too many that are no numbers, times that don't increase, an absurd signal.
    """
    n = len(signal)
    good = np.isfinite(signal)
    good &= np.isfinite(time)
    dropped = int(n - np.count_nonzero(good)) + bad_rows
    if n == 0 or dropped > MAX_BAD_SHARE * (n + bad_rows):
        raise TraceError(
            f"{name}: {dropped} of {n + bad_rows} samples are missing or not numbers (at most 2 % may be); "
            "export the record again"
        )
    if dropped > bad_rows:
        time, signal = time[good], signal[good]
    if len(signal) < MIN_SAMPLES:
        raise TraceError(f"{name} has only {len(signal)} samples; a record needs at least {MIN_SAMPLES}")
    if time_known:
        time = _checked_time(name, time, signal)
    dt = float((time[-1] - time[0]) / (len(time) - 1)) if dropped == 0 else float(np.median(np.diff(time)))
    if not (dt > 0 and np.isfinite(dt)):
        raise TraceError(f"{name}: the sampling interval can't be told from its times; check the time column")
    with _warnings.catch_warnings():
        _warnings.simplefilter("error")
        try:
            spread = float(signal.max() - signal.min())
        except (RuntimeWarning, FloatingPointError):
            spread = float("inf")
    if not np.isfinite(spread) or spread > 1e100 or 0 < spread < 1e-100:
        raise TraceError(f"{name}: the signal has absurd values (range {spread:.3g}); export the record again")
    if spread > 1e9:  # rarely looked at: a single nonsense sample would swallow the digits of all others
        low, high = np.percentile(signal, [1, 99])
        if spread > 1e6 * (high - low):
            raise TraceError(
                f"{name}: the signal has absurd values (range {spread:.3g}, but 98 % of it within {high - low:.3g}); "
                "export the record again"
            )
    return Record(name=name, time_s=time, signal=signal, dt_s=dt, dropped=dropped)


def _checked_time(name: str, time: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Return times that increase; undo the rounding of times printed with too few digits."""
    n = len(time)
    steps = np.diff(time)
    if float(steps.min()) == 0.0 == float(steps.max()):
        raise TraceError(f"{name}: all its times are the same; export more digits, or give --sample-rate-hz")
    if time[-1] <= time[0] or float(steps.min()) < 0:
        back = int(np.count_nonzero(steps <= 0))
        if np.all(np.diff(signal[: min(n, 100_000)]) > 0):
            raise TraceError(
                f"{name}: the column called time does not increase but the signal does, as if the two were swapped; "
                "give --time-column and --signal-column"
            )
        raise TraceError(
            f"{name}: the times run backwards {back} times; record one sweep per file, or check the time column"
        )
    even = np.linspace(time[0], time[-1], n)
    dt = (time[-1] - time[0]) / (n - 1)
    off = float(np.abs(time - even).max())
    if off < 0.02 * dt:
        return even
    if float(steps.min()) == 0.0:
        # Rounded when printed, while the clock itself is even: where the print changes it is known to a sample.
        changes = np.flatnonzero(steps > 0) + 1
        first, last = int(changes[0]), int(changes[-1])
        if last - first >= _LEAST_BETWEEN_CHANGES:
            even = time[first] + (np.arange(n) - first) * ((time[last] - time[first]) / (last - first))
            if float(np.abs(time - even).max()) <= 1.01 * float(steps[steps > 0].min()):
                return even
        raise TraceError(
            f"{name}: times are repeated because they were printed with too few digits; "
            "export more digits, or give --sample-rate-hz"
        )
    if off < dt and float(steps.max()) < 3 * dt:
        return even if _is_rounding(time, even) else time
    return time


def _is_rounding(time: np.ndarray, even: np.ndarray) -> bool:
    """Whether the times differ from an even clock by no more than the rounding of their print."""
    steps = np.diff(time[:10_000])
    values = np.unique(np.round(steps / max(steps.min(), 1e-15), 6))
    return len(values) <= 3 and float(np.abs(time - even).max()) <= 1.01 * float(steps.max() - steps.min())
