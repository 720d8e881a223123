"""Pairs of measured and predicted figures, and the covariance of their differences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from blurscope.records import PredictedEdge, Q
from blurscope.uncertainty import K95, normalised_error

QUANTITIES = ("bet_ms", "get_ms", "ghost_ms", "overshoot_pct", "response_ms", "response_signal_ms")
MODEL_SHARE = 5e-4  # standard uncertainty of the linear model itself (edges drawn, windows), share of a figure
MODEL_FLOOR = {"overshoot_pct": 0.2}  # a smooth fit hides overshoots as small as this
MODEL_FLOOR_MS = 0.005
# How figures read off one fitted edge move together: correlations of BET, GET, ghost, overshoot, response in light and
# in signal by the noise of the photo, from simulated photos. Faults of a photo may move them more independently, so
# the share in which they hold is chosen by likelihood (`best_covariance`).
TOGETHER = np.array(
    [
        [1.0, 0.96, 0.65, 0.0, 0.75, 0.4],
        [0.96, 1.0, 0.62, 0.0, 0.75, 0.4],
        [0.65, 0.62, 1.0, 0.1, 0.55, 0.3],
        [0.0, 0.0, 0.1, 1.0, 0.0, 0.0],
        [0.75, 0.75, 0.55, 0.0, 1.0, 0.5],
        [0.4, 0.4, 0.3, 0.0, 0.5, 1.0],
    ]
)
TOGETHER_SHARES = (0.0, 0.5, 1.0)
COMMON_SHARES = (0.0, 0.1, 0.25, 0.5, 0.75)
# Contributions of a photo's budget that all its edges share, and how far their pattern over the edges is known: the
# share of their variance in which they move all edges as `_pattern` says. The rest moves each edge on its own.
SHARED = {
    "lens": 0.8, "scale": 0.8, "resolution": 0.8, "shared": 0.5, "tracking": 0.6, "exposure": 0.5, "phase": 0.5,
    "tone": 0.6, "gamma": 0.6, "black": 0.6, "family": 0.3, "model": 0.3,
}  # fmt: skip
BY_DIRECTION = ("tone", "gamma", "black")  # they move rising and falling edges in opposite directions
UNSPLIT = 0.8  # share of the variance taken for the lens's where an edge's budget isn't split
# A photo shows how far an unresolved response spreads light, not its shape: the 10-90 % time belonging to one standard
# deviation of the spread runs from 2.20 (exponential) over 2.77 (ramp) to 3.28 (raised cosine).
UNRESOLVED_SHARE = 0.2
DOUBT = 2.0
# Responses much shorter than the hold are read off a few hundredths of a px: over simulated photos they share an
# error of this share of the hold, which fades where they are resolved.
UNRESOLVED_BIAS = 0.02
RESOLVED_HOLDS = 0.15
# A handful of shapes stands for what a streak shows: standard error of figures by that, share of them.
STREAK_SHARE = {"bet_ms": 0.005, "get_ms": 0.005, "ghost_ms": 0.1}
# What isn't known of the slits' width and of the blur moves all responses of one photo's streaks alike, as far as they
# aren't resolved: it fades where a response is some times its u95.
RESOLVED_U95 = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """One figure of one transition on both sides.

    Attributes
    ----------
    row : int
        Index of the transition among the predicted edges; -1 where there is no prediction.
    effects : dict
        Signed standard changes of the prediction by source (`records.PredictedEdge.effects`).
    shared_effect : float
        Standard change of ``measured - predicted`` by what both sides share (the refresh rate).
    budget : dict
        Standard contributions to the measured figure by name, as the file states them; may be empty.
    doubt : float
        Factor on the measured uncertainty in joint tests: an edge whose figures may not be used as they stand
        (``quality.ok`` is false) is no strong witness beside others that are sound.
    bias : float
        Standard error that unresolved responses of a photo share.
    shared_response : float
        Standard error of the prediction by what all responses read off one photo's streaks have in common.
    from_streak : bool
        Whether the prediction's response was read off a streak.
    """

    row: int
    from_level: int
    to_level: int
    quantity: str
    measured: Q
    predicted: Q
    effects: dict[str, float]
    shared_effect: float = 0.0
    budget: dict[str, float] = field(default_factory=dict)
    doubt: float = 1.0
    bias: float = 0.0
    shared_response: float = 0.0
    from_streak: bool = False

    @property
    def compared(self) -> bool:
        """Whether both sides have a value and an uncertainty."""
        return all(q.value is not None and q.u95 is not None for q in (self.measured, self.predicted))

    @property
    def difference(self) -> float:
        """Measured less predicted."""
        return self.measured.value - self.predicted.value

    @property
    def own_variance(self) -> float:
        """Variance of the difference without what it shares with other pairs."""
        refresh = self.predicted.parts.get("refresh", 0.0)
        alone = max((self.predicted.u95 / K95) ** 2 - refresh**2, 0.0)
        return (self.measured.u95 / K95) ** 2 + alone

    @property
    def en(self) -> float | None:
        """Normalised error with expanded uncertainties and the covariance of shared terms (ISO 13528)."""
        if not self.compared:
            return None
        total = self.own_variance + self.shared_effect**2 + self.model_variance
        u95 = K95 * math.sqrt(total)
        return normalised_error(self.measured.value, self.predicted.value, u95, 0.0) if u95 > 0 else None

    def contributions(self) -> dict[str, float]:
        """Standard contributions to the measured figure, whose squares add up to its variance.

        What the figure's u95 holds beyond its budget is ``own``, and all of it where no budget is stated.
        """
        total = self.doubt * self.measured.u95 / K95
        known = math.sqrt(math.fsum(u * u for u in self.budget.values()))
        if known == 0 or total == 0:
            return {"own": total}
        scale = min(self.doubt, total / known)
        parts = {name: u * scale for name, u in self.budget.items()}
        if "noise" in parts and not _split(parts):
            parts |= {"noise": parts["noise"] * (1 - UNSPLIT) ** 0.5, "lens": parts["noise"] * UNSPLIT**0.5}
        return parts | {"own": math.sqrt(max(total**2 - (known * scale) ** 2, 0.0))}

    @property
    def model_variance(self) -> float:
        """Variance for what the model of a linear, time-invariant pixel leaves out."""
        floor = MODEL_FLOOR.get(self.quantity, MODEL_FLOOR_MS)
        unresolved = self.quantity.startswith("response") and self.budget and not _split(self.budget)
        share = UNRESOLVED_SHARE if unresolved else MODEL_SHARE
        if self.from_streak:
            share = max(share, STREAK_SHARE.get(self.quantity, 0.0))
        return floor**2 + (share * self.predicted.value) ** 2


def make_pairs(
    edges: Sequence[dict[str, Any]],
    predicted: Sequence[PredictedEdge],
    quantity_of,
    *,
    refresh_share: float,
    hold_ms: float = 0.0,
) -> list[Pair]:
    """Return the figures of every measured transition, in the order of the measurement.

    Parameters
    ----------
    edges : sequence of dict
        ``edges`` of a measurement, levels checked.
    predicted : sequence of PredictedEdge
    quantity_of : callable
        ``(entry, key) -> Q``.
    refresh_share : float
        Standard uncertainty of the refresh rate as a share of it. It stretches measured times as it stretches the
        predicted hold, so only the difference of both effects counts; 0 where both sides come from one photo.
    hold_ms : float
        Refresh period of the measurement.
    """
    # a witness or two may be doubted; where most edges are, the whole photo is what has to be judged
    few = 2 * sum(map(_doubted, edges)) <= len(edges)
    by_pair = {p.transition.pair: i for i, p in enumerate(predicted)}
    anything = by_pair.get((None, None), -1)
    out = []
    for entry in edges:
        pair = entry["from_level"], entry["to_level"]
        row = by_pair.get(pair, anything)
        for name in QUANTITIES:
            measured = quantity_of(entry, name)
            guess = predicted[row].figures[name] if row >= 0 else Q.missing("not_in_response")
            if name == "response_signal_ms" and measured.value is None and guess.value is None:
                continue
            effects = {s: change.get(name, 0.0) for s, change in predicted[row].effects.items()} if row >= 0 else {}
            shared = 0.0
            if measured.value is not None and guess.value is not None and name.endswith("_ms"):
                shared = measured.value * refresh_share - effects.get("refresh", 0.0)
            elif guess.value is not None:
                shared = -effects.get("refresh", 0.0)
            out.append(
                Pair(row=row, from_level=pair[0], to_level=pair[1], quantity=name, measured=measured, predicted=guess,
                     effects=effects, shared_effect=shared if refresh_share > 0 else 0.0,
                     budget=_budget(entry, name), doubt=DOUBT if few and _doubted(entry) else 1.0,
                     bias=_unresolved_bias(guess, hold_ms) if name.startswith("response") else 0.0,
                     shared_response=_shared_by_streaks(predicted[row], name) if row >= 0 else 0.0,
                     from_streak=row >= 0 and predicted[row].transition.origin == "streak")
            )  # fmt: skip
    return [_without_refresh(p) for p in out] if refresh_share == 0 else out


def _unresolved_bias(predicted: Q, hold_ms: float) -> float:
    if predicted.value is None or hold_ms <= 0:
        return 0.0
    return UNRESOLVED_BIAS * hold_ms / (1 + (predicted.value / (RESOLVED_HOLDS * hold_ms)) ** 2)


def _shared_by_streaks(predicted: PredictedEdge, name: str) -> float:
    response, figure = predicted.transition.response_ms, predicted.figures[name]
    if predicted.transition.origin != "streak" or not response.u95 or response.value is None or figure.u95 is None:
        return 0.0
    by_response = figure.u95 / K95 if name.startswith("response") else figure.parts.get("response", 0.0)
    return by_response / (1 + (response.value / (RESOLVED_U95 * response.u95)) ** 2)


def _doubted(entry: dict[str, Any]) -> bool:
    quality = entry.get("quality")
    return isinstance(quality, dict) and quality.get("ok") is False


def _budget(entry: dict[str, Any], name: str) -> dict[str, float]:
    """Return a figure's budget as the file states it; what is no number is left out."""
    found = entry.get("budget")
    found = found.get(name) if isinstance(found, dict) else None
    if not isinstance(found, dict):
        return {}
    return {
        k: float(v) for k, v in found.items()
        if isinstance(v, (int, float)) and not isinstance(v, bool) and 0 < v < math.inf
    }  # fmt: skip


def _split(budget: dict[str, float]) -> bool:
    """Whether a budget tells noise from the rest, which that of an unresolved response does not."""
    return not set(budget) <= {"noise", "resolution"}


def _without_refresh(pair: Pair) -> Pair:
    """Both sides from one photo: the refresh rate stretches them alike and drops out."""
    q = pair.predicted
    if q.value is None or "refresh" not in q.parts:
        return pair
    parts = {k: v for k, v in q.parts.items() if k != "refresh"}
    u95 = math.sqrt(max(q.u95**2 - (K95 * q.parts["refresh"]) ** 2, 0.0))
    return replace(pair, predicted=Q(value=q.value, u95=u95, parts=parts))


def covariance(pairs: Sequence[Pair], together: float, common: float) -> np.ndarray:
    """Return the covariance of ``measured - predicted`` for compared pairs.

    Parameters
    ----------
    pairs : sequence of Pair
    together : float
        How far figures of one measured edge move together (0 independent, 1 as in `TOGETHER`).
    common : float
        Share of what the budget does not name as shared that all edges have in common nevertheless.

    Notes
    -----
    The prediction's part is known: one response moves all figures of its transition, by its effects; the refresh
    rate moves everything. What a figure's u95 holds beyond the linear effects is kept as its own. Of the measured
    part, a contribution in `SHARED` moves all edges at once in the share of its variance given there.
    """
    kind = np.array([QUANTITIES.index(p.quantity) for p in pairs])
    row = np.array([p.row for p in pairs])
    same_edge = row[:, None] == row[None, :]
    parts = [p.contributions() for p in pairs]
    own = np.sqrt([math.fsum(u * u for n, u in each.items() if n not in SHARED) for each in parts])
    pattern = (1 - together) * np.eye(len(QUANTITIES)) + together * TOGETHER
    within = np.where(same_edge, pattern[kind][:, kind], 0.0)
    np.fill_diagonal(within, 1.0)
    width = kind != QUANTITIES.index("overshoot_pct")
    across = np.where(width[:, None] & width[None, :], np.where(kind[:, None] == kind[None, :], 1.0, 0.8), 0.0)
    across += np.diag(np.where(width, 0.0, 1.0))
    out = ((1 - common) * within + common * across) * np.outer(own, own)
    for name in sorted(set().union(*parts) & set(SHARED)):
        move = _pattern(pairs, name) * np.array([each.get(name, 0.0) for each in parts])
        out += np.where(same_edge, 1.0, SHARED[name]) * np.outer(move, move)
    bias = np.array([p.bias for p in pairs])
    out += np.outer(bias, bias)
    bias = np.array([p.shared_response for p in pairs]) * _pattern(pairs, "resolution")
    out += np.outer(bias, bias)
    known = np.zeros(len(pairs))
    for source in ("response", "level", "shape"):
        effect = np.array([p.effects.get(source, 0.0) for p in pairs])
        limit = np.array([p.predicted.parts.get(source, 0.0) for p in pairs])
        limit = np.where(limit > 0, limit, np.abs(effect))
        effect = np.clip(effect, -limit, limit)
        out += np.where(same_edge, np.outer(effect, effect), 0.0)
        known += effect**2
    rest = np.array([p.own_variance + p.model_variance - (p.measured.u95 / K95) ** 2 for p in pairs])
    out += np.diag(np.maximum(rest - known, 0.0))
    shared = np.array([p.shared_effect for p in pairs])
    return out + np.outer(shared, shared)


def _pattern(pairs: Sequence[Pair], name: str) -> np.ndarray:
    """Return the signs with which a shared contribution moves figures: whatever widens edges lowers overshoots."""
    sign = np.array([-1.0 if p.quantity == "overshoot_pct" else 1.0 for p in pairs])
    if name in BY_DIRECTION:
        sign *= [1.0 if p.to_level > p.from_level else -1.0 for p in pairs]
    return sign


def best_covariance(pairs: Sequence[Pair]) -> tuple[np.ndarray, float, float]:
    """Return the covariance that makes the differences most likely, with its two correlation shares.

    Files state the uncertainty of each figure, its budget at best, but not all that figures share, so both shares are
    chosen by likelihood from a few values: too little correlation would call common offsets impossible, too much
    would hide scatter.
    """
    difference = np.array([p.difference for p in pairs])
    best = (-math.inf, np.eye(len(pairs)), 0.0, 0.0)
    for together in TOGETHER_SHARES:
        for common in COMMON_SHARES:
            matrix = covariance(pairs, together, common)
            try:
                factor = np.linalg.cholesky(matrix)
            except np.linalg.LinAlgError:
                continue
            white = np.linalg.solve(factor, difference)
            score = -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum())
            if score > best[0]:
                best = (score, matrix, together, common)
    return best[1:]


def chi_square(difference: np.ndarray, matrix: np.ndarray) -> float:
    """Return ``d' C^-1 d``."""
    return float(difference @ np.linalg.solve(matrix, difference))


def chi_square_p(chi2: float, dof: int) -> float:
    """Return the probability of a larger chi-square."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))
