"""Photodiode records of a simulated display: the light of one patch that switches, as an oscilloscope would store it.

The truth is put in as functions (step response, level-to-light law, emission), never as the shapes that the reduction
fits, and nothing here is shared with `blurscope.trace`: two roads to the same number.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from blurscope.errors import SettingsError
from blurscope.files import check_output, write_bytes

Step = Callable[[np.ndarray], np.ndarray]  # light step 0 -> 1 against ms since the switch; 0 before it


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """How the backlight (or the emitting pixel) is driven.

    Attributes
    ----------
    kind : {"hold", "pwm", "sine"}
    frequency_hz : float
    duty : float
        Share of the period at the high value, ``pwm`` only.
    depth : float
        ``pwm``: 1 minus low over high (1 is fully off between pulses); ``sine``: amplitude over mean.
    phase : float
        Of the first period, 0 to 1.
    locked : bool
        Whether every switch falls on the same phase (the frequency then is a whole multiple of the refresh).
    """

    kind: str = "hold"
    frequency_hz: float = 240.0
    duty: float = 0.5
    depth: float = 0.5
    phase: float = 0.0
    locked: bool = False

    def __post_init__(self) -> None:
        if self.kind not in ("hold", "pwm", "sine"):
            raise ValueError("kind is hold, pwm or sine")
        if self.frequency_hz <= 0 or not 0 < self.duty <= 1 or not 0 <= self.depth <= 1:
            raise ValueError("frequency above 0, duty in (0, 1], depth in [0, 1]")

    def weight(self, time_s: np.ndarray) -> np.ndarray:
        """Return the emission against time, its mean over a period 1."""
        if self.kind == "hold":
            return np.ones_like(time_s)
        turn = (time_s * self.frequency_hz + self.phase) % 1.0
        if self.kind == "sine":
            return 1.0 + self.depth * np.sin(2 * np.pi * turn)
        low = 1.0 - self.depth
        return np.where(turn < self.duty, 1.0, low) / (self.duty + (1 - self.duty) * low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """Photodiode, amplifier and digitiser.

    Attributes
    ----------
    sample_rate_hz : float
    noise_of_step : float
        Rms noise as a share of the record's own light step.
    noise_of_white : float
        Rms noise as a share of the light of level 255, added in square.
    bits : int or None
        Digitiser resolution over the record's range plus a tenth; ``None`` is unquantised.
    bandwidth_hz : float or None
        First-order amplifier.
    volts_per_light, dark_v : float
    """

    sample_rate_hz: float = 50_000.0
    noise_of_step: float = 0.0
    noise_of_white: float = 0.0
    bits: int | None = 8
    bandwidth_hz: float | None = None
    volts_per_light: float = 2.0
    dark_v: float = 0.05


def watch(
    light_of_time: Callable[[np.ndarray], np.ndarray],
    duration_s: float,
    emission: Emission,
    detector: Detector,
    rng: np.random.Generator,
    *,
    noise_rms: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Return time (s) and volts of a patch whose hold-type light is ``light_of_time(time_s)``.

    Parameters
    ----------
    light_of_time : callable
        Light of the pixel without the backlight's modulation, relative to white.
    duration_s : float
    emission : Emission
    detector : Detector
    rng : numpy.random.Generator
    noise_rms : float
        In light.
    """
    count = math.floor(duration_s * detector.sample_rate_hz)
    fine = 1
    if detector.bandwidth_hz is not None:
        fine = max(4, math.ceil(40 * detector.bandwidth_hz / detector.sample_rate_hz))
    grid = np.arange(count * fine) / (detector.sample_rate_hz * fine)
    light = light_of_time(grid) * emission.weight(grid)
    if detector.bandwidth_hz is not None:
        from scipy.signal import lfilter

        # Exact for light that is linear between grid points (first-order hold of a single pole).
        x = 2 * np.pi * detector.bandwidth_hz / (detector.sample_rate_hz * fine)
        decay = math.exp(-x)
        new = 1 - (1 - decay) / x
        old = (1 - decay) / x - decay
        light = lfilter([new, old], [1.0, -decay], light, zi=[(1 - new) * light[0]])[0]
    light = light[::fine]
    volts = detector.dark_v + detector.volts_per_light * (light + rng.normal(0.0, 1.0, count) * noise_rms)
    if detector.bits is not None:
        low, high = float(volts.min()), float(volts.max())
        lsb = (high - low) * 1.1 / (2**detector.bits - 1) or 1.0
        volts = np.round(volts / lsb) * lsb
    return grid[::fine], volts


def square_wave(
    step_up: Step, step_down: Step, low: float, high: float, switches_s: Sequence[float], *, up_first: bool = True
) -> Callable[[np.ndarray], np.ndarray]:
    """Return light against time for a patch that switches up and down in turn.

    Every switch is taken to start from the settled level, so the dwell must be longer than the response.
    """

    def light(time_s: np.ndarray) -> np.ndarray:
        out = np.full(len(time_s), low if up_first else high)
        up = up_first
        bounds = [*np.searchsorted(time_s, switches_s), len(time_s)]
        for k, switch in enumerate(switches_s):
            part = slice(bounds[k], bounds[k + 1])
            age_ms = 1000.0 * (time_s[part] - switch)
            if up:
                out[part] = low + (high - low) * step_up(age_ms)
            else:
                out[part] = high - (high - low) * step_down(age_ms)
            up = not up
        return out

    return light


def write_records(
    folder: str | os.PathLike[str],
    steps: Mapping[tuple[int, int], Step],
    light_of_level: Callable[[float], float],
    *,
    refresh_hz: float = 60.0,
    emission: Emission | None = None,
    detector: Detector | None = None,
    repeats: int = 4,
    dwell_s: float = 0.25,
    latency_ms: float = 0.0,
    switch_times: bool = False,
    seed: int = 0,
    overwrite: bool = False,
) -> Path:
    """Write one CSV record per pair of levels, up and down in turn, and ``transitions.csv``; return its path.

    Parameters
    ----------
    folder : path-like
        Must exist.
    steps : mapping of (from_level, to_level) to callable
        Light steps 0 -> 1 against ms since the switch of the pixel. Of each pair both directions have to be there.
    light_of_level : callable
        The display's law, white 1.
    refresh_hz : float
        Switches fall on refreshes.
    emission, detector : optional
    repeats : int
        Ups (and as many downs) per record.
    dwell_s : float
        Time per level, rounded to whole refreshes.
    latency_ms : float
        From the drive (the time in the list) to the switch of the pixel.
    switch_times : bool
        Whether the list tells them.
    seed : int
    overwrite : bool

    Raises
    ------
    SettingsError
        A pair without its other direction, or nothing to write.
    OutputError
    """
    emission = emission or Emission()
    detector = detector or Detector()
    folder = Path(folder)
    pairs = sorted({tuple(sorted(p)) for p in steps})
    if not pairs:
        raise SettingsError("there is no transition to record; give at least two levels")
    for low, high in pairs:
        if (low, high) not in steps or (high, low) not in steps:
            raise SettingsError(f"the record of {low} and {high} needs the step both ways")
    index = folder / "transitions.csv"
    files = [folder / f"levels_{low:03d}_{high:03d}.csv" for low, high in pairs]
    for path in [index, *files]:
        check_output(path, overwrite=overwrite)
    rows: list[list[object]] = []
    for number, ((low, high), path) in enumerate(zip(pairs, files, strict=True)):
        rng = np.random.default_rng([seed, number])
        period = max(1, round(dwell_s * refresh_hz)) / refresh_hz
        start = period + rng.uniform(0.0, 1.0 / refresh_hz)
        switches = [start + k * period for k in range(2 * repeats)]
        if emission.locked:
            drive = Emission(
                kind=emission.kind,
                frequency_hz=max(1, round(emission.frequency_hz / refresh_hz)) * refresh_hz,
                duty=emission.duty,
                depth=emission.depth,
                phase=(emission.phase - start * max(1, round(emission.frequency_hz / refresh_hz)) * refresh_hz) % 1.0,
            )
        else:
            drive = emission
        a, b = float(light_of_level(low)), float(light_of_level(high))
        light = square_wave(steps[low, high], steps[high, low], a, b, switches)
        noise = math.hypot(detector.noise_of_step * (b - a), detector.noise_of_white * float(light_of_level(255)))
        time_s, volts = watch(light, switches[-1] + period, drive, detector, rng, noise_rms=noise)
        write_bytes(path, record_csv(time_s, volts), overwrite=overwrite)
        for k, (x, y) in zip(range(2 * repeats), itertools.cycle(((low, high), (high, low)))):
            if switch_times:
                rows.append([path.name, x, y, f"{switches[k] - latency_ms / 1000:.7f}"])
            elif k < 2:
                rows.append([path.name, x, y])
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["file", "from_level", "to_level"] + (["switch_time_s"] if switch_times else []))
    writer.writerows(rows)
    write_bytes(index, text.getvalue().encode(), overwrite=overwrite)
    return index


def record_csv(time_s: np.ndarray, volts: np.ndarray) -> bytes:
    """Return a record as CSV text with the columns ``time_s,signal_v``."""
    texts: dict[float, str] = {}
    lines = ["time_s,signal_v"]
    for t, v in zip(time_s.tolist(), volts.tolist(), strict=True):
        shown = texts.get(v)
        if shown is None:
            shown = texts[v] = f"{v:.6g}"
        lines.append(f"{t:.7f},{shown}")
    return ("\n".join(lines) + "\n").encode()
