"""Noise that the camera cuts off at no light, and light that its lens spreads, against integrals and simulations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

import blurscope as bs
from blurscope.camera import Camera, Display, Response, film
from blurscope.light.cut import Cut, find_cut
from blurscope.pattern.budget import make_layouts

READ, SHOT = 0.004, 0.001  # of a loud photo: noise without light, variance per light


@pytest.mark.parametrize("light", [-0.004, 0.0, 0.001, 0.005, 0.03])
def test_mean_of_cut_noise_is_that_of_the_integral(light):
    spread = np.sqrt(READ**2 + SHOT * max(light, 0.0))
    seen, _ = integrate.quad(lambda x: x * stats.norm.pdf(x, light, spread), 0, light + 12 * spread)
    cut = Cut(read2=READ**2, shot=SHOT)
    assert cut.mean(np.array(light)) == pytest.approx(seen, rel=1e-6)
    assert cut.light(np.array([seen]))[0] == pytest.approx(light, abs=2e-6)


def pixels_of(light: float, count: int = 200_000, averaged: int = 1) -> np.ndarray:
    rng = np.random.default_rng(3)
    spread = np.sqrt(READ**2 + SHOT * light)
    return np.maximum(rng.normal(light, spread, (averaged, count)), 0).mean(axis=0)


@pytest.mark.parametrize("black", [0.0003, 0.001, 0.004])
def test_noise_is_found_from_blacks_pixels(black):
    pixels, white = pixels_of(black), pixels_of(0.8)
    cut = find_cut(pixels, np.full(len(pixels), 1 / len(pixels)), 0.0, float(white.mean()), float(white.var()))
    # 200,000 pixels know their spread to 0.3 %
    assert np.sqrt(cut.read2) == pytest.approx(READ, rel=0.02) and cut.shot == pytest.approx(SHOT, rel=0.02)
    assert cut.light(pixels.mean()) == pytest.approx(black, abs=1e-4)


def srgb_codes(light: np.ndarray) -> np.ndarray:
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
    return np.floor(255 * np.clip(encoded, 0, 1) + 0.5).astype(int)


def found_in_codes(light: np.ndarray) -> Cut | None:
    """Find the cut in light that was written in 8 bits with the curve of sRGB (IEC 61966-2-1)."""
    x = np.arange(256) / 255
    decode = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    counts = np.bincount(srgb_codes(light), minlength=256)
    here = np.flatnonzero(counts)
    share, white = counts[here] / counts.sum(), 0.72
    return find_cut(decode[here], share, 0.5 * decode[1], white, SHOT * white + READ**2)


@pytest.mark.parametrize("codes", [1.5, 3.0, 6.0, 13.0])
def test_noise_of_a_few_codes_is_found_as_well(codes):
    """A code holds light up to half way to the next: read at its middle the noise was not recognised, or too small."""
    rng, read = np.random.default_rng(3), codes / 255 / 12.92  # the curve is straight so near to black
    cut = found_in_codes(np.maximum(rng.normal(0.3 * read, read, 200_000), 0))
    assert np.sqrt(cut.read2 + cut.shot * 0.3 * read) == pytest.approx(read, rel=0.04)


@pytest.mark.parametrize("averaged", [2, 3, 4])
def test_averaged_codes_tell_nothing(averaged):
    rng, read = np.random.default_rng(3), 4 / 255 / 12.92
    pixels = np.maximum(rng.normal(0.3 * read, read, (averaged, 200_000)), 0).mean(axis=0)
    assert found_in_codes(pixels) is None


def test_averaged_pixels_tell_nothing():
    pixels = pixels_of(0.0003, averaged=3)  # as after demosaicing: of three cut-off ones the mean is rarely 0
    assert find_cut(pixels, np.full(len(pixels), 1 / len(pixels)), 0.0, 0.8, SHOT * 0.8) is None


def shoot(folder, **changed):
    """Measure a plate of three levels; return BET against the truth by transition, and the budget's doubt of black."""
    layout = make_layouts(480, 320, px_per_refresh=6, levels=3)[0][0]
    camera = Camera(exposure_refreshes=4.0, start_phase=0.3, campx_per_px=3.0, lens_sigma_campx=1.05, **changed)
    shot = film(layout, Display(response=Response(time_ms=8.0)), camera, seed=5)
    path = folder / f"photo{shot.suffix}"
    path.write_bytes(shot.data)
    found = bs.measure(path, pattern=layout)
    true = {(t["from_level"], t["to_level"]): t["bet_ms"] for t in shot.truth["transitions"]}
    return [(e, true[e.from_level, e.to_level]) for e in found.edges]


def test_loud_photos_are_right_near_black(tmp_path):
    edges = shoot(tmp_path, full_well_e=500.0, read_noise_e=8.0, file_format="png", bits=16)
    dark = [(e.bet_ms, true) for e, true in edges if 0 in (e.from_level, e.to_level)]
    assert len(dark) == 4
    for bet, true in dark:
        # what is cut off was 3 % of BET, and its doubt made u95 8 %
        assert abs(bet.value - true) < bet.u95 < 0.055 * true


def test_flare_bends_nothing(tmp_path):
    clean = dict(full_well_e=50000.0, file_format="png", bits=16)
    for e, true in shoot(tmp_path, flare=0.03, **clean):
        # it was up to 3 % between black and the levels beside it
        assert abs(e.bet_ms.value - true) < min(e.bet_ms.u95, 0.006 * true)
        assert e.ok


def test_dark_greys_of_a_camera_with_a_power_curve(tmp_path):
    # taken for sRGB between black and the darkest halftone, greys there were 0.003 of white too high
    layout = make_layouts(640, 400, px_per_refresh=8)[0][0]
    display = Display(response=Response(time_ms=5.0))
    camera = Camera(exposure_refreshes=4.0, campx_per_px=3.0, file_format="png", tone="gamma", tone_gamma=2.0)
    shot = film(layout, display, camera, seed=5)
    path = tmp_path / f"photo{shot.suffix}"
    path.write_bytes(shot.data)
    seen = []
    bs.measure(path, pattern=layout, on_shot=seen.append)
    tone = seen[0].tone
    np.testing.assert_allclose(tone.light, display.law.light(tone.level), atol=5e-4)
