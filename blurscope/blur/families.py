"""Response families that compete: each gives the running integral of its step response, batch-wise.

Times are in refreshes, parameters are logarithms where they must be positive. ``integral(t, p)`` takes ``t`` of shape
(..., k) broadcast against parameters (..., number) and returns the integral of the step from 0 to ``t`` (0 before 0).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

STEP = 1e-4  # of a parameter, for derivatives by differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A response family.

    Attributes
    ----------
    name : str
    integral : callable
    slopes : callable
        ``slopes(t, p)`` gives the derivatives of ``integral`` by time (the step response itself) and by each parameter,
        (1 + number, ..., k).
    starts : tuple of tuple of float
        Starting points of the shape parameters.
    low, high : tuple of float
        Bounds.
    beside : tuple of (float, float), optional
        For families that hold the exponential as a special case: each parameter near it, as a constant and how many
        times the logarithm of the time constant is added.
    alike : tuple of tuple of (float, float), optional
        The same for shapes about as long as the exponential that fits best, to choose from; their middle comes ``lag``
        time constants after their onset.
    lag : float
    """

    name: str
    integral: Callable[[np.ndarray, np.ndarray], np.ndarray]
    slopes: Callable[[np.ndarray, np.ndarray], np.ndarray]
    starts: tuple[tuple[float, ...], ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    beside: tuple[tuple[float, float], ...] | None = None
    alike: tuple[tuple[tuple[float, float], ...], ...] = ()
    lag: float = 1.0


def _scaled(integral: Callable, step: Callable) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Return the derivatives of a family whose only parameter, a logarithm, stretches time."""

    def slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
        r = step(t, p)
        return np.array([r, integral(t, p) - t * r])

    return slopes


def _exp_integral(t: np.ndarray, tau: np.ndarray) -> np.ndarray:
    t = np.maximum(t, 0.0)
    tau = np.maximum(tau, 1e-12)
    return t + tau * np.expm1(-t / tau)


def _exp_parts(t: np.ndarray, tau: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the integral of an exponential step, the step, and the integral's derivative by log(tau)."""
    t = np.maximum(t, 0.0)
    step = -np.expm1(-t / tau)
    integral = t - tau * step
    return integral, step, integral - t * step


def _instant(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return np.maximum(t, 0.0) + 0 * p[..., :0].sum(axis=-1, keepdims=True)


def _instant_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return ((t > 0) + 0 * p[..., :0].sum(axis=-1, keepdims=True))[None]


def _exponential(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return _exp_integral(t, np.exp(p[..., 0:1]))


def _exponential_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return np.array(_exp_parts(t, np.exp(p[..., 0:1]))[1:])


def _two_exponentials(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Share ``a`` with the first time constant, ``1 - a`` with a longer one; ``a > 1`` overshoots."""
    a = p[..., 0:1]
    tau = np.exp(p[..., 1:2])
    slow = tau * (1.15 + np.exp(p[..., 2:3]))
    return a * _exp_integral(t, tau) + (1 - a) * _exp_integral(t, slow)


def _two_exponentials_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    a, tau, more = p[..., 0:1], np.exp(p[..., 1:2]), np.exp(p[..., 2:3])
    first, second = _exp_parts(t, tau), _exp_parts(t, tau * (1.15 + more))
    by_scale = (1 - a) * second[2]
    rise = a * first[1] + (1 - a) * second[1]
    return np.array([rise, first[0] - second[0], a * first[2] + by_scale, by_scale * (more / (1.15 + more))])


def _gamma_parts(t: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the integral of the gamma distribution's CDF, and the CDF: exponential for shape 1, S-shaped above."""
    from scipy.special import gammainc, gammaln

    shape, scale = np.exp(p[..., 0:1]), np.exp(p[..., 1:2])
    x = np.maximum(t, 0.0) / scale
    live = (x > 0) & (x < shape + 12 * np.sqrt(shape) + 24)
    out = np.where(x > 0, x - shape, 0.0)
    step = (x > 0).astype(float)
    xl, kl, norm = x[live], *(np.broadcast_to(k, x.shape)[live] for k in (shape, gammaln(shape + 1)))
    cdf = gammainc(kl, xl)
    # P(k + 1, x) = P(k, x) - x^k exp(-x) / Gamma(k + 1)
    out[live] = xl * cdf - kl * (cdf - np.exp(kl * np.log(xl) - xl - norm))
    step[live] = cdf
    return scale * out, step


def _gamma(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return _gamma_parts(t, p)[0]


def _gamma_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    here, step = _gamma_parts(t, p)
    other = _gamma(t, p + np.array([STEP, 0.0]))
    return np.array([step, (other - here) / STEP, here - np.maximum(t, 0.0) * step])


def _gaussian(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Cumulative Gaussian whose 50 % point lies 4 sigma after the onset."""
    from scipy.special import ndtr

    sigma = np.exp(p[..., 0:1])
    z = t / sigma - 4.0
    return sigma * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def _gaussian_step(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    from scipy.special import ndtr

    return ndtr(t / np.exp(p[..., 0:1]) - 4.0)


def _raised_cosine(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    length = np.exp(p[..., 0:1])
    s = np.clip(t / length, 0.0, 1.0)
    inside = length * (s / 2 - np.sin(np.pi * s) / (2 * np.pi))
    return inside + np.maximum(t - length, 0.0)


def _raised_cosine_step(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(t / np.exp(p[..., 0:1]), 0.0, 1.0))


def _ramp(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    length = np.exp(p[..., 0:1])
    s = np.clip(t / length, 0.0, 1.0)
    return length * s * s / 2 + np.maximum(t - length, 0.0)


def _ramp_step(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    return np.clip(t / np.exp(p[..., 0:1]), 0.0, 1.0)


def _staged(t: np.ndarray, p: np.ndarray, refreshes: float = 1.0) -> np.ndarray:
    """Target ``f`` during the first refreshes, then 1 (f > 1: overdrive, f < 1: two stages)."""
    f, tau = p[..., 0:1], np.exp(p[..., 1:2])
    return f * _exp_integral(t, tau) + (1 - f) * _exp_integral(t - refreshes, tau)


def _staged_slopes(t: np.ndarray, p: np.ndarray, refreshes: float = 1.0) -> np.ndarray:
    f, tau = p[..., 0:1], np.exp(p[..., 1:2])
    first, second = _exp_parts(t, tau), _exp_parts(t - refreshes, tau)
    rise, by_scale = (f * first[k] + (1 - f) * second[k] for k in (1, 2))
    return np.array([rise, first[0] - second[0], by_scale])


def _lack(t: np.ndarray, tau: np.ndarray, poles: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what a signal that lags by equal poles lacks of its end: now, the integral of that and its square's."""
    x = np.maximum(t, 0.0) / tau
    e = np.exp(-x)
    if poles == 1:
        return e, tau * (1 - e), tau * 0.5 * (1 - e * e)
    return e * (1 + x), tau * (2 - e * (2 + x)), tau * (1.25 - e * e * (0.5 * (1 + x) * (2 + x) + 0.25))


def _bent(t: np.ndarray, k: np.ndarray, lacks: np.ndarray, lacks2: np.ndarray) -> np.ndarray:
    """Return the integral of light, by those of what its signal lacks: see `_driven`."""
    return np.maximum(t, 0.0) - (1 + k) * lacks + k * lacks2


def _two_poles(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Liquid crystal driven to its end at once: see `_driven`."""
    return _bent(t, p[..., 1:2], *_lack(t, np.exp(p[..., 0:1]))[1:])


def _two_poles_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    lack, lacks, lacks2 = _lack(t, np.exp(p[..., 0:1]))
    k, since = p[..., 1:2], np.maximum(t, 0.0)
    now = (1 + k) * lack - k * lack**2
    return np.array([(t > 0) * (1 - now), since * now - (1 + k) * lacks + k * lacks2, lacks2 - lacks])


def _driven(t: np.ndarray, p: np.ndarray, poles: int = 2) -> np.ndarray:
    """Liquid crystal whose signal lags by one or two equal poles, driven towards ``f`` for a refresh, then to 1.

    Light is that signal bent by ``k``, the second order of the display's law between the two levels: with ``r`` what
    the signal lacks of its end, light lacks ``(1 + k) r - k r^2``.
    """
    return _bent(t, p[..., 2:3], *_driven_lack(t, p, poles)[1:])


def _driven_lack(t: np.ndarray, p: np.ndarray, poles: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the same as `_lack` of a signal that is driven."""
    f, tau = p[..., 0:1], np.exp(p[..., 1:2])
    first, s = np.clip(t, 0.0, 1.0), np.maximum(t - 1.0, 0.0) / tau
    now, one, two = _lack(first, tau, poles)
    lacks = (1 - f) * first + f * one
    lacks2 = (1 - f) ** 2 * first + 2 * f * (1 - f) * one + f**2 * two
    # from the second refresh on exp(-s) (a + b s)
    q = np.exp(-1 / tau)
    a = f * q * (1 + 1 / tau if poles == 2 else 1.0) + 1 - f
    b = f * q + 1 - f if poles == 2 else np.zeros_like(f)
    e = np.exp(-s)
    now = np.where(t > 1, e * (a + b * s), 1 - f + f * now)
    lacks = lacks + tau * (a * (1 - e) + b * (1 - e * (1 + s)))
    e = e * e
    lacks2 = lacks2 + tau * (
        0.5 * a * a * (1 - e) + 0.5 * a * b * (1 - e * (1 + 2 * s)) + 0.25 * b * b * (1 - e * (1 + 2 * s + 2 * s * s))
    )
    return now, lacks, lacks2


def _driven_slopes(t: np.ndarray, p: np.ndarray, poles: int = 2) -> np.ndarray:
    lack, lacks, lacks2 = _driven_lack(t, p, poles)
    k = p[..., 2:3]
    rise = np.where(t > 0, 1 - (1 + k) * lack + k * lack**2, 0.0)
    here = _bent(t, k, lacks, lacks2)
    moved = (_driven(t, p + np.array(step), poles) - here for step in ([STEP, 0.0, 0.0], [0.0, STEP, 0.0]))
    return np.array([rise, *(m / STEP for m in moved), lacks2 - lacks])


def _ringing_parts(t: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return time, decay and oscillation, and how much sine makes it begin at rest."""
    t = np.maximum(t, 0.0)
    z = np.exp(-p[..., 0:1]) * (1 - 1j * np.exp(p[..., 1:2]))
    return t, z, np.exp(-z * t), np.exp(-p[..., 1:2])


def _ringing(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Second order, from rest: ``1 - exp(-t/tau) (cos wt + sin wt / (w tau))``; the second parameter is log w tau."""
    t, z, wave, c = _ringing_parts(t, p)
    past = (1 - wave) / z
    return t - past.real - c * past.imag


def _ringing_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    t, z, wave, c = _ringing_parts(t, p)
    w = -z.imag
    past, moment = (1 - wave) / z, (1 - wave * (1 + z * t)) / z**2
    step = (t > 0) * (1 - wave.real - c * wave.imag)
    faster = w * (moment.imag - c * moment.real)
    return np.array([step, t - past.real - c * past.imag - t * step, faster + c * past.imag])


def _two_poles_parts(t: np.ndarray, tau: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the integral of ``1 - exp(-t/tau) (1 + t/tau)``, that step, and the integral's derivative by log(tau)."""
    since = np.maximum(t, 0.0)
    lack, lacks, _ = _lack(t, tau)
    return since - lacks, 1 - lack, since * lack - lacks


def _s_overshoot(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """A rise of two equal poles that overshoots by a share ``b`` and settles with a longer time constant."""
    b, tau = p[..., 0:1], np.exp(p[..., 1:2])
    slow = tau * (1.5 + np.exp(p[..., 2:3]))
    return (1 + b) * _two_poles_parts(t, tau)[0] - b * _exp_integral(t, slow)


def _s_overshoot_slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    b, tau, more = p[..., 0:1], np.exp(p[..., 1:2]), np.exp(p[..., 2:3])
    first, second = _two_poles_parts(t, tau), _exp_parts(t, tau * (1.5 + more))
    rise = (1 + b) * first[1] - b * second[1]
    by_scale = b * second[2]
    return np.array([rise, first[0] - second[0], (1 + b) * first[2] - by_scale, -by_scale * (more / (1.5 + more))])


_L = np.log
_STAGED = Family(
    name="staged",
    integral=_staged,
    slopes=_staged_slopes,
    starts=((0.7, _L(0.2)), (1.2, _L(0.5))),
    low=(0.2, -6.0),
    high=(3.0, 2.0),
    beside=((1.0, 0), (0.0, 1)),
)
_DRIVEN = Family(
    name="driven s-shaped",
    integral=_driven,
    slopes=_driven_slopes,
    starts=((1.15, _L(0.25), 0.4), (1.15, _L(0.25), -0.4)),
    low=(0.2, -6.0, -1.3),
    high=(3.0, 2.0, 1.3),
    alike=(
        ((1.15, 0), (_L(0.6), 1), (0.4, 0)),
        ((1.15, 0), (_L(0.6), 1), (-0.4, 0)),
    ),
    lag=1.2,
)
FAMILIES: tuple[Family, ...] = (
    Family(
        name="instant", integral=_instant, slopes=_instant_slopes, starts=((),), low=(), high=(), alike=((),), lag=0.0
    ),
    Family(
        name="exponential",
        integral=_exponential,
        slopes=_exponential_slopes,
        starts=((_L(0.3),), (_L(1.6),)),
        low=(-6.0,),
        high=(2.5,),
    ),
    Family(
        name="s-shaped",
        integral=_gamma,
        slopes=_gamma_slopes,
        starts=((_L(2.5), _L(0.15)),),
        low=(-0.7, -6.0),
        high=(3.0, 2.0),
        beside=((0.0, 0), (0.0, 1)),
        alike=(((_L(2.5), 0), (_L(0.54), 1)),),
        lag=1.35,
    ),
    Family(
        name="gaussian",
        integral=_gaussian,
        slopes=_scaled(_gaussian, _gaussian_step),
        starts=((_L(0.2),), (_L(0.5),)),
        low=(-6.0,),
        high=(2.0,),
        alike=(((_L(0.86), 1),),),
        lag=3.44,
    ),
    Family(
        name="raised-cosine",
        integral=_raised_cosine,
        slopes=_scaled(_raised_cosine, _raised_cosine_step),
        starts=((_L(0.8),),),
        low=(-5.0,),
        high=(3.3,),
        alike=(((_L(3.7), 1),),),
        lag=1.85,
    ),
    Family(
        name="ramp",
        integral=_ramp,
        slopes=_scaled(_ramp, _ramp_step),
        starts=((_L(0.8),),),
        low=(-5.0,),
        high=(3.3,),
        alike=(((_L(2.75), 1),),),
        lag=1.375,
    ),
    Family(
        name="two exponentials",
        integral=_two_exponentials,
        slopes=_two_exponentials_slopes,
        starts=((0.7, _L(0.3), _L(2.0)), (1.3, _L(0.3), _L(1.5)), (1.6, _L(1.0), _L(1.0)), (0.96, _L(0.1), _L(30.0))),
        low=(0.05, -5.0, -3.0),
        high=(60.0, 2.0, 6.5),  # a fast pixel may creep for refreshes
        beside=((1.0, 0), (0.0, 1), (0.0, 0)),
        alike=(
            ((0.7, 0), (_L(0.6), 1), (_L(2.0), 0)),
            ((1.4, 0), (_L(1.3), 1), (_L(1.5), 0)),
            ((2.5, 0), (_L(2.0), 1), (_L(0.5), 0)),
            ((0.96, 0), (_L(0.8), 1), (_L(20.0), 0)),
        ),
    ),
    Family(
        name="two poles",
        integral=_two_poles,
        slopes=_two_poles_slopes,
        starts=((_L(0.25), 0.0),),
        low=(-6.0, -1.3),
        high=(2.0, 1.3),
        alike=(((_L(0.6), 1), (0.0, 0)),),
        lag=1.2,
    ),
    _STAGED,
    replace(
        _STAGED,
        name="staged late",
        integral=partial(_staged, refreshes=2.0),
        slopes=partial(_staged_slopes, refreshes=2.0),
        beside=None,
    ),
    _DRIVEN,
    replace(
        _DRIVEN,
        name="driven",
        integral=partial(_driven, poles=1),
        slopes=partial(_driven_slopes, poles=1),
        alike=tuple((f, (_L(0.9), 1), k) for f, _, k in _DRIVEN.alike),
        lag=0.9,
    ),
    Family(
        name="ringing",
        integral=_ringing,
        slopes=_ringing_slopes,
        starts=((_L(0.4), _L(0.8)),),
        low=(-4.0, -1.5),
        high=(2.0, 1.2),  # an overshoot of 39 % of the step, exp(-pi / (w tau))
        alike=(((_L(1.0), 1), (_L(0.8), 0)),),
    ),
    Family(
        name="s-shaped overshoot",
        integral=_s_overshoot,
        slopes=_s_overshoot_slopes,
        starts=((0.15, _L(0.12), _L(4.0)), (-0.05, _L(0.12), _L(8.0))),  # b < 0: a slow tail
        low=(-0.6, -5.0, -3.0),
        high=(0.8, 1.0, 3.5),
        alike=(((0.15, 0), (_L(0.4), 1), (_L(4.0), 0)), ((-0.05, 0), (_L(0.4), 1), (_L(12.0), 0))),
    ),
)
