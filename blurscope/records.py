"""Frozen records that pass between stages; values always travel with their expanded uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from blurscope.flags import check_flag

EDGE_QUANTITIES = (
    "bew_px",
    "bet_ms",
    "ebet_ms",
    "get_ms",
    "ghost_px",
    "ghost_ms",
    "ghost_refreshes",
    "overshoot_pct",
    "undershoot_pct",
    "response_ms",
    "response_signal_ms",
    "response_overshoot_pct",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedCurve:
    """What is known of a photo's codes beforehand.

    Attributes
    ----------
    to_light : callable
        Light of a code, share of full scale; goes on beyond 1.
    area_sd : float
        Standard deviation by which the codes of an even area are off as a whole, share of full scale.
    """

    to_light: Callable[[np.ndarray], np.ndarray]
    area_sd: float = 0.0

    def __call__(self, code: np.ndarray) -> np.ndarray:
        """Return the light of codes."""
        return self.to_light(code)


@dataclass(frozen=True, slots=True, kw_only=True)
class Q:
    """A quantity: value and expanded uncertainty (95 % coverage, GUM), or nothing and the reasons.

    Attributes
    ----------
    value : float or None
        The figure in the unit its name carries; ``None`` where it can't be given.
    u95 : float or None
        Half-width of the 95 % interval, same unit. Where the figure can't be negative the interval is
        ``[max(0, value - u95), value + u95]``.
    flags : tuple of str
        Names from `blurscope.flags.FLAGS`; a missing value needs at least one.
    parts : dict
        Standard uncertainties by contribution (the budget), same unit; may be empty.
    """

    value: float | None
    u95: float | None = None
    flags: tuple[str, ...] = ()
    parts: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in self.flags:
            check_flag(name)
        if self.value is None:
            if not self.flags:
                raise ValueError("a missing value needs a flag that says why")
        elif not math.isfinite(self.value):
            raise ValueError("a value must be finite; use None and a flag")
        if self.u95 is not None and not (self.u95 >= 0 and math.isfinite(self.u95)):
            raise ValueError("u95 must be finite and not negative")

    @classmethod
    def missing(cls, *flags: str) -> Q:
        """Return the quantity that could not be measured, with the reasons."""
        return cls(value=None, flags=tuple(flags))

    def scaled(self, factor: float) -> Q:
        """Return the quantity in another unit (value, u95 and budget times ``factor``)."""
        if self.value is None:
            return self
        return Q(
            value=self.value * factor,
            u95=None if self.u95 is None else self.u95 * abs(factor),
            flags=self.flags,
            parts={k: v * abs(factor) for k, v in self.parts.items()},
        )

    def as_json(self) -> dict[str, float | None]:
        """Return ``{"value", "u95"}`` as the files have it."""
        return {"value": self.value, "u95": self.u95}


def frozen_array(values: Any, dtype: Any = np.float64) -> np.ndarray:
    """Return a read-only copy of ``values``."""
    out = np.array(values, dtype=dtype)
    out.setflags(write=False)
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transition:
    """The response of one pair of levels: the step itself and the figures published with it.

    Attributes
    ----------
    from_level, to_level : int or None
        ``None`` for an assumed response that stands for every pair.
    step : blurscope.shapes.steps.Step or None
        ``None`` where the response could not be read.
    response_ms, response_signal_ms, overshoot_pct : Q
        The step's own figures, no hold.
    origin : {"record", "streak", "edge", "family"}
        Where the step came from; ``family`` is a shape assumed for a known response time.
    noise_share : float
        Standard deviation of a sample of the step, share of the transition; 0 where not sampled.
    spacing_ms : float
        Sample spacing that ``noise_share`` belongs to.
    level_share : float or None
        Standard uncertainty of the settled level, share of the transition; ``None`` where it isn't stated.
    alternatives : tuple of Step
        Two other steps that fit what is known about as well: what the shape alone leaves open.
    ends : tuple of Step
        The step at both ends of the response's interval, where it isn't just stretched.
    flags : tuple of str
    """

    from_level: int | None
    to_level: int | None
    step: Any
    response_ms: Q
    response_signal_ms: Q
    overshoot_pct: Q
    origin: str
    noise_share: float = 0.0
    spacing_ms: float = 0.0
    level_share: float | None = None
    alternatives: tuple[Any, ...] = ()
    ends: tuple[Any, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def pair(self) -> tuple[int | None, int | None]:
        """``(from_level, to_level)``."""
        return self.from_level, self.to_level


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PredictedEdge:
    """What a perfect pursuit camera should measure on one transition.

    Attributes
    ----------
    transition : Transition
    figures : dict of Q
        ``bew_px``, ``bet_ms``, ``ebet_ms``, ``get_ms``, ``ghost_ms`` and so on, as `measure` names them.
    effects : dict of dict
        ``effects[input][figure]``: signed change of the figure by one standard uncertainty of the input.
    lag_px, esf : (n,) float
        The predicted profile.
    """

    transition: Transition
    figures: dict[str, Q]
    effects: dict[str, dict[str, float]]
    lag_px: np.ndarray
    esf: np.ndarray
