"""From the profile of a free edge to its figures: the capture as far as it is known, and a budget for what is not."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope.blur.families import FAMILIES
from blurscope.blur.figures import NAMES, RESPONSES, figures_of
from blurscope.blur.fit import fit_family
from blurscope.blur.measure import BlurFit, measure_profiles
from blurscope.blur.operator import capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.edgecapture import UNKNOWN_EXPOSURE, FreeEdge
from blurscope.edgejoint import Told
from blurscope.freeedge import FreeProfile
from blurscope.uncertainty import K95, nonlinear_sd, resolution_sd

FAST = 0.18  # refreshes: response below which its shape can't be seen
BRISK = 0.5  # refreshes: response below which what is not known of the camera's motion is tried, not linearised
FAR, STEPS = 0.95, 8  # of the interval of the tracking error, and phases of the shutter, that are tried
FASTEST = tuple(f for f in FAMILIES if f.name == "exponential")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeFit:
    """A fitted free edge.

    Attributes
    ----------
    profile : FreeProfile
    fit : BlurFit
    ages : (k + 1,) float
    added : (m,) float
        What the capture adds to the profile beyond its model, taken out before the fit.
    """

    profile: FreeProfile
    fit: BlurFit
    ages: np.ndarray
    added: np.ndarray


def fit_edge(edge: FreeEdge, told: Told, shares: Any, seed: int) -> EdgeFit:
    """Fit response families to a profile and propagate what is not known.

    Parameters
    ----------
    edge : FreeEdge
    told : Told
        What all edges of the photo tell of its capture.
    shares : (2,) float or None
        Of the step in light, at which 10 % and 90 % of the step in signal are reached.
    seed : int
    """
    v, shift = edge.setup.travel, edge.shift
    made = replace(edge.made, esf=told.esf[None, :])
    signals = None if shares is None else shares[None, :]
    # no response freer than the families, which would take tracking and phase for its own
    rng = np.random.default_rng(seed)
    fit = measure_profiles(made, lambda _: told.nuisances, signals, rng, free=False)[0]
    if set(fit.parts["bew"]) == {"noise"} or fit.value["response"] < FAST:
        # what is not known has to be tried, not linearised, where hardly anything of a response shows
        still = [Nuisance(name="noise", shift=np.zeros_like(made.esf))]
        rng = np.random.default_rng(seed)
        fit = measure_profiles(made, lambda _: still, signals, rng, families=FASTEST, free=False)[0]
        fit = _tried(fit, made, told.nuisances, shares)
    # what the photo does not resolve shows in the response, and hardly in the widths
    unresolved = resolution_sd(edge.setup.lens_sigma, 1.0, v)
    value, u95, parts = dict(fit.value), dict(fit.u95), {k: _merged(p) for k, p in fit.parts.items()}
    if fit.value["response"] < BRISK:
        for name, off in _moved(fit, made, edge, shares).items():
            p = parts[name]
            more2 = (off / K95) ** 2 - p.get("tracking", 0.0) ** 2 - p.get("exposure", 0.0) ** 2
            if more2 > 0:
                p["tracking"] = float(np.sqrt(p.get("tracking", 0.0) ** 2 + more2))
                u95[name] = float(np.sqrt(u95[name] ** 2 + K95**2 * more2))
    for name in RESPONSES:
        sd = float(np.hypot(u95[name] / K95, unresolved))
        more = nonlinear_sd(value[name], sd)
        u95[name] = K95 * float(np.hypot(sd, more))
        parts[name] |= {"resolution": unresolved, "nonlinear": more}
    fit = replace(fit, value=value, u95=u95, parts=parts, onset=fit.onset - shift / v)
    return EdgeFit(profile=edge.profile, fit=fit, ages=edge.ages - shift / v, added=told.added)


def _merged(parts: dict[str, float]) -> dict[str, float]:
    """Add up contributions of one name, told apart by a number behind it."""
    out: dict[str, float] = {}
    for name, value in parts.items():
        base = name.rstrip("0123456789 ")
        out[base] = float(np.hypot(out.get(base, 0.0), value))
    return out


def _moved(fit: BlurFit, made: Profiles, edge: FreeEdge, shares: Any) -> dict[str, float]:
    """Return by how much the response may change, at most, with what is not known of the camera's motion.

    A brisk response is what is left of the blur once a whole refresh is taken out. What the motion adds to that goes
    with squares, so that a slope taken at a response that is too long says half of it or less; and an edge that the
    motion has bent is fitted by shapes that no pixel has.
    """
    setup, capture = edge.setup, edge.capture
    lengths = [setup.exposure] if setup.exposure_refreshes is not None else list(UNKNOWN_EXPOSURE)
    seen = [made.operator]
    for length, error, k in itertools.product(lengths, (-FAR * setup.tracking_u, FAR * setup.tracking_u), range(STEPS)):
        so = capture.changed(
            exposure_refreshes=length, error_px_per_refresh=error, phase_known=True, start_phase=k / STEPS
        )
        seen.append(edge.profile.weight @ capture_operator(edge.lag_fine, made.ages, so))
    n = len(seen)
    again = fit_family(
        FASTEST[0], np.repeat(made.esf, n, axis=0), np.repeat(1 / made.sigma, n, axis=0), np.array(seen), made.ages,
        np.repeat(made.levels, n, axis=0),
    )  # fmt: skip
    figures = figures_of(FASTEST[0], again.params, made.length, None if shares is None else np.tile(shares, (n, 1)))
    out = {}
    for name in RESPONSES:
        plain, values = figures[name][0], np.append(figures[name][1:], fit.value[name])
        out[name] = float(np.max(np.abs(values - plain), initial=0.0, where=np.isfinite(values)))
    return out


def _tried(fit: BlurFit, made: Profiles, nuisances: list[Nuisance], shares: Any) -> BlurFit:
    """Refit a fast pixel with each unknown moved either way, and widen by what the figures do."""
    family = next(f for f in FAMILIES if f.name == "exponential")
    moves = [s * n.shift[0] for n in nuisances for s in (1.0, -1.0)]
    rows = made.esf + np.array([np.zeros_like(made.esf[0]), *moves])
    n = len(rows)
    again = fit_family(
        family, rows, np.repeat(1 / made.sigma, n, axis=0), made.operator, made.ages, np.repeat(made.levels, n, axis=0)
    )
    figures = figures_of(family, again.params, made.length, shares)
    u95, parts = dict(fit.u95), {k: dict(p) for k, p in fit.parts.items()}
    for name in NAMES:
        if not np.isfinite(fit.value[name]) or not np.isfinite(fit.u95[name]):
            continue
        values = figures[name]
        total = 0.0
        for j, nuisance in enumerate(nuisances):
            pair = values[1 + 2 * j : 3 + 2 * j] - values[0]
            size = float(np.max(np.abs(pair))) if np.all(np.isfinite(pair)) else 0.0
            parts[name][nuisance.name] = size
            total += size**2
        u95[name] = float(np.hypot(fit.u95[name], K95 * np.sqrt(total)))
    return replace(fit, u95=u95, parts=parts)
