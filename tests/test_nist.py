"""The batch fit against certified nonlinear regressions of the NIST Statistical Reference Datasets.

The edge fit describes a profile as ``from + (to - from) f(x; p)`` with ``f`` a family's cell means. Problems of the
form ``b1 f(x; b2, b3)`` are of this kind: the from level is known to be 0, the to level is ``b1``.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from blurscope.blur.families import Family
from blurscope.blur.fit import fit_family

STEP = 1e-4  # of a parameter, for derivatives by differences
FOLDER = Path(__file__).parent / "data" / "nist_strd"
MODELS = {  # f(x; b2, b3 ...); positive parameters are fitted as logarithms, as the families' time constants are
    "Misra1a": lambda x, b: -np.expm1(-b[0] * x),
    "BoxBOD": lambda x, b: -np.expm1(-b[0] * x),
    "Rat42": lambda x, b: 1 / (1 + np.exp(b[0] - b[1] * x)),
    "DanWood": lambda x, b: x ** b[0],
}


def read(name: str):
    """Return x, y, both starts, certified values and standard deviations, residual standard deviation."""
    text = (FOLDER / f"{name}.dat").read_text("ascii")
    rows = re.findall(r"^\s*b\d =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text, re.M)
    table = np.array(rows, float)
    spread = float(re.search(r"Residual Standard Deviation:\s+(\S+)", text).group(1))
    data = text[text.index("Data:", text.index("Number of Observations")) :].splitlines()[1:]
    y, x = np.array([line.split() for line in data if line.strip()], float).T
    return x, y, table[:, :2].T, table[:, 2], table[:, 3], spread


def numeric_slopes(integral):
    """Return derivatives by differences."""

    def slopes(t: np.ndarray, p: np.ndarray) -> np.ndarray:
        here = integral(t, p)
        moved = [integral(t + STEP, p), *(integral(t, p + STEP * unit) for unit in np.eye(p.shape[-1]))]
        return np.stack([x - here for x in moved]) / STEP

    return slopes


def as_family(x: np.ndarray, model, start: np.ndarray) -> Family:
    """Return a family whose mean over cell i is the model's value at ``x[i]``, wherever the switch is."""

    def integral(t: np.ndarray, p: np.ndarray) -> np.ndarray:
        values = model(x, np.exp(np.moveaxis(p, -1, 0))[..., None])
        none = np.zeros((*p.shape[:-1], 1))
        borders = np.concatenate([none, np.cumsum(values, axis=-1)], axis=-1)
        # a time long after all cells, where a response would show its delay: this one has none
        return borders if t.shape[-1] <= borders.shape[-1] else np.concatenate([borders, none], axis=-1)

    count = len(start)
    return Family(
        name="certified",
        integral=integral,
        slopes=numeric_slopes(integral),
        starts=(tuple(np.log(start)),),
        low=(-30.0,) * count,
        high=(30.0,) * count,
    )


def fitted(name: str, which: int):
    x, y, starts, certified, spread_of, noise = read(name)
    family = as_family(x, MODELS[name], starts[which, 1:])
    # the weights are the certified noise, so that the covariance needs no scaling
    ages = np.arange(len(x) + 1.0)
    known = np.array([[0.0, starts[which, 0], 1e-9, 1e9]])
    fit = fit_family(family, y[None], np.full((1, len(x)), 1 / noise), np.eye(len(x)), ages, known)
    found = np.concatenate([fit.levels[0, 1:], np.exp(fit.params[0])])
    keep = [fit.params.shape[1] + 2, *range(fit.params.shape[1])]  # to level, then the shape
    jac = fit.jacobian[0][:, keep] / noise
    sd = np.sqrt(np.diag(np.linalg.inv(jac.T @ jac))) * np.concatenate([[1.0], found[1:]])
    return found, sd, certified, spread_of, float(fit.chi2[0]), len(x)


@pytest.mark.parametrize("name", ["Misra1a", "Rat42", "DanWood"])
def test_certified_values_from_the_near_start(name):
    found, sd, certified, spread_of, chi2, n = fitted(name, 1)
    assert found == pytest.approx(certified, rel=2e-4)
    assert np.all(np.abs(found - certified) < 0.01 * spread_of)
    assert sd == pytest.approx(spread_of, rel=5e-3)
    assert chi2 == pytest.approx(n - len(certified), rel=1e-5)  # residual sum of squares over its certified variance


@pytest.mark.parametrize("name", ["Misra1a", "Rat42", "DanWood"])
def test_certified_values_from_the_far_start(name):
    found, _, certified, spread_of, _, _ = fitted(name, 0)
    assert np.all(np.abs(found - certified) < 0.01 * spread_of)


def test_hard_problem_within_the_stop_rule():
    """Two thirds of an e-fold between six samples: the fit stops where chi-square gains less than 0.01, 0.1 sigma."""
    found, _, certified, spread_of, chi2, n = fitted("BoxBOD", 1)
    assert np.all(np.abs(found - certified) < 0.1 * spread_of)
    assert chi2 == pytest.approx(n - len(certified), abs=0.01)


def test_the_files_are_the_certified_problems():
    for name, n in (("Misra1a", 14), ("BoxBOD", 6), ("Rat42", 9), ("DanWood", 6)):
        x, y, _, certified, _, noise = read(name)
        assert len(x) == n
        res = y - certified[0] * MODELS[name](x, certified[1:])
        assert np.sqrt(np.sum(res**2) / (n - len(certified))) == pytest.approx(noise, rel=1e-8)
