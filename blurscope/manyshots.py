"""Photos of one display before they are combined: each measured, and those that fall out by themselves left out.

Which of the rest disagrees with the others is found where they are compared (`blurscope.combine`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.errors import BlurscopeError
from blurscope.files import show_path
from blurscope.flags import warning
from blurscope.measurement import Measurement
from blurscope.records import Q
from blurscope.uncertainty import K95

SMEAR_LIMIT = 0.35  # tracking error times exposure, in units of the travel per refresh
LENS_LIMIT = 0.5  # 10-90 width of the lens in units of the hold's own
FEW_EDGES = 0.6
MEASURED_LAWS = ("linear_file", "row_halftones")  # where the display's gamma is the photo's own finding
OTHER_GAMMA = 0.1  # difference beyond which light of the middle greys, and with it the steps, is another by 7 %
GAMMA_SDS = 5.0


@dataclass(slots=True, kw_only=True)
class Shot:
    """A photo among several: its result or, in ``dropped``, the sentence that says why it doesn't count."""

    name: str
    photo: dict[str, Any]
    result: Measurement | None = None
    dropped: str = ""
    weight: float = 0.0
    reason: str = ""


def measure_all(photos: Sequence[Any], one: Callable[[Any], Measurement]) -> list[Shot]:
    """Measure photos one by one, in the order of their names; what is refused, or there already, is dropped."""
    shots: list[Shot] = []
    for item in photos:
        path = item if isinstance(item, (str, os.PathLike)) else getattr(item, "path", "photo")
        name = show_path(Path(path).name)
        try:
            result = one(item)
        except BlurscopeError as err:
            shots.append(Shot(name=name, photo={"path": show_path(path)}, dropped=str(err)))
            continue
        photo = result.blocks["photo"]
        name = show_path(Path(photo["path"]).name)
        shots.append(Shot(name=name, photo=photo, result=result))
    shots.sort(key=lambda s: (s.name, s.photo.get("sha256", "")))  # sums of any other order differ in their last digit
    files: dict[str, str] = {}
    pictures: dict[tuple[float, ...], str] = {}
    for s in shots:
        if s.result is None:
            continue
        digest, picture = s.photo.get("sha256", ""), _picture(s.result)
        if digest and digest in files:
            s.dropped = f"it is the same file as {files[digest]}, and one picture counts once"
        elif picture in pictures:
            s.dropped = f"it is the same picture as {pictures[picture]}, saved again, and counts once"
        files.setdefault(digest, s.name)
        pictures.setdefault(picture, s.name)
    return shots


def _picture(m: Measurement) -> tuple[float, ...]:
    """Return figures to nine digits that no two photos share: even of one scene, their noise is another."""
    found = [x for e in m.edges for q in e.figures.values() for x in (q.value, q.u95)]
    found += [_value(m.tracking[name]) for name in ("error_px_per_refresh", "exposure_refreshes")]
    found += [m.blocks["light"].get("display_gamma"), _value(m.blocks.get("lens", {}).get("sigma_px"))]
    return tuple(0.0 if x is None else float(f"{x:.9g}") for x in found)


def _value(q: Q | None) -> float | None:
    return None if q is None else q.value


def _smear(m: Measurement) -> float:
    """Tracking error over the exposure, in units of the travel per refresh; nan where unknown."""
    error, exposure = _value(m.tracking["error_px_per_refresh"]), m.blocks["capture"]["exposure_refreshes"]
    if error is None or exposure is None:
        return float("nan")
    return abs(error) * exposure / m.blocks["capture"]["px_per_refresh"]


def _lens(m: Measurement) -> float:
    """10-90 width of the lens blur in units of the hold's own."""
    sigma = _value(m.blocks.get("lens", {}).get("sigma_px"))
    return float("nan") if sigma is None else 2.5631 * sigma / (0.8 * m.blocks["capture"]["px_per_refresh"])


def drop_bad(shots: list[Shot]) -> None:
    """Leave out shots with a fault of their own, as long as a clearly better one stays."""

    def live() -> list[Shot]:
        return [s for s in shots if s.result is not None and not s.dropped]

    def judge(
        size: Callable[[Measurement], float], limit: float, sentence: Callable[[Measurement, float], str]
    ) -> None:
        sizes = [(s, size(s.result)) for s in live()]
        known = [x for _, x in sizes if np.isfinite(x)]
        if len(sizes) < 2 or not known:
            return
        for s, x in sizes:
            if np.isfinite(x) and x > limit and min(known) < 0.5 * x:
                s.dropped = sentence(s.result, x)

    judge(
        _smear,
        SMEAR_LIMIT,
        lambda m, x: (
            f"the camera was {_value(m.tracking['error_px_per_refresh']):+.2f} px per refresh off the plate's speed, "
            f"{100 * x:.0f} % of a refresh's travel over the exposure"
        ),
    )
    judge(
        _lens,
        LENS_LIMIT,
        lambda m, x: f"it is out of focus: the lens alone blurs edges {100 * x:.0f} % as wide as one refresh does",
    )
    counts = [(s, s.result.summary["edges_ok"]) for s in live()]
    most = max((n for _, n in counts), default=0)
    for s, n in counts:
        if n < FEW_EDGES * most:
            s.dropped = f"only {n} of its transitions are usable where another photo has {most}" + _why(s.result)


def _gamma(m: Measurement) -> tuple[float, float]:
    """Gamma of the display that the photo itself tells, and its standard uncertainty; nan where it was told."""
    light = m.blocks["light"]
    if light.get("method") not in MEASURED_LAWS:
        return float("nan"), float("nan")
    return float(light["display_gamma"]), float(light["display_gamma_u95"]) / K95


def _apart(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return abs(a[0] - b[0]) > max(OTHER_GAMMA, GAMMA_SDS * float(np.hypot(a[1], b[1])))


def drop_other_law(shots: list[Shot]) -> None:
    """Leave out shots whose greys follow another gamma than those of most shots, two at least."""
    live = [(s, _gamma(s.result)) for s in shots if s.result is not None and not s.dropped]
    live = [(s, g) for s, g in live if np.isfinite(g[0])]
    if len(live) < 3:
        return
    middle = float(np.median([g[0] for _, g in live]))
    most = min((g for _, g in live), key=lambda g: abs(g[0] - middle))
    odd = [(s, g) for s, g in live if _apart(g, most)]
    if 2 * len(odd) >= len(live):
        return
    for s, g in odd:
        s.dropped = (
            f"its greys follow a gamma of {g[0]:.2f} and those of the other photos one of {most[0]:.2f}: "
            "it is of another display or setting, or taken from another side"
        )


def two_laws(used: list[Shot]) -> list[dict[str, str]]:
    """Warn of photos that follow two gammas where no majority tells which of them belong together."""
    known = sorted(g for g in (_gamma(s.result) for s in used) if np.isfinite(g[0]))
    if len(known) < 2 or not _apart(known[0], known[-1]):
        return []
    low, high = known[0][0], known[-1][0]
    return [warning("shots_differ", f"their greys follow gammas from {low:.2f} to {high:.2f}")]


def _why(m: Measurement) -> str:
    codes = {w["code"] for w in m.warnings}
    for code, text in (
        ("clipped_whites", "whites are clipped"),
        ("crushed_blacks", "blacks are crushed"),
        ("dropped_refresh", "a refresh was dropped"),
    ):
        if code in codes:
            return f" ({text})"
    flags: dict[str, int] = {}
    for e in m.edges:
        for f in e.flags:
            flags[f] = flags.get(f, 0) + (not e.ok)
    return f" ({max(flags, key=lambda f: flags[f])})" if any(flags.values()) else ""
