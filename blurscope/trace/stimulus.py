"""The stimulus for a photodiode: a small patch that goes through every transition in a coded order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.errors import SettingsError

SCHEMA = "blurscope.steps/1"
LEAST_DWELL_S = 1.0 / 6.0  # three opposing pairs of changes per second at most (WCAG 2.3.1)
CODE_UNIT_S = 0.2  # codes change no faster than 2.5 times per second
LEAD_S = 1.0
# Runs of white and black in turn, in code units, white first; no code begins another, and none occurs inside one.
START_RUNS = (3, 1, 1, 2, 1, 1)
SYNC_RUNS = (2, 2, 1, 1)
END_RUNS = (1, 1, 2, 1, 1, 3)
INDEX_BITS = 5  # of a block's number, in the runs after SYNC_RUNS: white for 1 or 2 units, black for 1
MAX_PATCH_SHARE = 0.1  # of the screen's area


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One stay of the patch at a level.

    Attributes
    ----------
    level : int
    refreshes : int
    kind : {"lead", "code", "first", "level"}
        ``level`` stays are reached by a transition that counts; ``first`` begins a block.
    block : int or None
    """

    level: int
    refreshes: int
    kind: str
    block: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """The whole sequence and how it is shown."""

    levels: tuple[int, ...]
    refresh_hz: float
    repeats: int
    dwell_s: float
    segments: tuple[Segment, ...]
    width_px: int
    height_px: int
    patch_px: int
    seed: int

    @property
    def refreshes(self) -> int:
        return sum(s.refreshes for s in self.segments)

    def level_at(self, refresh: int) -> int:
        """Return the level of the patch at a refresh."""
        for s in self.segments:
            if refresh < s.refreshes:
                return s.level
            refresh -= s.refreshes
        return self.segments[-1].level

    def worst_flashes_per_s(self) -> float:
        """Largest number of opposing pairs of changes in any second."""
        at, times = 0, []
        for a, b in zip(self.segments[:-1], self.segments[1:], strict=True):
            at += a.refreshes
            if a.level != b.level:
                times.append((at / self.refresh_hz, b.level > a.level))
        opposing = [t for (t, up), (_, before) in zip(times[1:], times[:-1], strict=True) if up != before]
        worst = 0
        for i, t in enumerate(opposing):
            worst = max(worst, sum(1 for u in opposing[i:] if u < t + 1.0 - 1e-9))
        # Each flash is a pair of opposing changes.
        return math.ceil(worst / 2)

    def as_json(self) -> dict[str, Any]:
        """Return the ``blurscope.steps/1`` object."""
        return {
            "schema": SCHEMA,
            "version": __version__,
            "levels": list(self.levels),
            "refresh_hz": self.refresh_hz,
            "repeats": self.repeats,
            "dwell_s": self.dwell_s,
            "code_unit_s": CODE_UNIT_S,
            "seed": self.seed,
            "refreshes": self.refreshes,
            "duration_s": self.refreshes / self.refresh_hz,
            "screen": {"width_px": self.width_px, "height_px": self.height_px, "patch_px": self.patch_px},
            "safety": {
                "flashes_per_s": self.worst_flashes_per_s(),
                "patch_share": self.patch_px**2 / (self.width_px * self.height_px),
            },
            "segments": [
                {"level": s.level, "refreshes": s.refreshes, "kind": s.kind, "block": s.block} for s in self.segments
            ],
        }


def level_codes(levels: str | int) -> tuple[int, ...]:
    """Return the level codes that ``5`` (evenly spaced) or ``0,64,255`` (these) stand for.

    Raises
    ------
    SettingsError
    """
    text = str(levels).strip()
    try:
        if "," in text:
            codes = sorted({int(v) for v in text.split(",")})
        else:
            n = int(text)
            if not 2 <= n <= 17:
                raise SettingsError(f"{n} levels can't be used; give 2 to 17, or codes such as 0,64,255")
            codes = [math.floor(255 * i / (n - 1) + 0.5) for i in range(n)]
    except ValueError:
        raise SettingsError(
            f"the levels {text!r:.40} can't be used; give a number such as 5, or codes 0,64,255"
        ) from None
    if len(codes) < 2 or codes[0] < 0 or codes[-1] > 255:
        raise SettingsError(f"the levels {text!r:.40} can't be used; give at least two different codes from 0 to 255")
    return tuple(codes)


def _circuit(levels: Sequence[int], rng: np.random.Generator) -> list[int]:
    """Return a closed walk over all ordered pairs, each once (Hierholzer), from the first level."""
    left = {a: [b for b in levels if b != a] for a in levels}
    for others in left.values():
        rng.shuffle(others)
    stack, walk = [levels[0]], []
    while stack:
        here = stack[-1]
        if left[here]:
            stack.append(left[here].pop())
        else:
            walk.append(stack.pop())
    return walk[::-1]


def _runs(runs: Sequence[int], unit: int, block: int | None, *, white_first: bool = True) -> list[Segment]:
    return [
        Segment(level=255 if (k % 2 == 0) == white_first else 0, refreshes=n * unit, kind="code", block=block)
        for k, n in enumerate(runs)
    ]


def sync_runs(block: int) -> tuple[int, ...]:
    """Return the runs of the code before a block: the resynchronisation mark and the block's number."""
    bits = [(block >> k) & 1 for k in reversed(range(INDEX_BITS))]
    return (*SYNC_RUNS, *[n for bit in bits for n in (1 + bit, 1)])


def plan_stimulus(
    levels: Sequence[int],
    *,
    refresh_hz: float = 60.0,
    repeats: int = 3,
    dwell_s: float = 0.25,
    size_px: tuple[int, int] = (1280, 720),
    patch_px: int | None = None,
    block_transitions: int = 44,
    seed: int = 1,
) -> Stimulus:
    """Lay out the sequence.

    Parameters
    ----------
    levels : sequence of int
    refresh_hz : float
    repeats : int
        How often each transition is shown.
    dwell_s : float
        Stay at each level; at least 1/6 s.
    size_px : (int, int)
    patch_px : int, optional
        Side of the patch; an eighth of the shorter side by default.
    block_transitions : int
        Transitions between two resynchronisation codes.
    seed : int
        Of the order.

    Raises
    ------
    SettingsError
    """
    if not (math.isfinite(refresh_hz) and 20 <= refresh_hz <= 1000):
        raise SettingsError(f"a refresh rate of {refresh_hz:g} Hz can't be used; give 20 to 1000")
    if not (math.isfinite(dwell_s) and LEAST_DWELL_S - 1e-9 <= dwell_s <= 10):
        raise SettingsError(
            f"a stay of {dwell_s:g} s can't be used; give 1/6 s (no more than three flashes per second) to 10 s"
        )
    if not 1 <= repeats <= 50:
        raise SettingsError(f"{repeats} repeats can't be used; give 1 to 50")
    width, height = size_px
    if not (64 <= width <= 16384 and 64 <= height <= 16384):
        raise SettingsError(f"a screen of {width}x{height} px can't be used; give 64 to 16384 each way")
    side = max(min(width, height) // 8, 16) if patch_px is None else patch_px
    if not 4 <= side or side * side > MAX_PATCH_SHARE * width * height or side > min(width, height):
        raise SettingsError(
            f"a patch of {side} px is not small on {width}x{height} px; at most "
            f"{math.isqrt(int(MAX_PATCH_SHARE * width * height))} px may flash"
        )
    rng = np.random.default_rng(seed)
    walk = [levels[0]]
    for _ in range(repeats):
        walk += _circuit(list(levels), rng)[1:]
    count = len(walk) - 1
    blocks = max(1, math.ceil(count / block_transitions))
    if blocks > 2**INDEX_BITS:
        block_transitions = math.ceil(count / 2**INDEX_BITS)
        blocks = math.ceil(count / block_transitions)
    dwell = math.ceil(dwell_s * refresh_hz - 0.01)
    unit = math.ceil(CODE_UNIT_S * refresh_hz - 0.01)
    lead = math.ceil(LEAD_S * refresh_hz)
    segments = [Segment(level=0, refreshes=lead, kind="lead", block=None)]
    segments += _runs(START_RUNS, unit, None)
    per = math.ceil(count / blocks)
    for b in range(blocks):
        segments += _runs(sync_runs(b), unit, b)
        part = walk[b * per : (b + 1) * per + 1]
        segments.append(Segment(level=part[0], refreshes=dwell, kind="first", block=b))
        segments += [Segment(level=v, refreshes=dwell, kind="level", block=b) for v in part[1:]]
        segments.append(Segment(level=0, refreshes=dwell, kind="code", block=b))
    segments += _runs(END_RUNS, unit, None)
    segments.append(Segment(level=0, refreshes=lead, kind="lead", block=None))
    return Stimulus(
        levels=tuple(levels),
        refresh_hz=refresh_hz,
        repeats=repeats,
        dwell_s=dwell_s,
        segments=tuple(segments),
        width_px=width,
        height_px=height,
        patch_px=side,
        seed=seed,
    )


def stimulus_of(data: dict[str, Any], name: str) -> Stimulus:
    """Return the stimulus that a ``blurscope.steps/1`` file describes.

    Raises
    ------
    SettingsError
        Nonsense in the file.
    """
    try:
        segments = tuple(
            Segment(
                level=_int(s["level"], 0, 255),
                refreshes=_int(s["refreshes"], 1, 10**7),
                kind=str(s["kind"]),
                block=None if s["block"] is None else _int(s["block"], 0, 10**6),
            )
            for s in data["segments"]
        )
        screen = data["screen"]
        refresh_hz = float(data["refresh_hz"])
        out = Stimulus(
            levels=tuple(_int(v, 0, 255) for v in data["levels"]),
            refresh_hz=refresh_hz,
            repeats=_int(data["repeats"], 1, 10**6),
            dwell_s=float(data["dwell_s"]),
            segments=segments,
            width_px=_int(screen["width_px"], 1, 10**6),
            height_px=_int(screen["height_px"], 1, 10**6),
            patch_px=_int(screen["patch_px"], 1, 10**6),
            seed=int(data["seed"]),
        )
    except (KeyError, TypeError, ValueError) as exc:
        what = f"{exc!s:.60}" or type(exc).__name__
        raise SettingsError(f"{name} is not a usable steps file ({what}); make it again with 'steps'") from None
    kinds = {s.kind for s in segments}
    if not (1 <= refresh_hz <= 10_000) or len(segments) < 4 or not kinds <= {"lead", "code", "first", "level"}:
        raise SettingsError(
            f"{name} is not a usable steps file (its sequence makes no sense); make it again with 'steps'"
        )
    if not any(s.kind == "level" for s in segments):
        raise SettingsError(f"{name} holds no transition; make it again with 'steps'")
    return out


def _int(value: Any, low: int, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{value!r:.30} is not a whole number from {low} to {high}")
    return value
