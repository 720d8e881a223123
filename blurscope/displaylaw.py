"""A display's law from level to light as it is seen, held against the law that was declared.

Light above black, 0 to 1, is ``net``. If one law's net light is the other's raised to a power, that power is 1 where
both are the same, whatever their form: a wrong gamma is a power of ``shown / declared``, and meter tables and piecewise
laws are compared the same way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.uncertainty import K95

DARKEST = 0.1  # signal below which black and reflections say more than the law
BRIGHTEST = 0.97
LIGHT_SD = 0.002  # share of white: what light is off beside its own noise
SAME_SD = 0.04  # of the power: a law stated for a display and the one it has there (2.2 is said of 2.1 to 2.3)
LARGEST_SD = 0.15  # of the power: what scatters more tells nothing
CONTRADICTION = 0.01  # probability


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenLaw:
    """Net light of levels as they were seen.

    Attributes
    ----------
    level : (n,) float, increasing; black first, the brightest last
    net : (n,) float
        Light above black, the brightest level's 1.
    sd : (n,) float
        Standard uncertainty of each level's own light, black and the brightest included, in units of ``net``.
    """

    level: np.ndarray
    net: np.ndarray
    sd: np.ndarray

    def power_over(self, level: np.ndarray, light: np.ndarray) -> tuple[float, float] | None:
        """Return the power to which the law ``light`` of ``level`` has to be raised, and its standard uncertainty.

        ``None`` where too few levels are between black and white, or their scatter about any power leaves it open.
        """
        if len(level) < 2 or self.level[0] < level[0] - 0.5 or self.level[-1] > level[-1] + 0.5:
            return None
        declared = _interpolated(self.level, np.asarray(level, float), np.asarray(light, float))
        if not declared[-1] > declared[0]:
            return None
        declared = (declared - declared[0]) / (declared[-1] - declared[0])
        share = self.level / self.level[-1]
        use = (share > DARKEST) & (share < BRIGHTEST) & (self.net > 3 * self.sd) & (declared > 0) & (declared < 1)
        if use.sum() < 2:
            return None
        net = self.net[use]
        x, y = np.log(declared[use]), np.log(net)
        weight = (net / np.hypot(self.sd[use], LIGHT_SD)) ** 2
        strength = float(np.sum(weight * x * x))
        power = float(np.sum(weight * x * y)) / strength
        # laws of another form scatter about a power of each other, and the power then depends on the levels
        chi2 = float(np.sum(weight * (y - power * x) ** 2)) / max(int(use.sum()) - 1, 1)
        # what black or white is off moves all levels between them together
        black = self.sd[0] * float(np.sum(weight * x * (1 - net) / net)) / strength
        white = self.sd[-1] * float(np.sum(weight * x)) / strength
        sd = math.sqrt(max(chi2, 1.0) / strength + black**2 + white**2)
        return (power, sd) if sd < LARGEST_SD and power > 0 else None

    def gamma(self) -> tuple[float, float] | None:
        """Return the exponent over the signal, and its standard uncertainty."""
        level = np.arange(0.0, self.level[-1] + 1)
        return self.power_over(level, level / level[-1])

    def as_json(self) -> dict[str, Any]:
        """Return ``level``, ``light``, ``u95`` and the exponent ``display_gamma`` as the files have it."""
        found = self.gamma()
        gamma = {"value": None, "u95": None} if found is None else {"value": found[0], "u95": K95 * found[1]}
        return {
            "level": [float(v) for v in self.level],
            "light": [float(f"{v:.5g}") for v in self.net],
            "u95": [float(f"{K95 * v:.3g}") for v in self.sd],
            "display_gamma": gamma,
        }


def _interpolated(wanted: np.ndarray, level: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Return a law's light between its levels, straight in its square root: laws are nearly squares."""
    net = np.sqrt(np.clip((light - light[0]) / max(light[-1] - light[0], 1e-300), 0, None))
    return np.interp(wanted, level, net) ** 2


def seen_law(level: np.ndarray, light: np.ndarray, sd: np.ndarray) -> SeenLaw | None:
    """Return the law of measured lights, black and reflected light included; ``None`` where it does not rise."""
    level, light, sd = (np.asarray(z, float) for z in (level, light, sd))
    span = float(light[-1] - light[0]) if len(light) >= 3 else 0.0
    if level.size < 3 or level[0] > 0 or not span > 0:
        return None
    net = (light - light[0]) / span
    return SeenLaw(level=level, net=net, sd=sd / span)


def law_of_records(levels: Sequence[tuple[float, float]], signal: Sequence[tuple[float, float]]) -> SeenLaw | None:
    """Return the law that settled signals of transitions show, each ``(from, to)`` in the detector's unit.

    Parameters
    ----------
    levels, signal : sequence of (float, float)

    Notes
    -----
    A level is reached from several others. As far as its signals differ, gain or offset changed from record to record,
    and the law is known only as well as they agree. ``None`` where no level was recorded twice.
    """
    found: dict[float, list[float]] = {}
    for ends, volts in zip(levels, signal, strict=True):
        for level, v in zip(ends, volts, strict=True):
            if math.isfinite(v):
                found.setdefault(level, []).append(v)
    level = np.array(sorted(found))
    if level.size < 3:
        return None
    counts = np.array([len(found[v]) for v in level])
    left = int((counts - 1).sum())
    if left < 3:
        return None
    mean = np.array([np.mean(found[v]) for v in level])
    span = mean[-1] - mean[0]
    if span == 0:
        return None
    spread = math.sqrt(sum(float(np.var(found[v])) * len(found[v]) for v in level) / left)
    if spread > LARGEST_SD * abs(span):
        return None
    own = np.array([np.std(found[v]) for v in level])  # gains that differ show at bright levels, offsets at all
    sd = np.maximum(own, 0.3 * spread) / np.sqrt(np.maximum(counts - 1, 1))
    return seen_law(level, mean / span, sd / abs(span))


def seen_from_json(block: Any) -> SeenLaw | None:
    """Return the law under ``shown`` of a file's ``light`` block; ``None`` where there is none that can be used."""
    if not isinstance(block, dict):
        return None
    try:
        level, net, u95 = (np.array(block.get(k), float) for k in ("level", "light", "u95"))
    except (TypeError, ValueError, OverflowError):
        return None
    if not (level.ndim == 1 and level.size >= 3 and level.shape == net.shape == u95.shape):
        return None
    if not all(np.isfinite(z).all() for z in (level, net, u95)) or np.any(np.diff(level) <= 0) or np.any(u95 < 0):
        return None
    return SeenLaw(level=level, net=net, sd=u95 / K95)


def same_power(power: float, sd: float, stated_sd: float = 0.0) -> float:
    """Return the probability that two laws a power apart are of one display."""
    return math.erfc(abs(math.log(power)) / math.sqrt(2) / math.sqrt((sd / power) ** 2 + SAME_SD**2 + stated_sd**2))


def contradiction(shown: SeenLaw, level: np.ndarray, light: np.ndarray, stated_u95_share: float = 0.0) -> str:
    """Return in words how a declared law departs from the one that is shown; empty where it does not."""
    found, seen, given = shown.power_over(level, light), shown.gamma(), _exponent(level, light)
    if found is None or same_power(*found, stated_u95_share / K95) >= CONTRADICTION:
        return ""
    if seen is None or given is None:
        return f"its light is the declared one to the power of {found[0]:.2f}"
    return f"gamma {seen[0]:.2f} ± {K95 * seen[1]:.2f} by its own greys, {given:.2f} by what was given"


def _exponent(level: np.ndarray, light: np.ndarray) -> float | None:
    level, light = np.asarray(level, float), np.asarray(light, float)
    law = seen_law(level, light, np.zeros(len(level)))
    found = None if law is None else law.gamma()
    return None if found is None else found[0]


def used_law(light: Any) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Return levels, light and the relative standard uncertainty of the law that a file's ``light`` block used.

    A table under ``law`` goes before the exponent ``display_gamma``.
    """
    if not isinstance(light, dict):
        return None
    law, gamma = light.get("law"), light.get("display_gamma")
    if isinstance(law, dict):
        try:
            level, net = np.array(law.get("level"), float), np.array(law.get("light"), float)
        except (TypeError, ValueError, OverflowError):
            return None
        if level.ndim == 1 and level.size >= 3 and level.shape == net.shape and np.all(np.diff(level) > 0):
            return (level, net, 0.0) if np.isfinite(net).all() and np.isfinite(level).all() else None
        return None
    u95 = gamma.get("u95") if isinstance(gamma, dict) else None
    value = gamma.get("value") if isinstance(gamma, dict) else gamma
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not 0.5 <= value <= 5:
        return None
    share = u95 / value / K95 if isinstance(u95, (int, float)) and math.isfinite(u95) and u95 > 0 else 0.0
    level = np.arange(256.0)
    return level, (level / 255) ** value, share


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The law that one side used against what a side shows.

    Attributes
    ----------
    used_by, shown_by : {"photo", "response"}
    power, sd : float
        Power between them (1: the same) and its standard uncertainty, what is usual between laws included.
    used, shown, shown_sd : float or None
        Both exponents over the signal.
    p : float
        Probability of such a difference by chance.
    """

    used_by: str
    shown_by: str
    power: float
    sd: float
    used: float | None
    shown: float | None
    shown_sd: float | None
    p: float

    def as_json(self) -> dict[str, Any]:
        """Return the entry of ``laws`` in an agreement file."""
        u95 = K95 * self.sd
        gamma = {"value": self.shown, "u95": None if self.shown_sd is None else K95 * self.shown_sd}
        return {
            "used_by": self.used_by, "shown_by": self.shown_by, "used_gamma": self.used, "shown_gamma": gamma,
            "power": {"value": self.power, "u95": u95}, "en": math.log(self.power) / (u95 / self.power),
            "p": self.p, "agrees": self.p >= CONTRADICTION,
        }  # fmt: skip

    def sentence(self) -> str:
        """Return what contradicts what, for a verdict's reason."""
        who = {"photo": "the photo was measured", "response": "the records were reduced"}[self.used_by]
        what = {"photo": "the plate's greys", "response": "the records' settled levels"}[self.shown_by]
        if self.used is None or self.shown is None or self.shown_sd is None:
            return f"{who} with another level-to-light law than {what} show"
        return (
            f"{who} with a display gamma of {self.used:.3g}, {what} show {self.shown:.3g} ± {K95 * self.shown_sd:.2g}"
        )


def compare_laws(photo: Any, response: Any, *, same_photo: bool = False) -> list[Comparison]:
    """Hold the law that each side used against the law that each side shows; ``light`` blocks of two files.

    A law that a photo took from its own greys says nothing against itself.
    """
    sides = {"photo": photo} if same_photo else {"photo": photo, "response": response}
    found = []
    for used_by, mine in sides.items():
        used = used_law(mine)
        for shown_by, other in sides.items():
            shown = seen_from_json(other.get("shown")) if isinstance(other, dict) else None
            if used is None or shown is None or (used_by == shown_by and _measured(mine)):
                continue
            power = shown.power_over(used[0], used[1])
            if power is None:
                continue
            gamma = shown.gamma()
            found.append((used_by, shown_by, power, used, gamma))
    return [
        Comparison(
            used_by=used_by, shown_by=shown_by, power=power[0],
            sd=power[0] * math.sqrt((power[1] / power[0]) ** 2 + SAME_SD**2 + used[2] ** 2),
            used=_exponent(used[0], used[1]), shown=gamma and gamma[0], shown_sd=gamma and gamma[1],
            p=min(1.0, len(found) * same_power(*power, used[2])),
        )
        for used_by, shown_by, power, used, gamma in found
    ]  # fmt: skip


def _measured(light: Any) -> bool:
    law = light.get("law") if isinstance(light, dict) else None
    return isinstance(law, dict) and law.get("declared") is False
