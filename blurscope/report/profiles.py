"""One profile with its fit as a small drawing, written by hand: a report holds more than a thousand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from markupsafe import Markup

WIDTH, HEIGHT, PAD = 200, 96, 4
LOW, HIGH = -0.15, 1.3
MOST_POINTS = 70


def profile_svg(edge: Mapping[str, Any], speed_px_per_s: float) -> Markup:
    """Return the drawing of one edge: points are samples, the line is the fit; numbers only, so nothing to escape."""
    profile = edge["profile"]
    lag, esf, fit = (np.array(profile[k], float) for k in ("lag_px", "esf", "esf_fit"))
    if lag.size < 3:
        return Markup("")
    late = np.nonzero((np.abs(fit - 1) > 0.02) & np.isfinite(fit))[0]
    travel = 1000 / speed_px_per_s
    end = max(float(lag[late[-1]]) if late.size else 0.0, float(lag[0]) + 1) * 1.15
    keep = lag <= max(end, 0.3 * float(lag[-1]))
    lag, esf, fit = lag[keep], esf[keep], fit[keep]
    if lag.size > MOST_POINTS:
        take = np.unique(np.round(np.linspace(0, lag.size - 1, MOST_POINTS)).astype(int))
        lag, esf, fit = lag[take], esf[take], fit[take]
    span = max(float(lag[-1] - lag[0]), 1e-9)
    x = PAD + (WIDTH - 2 * PAD) * (lag - lag[0]) / span

    def y(values: np.ndarray) -> np.ndarray:
        return HEIGHT - (HEIGHT - 12) * (np.clip(values, LOW, HIGH) - LOW) / (HIGH - LOW) - 6

    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y(fit), strict=True))
    dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x, y(esf), strict=True))
    zero, one = float(y(np.array(0.0))), float(y(np.array(1.0)))
    title = f"{edge['from_level']} to {edge['to_level']}, {lag[0] * travel:.0f} to {lag[-1] * travel:.0f} ms"
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="Profile {title}">'
        f'<path class="grid" d="M0 {zero:.1f}H{WIDTH}M0 {one:.1f}H{WIDTH}"/><path class="dots" d="{dots}"/>'
        f'<polyline class="fit" points="{line}"/>'
        f'<text x="{PAD}" y="{HEIGHT - 1}">{lag[0] * travel:.0f}</text>'
        f'<text x="{WIDTH - PAD}" y="{HEIGHT - 1}" text-anchor="end">{lag[-1] * travel:.0f} ms</text></svg>'
    )
