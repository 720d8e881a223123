"""Fitting single faults to a misfit: how much each explains, whether it is worth its parameters, and its estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.agreement.compare import Pair
from blurscope.agreement.hypotheses import Hypothesis, stated
from blurscope.agreement.scene import GET_GROUP, Outcome, Scene
from blurscope.displaylaw import Comparison
from blurscope.records import Q
from blurscope.uncertainty import K95

APPROXIMATE_SHARE = 0.01  # of a figure: hypotheses are carried through one model, not through the measurement
APPROXIMATE_CHANGE = 0.15  # of a difference: so well a single fault, carried through another fit, can explain it
DIRECTED_SHARE = 0.3  # of that, where it is asked whether there is a fault at all
APPROXIMATE_RESPONSE = 0.04  # response times of a disturbed edge come from another fit than the photo's
PROFILE_SAMPLES = 120
CAMERA_FREE_PX = 0.05  # stated tracking error per refresh below which a profile counts as free of it
FREE_STRETCH = 0.1
PROFILE_FLOOR = 0.006  # of the transition: what a fitted profile may be off beside its noise
PROFILE_INDEPENDENT = 12  # samples of a profile that count as independent
SIGNIFICANT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """A measured, camera-corrected ESF on nominal time.

    Attributes
    ----------
    row : int
        Its transition in the scene.
    t_ms, esf : (n,) float
    middle_ms : float
        First crossing of 50 %.
    sigma : float
        Standard uncertainty of a sample.
    stretch : float
        How far it may be stretched (standard), share of its width.
    """

    row: int
    t_ms: np.ndarray
    esf: np.ndarray
    middle_ms: float
    sigma: float
    stretch: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """One fault at its best parameters."""

    cause: str
    explains_pct: float
    estimate: Q
    unit: str
    chi2: float
    gain: float
    p: float
    parameters: int
    score: float
    best: tuple[float, ...]


class Misfit:
    """Differences between a measurement and a prediction, ready to be explained.

    Parameters
    ----------
    scene : Scene
    pairs : sequence of Pair
        Compared pairs; ``row`` indexes the scene's transitions.
    matrix : (n, n) float
        Covariance of the differences.
    profiles : sequence of Profile
    """

    def __init__(self, scene: Scene, pairs: Sequence[Pair], matrix: np.ndarray, profiles: Sequence[Profile]) -> None:
        self.scene, self.pairs, self.profiles = scene, list(pairs), list(profiles)
        self.rows = np.array([p.row for p in pairs])
        kinds = np.array([p.quantity for p in pairs])
        self.places = {name: np.nonzero(kinds == name)[0] for name in dict.fromkeys(kinds.tolist())}
        self.difference = np.array([p.difference for p in pairs])
        self.predicted = np.array([p.predicted.value for p in pairs])
        response = np.char.startswith(kinds, "response")
        rough = np.where(response, APPROXIMATE_RESPONSE * self.predicted + 0.05, APPROXIMATE_SHARE * self.predicted)
        # Whitening matrices, made once: residuals times these are independent with unit variance.
        directed = matrix + np.diag((DIRECTED_SHARE * rough) ** 2)
        self.exact = np.linalg.inv(np.linalg.cholesky(directed))
        self.alone = np.diag(np.diag(directed) ** -0.5)
        rough = np.hypot(rough, APPROXIMATE_CHANGE * self.difference)
        self.rough = np.linalg.inv(np.linalg.cholesky(matrix + np.diag(rough**2)))
        self.scale = np.sqrt(np.diag(matrix) + rough**2)
        if self.profiles:
            self.stack = stack_profiles(self.profiles)
        self.base = scene.base.figures(scene.tail_at_hold, group=GET_GROUP)
        self.base_fitted = scene.figures_of(scene.apparent_base)
        self.edge_places = [(name, at) for name, at in self.places.items() if not name.startswith("response")]
        self.null = self.chi2(scene.undisturbed())
        self.count = len(self.pairs) + PROFILE_INDEPENDENT * len(self.profiles)

    def changes(self, outcome: Outcome) -> list[np.ndarray]:
        """Return how the outcome moves every pair's figure, as a measurement might have read it off.

        Some read figures off the disturbed edge; one that fits an undisturbed edge of some response to it has the
        figures of that. Which of both a file holds isn't known, so both are returned where they differ.
        """
        found = self._likeliest(outcome)
        factor, fitted = outcome.response_factor, None
        if factor is None:
            seen = self.scene.apparent(outcome.bank)
            factor = seen / self.scene.apparent_base
            fitted = self.scene.figures_of(seen)
        out = [self._change(outcome, found, self.base, factor)]
        if fitted is not None:
            out.append(self._change(outcome, fitted, self.base_fitted, factor))
        return out

    def _likeliest(self, outcome: Outcome) -> dict[str, np.ndarray]:
        """Return the figures of the outcome, each edge's in the variant that fits it best."""
        best = outcome.bank.figures(outcome.tail_ms, group=GET_GROUP)
        if not outcome.variants:
            return best
        lowest = self._row_cost(best)
        for price, bank in outcome.variants:
            figures = bank.figures(outcome.tail_ms, group=GET_GROUP)
            cost = self._row_cost(figures) + price
            better = cost < lowest
            best = {name: np.where(better, figures[name], values) for name, values in best.items()}
            lowest = np.where(better, cost, lowest)
        return best

    def _row_cost(self, figures: dict[str, np.ndarray]) -> np.ndarray:
        """Return the squared distance of each transition's figures from those measured, in standard deviations."""
        out = np.zeros(len(self.scene.steps))
        for name, at in self.edge_places:
            off = (self.difference[at] - figures[name][self.rows[at]] + self.base[name][self.rows[at]]) / self.scale[at]
            np.add.at(out, self.rows[at], np.where(np.isfinite(off), off, 10.0) ** 2)
        return out

    def _change(self, outcome: Outcome, found, base, factor: np.ndarray) -> np.ndarray:
        out = np.empty(len(self.pairs))
        for name, at in self.places.items():
            rows = self.rows[at]
            if not name.startswith("response"):
                out[at] = found[name][rows] - base[name][rows]
                continue
            signal = name == "response_signal_ms"
            out[at] = self.predicted[at] * (0.0 if signal and not outcome.signal_follows else factor[rows] - 1)
            if signal and outcome.signal_shift_ms is not None:
                out[at] += outcome.signal_shift_ms[rows]
        return out

    def chi2(self, outcome: Outcome) -> float:
        """Return the misfit that is left under an outcome: figures and, where there are any, profiles."""
        return self._chi2(outcome, self.rough)

    def _chi2(self, outcome: Outcome, whitening: np.ndarray) -> float:
        best = math.inf
        for change in self.changes(outcome):
            # a figure that has no value there counts as far off
            white = whitening @ np.where(np.isfinite(change), self.difference - change, 10 * self.scale)
            best = min(best, float(white @ white))
        return best + self._profiles_chi2(outcome)

    def gain(self, outcome: Outcome) -> float:
        """Return how much of the misfit an outcome takes away, with little allowance for the model's approximations.

        Taken with the covariance and with the variances alone, the less of both counts: correlations are known
        roughly, and a fault that shows only through them is none.
        """
        nothing = self.scene.undisturbed()
        return min(self._chi2(nothing, w) - self._chi2(outcome, w) for w in (self.exact, self.alone))

    def _profiles_chi2(self, outcome: Outcome) -> float:
        """Return the squared distance of measured from expected ESFs.

        Each profile may be shifted along the motion (latency is not known) and stretched by far more than the
        uncertainty of its width: widths and what they have in common are judged by the figures, here it is shape.
        """
        if not self.profiles:
            return 0.0
        seen, rows, bank = self.stack, self.stack.rows, outcome.bank
        middle = bank.crossing(0.5)[rows, None]
        middle = np.where(np.isfinite(middle), middle, 0.0)
        step = bank.step[rows, None]
        t = seen.t_ms - seen.middle_ms + middle
        expected = bank.at(rows, t)
        slope = (bank.at(rows, t + step) - bank.at(rows, t - step)) / (2 * step)
        turn = slope * (t - middle)
        residual = seen.esf - expected
        strength = PROFILE_INDEPENDENT / t.shape[1] / seen.sigma**2
        # Two free moves per profile: a 2 x 2 system each.
        ss, st, tt = (strength * (a * b).sum(1) for a, b in ((slope, slope), (slope, turn), (turn, turn)))
        rs, rt = strength * (residual * slope).sum(1), strength * (residual * turn).sum(1)
        ss, tt = ss + 1e-9, tt + seen.stretch**-2
        gain = (rs * rs * tt - 2 * rs * rt * st + rt * rt * ss) / np.maximum(ss * tt - st * st, 1e-300)
        return float(np.maximum(strength * (residual**2).sum(1) - gain, 0.0).sum())

    def explain(self, candidates: Sequence[Hypothesis]) -> list[Explanation]:
        """Return every fault that is worth its parameters, the most likely first.

        Notes
        -----
        Faults are ranked by chi-square scaled to the best of them, a penalty of ``ln n`` for each parameter
        (Schwarz) and their priors. One is listed if an F test against no fault holds at 1 % for all that were tried,
        and it explains more than a twentieth of what is beyond chance.
        """
        done: dict[str, tuple[tuple[float, ...], float]] = {}
        fitted = []
        for h in candidates:
            fitted.append(done[h.twin] if h.twin in done else self._fit(h))
            done[h.cause] = fitted[-1]
        best: dict[str, tuple[Hypothesis, tuple[float, ...], float, float]] = {}
        scale = max(1.0, min(f[1] for f in fitted) / max(self.count - 1, 1))
        for h, (params, chi2) in zip(candidates, fitted, strict=True):
            penalty = len(params) * math.log(max(self.count, 2))
            score = -0.5 * (chi2 / scale + penalty) + h.prior(*params)
            if h.cause not in best or score > best[h.cause][3]:
                best[h.cause] = (h, params, chi2, score)
        self.scale_of_scores = scale
        nothing = -0.5 * self.null / scale
        out = []
        for h, params, chi2, score in best.values():
            k = len(params)
            p = self._f_test(chi2, k) * len(best)
            beyond = max(self.null - self.count, 1e-9)
            share = 100 * min(1.0, max(0.0, (self.null - chi2) / max(beyond, self.null - chi2)))
            if p < SIGNIFICANT and score > nothing and share >= 5:
                out.append(
                    Explanation(
                        cause=h.cause,
                        explains_pct=share,
                        estimate=h.known or self._estimate(h, params, chi2, scale),
                        unit=h.unit,
                        chi2=chi2,
                        gain=self.null - chi2,
                        p=min(1.0, p),
                        parameters=k,
                        score=score,
                        best=params,
                    )  # fmt: skip
                )
        return sorted(out, key=lambda e: -e.score)

    def with_law(self, found: Sequence[Explanation], law: Comparison) -> list[Explanation]:
        """Return the faults with what the display's own law says of ``display_gamma`` counted as one more figure.

        A law that contradicts the one used is a misfit by itself, which no other fault takes away.
        """
        own = (math.log(law.power) * law.power / law.sd) ** 2
        seen = next((e for e in found if e.cause == "display_gamma"), None)
        gain = 0.0 if seen is None else seen.gain
        beyond = max(self.null - self.count, gain, 0.0)
        score = -0.5 * self.null / self.scale_of_scores if seen is None else seen.score
        value = law.power if law.shown is None else law.shown
        sd = law.sd if law.shown_sd is None else law.shown_sd
        first = Explanation(
            cause="display_gamma", explains_pct=100 * (gain + own) / (beyond + own),
            estimate=Q(value=value, u95=K95 * sd), unit="gamma" if law.shown is not None else "power of the law",
            chi2=self.null - gain, gain=gain + own, p=law.p if seen is None else min(law.p, seen.p), parameters=1,
            score=score + 0.5 * own, best=(law.power,),
        )  # fmt: skip
        return sorted([first, *(e for e in found if e is not seen)], key=lambda e: -e.score)

    def _f_test(self, chi2: float, k: int) -> float:
        """Return the probability that k useless parameters lower the misfit as much (F test)."""
        from scipy.special import fdtrc

        left = self.count - k
        if left < 1 or chi2 >= self.null:
            return 1.0
        return float(fdtrc(k, left, (self.null - chi2) / k / max(chi2 / left, 1e-12)))

    def _fit(self, h: Hypothesis) -> tuple[tuple[float, ...], float]:
        scored = sorted(((self.chi2(h.outcome(*start)), start) for start in h.starts), key=lambda pair: pair[0])
        best_chi2, best = scored[0]
        if len(best) == 1:
            return self._polish_one(h, best[0], best_chi2)
        from scipy.optimize import minimize

        if best_chi2 > self.null:
            return best, best_chi2
        low, high = np.array(h.bounds).T

        def cost(x: np.ndarray) -> float:
            return self.chi2(h.outcome(*np.clip(x, low, high))) + 1e3 * float(np.sum((x - np.clip(x, low, high)) ** 2))

        for _, start in scored[:2]:
            simplex = np.array([start, (start[0] * 0.9, start[1]), (start[0], start[1] + 0.08)])
            options = {"initial_simplex": simplex, "maxfev": 40, "xatol": 1e-3, "fatol": 0.1}
            found = minimize(cost, start, method="Nelder-Mead", options=options)
            if found.fun < best_chi2:
                best_chi2, best = float(found.fun), tuple(float(v) for v in np.clip(found.x, low, high))
        return best, best_chi2

    def _polish_one(self, h: Hypothesis, start: float, chi2: float) -> tuple[tuple[float, ...], float]:
        """Golden search between the neighbours of the best start."""
        from scipy.optimize import minimize_scalar

        low, high = h.bounds[0]
        grid = sorted({s[0] for s in h.starts})
        i = grid.index(start)
        left = grid[i - 1] if i > 0 else low
        right = grid[i + 1] if i + 1 < len(grid) else high
        found = minimize_scalar(lambda x: self.chi2(h.outcome(x)), bounds=(left, right), method="bounded",
                                options={"maxiter": 18, "xatol": 1e-4 * max(abs(left), abs(right))})  # fmt: skip
        if found.fun < chi2:
            return (float(found.x),), float(found.fun)
        return (start,), chi2

    def _estimate(self, h: Hypothesis, params: tuple[float, ...], chi2: float, scale: float) -> Q:
        """Return the reported parameter with the interval where chi-square rises by k squared."""
        x = params[0]
        low, high = h.bounds[0]
        reach = []
        for sign in (-1, 1):
            size = 1e-3 * max(abs(x), 1e-2)
            for _ in range(14):
                moved = min(max(x + sign * size, low), high)
                rise = (self.chi2(h.outcome(moved, *params[1:])) - chi2) / scale
                if rise >= K95**2 or moved in (low, high):
                    break
                size *= 2
            reach.append(abs(moved - x) * (min(1.0, math.sqrt(K95**2 / rise)) if rise > 0 else 1.0))
        value = h.estimate(*params)
        ends = [h.estimate(min(max(x + s, low), high), *params[1:]) for s in (-reach[0], reach[1])]
        return Q(value=float(value), u95=float(max(abs(e - value) for e in ends)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileStack:
    """Profiles side by side: ``rows``, ``sigma``, ``stretch`` (k,), the others (k, m) and (k, 1)."""

    rows: np.ndarray
    t_ms: np.ndarray
    esf: np.ndarray
    middle_ms: np.ndarray
    sigma: np.ndarray
    stretch: np.ndarray


def stack_profiles(profiles: Sequence[Profile]) -> ProfileStack:
    """Return profiles on as many samples each, evenly spread over each one's own range.

    Samples are not averaged: that would blur the measured side alone.
    """
    times = [np.linspace(p.t_ms[0], p.t_ms[-1], PROFILE_SAMPLES) for p in profiles]
    return ProfileStack(
        rows=np.array([p.row for p in profiles]),
        t_ms=np.stack(times),
        esf=np.stack([np.interp(t, p.t_ms, p.esf) for t, p in zip(times, profiles, strict=True)]),
        middle_ms=np.array([[p.middle_ms] for p in profiles]),
        sigma=np.array([p.sigma for p in profiles]),
        stretch=np.array([p.stretch for p in profiles]),
    )


def corrected_profiles(
    measurement: dict[str, Any], rows: dict[tuple[int, int], int], px_per_refresh: float, hold_ms: float
) -> list[Profile]:
    """Return the measured profiles that can be set against a camera-free prediction.

    A profile that still holds the camera's lens blur and tracking says nothing about what is left of them in the
    figures: it counts only where the file states neither, and where the width of its fitted curve is the edge's
    camera-corrected ``bew_px``.
    """
    from blurscope.shapes import first_crossing

    lens = stated(measurement.get("lens"), "sigma_px")
    error = stated(measurement.get("tracking"), "error_px_per_refresh")
    if (lens is not None and lens > 0) or (error is not None and abs(error) > CAMERA_FREE_PX):
        return []
    out = []
    for entry in measurement["edges"]:
        row = rows.get((entry["from_level"], entry["to_level"]), rows.get((None, None), -1))
        profile = entry.get("profile")
        bew = (entry.get("bew_px") or {}).get("value") if isinstance(entry.get("bew_px"), dict) else None
        if row < 0 or not isinstance(profile, dict) or not isinstance(bew, (int, float)):
            continue
        try:
            lag, esf, fit = (np.array(profile.get(k), dtype=float) for k in ("lag_px", "esf", "esf_fit"))
        except (TypeError, ValueError):
            continue
        if lag.ndim != 1 or lag.size < 16 or lag.shape != esf.shape or lag.shape != fit.shape:
            continue
        if not all(np.isfinite(a).all() for a in (lag, esf, fit)) or np.any(np.diff(lag) <= 0):
            continue
        width = first_crossing(lag, fit, 0.9) - first_crossing(lag, fit, 0.1)
        u95 = (entry["bew_px"].get("u95") or 0.0) if math.isfinite(width) else 0.0
        if not abs(width - bew) <= max(0.3 * u95, 0.01 * bew):
            continue
        scale = hold_ms / px_per_refresh
        out.append(
            Profile(
                row=row,
                t_ms=lag * scale,
                esf=esf,
                middle_ms=first_crossing(lag, fit, 0.5) * scale,
                sigma=math.hypot(float(np.std(esf - fit)), PROFILE_FLOOR),
                stretch=max(10 * u95 / K95 / bew, FREE_STRETCH),
            )
        )
    return out
