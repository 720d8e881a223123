"""Which display is better, and whether the difference is larger than its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from blurscope.uncertainty import K95

LEVEL = 0.05
FIGURES = {
    "bet_ms": ("bet_ms_mean", "BET", "ms"),
    "ghost_ms": ("ghost_ms_mean", "ghost", "ms"),
    "overshoot_pct": (None, "overshoot", "%"),
    "response_ms": ("response_ms_mean", "response", "ms"),
    "response_signal_ms": ("response_signal_ms_mean", "response in signal", "ms"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Two displays by one figure.

    Attributes
    ----------
    first, second : int
        Positions in the input.
    value, u95 : float
        First less second.
    p, p_holm : float
        Two-sided, alone and adjusted for the number of comparisons.
    distinct : bool
        The difference is larger than its uncertainty, all comparisons taken together.
    """

    first: int
    second: int
    value: float
    u95: float
    p: float
    p_holm: float
    distinct: bool


def figure_of(measurement: Mapping[str, Any], name: str) -> dict[str, float | None]:
    """Return a display's mean figure over its usable transitions as ``{"value", "u95"}``."""
    key = FIGURES[name][0]
    if key is not None:
        return dict((measurement.get("summary") or {}).get(key) or {"value": None, "u95": None})
    known = [e[name] for e in measurement["edges"] if e["quality"]["ok"] and e[name]["value"] is not None]
    if not known:
        return {"value": None, "u95": None}
    # what the transitions share (lens, tracking, tone) is not averaged away: the mean of u95 bounds it
    return {
        "value": math.fsum(q["value"] for q in known) / len(known),
        "u95": math.fsum(q["u95"] or 0.0 for q in known) / len(known),
    }


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values adjusted for their number by Holm's step-down method.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scand. J. Statist. 6, 65-70.
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    out, highest = [0.0] * len(p_values), 0.0
    for rank, i in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[i]))
        out[i] = highest
    return out


def compare_pairs(quantities: Sequence[Mapping[str, float | None]]) -> list[Difference]:
    """Return every pair's difference; displays without the figure or without u95 take no part."""
    usable = [i for i, q in enumerate(quantities) if q.get("value") is not None and q.get("u95") is not None]
    raw = []
    for i, j in combinations(usable, 2):
        value = quantities[i]["value"] - quantities[j]["value"]
        u95 = math.hypot(quantities[i]["u95"], quantities[j]["u95"])
        p = math.erfc(abs(value) / (u95 / K95) / math.sqrt(2)) if u95 > 0 else float(value == 0)
        raw.append((i, j, value, u95, p))
    adjusted = holm([r[4] for r in raw])
    return [
        Difference(first=i, second=j, value=v, u95=u, p=p, p_holm=h, distinct=h < LEVEL)
        for (i, j, v, u, p), h in zip(raw, adjusted, strict=True)
    ]


def order_by(quantities: Sequence[Mapping[str, float | None]]) -> list[int]:
    """Return positions from the smallest figure up; unknown ones last, ties as given."""
    return sorted(
        range(len(quantities)), key=lambda i: (quantities[i].get("value") is None, quantities[i].get("value") or 0.0)
    )


def ranks(quantities: Sequence[Mapping[str, float | None]], differences: Sequence[Difference]) -> list[str]:
    """Return each display's possible places: ``2``, or ``1–3`` where it isn't told apart from two others."""
    out = []
    for i, q in enumerate(quantities):
        mine = [d for d in differences if i in (d.first, d.second)]
        if q.get("value") is None or (not mine and len(quantities) > 1):
            out.append("–")
            continue
        better = sum(d.distinct and (d.value > 0) == (i == d.first) for d in mine)
        open_ones = sum(not d.distinct for d in mine)
        out.append(f"{better + 1}" if not open_ones else f"{better + 1}–{better + 1 + open_ones}")
    return out


def sentences(
    labels: Sequence[str],
    quantities: Sequence[Mapping[str, float | None]],
    differences: Sequence[Difference],
    name: str,
) -> list[str]:
    """Return in words what can be said: who is told apart from whom, and who isn't."""
    _, title, unit = FIGURES[name]
    out = []
    for d in differences:
        a, b = (d.first, d.second) if d.value <= 0 else (d.second, d.first)
        gap = f"{abs(d.value):.2f} ± {d.u95:.2f} {unit}"
        if d.distinct:
            out.append(f"{labels[a]} has less {title} than {labels[b]}: {gap}")
        else:
            out.append(f"{labels[a]} and {labels[b]} are not told apart by {title}: {gap}")
    return out + [f"{labels[i]}: no {title} to compare" for i, q in enumerate(quantities) if q.get("value") is None]
