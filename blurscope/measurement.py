"""The measurement record: what `measure` returns, how it is written and read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from blurscope.flags import check_flag
from blurscope.records import EDGE_QUANTITIES, Q

SCHEMA = "blurscope.measurement/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeBlur:
    """Figures of one transition, its instances combined.

    Attributes
    ----------
    from_level, to_level, instances : int
    figures, raw : dict of Q
        Keys `EDGE_QUANTITIES`; ``raw`` are those of the photo as it is, nothing corrected.
    flags : tuple of str
    ok : bool
        The figures may be used as they stand.
    lag_px, esf, esf_fit : (m,) float
        Profile and fitted curve, normalised, light domain.
    family : str
        Response family that fits best.
    chi2_ratio : float
    step : dict
        ``t_ms`` and ``light`` of the fitted step response.
    read_back : Q
        Response in ms, read back from the profile without a family.
    """

    from_level: int
    to_level: int
    instances: int
    figures: dict[str, Q]
    raw: dict[str, Q]
    flags: tuple[str, ...]
    ok: bool
    lag_px: np.ndarray
    esf: np.ndarray
    esf_fit: np.ndarray
    family: str
    chi2_ratio: float
    step: dict[str, Any] = field(default_factory=dict)
    read_back: Q = Q.missing("not_in_photo")

    def __post_init__(self) -> None:
        for name in self.flags:
            check_flag(name)

    def __getattr__(self, name: str) -> Q:
        figures = object.__getattribute__(self, "figures")
        if name in figures:
            return figures[name]
        raise AttributeError(name)

    def as_json(self) -> dict[str, Any]:
        """Return the entry of ``edges``."""
        out: dict[str, Any] = {
            "id": f"{self.from_level}-{self.to_level}",
            "from_level": self.from_level,
            "to_level": self.to_level,
            "instances": self.instances,
        }
        out |= {name: self.figures[name].as_json() for name in EDGE_QUANTITIES}
        out["raw"] = {name: q.as_json() for name, q in self.raw.items()}
        out["quality"] = {"ok": self.ok, "flags": list(self.flags)}
        reasons = list(self.read_back.flags)
        out["read_back"] = {
            "response_ms": self.read_back.as_json(),
            "quality": {"ok": self.read_back.value is not None, "flags": reasons},
        }
        out["family"] = self.family
        out["chi2_ratio"] = round(self.chi2_ratio, 3)
        out["budget"] = {
            name: {k: _short(v) for k, v in self.figures[name].parts.items()}
            for name in EDGE_QUANTITIES
            if self.figures[name].parts
        }
        out["step"] = (
            {"t_ms": _rounded(self.step["t_ms"], 4), "light": _rounded(self.step["light"], 5)} if self.step else None
        )
        out["profile"] = {
            "lag_px": _rounded(self.lag_px, 4),
            "esf": _rounded(self.esf, 5),
            "esf_fit": _rounded(self.esf_fit, 5),
        }
        return out


def _rounded(values: Any, digits: int) -> list[float]:
    return [round(float(v), digits) for v in values]


def _short(value: float) -> float:
    return float(f"{value:.4g}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """A measured photo (or several of one display, combined).

    Attributes
    ----------
    edges : tuple of EdgeBlur
    blocks : dict
        The other blocks of the JSON contract, by key.
    """

    label: str
    edges: tuple[EdgeBlur, ...]
    blocks: dict[str, Any]
    warnings: tuple[dict[str, str], ...] = ()

    def edge(self, from_level: int, to_level: int) -> EdgeBlur:
        """Return the entry of a transition; ``KeyError`` if there is none."""
        for e in self.edges:
            if (e.from_level, e.to_level) == (from_level, to_level):
                return e
        raise KeyError((from_level, to_level))

    @property
    def tracking(self) -> dict[str, Any]:
        """The tracking block, quantities as `Q`."""
        return self.blocks["tracking"]

    @property
    def summary(self) -> dict[str, Any]:
        """The summary block."""
        return self.blocks["summary"]

    def as_json(self) -> dict[str, Any]:
        """Return the content of a ``blurscope.measurement/1`` file."""
        from blurscope import __version__

        head = ("photo", "photos", "capture", "tracking", "backlight", "streaks", "registration", "light", "lens")
        out: dict[str, Any] = {"schema": SCHEMA, "version": __version__, "label": self.label}
        out |= {key: self.blocks[key] for key in head if key in self.blocks}
        out["edges"] = [e.as_json() for e in self.edges]
        out["summary"] = self.blocks["summary"]
        out |= {k: v for k, v in self.blocks.items() if k not in out}
        out["warnings"] = list(self.warnings)
        return out


def mean_q(
    quantities: list[Q], shared: tuple[str, ...] = ("lens", "tracking", "exposure", "phase", "scale", "tone")
) -> Q:
    """Return the mean of quantities whose shared contributions are not averaged away.

    Contributions named in ``shared`` are taken as fully correlated between the quantities; what is left of u95 is
    independent.
    """
    have = [q for q in quantities if q.value is not None and q.u95 is not None]
    if not have:
        return Q.missing("no_instance")
    n = len(have)
    common = {name: sum(q.parts.get(name, 0.0) for q in have) / n for name in shared}
    own = 0.0
    for q in have:
        total = (q.u95 / 1.96) ** 2
        own += max(total - sum(q.parts.get(name, 0.0) ** 2 for name in shared), 0.04 * total)
    variance = own / n**2 + sum(c * c for c in common.values())
    return Q(
        value=float(np.mean([q.value for q in have])),
        u95=float(1.96 * np.sqrt(variance)),
        parts={**common, "own": float(np.sqrt(own) / n)},
    )


def max_q(quantities: list[Q]) -> Q:
    """Return the largest of the quantities with its own u95."""
    have = [q for q in quantities if q.value is not None]
    return max(have, key=lambda q: q.value) if have else Q.missing("no_instance")


def summary_of(edges: list[EdgeBlur], hold_ms: float) -> dict[str, Any]:
    """Return the summary block of edges."""
    usable = [e for e in edges if e.ok]

    def all_of(name: str) -> list[Q]:
        return [e.figures[name] for e in usable]

    settled, shares = 0.0, []
    shown = [e for e in usable if e.step and "pwm_unresolved" not in e.flags]  # flashes don't show the pixel's step
    for e in shown:
        t, light = np.asarray(e.step["t_ms"]), np.asarray(e.step["light"])
        late = light[t >= hold_ms]
        shares.append(bool(late.size and np.abs(late - 1).max() <= 0.05))
    share = Q.missing("no_instance")
    if shares:
        settled = float(np.mean(shares))
        near = np.mean([_near_limit(e, hold_ms) for e in shown])
        share = Q(value=settled, u95=float(near))
    return {
        "edges": len(edges),
        "edges_ok": len(usable),
        "bet_ms_mean": mean_q(all_of("bet_ms")),
        "bet_ms_max": max_q(all_of("bet_ms")),
        "ghost_ms_mean": mean_q(all_of("ghost_ms")),
        "ghost_ms_max": max_q(all_of("ghost_ms")),
        "response_ms_mean": mean_q(all_of("response_ms")),
        "response_signal_ms_mean": mean_q(all_of("response_signal_ms")),
        "in_refresh_share": share,
    }


def _near_limit(edge: EdgeBlur, hold_ms: float) -> bool:
    """Whether the step's distance from its end value one refresh after the switch is within doubt of 5 %."""
    t, light = np.asarray(edge.step["t_ms"]), np.asarray(edge.step["light"])
    late = light[t >= hold_ms]
    if not late.size:
        return False
    q = edge.figures["response_ms"]
    doubt = 0.01 if q.value in (None, 0) or q.u95 is None else min(0.05, 0.05 * q.u95 / max(q.value, 0.3))
    return bool(abs(np.abs(late - 1).max() - 0.05) < doubt)
