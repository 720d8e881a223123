"""Several photos of one display to one measurement: ranked, the bad ones left out by name, the rest combined.

Each shot is weighed by its own u95. What the photos of one camera share (lens, tone curve, scale, the choice of the
response family) is kept as it is; noise, tracking, exposure and phase are each photo's own and average away. Photos
that scatter more than their own parts say are combined with those parts widened by the Birge ratio.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from blurscope.errors import FitError
from blurscope.flags import warning
from blurscope.manyshots import Shot, drop_bad, drop_other_law, measure_all, two_laws
from blurscope.measurement import EDGE_QUANTITIES, EdgeBlur, Measurement, summary_of
from blurscope.records import Q
from blurscope.uncertainty import K95

SHARED = (
    "lens",
    "tone",
    "black",
    "scale",
    "display gamma",
    "frames",
    "family",
    "flashes",
    "landing",
    "model",
    "nonlinear",
    "resolution",
    "smoothing",
)
UNKNOWN_SHARED = 0.5  # share of the variance taken as common where a figure's budget names no shared part
JUDGED = ("bet_ms", "ghost_ms", "response_ms")
ODD_LIMIT = 6.0  # mean squared normalised distance from the other shots


def combine_shots(photos: Sequence[Any], one: Callable[[Any], Measurement], label: str | None = None) -> Measurement:
    """Measure every photo and combine those that can be used.

    Parameters
    ----------
    photos : sequence
        Paths or photos, shots of one display with one pattern.
    one : callable
        Measures one of them.
    label : str, optional
        Name of the display; without it that of the shot with the most weight.

    Returns
    -------
    Measurement
        With the block ``photos``: every shot's photo, tracking, weight and reason, best first.

    Raises
    ------
    FitError
        No photo could be used; the message has every reason.
    """
    shots = measure_all(photos, one)
    if not any(s.result for s in shots):
        reasons = "; ".join(f"{s.name}: {s.dropped}" for s in shots)
        raise FitError(f"none of the {len(shots)} photos can be used: {reasons}")
    drop_bad(shots)
    drop_other_law(shots)
    _drop_odd(shots)
    used = [s for s in shots if not s.dropped]
    results = [s.result for s in used if s.result is not None]
    birge, disagree = _birge(results)
    edges = [_combined_edge([m.edge(*pair) for m in results if _has(m, pair)], birge) for pair in _pairs(results)]
    _weigh(used)
    used.sort(key=lambda s: -s.weight)
    best = used[0].result
    assert best is not None
    ranked = used + [s for s in shots if s.dropped]
    warnings = [warning("shot_dropped", f"{s.name}: {s.dropped}") for s in shots if s.dropped]
    if disagree:
        worst = max(disagree, key=lambda name: birge[name])
        warnings.append(warning("shots_disagree", f"{worst} by a factor of {birge[worst]:.1f}"))
    warnings += two_laws(used) + _common_warnings(used)
    blocks = dict(best.blocks)
    blocks["tracking"] = _tracking([s.result.tracking for s in used], [s.weight for s in used])
    blocks["streaks"] = _streaks(results)
    blocks["light"] = _light([m.blocks["light"] for m in results], [s.weight for s in used])
    blocks["photos"] = [_entry(s, rank) for rank, s in enumerate(ranked)]
    blocks["summary"] = summary_of(edges, float(best.blocks["capture"]["hold_ms"]))
    return Measurement(
        label=best.label if label is None else label, edges=tuple(edges), blocks=blocks, warnings=tuple(warnings)
    )


def _split(q: Q) -> tuple[dict[str, float], float]:
    """Return the shared parts and the own part of a quantity, standard, scaled to its u95."""
    total = max(float(q.u95 or 0.0) / K95, 1e-12)
    known = float(np.sqrt(sum(u * u for u in q.parts.values())))
    shared = {name: q.parts[name] for name in SHARED if q.parts.get(name, 0.0) > 0}
    if not shared or known == 0:
        return {"shared": total * UNKNOWN_SHARED**0.5}, total * (1 - UNKNOWN_SHARED) ** 0.5
    scale = total / known
    shared = {name: u * scale for name, u in shared.items()}
    return shared, float(np.sqrt(max(total**2 - sum(u * u for u in shared.values()), 0.01 * total**2)))


def _given(edges: Sequence[EdgeBlur], name: str) -> list[Q]:
    every = [e for e in edges if e.figures[name].value is not None and e.figures[name].u95 is not None]
    good = [e for e in every if e.ok]
    return [e.figures[name] for e in good or every]


def _pairs(results: Sequence[Measurement]) -> list[tuple[int, int]]:
    return sorted({(e.from_level, e.to_level) for m in results for e in m.edges})


def _has(m: Measurement, pair: tuple[int, int]) -> bool:
    return any((e.from_level, e.to_level) == pair for e in m.edges)


def _mean(quantities: Sequence[Q]) -> tuple[float, np.ndarray]:
    """Return the weighted mean and the weights: inverse variances of each shot's whole u95, never negative."""
    u = np.array([max(q.u95 or 0.0, 1e-9) for q in quantities])
    floor = max(0.05 * float(np.median(u)), 1e-9)  # no shot counts for all by chance
    w = 1 / np.maximum(u, floor) ** 2
    w /= w.sum()
    return float(w @ [q.value for q in quantities]), w


def _drop_odd(shots: list[Shot]) -> None:
    """Leave out a shot that contradicts at least two others which agree among themselves."""
    while True:
        live = [s for s in shots if s.result is not None and not s.dropped]
        if len(live) < 3:
            return
        odd = [_distance(s.result, [o.result for o in live if o is not s]) for s in live]
        worst = int(np.argmax(odd))
        rest = [s.result for i, s in enumerate(live) if i != worst]
        others = [_distance(m, [o for o in rest if o is not m]) for m in rest]
        if not (odd[worst] > ODD_LIMIT and odd[worst] > 3 * max(np.median(others), 1.0)):
            return
        live[worst].dropped = (
            f"it contradicts the other {len(rest)} photos: its figures lie {odd[worst] ** 0.5:.1f} standard "
            "uncertainties off theirs"
        )


def _distance(m: Measurement, others: Sequence[Measurement]) -> float:
    """Mean squared distance of a shot's figures from the others' means, own parts alone counted."""
    total = []
    for e in m.edges:
        pair = (e.from_level, e.to_level)
        rest = [o.edge(*pair) for o in others if _has(o, pair)]
        for name in JUDGED:
            q, have = e.figures[name], _given(rest, name)
            if q.value is None or q.u95 is None or not e.ok or not have:
                continue
            mean, w = _mean(have)
            variance = _split(q)[1] ** 2 + float(np.sum(w**2 * np.array([_split(x)[1] for x in have]) ** 2))
            total.append((q.value - mean) ** 2 / max(variance, 1e-18))
    # a trimmed mean: one grazed threshold doesn't condemn a photo
    return float(np.mean(np.sort(total)[: max(1, int(0.9 * len(total)))])) if total else 0.0


def _birge(results: Sequence[Measurement]) -> tuple[dict[str, float], list[str]]:
    """Return the Birge ratio of each figure over all transitions, at least 1, and which figures disagree.

    The ratio is that of the shots' own parts, for some of what is called shared is each shot's own as well. A figure
    disagrees where its shots scatter beyond their whole uncertainties.
    """
    ratio, disagree = {}, []
    for name in EDGE_QUANTITIES:
        total, whole, dof = 0.0, 0.0, 0
        for pair in _pairs(results):
            have = _given([m.edge(*pair) for m in results if _has(m, pair)], name)
            if len(have) < 2:
                continue
            x = np.array([q.value for q in have])
            total += _scatter(x, np.array([_split(q)[1] for q in have]))
            whole += _scatter(x, np.array([q.u95 for q in have]) / K95)
            dof += len(have) - 1
        ratio[name] = float(np.sqrt(max(total / dof, 1.0))) if dof else 1.0
        if dof and name in JUDGED and whole > _limit99(dof) and ratio[name] > 1.3:
            disagree.append(name)
    return ratio, disagree


def _scatter(x: np.ndarray, sd: np.ndarray) -> float:
    """Return chi-square of values about their mean, no more than 25 each: one transition doesn't stand for all."""
    inverse = 1 / np.maximum(sd, 1e-9) ** 2
    middle = float(inverse @ x / inverse.sum())
    return min(float(inverse @ (x - middle) ** 2), 25.0 * (len(x) - 1))


@lru_cache(maxsize=256)
def _limit99(dof: int) -> float:
    """Return the 99 % point of chi-square."""
    from scipy.special import chdtri

    return float(chdtri(dof, 0.01))


def combine_quantity(quantities: Sequence[Q], widen: float = 1.0) -> Q:
    """Return the combination of one figure from several shots.

    Parameters
    ----------
    quantities : sequence of Q
        Values given, with budget.
    widen : float
        Factor on the own parts (Birge ratio of this figure over all transitions).

    Notes
    -----
    Weights are inverse variances; the variance of the mean is that of the own parts, each by its squared weight, plus
    the square of the weighted mean of each shared part, which photos have in common. Where the shots of this one
    transition scatter beyond 99 % of what the (widened) own parts allow, their own Birge ratio widens them further.
    """
    mean, w = _mean(quantities)
    splits = [_split(q) for q in quantities]
    own = np.array([s[1] for s in splits]) * widen
    x = np.array([q.value for q in quantities])
    if len(x) > 1:
        total = float(np.sum((x - mean) ** 2 / np.maximum(own, 1e-12) ** 2))
        if total > _limit99(len(x) - 1):
            own = own * np.sqrt(total / (len(x) - 1))
    names = sorted({n for s, _ in splits for n in s})
    shared = {n: float(sum(wi * s.get(n, 0.0) for wi, (s, _) in zip(w, splits, strict=True))) for n in names}
    alone = float(np.sqrt(np.sum((w * own) ** 2)))
    parts = _own_parts(quantities, w, alone) | shared
    u = float(np.sqrt(alone**2 + sum(v * v for v in shared.values())))
    grazed = sum(wi for wi, q in zip(w, quantities, strict=True) if "threshold_grazed" in q.flags) > 0.25
    return Q(value=mean, u95=K95 * u, flags=("threshold_grazed",) if grazed else (), parts=parts)


def _own_parts(quantities: Sequence[Q], w: np.ndarray, alone: float) -> dict[str, float]:
    """Return the own contributions by name, scaled so that they add up to ``alone``."""
    names = sorted({n for q in quantities for n in q.parts} - set(SHARED))
    parts = {n: float(np.sqrt(sum((wi * q.parts.get(n, 0.0)) ** 2 for wi, q in zip(w, quantities)))) for n in names}  # noqa: B905
    total = float(np.sqrt(sum(u * u for u in parts.values())))
    return {n: u * alone / total for n, u in parts.items()} if total > 0 else {"noise": alone}


def _combined_edge(edges: Sequence[EdgeBlur], birge: dict[str, float]) -> EdgeBlur:
    figures: dict[str, Q] = {}
    for name in EDGE_QUANTITIES:
        have = _given(edges, name)
        if have:
            figures[name] = combine_quantity(have, birge[name])
        else:
            figures[name] = Q.missing(*dict.fromkeys(f for e in edges for f in e.figures[name].flags))
    ok = [e for e in edges if e.ok]
    use = ok or list(edges)

    def size(e: EdgeBlur) -> float:
        u95 = e.figures["bet_ms"].u95
        return np.inf if u95 is None else u95

    best = min(use, key=size)
    back = [e.read_back for e in use if e.read_back.value is not None]
    counts: dict[str, int] = {}
    for e in use:
        for f in e.flags:
            counts[f] = counts.get(f, 0) + 1
    flags = [f for f, n in counts.items() if 2 * n > len(use) and f != "threshold_grazed"]
    if any("threshold_grazed" in q.flags for q in figures.values()):
        flags.append("threshold_grazed")
    for q in figures.values():
        flags += [f for f in q.flags if q.value is None and f not in flags]
    return replace(
        best,
        instances=sum(e.instances for e in use),
        figures=figures,
        raw=_raw(use),
        read_back=combine_quantity(back) if back else best.read_back,
        flags=tuple(flags),
        ok=bool(ok) and figures["bet_ms"].value is not None,
    )


def _raw(edges: Sequence[EdgeBlur]) -> dict[str, Q]:
    """Mean of the raw figures; u95 holds their scatter, which is the cameras', not noise."""
    out = {}
    for name in {n: None for e in edges for n in e.raw}:
        have = [e.raw[name] for e in edges if name in e.raw and e.raw[name].value is not None]
        if not have:
            out[name] = next(e.raw[name] for e in edges if name in e.raw)
            continue
        x = np.array([q.value for q in have])
        u = np.array([q.u95 or 0.0 for q in have])
        spread = K95 * float(x.std(ddof=1)) if len(x) > 1 else 0.0
        out[name] = Q(value=float(x.mean()), u95=float(np.hypot(np.sqrt(np.mean(u**2) / len(x)), spread)))
    return out


def _weigh(used: list[Shot]) -> None:
    """Give each shot its mean weight over transitions and figures, and say what it contributes and what limits it."""
    results = [s.result for s in used]
    shares = np.zeros(len(used))
    count = 0
    for pair in _pairs(results):
        edges = [m.edge(*pair) for m in results]
        usable = [i for i, e in enumerate(edges) if e.ok] or list(range(len(edges)))
        for name in JUDGED:
            have = [i for i in usable if edges[i].figures[name].value is not None and edges[i].figures[name].u95]
            if have:
                shares[have] += _mean([edges[i].figures[name] for i in have])[1]
                count += 1
    shares = shares / max(count, 1) if count else np.full(len(used), 1 / len(used))
    for s, share in zip(used, shares, strict=True):
        s.weight = float(share)
        s.reason = _reason(s.result)


def _reason(m: Measurement) -> str:
    have = [e.figures["bet_ms"] for e in m.edges if e.ok and e.figures["bet_ms"].u95 is not None]
    if not have:
        return "no usable transition"
    typical = float(np.median([q.u95 for q in have]))
    parts: dict[str, float] = {}
    for q in have:
        for name, u in q.parts.items():
            parts[name] = parts.get(name, 0.0) + u * u
    total = sum(parts.values())
    limit = ""
    if total > 0:
        name = max(parts, key=lambda n: parts[n])
        limit = f", {100 * parts[name] / total:.0f} % of it from {name}"
    error = m.tracking["error_px_per_refresh"]
    off = "tracking unknown" if error.value is None else f"tracking {error.value:+.2f} px per refresh"
    return f"u95 of BET {typical:.3f} ms{limit}; {off}, {len(have)} transitions"


def _entry(s: Shot, rank: int) -> dict[str, Any]:
    out: dict[str, Any] = {"photo": s.photo, "rank": rank + 1, "used": not s.dropped, "weight": s.weight}
    if s.result is not None:
        out["tracking"] = s.result.tracking
    out["reason"] = s.dropped or s.reason
    return out


def _common_warnings(used: list[Shot]) -> list[dict[str, str]]:
    """Return what holds for the photos used, once each, with the photos' names where it isn't all of them."""
    found: dict[str, list[tuple[str, dict[str, str]]]] = {}
    for s in used:
        for w in s.result.warnings:
            found.setdefault(w["code"], []).append((s.name, w))
    out = []
    for code, entries in found.items():
        if len(entries) == len(used):
            out.append(entries[0][1])
        else:
            out.append(warning(code, "in " + ", ".join(dict.fromkeys(name for name, _ in entries))))
    return out


def _tracking(blocks: Sequence[dict[str, Any]], weights: Sequence[float]) -> dict[str, Any]:
    """Weighted means of what each camera did; the scan-out, the display's own, is combined by its u95."""
    w = np.array(weights)
    out: dict[str, Any] = {}
    for name in ("error_px_per_refresh", "accel_px_per_refresh2", "exposure_refreshes"):
        have = [(x, b[name]) for x, b in zip(w, blocks, strict=True) if b[name].value is not None]
        if not have:
            out[name] = blocks[0][name]
            continue
        share = np.array([x for x, _ in have]) + 1e-9
        share /= share.sum()
        u = np.array([q.u95 or 0.0 for _, q in have])
        out[name] = Q(value=float(share @ [q.value for _, q in have]), u95=float(np.sqrt(np.sum((share * u) ** 2))))
    axes = [b["scan_axis"] for b in blocks]
    axis = max(set(axes), key=lambda a: float(w[[x == a for x in axes]].sum()))
    scans = [b["scan_out_ms"] for b in blocks if b["scan_axis"] == axis and b["scan_out_ms"].value is not None]
    out["scan_out_ms"] = combine_quantity(scans) if scans else blocks[0]["scan_out_ms"]
    out["scan_axis"] = axis
    return out


def _streaks(results: Sequence[Measurement]) -> list[dict[str, Any]]:
    groups: dict[tuple[int, int], list[dict[str, Any]]] = {}
    for m in results:
        for s in m.blocks["streaks"]:
            groups.setdefault((s["from_level"], s["to_level"]), []).append(s)
    out = []
    for pair in sorted(groups):
        have = [s for s in groups[pair] if s["response_ms"].value is not None]
        if not have:
            out.append(groups[pair][0])
            continue
        best = min(have, key=lambda s: s["response_ms"].u95 or np.inf)
        out.append({**best, "response_ms": combine_quantity([s["response_ms"] for s in have])})
    return out


def _light(blocks: Sequence[dict[str, Any]], weights: Sequence[float]) -> dict[str, Any]:
    """The best shot's block with the law's figures averaged; their u95 is shared and stays."""
    w = np.array(weights) + 1e-9
    best = dict(blocks[int(np.argmax(w))])
    for name in ("display_gamma", "display_gamma_u95", "black", "curve_u", "clipped_share", "crushed_share"):
        have = [(x, b[name]) for x, b in zip(w, blocks, strict=True) if isinstance(b.get(name), (int, float))]
        if have:
            share = np.array([x for x, _ in have])
            best[name] = float(share @ [v for _, v in have] / share.sum())
    return best
