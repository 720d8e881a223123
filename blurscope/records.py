"""Frozen records that pass between stages; values always travel with their expanded uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from blurscope.flags import check_flag


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
