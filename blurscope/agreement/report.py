"""The verdict: one answer for a whole measurement, with its reasons, as ``blurscope.agreement/1`` has it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from blurscope.agreement.causes import SIGNIFICANT, Explanation, Misfit, corrected_profiles
from blurscope.agreement.compare import Pair, best_covariance, chi_square, chi_square_p, make_pairs
from blurscope.agreement.hypotheses import hypotheses
from blurscope.agreement.scene import Scene
from blurscope.displaylaw import CONTRADICTION, Comparison
from blurscope.flags import warning
from blurscope.records import PredictedEdge
from blurscope.shapes.emission import Emission

CAUSES = (
    "refresh_rate", "speed", "tracking", "display_gamma", "lens_blur", "strobe", "common_factor", "unsettled_from",
    "trace_filtered",
)  # fmt: skip
DETECT_SHARE = 0.25  # agreement means something if a common error of the figures of this size would have shown
DETECT_SIGMA = 2.5758293035489004 + 0.8416212335729143  # 1 % false alarms and 80 % power of a normal test


def check(
    edges: Sequence[dict[str, Any]],
    predicted: Sequence[PredictedEdge],
    quantity_of,
    *,
    measurement: dict[str, Any],
    emission: Emission,
    refresh_hz: float,
    px_per_refresh: float,
    exposure_refreshes: float,
    refresh_share: float,
    measured_tail_ms: float | None = None,
    response_gamma: float | None = None,
    laws: Sequence[Comparison] = (),
) -> dict[str, Any]:
    """Return ``edges``, ``transitions``, ``summary``, ``causes`` and ``warnings`` of an agreement file.

    Parameters
    ----------
    edges : sequence of dict
        Edges of the measurement, levels checked.
    predicted : sequence of PredictedEdge
    quantity_of : callable
        ``(entry, key) -> Q``.
    measurement : dict
        The measurement's content, for hints.
    emission : Emission
        What the prediction assumed.
    refresh_hz, px_per_refresh, exposure_refreshes : float
        Of the measurement.
    refresh_share : float
        Standard uncertainty of the refresh rate, share of it; 0 where both sides come from one photo.
    measured_tail_ms : float, optional
        What the measurement subtracted for its ghosts, if not the hold's.
    response_gamma : float, optional
        The display gamma that the response side states.
    laws : sequence of Comparison
        The level-to-light laws that were used against those that are seen.
    """
    pairs = make_pairs(edges, predicted, quantity_of, refresh_share=refresh_share, hold_ms=1000.0 / refresh_hz)
    compared = [p for p in pairs if p.compared and p.en is not None]
    out: dict[str, Any] = {"edges": [_pair_json(p) for p in pairs], "laws": [law.as_json() for law in laws]}
    if not compared:
        out["transitions"] = []
        out["summary"] = _summary([], [], "undecided", "no figure has a value and an uncertainty on both sides")
        return out | {"causes": [], "warnings": []}
    matrix, together, common = best_covariance(compared)
    difference = np.array([p.difference for p in compared])
    chi2 = chi_square(difference, matrix)
    p = chi_square_p(chi2, len(compared))
    transitions = _transitions(compared, matrix)
    detect = _detectable(compared, matrix)

    known = [e.transition.step is not None for e in predicted]
    scene = Scene(
        [e.transition for e, ok in zip(predicted, known, strict=True) if ok],
        refresh_hz=refresh_hz, px_per_refresh=px_per_refresh, exposure_refreshes=exposure_refreshes,
        emission=emission, tail_ms=measured_tail_ms,
    )  # fmt: skip
    index = {i: k for k, i in enumerate(i for i, ok in enumerate(known) if ok)}
    rows = {e.transition.pair: index[i] for i, e in enumerate(predicted) if i in index}
    profiles = corrected_profiles(measurement | {"edges": edges}, rows, px_per_refresh, 1000.0 / refresh_hz)
    misfit = Misfit(scene, [_moved(q, index) for q in compared], matrix, profiles)
    candidates = hypotheses(
        scene, measurement, same_photo=refresh_share == 0,
        has_signal=any(q.quantity == "response_signal_ms" for q in compared),
        response_gamma=response_gamma,
    )  # fmt: skip
    found = misfit.explain(candidates)
    directed = _directed(misfit, found, candidates)
    law = min(laws, key=lambda x: x.p, default=None)
    if law is not None and law.p < CONTRADICTION:
        found = misfit.with_law(found, law)
    else:
        law = None
    if law is not None and law.p < min(p, directed):
        verdict, reason = "disagree", law.sentence()
    elif p < SIGNIFICANT or directed < SIGNIFICANT:
        verdict = "disagree"
        reason = f"a misfit this large has a probability of {_short(min(p, directed))}"
    elif detect > DETECT_SHARE:
        verdict = "undecided"
        reason = f"only a common error of {100 * detect:.0f} % or more would show, so agreement means little"
    else:
        verdict = "agree"
        reason = f"nothing beyond the uncertainties, and a common error of {100 * detect:.1f} % would have shown"
    out["transitions"] = transitions
    out["summary"] = _summary(compared, transitions, verdict, reason) | {
        "chi2": chi2, "dof": len(compared), "p": p, "common_share": common, "detectable_pct": 100 * detect,
    }  # fmt: skip
    listed = found if verdict == "disagree" else []
    if min(p, directed) >= SIGNIFICANT:  # the law alone: the figures are within their uncertainties
        listed = [e for e in listed if e.cause == "display_gamma"]
    out["causes"] = [_cause_json(e, refresh_hz, px_per_refresh, law) for e in listed]
    out["warnings"] = []
    seen = measurement.get("backlight")
    if isinstance(seen, dict) and seen.get("kind") == "strobe" and emission.steady:
        out["warnings"].append(warning("backlight_differs", "the photo is strobed, the response says nothing of it"))
    return out


def _moved(pair: Pair, index: dict[int, int]) -> Pair:
    from dataclasses import replace

    return replace(pair, row=index[pair.row])


def _short(p: float) -> str:
    return f"{p:.2g}" if p > 1e-12 else "less than 1e-12"


def _directed(misfit: Misfit, found: Sequence[Explanation], candidates) -> float:
    """Probability that a fault would fit the figures as well by chance: the chi-square's component along it.

    A small common offset of many figures drowns in the degrees of freedom of the joint chi-square; along the one
    direction that a fault moves the figures and the shape of the profiles it shows. Corrected for the number of
    faults tried.
    """
    best = 1.0
    for e in found[:3]:
        for h in candidates:
            if h.cause == e.cause and len(h.starts[0]) == e.parameters:
                gain = misfit.gain(h.outcome(*e.best))
                if gain > 0:
                    best = min(best, len(CAUSES) * chi_square_p(gain, e.parameters))
    return best


def _transitions(compared: Sequence[Pair], matrix: np.ndarray) -> list[dict[str, Any]]:
    """Joint test of each transition's figures, at 95 %."""
    out = []
    for key in dict.fromkeys((p.from_level, p.to_level) for p in compared):
        at = [i for i, p in enumerate(compared) if (p.from_level, p.to_level) == key]
        chi2 = chi_square(np.array([compared[i].difference for i in at]), matrix[np.ix_(at, at)])
        p = chi_square_p(chi2, len(at))
        out.append(
            {"from_level": key[0], "to_level": key[1], "chi2": chi2, "dof": len(at), "p": p, "agrees": p >= 0.05}
        )
    return out


def _detectable(compared: Sequence[Pair], matrix: np.ndarray) -> float:
    """Return the smallest common relative error of the predicted blur that a directed test would find."""
    at = [i for i, p in enumerate(compared) if p.quantity in ("bet_ms", "get_ms", "ghost_ms")]
    if not at:
        at = list(range(len(compared)))
    g = np.array([compared[i].predicted.value for i in at])
    strength = chi_square(g, matrix[np.ix_(at, at)])
    return DETECT_SIGMA / math.sqrt(strength) if strength > 0 else math.inf


def _pair_json(pair: Pair) -> dict[str, Any]:
    en = pair.en
    flags = sorted({f for q in (pair.measured, pair.predicted) if q.value is None for f in q.flags})
    return {
        "from_level": pair.from_level, "to_level": pair.to_level, "quantity": pair.quantity,
        "measured": pair.measured.as_json(), "predicted": pair.predicted.as_json(),
        "en": en, "agrees": None if en is None else abs(en) <= 1.0, "flags": flags,
    }  # fmt: skip


def _summary(
    compared: Sequence[Pair], transitions: Sequence[dict[str, Any]], verdict: str, reason: str
) -> dict[str, Any]:
    ens = [p.en for p in compared]
    return {
        "compared": len(compared),
        "agreeing": sum(abs(e) <= 1.0 for e in ens),
        "en_rms": math.sqrt(math.fsum(e * e for e in ens) / len(ens)) if ens else None,
        "verdict": verdict, "reason": reason, "chi2": None, "dof": len(compared), "p": None, "common_share": None,
        "detectable_pct": None, "transitions_compared": len(transitions),
        "transitions_agreeing": sum(bool(t["agrees"]) for t in transitions),
    }  # fmt: skip


def _cause_json(e: Explanation, refresh_hz: float, px_per_refresh: float, law: Comparison | None) -> dict[str, Any]:
    value, u95 = e.estimate.value, e.estimate.u95 or 0.0
    text = {
        "refresh_rate": f"Read the display's refresh rate off the device or its clock: the photo fits {value:.4g} Hz, "
        f"not {refresh_hz:g} Hz; then measure again with --refresh-hz.",
        "speed": f"Check the px per refresh and the scale of the photo: it fits {value:.4g} px/s, "
        f"not {px_per_refresh * refresh_hz:g} px/s.",
        "tracking": f"Take the photo again with the camera in step with the plate: about {abs(value):.2g} px per "
        "refresh of tracking error is left in the figures.",
        "display_gamma": "Meter the display's level-to-light law and give it to both sides with --meter: photo and "
        f"traces fit if the photo is measured with a gamma of {value:.3g}.",
        "lens_blur": f"Measure again with a --still of the same plate: about {value:.2g} px (sigma) of camera blur is "
        "left in the figures.",
        "strobe": f"Take photo and traces in the same backlight mode: the photo looks lit for {100 * value:.0f} % of a "
        "refresh only.",
        "common_factor": f"Take photo and traces in the same panel mode and at the same temperature: the photo's "
        f"responses are {value:.3g} times those of the traces.",
        "unsettled_from": "Make the pattern again with a larger --slowest-ms: pixels had not settled on the from level "
        "when the edge came.",
        "trace_filtered": f"Take the traces again without filter or averaging: they look low-passed by "
        f"{value:.2g} ms; give the amplifier's --bandwidth-hz if it is known.",
    }[e.cause]
    if law is not None and e.cause == "display_gamma":
        text = f"Give both sides the display's law, with --display-gamma or a table with --meter: {law.sentence()}."
    return {
        "cause": e.cause, "explains_pct": round(e.explains_pct, 3), "estimate": {"value": value, "u95": u95},
        "estimate_unit": e.unit, "advice": text, "p": e.p, "chi2": e.chi2, "parameters": e.parameters,
    }  # fmt: skip


__all__ = ["CAUSES", "check"]
