"""Finding the coded stimulus in one long record, and cutting the record into its transitions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.errors import TraceError
from blurscope.trace import frequency as fq
from blurscope.trace import segment as sg
from blurscope.trace.prepare import Settings, prepare_found
from blurscope.trace.record import Record
from blurscope.trace.stays import Prepared
from blurscope.trace.stimulus import Segment, Stimulus

_GRID_S = 0.005
_LEAST_MATCH = 0.8  # correlation of a block with the record
_TEMPI = np.linspace(0.97, 1.03, 31)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A record cut by the stimulus.

    Attributes
    ----------
    prepared : Prepared
    indices : dict of (from_level, to_level) to list of int
        Switches of each transition.
    blocks_found, blocks : int
    tempo : float
        Duration in the record over the planned one.
    """

    prepared: Prepared
    indices: dict[tuple[float, float], list[int]]
    blocks_found: int
    blocks: int
    tempo: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """A block with its code: levels, start times in s after the block's start, all at the planned tempo."""

    number: int
    segments: tuple[Segment, ...]
    starts: np.ndarray
    length: float
    offset: float


def _blocks(stimulus: Stimulus) -> list[_Block]:
    out = []
    at = 0
    groups: dict[int, list[tuple[int, Segment]]] = {}
    for s in stimulus.segments:
        if s.block is not None:
            groups.setdefault(s.block, []).append((at, s))
        at += s.refreshes
    for number, members in sorted(groups.items()):
        first = members[0][0]
        starts = np.array([(a - first) / stimulus.refresh_hz for a, _ in members])
        length = sum(s.refreshes for _, s in members) / stimulus.refresh_hz
        out.append(
            _Block(
                number=number,
                segments=tuple(s for _, s in members),
                starts=starts,
                length=length,
                offset=first / stimulus.refresh_hz,
            )
        )
    return out


def _template(block: _Block, tempo: float) -> np.ndarray:
    """Rough light of a block on the coarse grid (a power of 2.2 is near enough to recognise it)."""
    n = int(block.length * tempo / _GRID_S)
    t = (np.arange(n) + 0.5) * _GRID_S
    at = np.searchsorted(block.starts * tempo, t, side="right") - 1
    levels = np.array([s.level for s in block.segments], dtype=float)
    light = (levels[at] / 255) ** 2.2
    # A slow pixel and the light's own smoothing round the corners.
    kernel = np.exp(-np.arange(8) / 2.0)
    return np.convolve(np.pad(light, (7, 0), mode="edge"), kernel / kernel.sum(), mode="valid")


def _match(coarse: np.ndarray, template: np.ndarray, low: int, high: int) -> tuple[float, int]:
    """Return the best normalised correlation and its position for starts from ``low`` to ``high``."""
    n = len(template)
    low, high = max(low, 0), min(high, len(coarse) - n)
    if high < low:
        return -2.0, low
    part = coarse[low : high + n]
    pattern = template - template.mean()
    norm = math.sqrt(float(pattern @ pattern))
    size = 1 << math.ceil(math.log2(len(part) + n))
    cross = np.fft.irfft(np.fft.rfft(part - part.mean(), size) * np.conj(np.fft.rfft(pattern, size)), size)
    cross = cross[: high - low + 1]
    total = np.concatenate([[0.0], np.cumsum(part - part.mean())])
    square = np.concatenate([[0.0], np.cumsum((part - part.mean()) ** 2)])
    sums = total[n:] - total[:-n]
    energy = square[n:] - square[:-n] - sums**2 / n
    floor = 1e-6 * float(square[-1]) * n / len(part) + 1e-300
    score = cross / (norm * np.sqrt(np.maximum(energy, floor)))
    k = int(np.argmax(score))
    return float(score[k]), low + k


def cut_record(record: Record, stimulus: Stimulus, settings: Settings) -> Cut:
    """Find the stimulus in a record and prepare the record with its switches.

    Raises
    ------
    TraceError
        The stimulus is not in the record, or upside down in it.
    """
    signal = -record.signal if settings.inverted else record.signal
    hz = fq.candidate_hz(signal, record.dt_s)
    width = 1.0 / (hz * record.dt_s) if hz else 1.0
    flat = sg.smooth(signal, width)
    time = record.time_s
    if _GRID_S < 2 * record.dt_s:
        raise TraceError(f"{record.name} has {1 / record.dt_s:.4g} samples per second; the codes need at least 400")
    coarse = _coarse(time, flat)
    blocks = _blocks(stimulus)
    found: list[tuple[_Block, float, float]] = []  # block, start s, tempo
    best_score, tempo = -2.0, 1.0
    expected: float | None = None
    for block in blocks:
        low, high = 0, len(coarse)
        tempi: Sequence[float] = _TEMPI.tolist()
        if expected is not None:
            low, high = int((expected - 1.5) / _GRID_S), int((expected + 1.5) / _GRID_S)
            tempi = [tempo * f for f in (0.996, 0.998, 1.0, 1.002, 1.004)]
        score, start, speed = max(
            ((*_match(coarse, _template(block, f), low, high), f) for f in tempi), key=lambda m: m[0]
        )
        best_score = max(best_score, score)
        if score < _LEAST_MATCH:
            if expected is not None:
                expected += block.length * tempo
            continue
        tempo = speed
        found.append((block, float(time[0]) + start * _GRID_S, tempo))
        expected = start * _GRID_S + block.length * tempo
    if not found:
        upside = max(_match(-coarse, _template(b, f), 0, len(coarse))[0] for b in blocks[:1] for f in _TEMPI[::5])
        if upside > _LEAST_MATCH:
            raise TraceError(f"{record.name} holds the stimulus upside down; add --inverted")
        raise TraceError(
            f"the stimulus is not found in {record.name} (best match {max(best_score, 0.0):.2f} of 1, "
            f"{_LEAST_MATCH:g} is needed); check that the steps file belongs to it and "
            "that the diode looks at the patch"
        )
    return _with_switches(record, flat, width, found, stimulus, settings, len(blocks))


def _coarse(time: np.ndarray, flat: np.ndarray) -> np.ndarray:
    edges = np.arange(time[0], time[-1], _GRID_S)
    at = np.searchsorted(time, edges)
    at = np.unique(np.clip(at, 0, len(time) - 1))
    return np.add.reduceat(flat, at) / np.diff(np.append(at, len(flat)))


def _with_switches(
    record: Record,
    flat: np.ndarray,
    width: float,
    found: list[tuple[_Block, float, float]],
    stimulus: Stimulus,
    settings: Settings,
    blocks: int,
) -> Cut:
    """Time every switch in the record and hand the whole to the preparation."""
    switches: list[sg.Switch] = []
    keys: list[object] = [None]  # None: what is shown there is not known, so nothing is learnt from it
    wanted: list[tuple[int, tuple[float, float]]] = []

    def add(time_s: float, rising: bool, rough_s: float, key: object) -> bool:
        if switches and time_s <= switches[-1].time_s:
            return False
        switches.append(sg.Switch(time_s=time_s, rising=rising, rough_s=rough_s))
        keys.append(key)
        return True

    for number, (block, start, tempo) in enumerate(found):
        begin = [start + s * tempo for s in block.starts]
        times, roughs = _timed(record, flat, width, begin, block, tempo)
        if number:
            add(times[0], True, roughs[0], block.segments[0].level)
        for k in range(1, len(block.segments)):
            a, b = block.segments[k - 1].level, block.segments[k].level
            if a != b and add(times[k], b > a, roughs[k], b) and block.segments[k].kind == "level":
                wanted.append((len(switches) - 1, (float(a), float(b))))
        end = start + block.length * tempo
        if (
            number + 1 == len(found)
            or found[number + 1][1] > end + 0.5 * block.segments[0].refreshes / stimulus.refresh_hz
        ):
            add(end, True, roughs[-1], None)
    prepared = prepare_found(record, settings, switches, keys)
    indices: dict[tuple[float, float], list[int]] = {}
    for i, pair in wanted:
        indices.setdefault(pair, []).append(i)
    return Cut(
        prepared=prepared,
        indices=indices,
        blocks_found=len(found),
        blocks=blocks,
        tempo=float(np.median([t for _, _, t in found])),
    )


def _timed(
    record: Record, flat: np.ndarray, width: float, begin: Sequence[float], block: _Block, tempo: float
) -> tuple[list[float], list[float]]:
    """Return when each segment of a block begins in the record, and how long the change roughly takes."""
    time = record.time_s
    n = len(begin)
    ends = [*begin[1:], begin[-1] + block.segments[-1].refreshes * (begin[1] - begin[0]) / block.segments[0].refreshes]
    found = np.full(n, np.nan)
    rough = np.full(n, np.nan)
    floor = 4 * sg.sample_noise(flat)
    for k in range(n):
        if k and block.segments[k].level == block.segments[k - 1].level:
            continue
        before = ends[k - 1] - begin[k - 1] if k else 0.2
        after = ends[k] - begin[k]
        low, high = begin[k] - 0.4 * before, begin[k] + 0.75 * after
        i, j = np.searchsorted(time, [low, high])
        if j - i < 16:
            continue
        piece, when = flat[i:j], time[i:j]
        m = max((j - i) // 8, 2)
        a, b = float(np.median(piece[:m])), float(np.median(piece[-m:]))
        if abs(b - a) <= floor or (k and (b > a) != (block.segments[k].level > block.segments[k - 1].level)):
            continue
        share = (piece - a) / (b - a)
        middle = int(np.argmax(share >= 0.5))
        if middle == 0:
            continue
        found[k] = when[middle]
        down = np.flatnonzero(share[: middle + 1] < 0.2)
        up = np.flatnonzero(share[middle:] >= 0.8)
        start = when[down[-1]] if down.size else when[0]
        stop = when[middle + up[0]] if up.size else when[-1]
        rough[k] = 1.8 * (stop - start)
    offset = found - np.asarray(begin)
    known = np.flatnonzero(np.isfinite(offset))
    if known.size == 0:
        return list(begin), [0.05] * n
    # A found time far off its neighbours' (a small step in noise) gives way to theirs.
    smooth = np.array([float(np.median(offset[known[np.argsort(np.abs(known - k))[:7]]])) for k in range(n)])
    odd = ~np.isfinite(offset) | (np.abs(offset - smooth) > 0.12)
    offset = np.where(odd, smooth, offset)
    typical = float(np.nanmedian(rough))
    rough = np.where(np.isfinite(rough), rough, typical)
    least = 2 * width * record.dt_s
    return [float(v) for v in np.asarray(begin) + offset], [float(max(v, least)) for v in rough]
