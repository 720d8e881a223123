"""Circuits of levels: closed walks that take every wanted transition exactly once."""

from __future__ import annotations

import math

import numpy as np

from blurscope.errors import PatternError

MIN_FLASH_SWING = 0.1  # of the maximum luminance; WCAG 2.x definition of a general flash
MAX_DARKER_STATE = 0.8


def edge_levels(count: int) -> tuple[int, ...]:
    """Return the level codes ``floor(255 i / (N - 1) + 0.5)`` for ``count`` levels."""
    if not 2 <= count <= 17:
        raise PatternError(f"{count} levels asked for; a plate takes 2 to 17")
    return tuple(math.floor(255 * i / (count - 1) + 0.5) for i in range(count))


def all_pairs(levels: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return all ordered pairs of different levels."""
    return [(a, b) for a in levels for b in levels if a != b]


def split_pairs(levels: tuple[int, ...], plates: int, seed: int = 0) -> list[list[tuple[int, int]]]:
    """Share all ordered pairs among plates, both directions of a pair together, each share connected.

    A share that is connected and holds both directions of its pairs has a closed circuit (every level is entered
    as often as it is left).
    """
    unordered = [(a, b) for i, a in enumerate(levels) for b in levels[i + 1 :]]
    if plates == 1:
        return [all_pairs(levels)]
    rng = np.random.default_rng(seed)
    for _ in range(2000):
        order = [unordered[i] for i in rng.permutation(len(unordered))]
        shares = [order[p::plates] for p in range(plates)]
        if all(_connected(share) for share in shares):
            return [sorted([(a, b) for a, b in share] + [(b, a) for a, b in share]) for share in shares]
    raise PatternError(f"{len(levels)} levels can't be shared among {plates} plates; ask for fewer plates")


def _connected(pairs: list[tuple[int, int]]) -> bool:
    if not pairs:
        return False
    reached, todo = {pairs[0][0]}, [pairs[0][0]]
    while todo:
        at = todo.pop()
        for a, b in pairs:
            for here, there in ((a, b), (b, a)):
                if here == at and there not in reached:
                    reached.add(there)
                    todo.append(there)
    return reached == {level for pair in pairs for level in pair}


def opposing_flashes(circuit: tuple[int, ...], gamma: float = 2.2) -> int:
    """Count the pairs of opposing luminance changes along a closed circuit (WCAG general flash).

    A flash is a pair of opposing changes of 10 % or more of the maximum luminance whose darker state is below 0.8.
    Runs of changes in one direction count as one change.
    """
    light = [(level / 255) ** gamma for level in circuit]
    extremes = []
    n = len(light)
    for i in range(n):
        before, here, after = light[i - 1], light[i], light[(i + 1) % n]
        if (here - before) * (after - here) < 0:
            extremes.append(here)
    swings = 0
    for i, here in enumerate(extremes):
        after = extremes[(i + 1) % len(extremes)]
        if abs(after - here) >= MIN_FLASH_SWING and min(after, here) < MAX_DARKER_STATE:
            swings += 1
    return math.ceil(swings / 2)


def find_circuit(pairs: list[tuple[int, int]], seed: int, tries: int = 200) -> tuple[int, ...]:
    """Return a closed walk over ``pairs`` (each taken once) with few opposing flashes.

    Parameters
    ----------
    pairs : list of (from, to)
        Balanced and connected.
    seed : int
    tries : int
        Random circuits (Hierholzer's method, steps in the running direction preferred); the best is kept.

    Returns
    -------
    tuple of int
        Levels in walking order; the walk closes from the last to the first. ``(c[i], c[i + 1])`` is each pair once.
    """
    rng = np.random.default_rng(seed)
    best: tuple[int, ...] | None = None
    fewest = -1
    for _ in range(tries):
        walk = _hierholzer(pairs, rng)
        if len(walk) != len(pairs):
            raise PatternError("these transitions have no closed circuit")
        flashes = opposing_flashes(walk)
        if best is None or flashes < fewest:
            best, fewest = walk, flashes
    assert best is not None
    return best


def _hierholzer(pairs: list[tuple[int, int]], rng: np.random.Generator) -> tuple[int, ...]:
    left: dict[int, list[int]] = {}
    for a, b in pairs:
        left.setdefault(a, []).append(b)
    start = int(rng.choice(sorted(left)))
    stack, walk = [start], []
    while stack:
        here = stack[-1]
        options = left[here]
        if not options:
            walk.append(stack.pop())
            continue
        rising = len(stack) < 2 or here > stack[-2]
        onward = [b for b in options if (b > here) == rising]
        if onward and rng.random() < 0.9:
            onward.sort(key=lambda b: abs(b - here))
            pick = onward[0] if rng.random() < 0.7 else onward[int(rng.integers(len(onward)))]
        else:
            pick = options[int(rng.integers(len(options)))]
        options.remove(pick)
        stack.append(pick)
    walk.reverse()
    return tuple(walk[:-1])
