"""What a JPEG leaves of an edge, against files that Pillow writes (libjpeg) and reads again."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from scipy.special import ndtr

from blurscope.coder import coded_variance
from blurscope.photo.jpeg import coded_units

LAG = np.arange(-30.0, 60.0, 0.5)
STARTS = np.arange(0, len(LAG), 2)
LOW, HIGH = 70.0, 190.0  # codes
ROWS = 48
PLACES = np.arange(0, 8, 0.5)  # of the edge among the blocks


def errors_of(quality: int, noise: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return errors of the mean over rows of a blurred edge, (places, groups), and the steps of the coder."""
    out = []
    for place in PLACES:
        x = np.arange(160)
        line = LOW + (HIGH - LOW) * ndtr((x - 64 - place) / 4)
        picture = line + noise * rng.standard_normal((ROWS, 160))
        file = io.BytesIO()
        Image.fromarray(np.rint(picture).clip(0, 255).astype(np.uint8)).save(file, "JPEG", quality=quality)
        back = np.asarray(Image.open(file)).astype(float).mean(axis=0)
        off = np.interp(LAG + 64 + place, x, back - line) / (HIGH - LOW)
        out.append(np.add.reduceat(off, STARTS) / 2)
    return np.array(out), coded_units(file.getvalue())[1]


@pytest.mark.parametrize("quality", [50, 65, 80, 92])
def test_it_is_what_files_are_off_by(rng, quality):
    """Root mean square over all places among the blocks, within a quarter."""
    seen, steps = errors_of(quality, 0.3, rng)
    told = told_by(steps, 0.3)
    assert np.sqrt((seen**2).mean(axis=0).sum()) == pytest.approx(told, rel=0.25)


@pytest.mark.parametrize("noise", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("quality", [50, 80])
def test_noise_shakes_it_out_of_the_mean(rng, quality, noise):
    """What the files are off by lies within what is left of both; without noise coding alone would be off by more."""
    seen, steps = errors_of(quality, noise, rng)
    left = noise**2 / ROWS / (HIGH - LOW) ** 2 * len(STARTS)
    real = float((seen**2).mean(axis=0).sum())
    told = told_by(steps, noise) ** 2
    assert told < told_by(steps, 0.0) ** 2
    assert 0.2 * (told + left) < real < 1.6 * (told + left)


def told_by(steps: np.ndarray, noise: float) -> float:
    light, decode = np.array([[LOW, HIGH]]) / 255, np.linspace(0, 1, 256)
    variance, _ = coded_variance(ndtr(LAG / 4)[None], LAG, STARTS, light, decode, steps[0], np.array([noise]))
    return float(np.sqrt(variance.sum()))
