"""The u95 that a plan predicts against that which a measurement of simulated photos states, and what it is made of."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats
from scripts import script

import blurscope as bs
from blurscope.camera import Camera
from blurscope.camera.sensor import develop
from blurscope.pattern.budget import make_layouts
from blurscope.plan import PlanRequest, Shooting, expected_precision, make_plan, visible_instances
from blurscope.plan.precision import sight_of
from blurscope.plan.shooting import BLACK, READ_NOISE_E, WHITE_SHARE, line_covariance, line_noise
from blurscope.plan.streaks import see_streaks
from blurscope.plan.stripes import law, see_stripes
from blurscope.shapes import LN9

jsonschema = pytest.importorskip("jsonschema")
SCHEMA = json.loads((Path(bs.__file__).parent / "schemas" / "plan.schema.json").read_text("utf-8"))
planned, bound = script("planned"), script("bound")


def layout_of(width=640, height=400, **more):
    return make_layouts(width, height, **({"px_per_refresh": 8, "levels": 3} | more))[0][0]


def shooting_of(**more):
    plain = {"campx_per_px": 3.0, "white_snr": 126.5, "bayer": False, "lens_sigma_campx": 1.05}
    return Shooting(**(plain | {"tracking_px_per_refresh": 0.05} | more))


CASES = {
    "low noise": ({}, {}, 1),
    "high noise": ({}, {"white_snr": 40.0}, 1),
    "low noise, five photos": ({}, {}, 5),
    "high noise, five photos": ({}, {"white_snr": 40.0}, 5),
    "mosaic": ({}, {"bayer": True}, 1),
    "mosaic, high noise": ({"levels": 4, "width": 960}, {"bayer": True, "white_snr": 40.0}, 1),
    "mosaic, high noise, five photos": ({"levels": 4, "width": 960}, {"bayer": True, "white_snr": 40.0}, 5),
    "fractional exposure": ({}, {"exposure_refreshes": 3.5}, 1),
    "fractional exposure, five photos": ({}, {"exposure_refreshes": 2.3, "white_snr": 60.0}, 5),
    "off its speed": ({}, {"tracking_px_per_refresh": 0.4}, 1),
    "120 Hz, slow plate": ({"refresh_hz": 120.0, "px_per_refresh": 4}, {}, 1),
    "144 Hz, mosaic": ({"refresh_hz": 144.0, "width": 960}, {"bayer": True, "white_snr": 70.0}, 1),
    "240 Hz": ({"refresh_hz": 240.0, "width": 1280}, {}, 1),
    "240 Hz, fast plate, five photos": ({"refresh_hz": 240.0, "width": 1920, "px_per_refresh": 12}, {}, 5),
    "fast plate": ({"width": 1280, "px_per_refresh": 16}, {"white_snr": 80.0}, 1),
    "fast pixels": ({}, {"response_ms": 3.0}, 1),
    "slow pixels": ({}, {"response_ms": 14.0, "bayer": True}, 1),
}


@pytest.mark.parametrize("case", CASES)
def test_u95_is_that_of_simulated_photos(tmp_path, case):
    """Within 30 % in the middle of the edges, and three of four edges within 45 %, as noise differs from edge to edge.

    What a fractional exposure leaves open depends on the moment of release, up to twice either way: the prediction is
    that of the middle of several single photos.
    """
    plate, photo, photos = CASES[case]
    repeats = 5 if photo.keys() & {"exposure_refreshes", "tracking_px_per_refresh"} and photos == 1 else 1
    request = planned.Request(layout=layout_of(**plate), shooting=shooting_of(**photo), photos=photos, seed=11)
    every = []
    for k in range(repeats):
        (tmp_path / f"{k}").mkdir()
        every.append(planned.measured(dataclasses.replace(request, seed=11 + k), tmp_path / f"{k}"))
    said = expected_precision(request.layout, request.shooting, photos=photos)
    for name, figure in (("bet_ms", "bet"), ("response_ms", "response")):
        u95 = {p: np.median([m.edge(*p).figures[name].u95 for m in every]) for p in said}
        ratio = np.array([getattr(q, figure).u95 / u95[p] for p, q in said.items()])
        assert np.median(ratio) == pytest.approx(1, abs=0.3), (name, np.sort(ratio).round(2))
        assert np.mean(np.abs(ratio - 1) < 0.45) > 0.75, (name, np.sort(ratio).round(2))


def test_noise_part_is_about_the_bound():
    """The noise that a plan expects is no less than the Cramér-Rao bound of its samples, and little more."""
    layout, shooting = layout_of(), shooting_of(white_snr=60.0)
    count, hold_ms = visible_instances(layout, shooting.exposure_refreshes), 1000 / 60
    own = {"campx_per_px": 3.0, "white_snr": 60.0, "bayer": False, "lens_sigma_campx": 1.05}
    least = {p: bound.cramer_rao(layout, p, n, tau=8 / LN9 / hold_ms, **own)[0] * hold_ms for p, n in count.items()}
    ratio = [p.bet.parts["noise"] / least[pair] for pair, p in expected_precision(layout, shooting).items()]
    assert 0.95 < np.median(ratio) < 1.35


@pytest.mark.parametrize("per_bin", [1, 2, 4])
def test_noise_of_lines_behind_a_mosaic_is_that_of_developed_pixels(per_bin, rng):
    """Against lines read from developed even pictures, linear between campx at places of all kinds."""
    camera = Camera(bayer=True, tone="linear", bits=16, file_format="tiff", full_well_e=5000.0, read_noise_e=0.0)
    light = np.full((64, 4096), 0.5, np.float32)
    found = np.zeros(3)
    for part in np.arange(8) / 8:
        pixels = develop([light], camera, rng)[..., 1] / 65535
        line = pixels.mean(axis=0)
        line = (1 - part) * line[:-1] + part * line[1:]
        line = line[: len(line) // per_bin * per_bin].reshape(-1, per_bin).mean(axis=1)
        line -= line.mean()
        found += [float(np.mean(line[: len(line) - k] * line[k:])) / 8 for k in range(3)]
    share = 0.5 * WHITE_SHARE
    raw = share / 5000.0  # variance of a campx; half of them carry green
    said = np.zeros(3)
    covariance = line_covariance(per_bin, True)[:3]
    said[: len(covariance)] = 2 * raw / 64 * covariance
    np.testing.assert_allclose(found, said, atol=0.06 * said[0])
    drawn = line_noise(4096, per_bin, True, rng, 20)
    np.testing.assert_allclose(np.mean(drawn**2), covariance[0], rtol=0.04)
    np.testing.assert_allclose(np.mean(drawn[:, 1:] * drawn[:, :-1]), covariance[1], atol=0.04 * covariance[0])


def test_even_areas_have_the_noise_of_their_electrons(rng):
    layout, shooting = layout_of(), shooting_of(white_snr=100.0)
    seen = sight_of(layout, shooting, rng).seen
    light = np.array([0.05, 0.3, 1.0])
    expected = np.sqrt(light * 1e4 + READ_NOISE_E**2) / 1e4  # Poisson and read noise; rounding to codes is less
    np.testing.assert_allclose(seen.noise(light), expected, rtol=0.06)
    np.testing.assert_allclose(seen.means(light), light, rtol=0.004)


def test_cut_noise_lifts_blacks_behind_a_mosaic(rng):
    """Where averages of pixels hide the cut, black is too light by the mean of the noise that is cut off."""
    shooting = shooting_of(white_snr=35.0, bayer=True)
    sight = sight_of(layout_of(), shooting, rng)
    assert sight.tone.cut is None
    electrons = 35.0**2
    sd = np.sqrt(BLACK * electrons + READ_NOISE_E**2) / electrons
    mean, _ = integrate.quad(lambda x: x * stats.norm.pdf(x, BLACK, sd), 0, BLACK + 12 * sd)
    assert sight.tone.black == pytest.approx(mean, rel=0.15)
    assert sight.tone.black_bias > 0.5 * (mean - BLACK)  # and a measurement doubts its black as much


def test_stripes_show_law_and_blur(rng):
    tone, lens = see_stripes(layout_of(), shooting_of(), rng)
    np.testing.assert_allclose(tone.light, law(tone.level), atol=2e-3)
    assert lens.sigma_px == pytest.approx(1.05 / 3, abs=0.01)


def test_streaks_show_the_motion_within_its_uncertainty(rng):
    layout, shooting = layout_of(), shooting_of(white_snr=60.0, exposure_refreshes=3.4)
    sight = sight_of(layout, shooting, rng)
    tau = 8 / LN9 * 60 / 1000
    for phase, error in ((0.1, 0.3), (0.6, -0.2), (0.9, 0.0)):
        m = see_streaks(layout, shooting, sight.tone, sight.seen, sight.lens, phase, error, tau, rng)
        assert abs(m.exposure - 3.4) < 3 * m.sd("exposure")
        assert abs(m.error - error) < 3 * m.sd("error")


def u95(**more):
    every = expected_precision(layout_of(), shooting_of(**more)).values()
    return np.median([p.bet.u95 for p in every])


def test_laws():
    """More noise, a camera off its speed or a fractional exposure make u95 larger, several photos smaller."""
    plain = u95()
    assert u95(white_snr=30.0) > 1.5 * plain
    assert u95(exposure_refreshes=2.5) > 1.1 * plain
    assert u95(lens_sigma_campx=2.0) > 1.2 * plain
    together = expected_precision(layout_of(), shooting_of(), photos=5)
    for pair, p in expected_precision(layout_of(), shooting_of()).items():
        assert together[pair].bet.u95 < p.bet.u95
        assert together[pair].bet.parts["noise"] == pytest.approx(p.bet.parts["noise"] / np.sqrt(5), rel=0.3)
        assert together[pair].bet.parts["lens"] == pytest.approx(p.bet.parts["lens"], rel=0.3)


def test_it_is_repeatable():
    first, second = (expected_precision(layout_of(), shooting_of(), draws=1) for _ in range(2))
    assert all(dataclasses.asdict(first[p].bet) == dataclasses.asdict(second[p].bet) for p in first)


@pytest.mark.parametrize(
    "poor",
    [
        {"camera_width_campx": 300, "camera_height_campx": 200},  # a third of a campx per px
        {"camera_width_campx": 700, "camera_height_campx": 500, "lens_sigma_campx": 10.0, "white_snr": 4.0},
        {"response_ms": 400.0},  # ten times as long as a field
    ],
)
def test_where_nothing_can_be_measured_the_plan_says_so(poor):
    plan = make_plan(PlanRequest(**({"width_px": 800, "height_px": 480, "px_per_refresh": 8, "levels": 3} | poor)))
    jsonschema.Draft202012Validator(SCHEMA).validate(plan)
    assert plan["expected"]["bet_u95_ms"] is None and plan["expected"]["response_u95_ms"] is None
    assert any("nothing could be measured" in w for w in plan["warnings"])


@pytest.mark.parametrize(
    "extreme",
    [
        {"white_snr": 1e5, "response_ms": 0.05},
        {"white_snr": 2.0},
        {"tracking_px_per_refresh": 50.0},
        {"lens_sigma_campx": 0.0, "bayer": False},
        {"photos": 1000},
    ],
)
def test_extremes_have_finite_figures(extreme):
    plan = make_plan(PlanRequest(**({"width_px": 800, "height_px": 480, "px_per_refresh": 8, "levels": 3} | extreme)))
    assert 0 < plan["expected"]["bet_u95_ms"] < 200 and 0 < plan["expected"]["response_u95_ms"] < 1000
