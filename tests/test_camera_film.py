"""The simulated photo against closed forms and against a camera stepped through time in small steps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from camera_plates import band, grey, lane, plate, slit, step_through_time
from scipy.ndimage import map_coordinates

from blurscope.camera import Backlight, Camera, Display, LightLaw, Response, film, film_still
from blurscope.pattern.layout import Block

PLAIN = Camera(
    exposure_refreshes=4.0,
    campx_per_px=4.0,
    lens_sigma_campx=0.0,
    noise=False,
    tone="linear",
    file_format="tiff",
    bits=16,
    margin=0.3,
    view_angle_deg=5.0,
    surround_light=0.0,
)
INSTANT = Display(response=Response(shape="instant"), law=LightLaw(black=0.0))
EDGES = plate(band(6), width_px=560)


def to_campx(truth: dict, x, row, key: str = "screen_to_campx"):
    """Return campx of screen (plate) points by the homography and distortion of the truth."""
    h, d = np.array(truth["pose"][key]), truth["pose"]["distortion"]
    x = np.asarray(x, float)
    px, py, w = h @ np.array([x, np.broadcast_to(np.asarray(row, float), x.shape), np.ones_like(x)])
    px, py = px / w, py / w
    (cx, cy), radius = d["centre_campx"], d["radius_campx"]
    r2 = ((px - cx) ** 2 + (py - cy) ** 2) / radius**2
    stretch = 1 + d["k1"] * r2 + d["k2"] * r2**2
    return cx + (px - cx) * stretch, cy + (py - cy) * stretch


def light_along(shot, camera, x, row, key: str = "screen_to_campx") -> np.ndarray:
    """Read the photo along a row of the screen, as light."""
    codes = shot.codes.astype(float) / 65535 / camera.white_share
    px, py = to_campx(shot.truth, x, row, key)
    return map_coordinates(codes, [py, px], order=3, mode="nearest")


def esf(layout, display, camera, lag_refreshes, *, row: float | None = None, rising: bool = True) -> np.ndarray:
    """Return the ESF of the edge nearest to the middle of the photo."""
    shot = film(layout, display, camera, start_refresh=100)
    return read_esf(shot, layout, display, camera, lag_refreshes, row=row, rising=rising)


def read_esf(shot, layout, display, camera, lag_refreshes, *, row=None, rising=True) -> np.ndarray:
    """Read the same from a photo, at a screen row (the middle of the edge's band by default)."""
    edges = [e for e in layout.edges() if (e.to_level > e.from_level) == rising]
    middle = layout.width_px / 2 - shot.truth["pose"]["plate_shift_px"]
    u = [e.u_px + layout.circuit_px * round((middle - e.u_px) / layout.circuit_px) for e in edges]
    best = int(np.argmin(np.abs(np.array(u) - middle)))
    edge = edges[best]
    lag_px = np.asarray(lag_refreshes) * layout.px_per_refresh
    row = layout.blocks[edge.block].top_row + layout.blocks[edge.block].height_px / 2 if row is None else row
    light = light_along(shot, camera, u[best] - layout.sign * lag_px, row, "plate_to_campx")
    low, high = (float(display.law.light(x)) for x in (edge.from_level, edge.to_level))
    return (light - low) / (high - low)


def width_1090(lag: np.ndarray, curve: np.ndarray) -> float:
    def crossing(level: float) -> float:
        i = int(np.argmax(curve >= level))
        return lag[i - 1] + (level - curve[i - 1]) / (curve[i] - curve[i - 1]) * (lag[i] - lag[i - 1])

    return crossing(0.9) - crossing(0.1)


# Closed forms of physics.md, section 3, in refreshes: B(t) = I(t) - I(t - 1)
def hold_of(integral, lag: np.ndarray) -> np.ndarray:
    return integral(np.maximum(lag, 0)) - integral(np.maximum(lag - 1, 0))


def seen_by_pixels(curve, lag: np.ndarray, camera: Camera, layout) -> np.ndarray:
    """Average a curve over the camera pixel (the photo's own sampling)."""
    half = 0.5 / camera.campx_per_px / layout.px_per_refresh
    return np.mean([curve(lag + s) for s in np.linspace(-half, half, 61)], axis=0)


TAU = 6.0 / math.log(9) / (1000 / 60)
D_COSINE = 6.0 / 0.590334470601733 / (1000 / 60)
LAG = np.linspace(-1.5, 4.5, 1201)


@pytest.mark.parametrize("direction", ["right", "left"])
@pytest.mark.parametrize("rising", [True, False])
@pytest.mark.parametrize(
    ("shape", "integral"),
    [
        ("instant", lambda t: t),
        ("exponential", lambda t: t - TAU * (1 - np.exp(-t / TAU))),
        (
            "s-shaped",
            lambda t: np.where(
                t < D_COSINE,
                t / 2 - D_COSINE / (2 * np.pi) * np.sin(np.pi * np.minimum(t / D_COSINE, 1)),
                t - D_COSINE / 2,
            ),
        ),
    ],
    ids=["instant", "exponential", "s-shaped"],
)
def test_perfect_pursuit_gives_the_hold_of_the_response(shape, integral, direction, rising):
    layout = replace(EDGES, direction=direction)
    display = replace(INSTANT, response=Response(shape=shape, time_ms=6.0))
    for camera in (PLAIN, replace(PLAIN, start_phase=0.37, exposure_refreshes=3.0)):
        got = esf(layout, display, camera, LAG, rising=rising)
        expected = seen_by_pixels(lambda t: hold_of(integral, t), LAG, camera, layout)
        corner = np.minimum(np.abs(LAG), np.abs(LAG - 1)) < 0.04  # spline ringing at an instant panel's corners
        assert np.abs(got - expected)[~corner].max() < 4e-4
        assert np.abs(got - expected).max() < 2e-3
        width = width_1090(LAG, got) - width_1090(LAG, expected)
        assert abs(width) < 3e-4


@pytest.mark.parametrize(
    "pose",
    [
        {"roll_deg": 4.0},
        {"yaw_deg": 8.0, "pitch_deg": -6.0, "roll_deg": -3.0, "view_angle_deg": 30.0},
        {"k1": 0.06, "k2": -0.02, "yaw_deg": 3.0},
        {"turn_deg": 180, "roll_deg": 1.5},
        {"turn_deg": 90},
        {"mirrored": True, "roll_deg": 2.0},
        {"campx_per_px": 1.7, "roll_deg": 1.0},
        {"campx_per_px": 6.0, "pitch_deg": 5.0},
    ],
    ids=lambda p: " ".join(p),
)
def test_poses_move_the_edge_but_do_not_blur_it(pose):
    """The edge lies where the truth says, and its width is unbiased to 0.002 of the travel per refresh."""
    camera = replace(PLAIN, **pose)
    for tau_ms in (0.0, 6.0):
        response = Response(time_ms=tau_ms) if tau_ms else Response(shape="instant")
        got = esf(EDGES, replace(INSTANT, response=response), camera, LAG)
        tau = max(tau_ms, 1e-6) / math.log(9) / (1000 / 60)

        def curve(t: np.ndarray, tau: float = tau) -> np.ndarray:
            return hold_of(lambda s: s - tau * (1 - np.exp(-s / tau)), t)

        expected = seen_by_pixels(curve, LAG, camera, EDGES)
        assert abs(width_1090(LAG, got) - width_1090(LAG, expected)) < 2e-3
        half = [float(np.interp(0.5, c[(LAG > 0) & (LAG < 2)], LAG[(LAG > 0) & (LAG < 2)])) for c in (got, expected)]
        assert abs(half[0] - half[1]) < 1e-3


# Time-stepped simulation at 16 px per refresh, physics.md section 2: cases (i) in step, (ii) well inside
@pytest.mark.parametrize(
    ("error", "refreshes", "phase", "bew"),
    [
        (0.0, 4, 0.0, 12.8000),
        (0.16, 4, 0.0, 12.9279),
        (0.32, 8, 0.0, 13.0558),
        (0.8, 4, 0.0, 13.4403),
        (0.8, 8, 0.0, 13.9196),
        (1.6, 4, 0.0, 14.5078),
        (1.6, 8, 0.0, 16.9588),
        (0.8, 4, 0.5, 12.64),
        (-0.8, 4, 0.0, 12.16),
        (-0.8, 4, 0.5, 12.96),
    ],
)
def test_tracking_error_by_phase(error, refreshes, phase, bew):
    camera = replace(PLAIN, tracking_error_px_per_refresh=error, exposure_refreshes=float(refreshes), start_phase=phase)
    lag = np.linspace(-1.5, 2.5, 2001)
    # the table's own simulation is grid-limited, which shows at the largest errors
    assert width_1090(lag, esf(EDGES, INSTANT, camera, lag)) * 16 == pytest.approx(bew, abs=0.004)


@pytest.mark.parametrize(("error", "bew"), [(0.8, 12.79), (-0.8, 12.82)])
def test_tracking_error_over_the_rows_of_a_scanned_panel(error, bew):
    """Case (iii), physics.md section 2 (12.76-12.81, 12.79-12.84): box(v) * box(e N), averaged over the rows."""
    layout = plate(band(40))
    display = replace(INSTANT, scan_out_refreshes=1.0)
    camera = replace(PLAIN, tracking_error_px_per_refresh=error)
    shot = film(layout, display, camera, start_refresh=100)
    lag = np.linspace(-1.5, 2.5, 1001)
    curves = [read_esf(shot, layout, display, camera, lag + (row + 0.5) / 40, row=row + 0.5) for row in range(1, 39)]
    assert width_1090(lag, np.mean(curves, axis=0)) * 16 == pytest.approx(bew, abs=0.03)
    widths = [width_1090(lag, c) * 16 for c in curves]
    assert max(widths) - min(widths) > 0.5  # each row is case (i) or (ii) by its own phase


# Instant pixel, exposure N + f: range of BEW over the shutter phase, physics.md section 2
@pytest.mark.parametrize(
    ("whole", "part", "least", "most"),
    [(1, 0.5, 0.7, 0.85), (2, 0.5, 0.75, 0.83333333), (4, 0.25, 0.7875, 0.83), (4, 0.5, 0.775, 0.82)],
)
def test_exposures_that_are_not_whole(whole, part, least, most):
    lag = np.linspace(-0.5, 1.5, 2001)
    widths = []
    for phase in np.arange(40) / 40:
        camera = replace(PLAIN, exposure_refreshes=whole + part, start_phase=float(phase), margin=0.02)
        widths.append(width_1090(lag, esf(EDGES, INSTANT, camera, lag)))
    assert min(widths) == pytest.approx(least, abs=2e-3)
    assert max(widths) == pytest.approx(most, abs=2e-3)


def test_kinks_of_an_exposure_that_is_not_whole():
    """Two-level density (N + 1)/(N + f) over a part f of the ramp and N/(N + f) elsewhere (physics.md, section 2)."""
    camera = replace(PLAIN, exposure_refreshes=2.25)
    lag = np.linspace(-0.5, 1.5, 2001)
    slope = np.gradient(esf(EDGES, INSTANT, camera, lag), lag)
    assert np.median(slope[(lag > 0.05) & (lag < 0.2)]) == pytest.approx(3 / 2.25, rel=2e-3)
    assert np.median(slope[(lag > 0.3) & (lag < 0.95)]) == pytest.approx(2 / 2.25, rel=2e-3)


def test_scan_out_tilts_an_edge():
    """960 px/s at 60 Hz, 1080 of 1125 lines: 15.36 px over the height (physics.md, section 2)."""
    layout = plate(band(120))
    lag = np.linspace(-0.5, 2.5, 1501)
    for scan in (0.96, -0.96):
        display = replace(INSTANT, scan_out_refreshes=scan)
        shot = film(layout, display, PLAIN, start_refresh=100)
        middles = []
        for row in (10.5, 60.5, 110.5):
            curve = read_esf(shot, layout, display, PLAIN, lag, row=row)
            middles.append(16 * float(np.interp(0.5, curve, lag)))
        assert middles[2] - middles[0] == pytest.approx(math.copysign(15.36, scan) * 100 / 120, abs=0.02)
        assert middles[1] == pytest.approx(8 + 15.36 / 2, abs=0.15)


def test_flash_levels_of_a_strobed_panel():
    """21 ms panel, flash of 10 % at the end of the refresh: copies spaced v T with these levels (physics.md, 2)."""
    strobe = Backlight(kind="strobe", duty=0.1, phase_refreshes=0.9)
    display = replace(INSTANT, response=Response(time_ms=21.0), backlight=strobe)
    lag = np.array([1.45, 2.45, 3.45, 4.45])
    got = esf(plate(band(6), width_px=600, field_refreshes=14), display, PLAIN, lag)
    assert got == pytest.approx([0.8089788, 0.96660002, 0.99416003, 0.99897888], abs=2e-4)


def test_flash_levels_depend_on_the_row_under_a_global_flash():
    strobe = Backlight(kind="strobe", duty=0.05, phase_refreshes=0.95)
    display = replace(INSTANT, response=Response(time_ms=21.0), backlight=strobe, scan_out_refreshes=0.9)
    tau = 21.0 / math.log(9) / (1000 / 60)
    layout = plate(band(90), width_px=600, field_refreshes=14)
    shot = film(layout, display, PLAIN, start_refresh=100)
    for row in (5.5, 45.5, 85.5):
        delay = 0.9 * row / 90
        a, b = 0.95 - delay, 1.0 - delay
        first = 1 - tau * (math.exp(-a / tau) - math.exp(-b / tau)) / (b - a)
        got = read_esf(shot, layout, display, PLAIN, np.array([1.5]), row=row)
        assert got[0] == pytest.approx(first, abs=3e-4)


def test_pwm_shows_in_the_streak_of_a_lit_slit():
    """Camera speed over frequency is the streak's period; on and off levels by the depth."""
    pwm = Backlight(kind="pwm", frequency_hz=120, duty=0.5, depth=0.8, locked=True)
    layout = plate(lane(slit(200, 1)), band(4), width_px=400)
    camera = replace(PLAIN, exposure_refreshes=3.0)
    shot = film(layout, replace(INSTANT, backlight=pwm), camera, start_refresh=100)
    x = 200.5 + np.arange(-24, 24, 0.25)
    streak = light_along(shot, camera, x, 4.0) * 3 * 16  # light at a moment, from light averaged over the exposure
    on, off = 1 / (0.5 + 0.5 * 0.2), 0.2 / (0.5 + 0.5 * 0.2)
    # the point that looks at the slit at time t lies at 200.5 - 16 (t - 1.5)
    turn = ((1.5 - (x - 200.5) / 16) * 2) % 1
    inside = np.abs(x - 200.5) < 23
    assert streak[inside & (turn > 0.12) & (turn < 0.38)] == pytest.approx(on, rel=2e-3)
    assert streak[inside & (turn > 0.62) & (turn < 0.88)] == pytest.approx(off, rel=4e-3)


def test_a_locked_pwm_and_the_truths_own_curve_agree():
    from blurscope.camera.figures import Blurred

    # on and off for whole px of travel, so that the pixel grid leaves no ripple (physics.md, section 2)
    pwm = Backlight(kind="pwm", frequency_hz=120, duty=0.5, depth=0.9, locked=True, phase_refreshes=0.125)
    response = Response(time_ms=9.0)
    display = replace(INSTANT, response=response, backlight=pwm)
    curve = Blurred(response, 1000 / 60, pwm, 60.0)
    expected = seen_by_pixels(lambda t: curve(t * 1000 / 60), LAG, PLAIN, EDGES)
    off = esf(EDGES, display, PLAIN, LAG) - expected
    assert np.abs(off).max() < 4e-3  # at the kinks, where the spline through the photo rings
    assert np.sqrt(np.mean(off**2)) < 5e-4


# ------------------------------------------------------------------------------------- against small steps in time

STEPPED = [
    pytest.param({}, {}, "right", id="perfect"),
    pytest.param({}, {"tracking_error_px_per_refresh": 1.3, "accel_px_per_refresh2": -0.7}, "right", id="accelerated"),
    pytest.param({}, {"tracking_error_px_per_refresh": -1.3, "accel_px_per_refresh2": 0.7}, "left", id="left"),
    pytest.param({}, {"tremor_px": 0.9, "tremor_hz": 17.0, "tremor_phase": 0.3}, "left", id="trembling"),
    pytest.param(
        {},
        {"accel_px_per_refresh2": 0.6, "tremor_px": 0.7, "tremor_hz": 23.0, "start_phase": 0.2},
        "right",
        id="trembling and accelerated",
    ),
    pytest.param({"scan_out_refreshes": 0.9, "scan_axis": "columns"}, {}, "right", id="scan with the motion"),
    pytest.param({"scan_out_refreshes": 0.9, "scan_axis": "columns"}, {}, "left", id="scan against the motion"),
    pytest.param(
        {"scan_out_refreshes": -0.8, "scan_axis": "columns"}, {"start_phase": 0.6}, "right", id="scan from the right"
    ),
    pytest.param({"dropped": (1,)}, {}, "right", id="dropped"),
    pytest.param({"doubled": (2,)}, {"start_phase": 0.3}, "left", id="doubled"),
    pytest.param(
        {"backlight": Backlight(kind="pwm", frequency_hz=251.0, duty=0.3, phase_refreshes=0.2)},
        {"exposure_refreshes": 2.3},
        "right",
        id="free-running PWM",
    ),
    pytest.param(
        {"backlight": Backlight(kind="strobe", duty=0.2, phase_refreshes=0.5)},
        {"tracking_error_px_per_refresh": 1.0},
        "right",
        id="strobe with tracking error",
    ),
]


@pytest.mark.parametrize(("panel", "motion", "direction"), STEPPED)
def test_against_small_steps_in_time(panel, motion, direction):
    layout = plate(band(2), width_px=300, direction=direction, px_per_refresh=8, circuit=(0, 128, 255, 128))
    display = replace(INSTANT, response=Response(time_ms=14.0), **panel)
    camera = replace(PLAIN, exposure_refreshes=2.0, campx_per_px=3.0)
    camera = replace(camera, **motion)
    shot = film(layout, display, camera, start_refresh=57)
    circuit = np.repeat(layout.circuit, layout.field_px)
    columns = np.arange(300)
    start, end = camera.start_phase, camera.start_phase + camera.exposure_refreshes
    middle = (start + end) / 2

    def level_at(n: int) -> np.ndarray:
        for d in display.dropped:
            n = n - 1 if n == d else n
        for d in display.doubled:
            n = n - 1 if n > d else n
        return circuit[(columns - layout.sign * 8 * (57 + n)) % len(circuit)]

    def position(t: float) -> float:
        s = t - middle
        speed = 8 + camera.tracking_error_px_per_refresh
        turn, begin = 2 * math.pi * camera.tremor_hz / 60, 2 * math.pi * camera.tremor_phase
        shake = camera.tremor_px * (math.sin(turn * s + begin) - math.sin(begin))
        return layout.sign * (speed * s + camera.accel_px_per_refresh2 * s * s / 2 + shake)

    scan = display.scan_out_refreshes
    share = (columns + 0.5) / 300
    delay = scan * share if scan >= 0 else -scan * (1 - share)
    fine = np.arange(40, 260, 1 / 24)
    light = step_through_time(
        level_at,
        width_px=300,
        position=position,
        start=start,
        end=end,
        tau_refreshes=14.0 / math.log(9) / (1000 / 60),
        delay=delay,
        points_px=fine,
        light=display.law.light(np.arange(256)),
        emission=lambda t: np.diff(display.backlight.total(np.array([t - 1 / 1200, t + 1 / 1200]), 60.0))[0] * 600,
    )
    cells = light.reshape(-1, 8).mean(axis=1)  # camera pixels of a third of a display px
    x = fine.reshape(-1, 8).mean(axis=1)
    px, _ = to_campx(shot.truth, x, 1.0)
    row = int(round(float(to_campx(shot.truth, np.array([150.0]), 1.0)[1][0])))
    codes = shot.codes[row].astype(float) / 65535 / camera.white_share
    got = map_coordinates(codes, [px], order=3)
    assert np.abs(got - cells).max() < 5e-3  # of which the small steps' own error is most
    assert abs((got - cells).mean()) < 2e-4


def test_levels_that_had_not_settled():
    """Two levels in turn with an exponential: the swing is a/(1 + a) to 1/(1 + a), a what is left after a field."""
    layout = plate(band(4), field_refreshes=6, width_px=500)
    tau = 2.5
    display = replace(INSTANT, response=Response(time_ms=tau * math.log(9) * 1000 / 60))
    left = math.exp(-6 / tau)
    low = left / (1 + left)
    lag = np.linspace(-2, 5, 300)

    def light_integral(t: np.ndarray) -> np.ndarray:
        before = low * tau * (1 - np.exp(-np.minimum(t, 0) / tau))
        after = np.maximum(t, 0) - (1 - low) * tau * (1 - np.exp(-np.maximum(t, 0) / tau))
        return before + after

    got = esf(layout, display, PLAIN, lag)
    expected = light_integral(lag) - light_integral(lag - 1)
    assert np.abs(got - expected).max() < 1e-3
    truth = film(layout, display, replace(PLAIN, margin=-0.2), start_refresh=100).truth
    assert [t["from_unsettled_pct"] for t in truth["transitions"]] == pytest.approx([100 * low] * 2, rel=1e-3)


def test_rolling_shutter_shifts_the_time_of_each_row():
    """A slit that stands still is seen 16 px further back per refresh of delay: its streak starts and ends later."""
    layout = plate(lane(slit(250, 2), rows=100), band(4), width_px=500)
    camera = replace(PLAIN, exposure_refreshes=2.0, readout_refreshes=1.5, margin=0.0, campx_per_px=3.0)
    shot = film(layout, INSTANT, camera, start_refresh=100)
    x = np.arange(150, 350, 0.25)
    centres = []
    for row in (10.5, 90.5):
        light = light_along(shot, camera, x, row)
        centres.append(float(np.sum(x * light) / np.sum(light)))
    # 80 rows of 104 are 80/104 of the readout; later rows look from further right, so the slit lies further left
    assert centres[0] - centres[1] == pytest.approx(16 * 1.5 * 80 / 104, abs=0.05)
    tilted = replace(camera, roll_deg=3.0)
    shot = film(layout, INSTANT, tilted, start_refresh=100)
    row = 50.5
    light = light_along(shot, tilted, x, row)
    centre = float(np.sum(x * light) / np.sum(light))
    y = float(to_campx(shot.truth, np.array([centre]), row)[1][0]) / shot.codes.shape[0]
    assert centre == pytest.approx(251 - 16 * 1.5 * y, abs=0.1)


@pytest.mark.parametrize("turn", [90, 270])
def test_a_shutter_that_rolls_along_the_motion_stretches_a_streak(turn):
    """Every place sees the slit at another time: the streak is longer or shorter, its ends stay sharp."""
    layout = plate(lane(slit(250, 2), rows=100), band(4), width_px=500)
    camera = replace(PLAIN, exposure_refreshes=2.0, readout_refreshes=1.5, margin=0.0, campx_per_px=3.0, turn_deg=turn)
    shot = film(layout, INSTANT, camera, start_refresh=100)
    x = np.arange(150, 350, 0.25)
    light = light_along(shot, camera, x, 50.5)
    top = float(np.percentile(light, 97))
    rises = np.flatnonzero((light > 0.15 * top) & (light < 0.85 * top))
    assert len(rises) * 0.25 < 2 * 2.5  # two px of the slit and the lens, at both ends
    # u enters the slit at t = (250 - u) / 16; the shutter is open there from 1.5 u / 500 on, or from the other end
    slope = 1.5 / 500 * (1 if x_is_late(shot, turn) else -1)
    length = float(np.count_nonzero(light > 0.5 * top) * 0.25)
    assert length == pytest.approx(2.0 / (1 / 16 + slope), abs=0.5)


def x_is_late(shot, turn: int) -> bool:
    """Whether the photo's rows are read from the plate's left to its right."""
    y = to_campx(shot.truth, np.array([100.0, 400.0]), 50.0)[1]
    return float(y[1]) > float(y[0])


def test_drift_smears_across_the_rows():
    """Rows lit in turn keep sinc(d / 2) of their contrast under a travel of d px."""
    half = Block(kind="halftone", top_row=0, height_px=60, period_px=2, lit=(0,))
    layout = plate(half, band(2), width_px=120)
    contrast = {}
    for drift in (0.0, 0.05, 0.15):
        camera = replace(PLAIN, campx_per_px=5.71, drift_px_per_refresh=drift, margin=0.1)  # an odd scale: no beat
        shot = film(layout, INSTANT, camera, start_refresh=100)
        px, top = to_campx(shot.truth, np.array([60.0]), 4.0)
        _, end = to_campx(shot.truth, np.array([60.0]), 56.0)
        y = np.arange(math.ceil(top[0]), math.ceil(end[0]))
        column = shot.codes[y, int(px[0])] / 65535 / camera.white_share
        rows = 4.0 + 52.0 * (y - top[0]) / (end[0] - top[0])
        window = 1 - np.cos(2 * np.pi * (rows - 4) / 52)
        contrast[drift] = abs(np.sum(window * column * np.exp(1j * np.pi * rows))) / window.sum()
        assert np.sum(window * column) / window.sum() == pytest.approx(0.5, abs=1e-3)
    for drift in (0.05, 0.15):
        assert contrast[drift] / contrast[0.0] == pytest.approx(float(np.sinc(4 * drift / 2)), abs=2e-3)


def test_drift_is_positive_downwards():
    """What lights up late is seen from further down, so it lies higher in the photo."""
    flash = slit(100, 6, period=8, on=2, phase=6)
    layout = plate(grey(0, 8), lane(flash, rows=4), grey(0, 8), band(2), width_px=200)
    camera = replace(PLAIN, drift_px_per_refresh=0.2, campx_per_px=5.0)
    shot = film(layout, INSTANT, camera, start_refresh=4)  # lit during the second half of the exposure
    px, py = to_campx(shot.truth, np.array([60.0, 140.0]), np.array([4.0, 16.0]))
    part = shot.codes[round(py[0]) : round(py[1]), round(px[0]) : round(px[1])].astype(float)
    rows = 4.0 + 12.0 * (np.arange(round(py[0]), round(py[1])) - py[0]) / (py[1] - py[0])
    profile = part.sum(axis=1)
    assert float(np.sum(rows * profile) / profile.sum()) == pytest.approx(10.0 - 0.2 * 1.0, abs=0.01)


def test_still_has_sharp_edges_where_the_truth_says():
    layout = plate(grey(0), grey(255), band(8), width_px=200)
    lens = replace(PLAIN, margin=0.05, lens_sigma_campx=0.8)
    for camera in (lens, replace(lens, campx_per_px=2.3, roll_deg=2.0)):
        shot = film_still(layout, INSTANT, camera, start_refresh=100)
        frame = np.repeat(layout.circuit, layout.field_px)[(np.arange(200) - 16 * 100) % layout.circuit_px]
        x = np.arange(1.5, 199)
        got = light_along(shot, camera, x, 20.5)
        edges = np.flatnonzero(np.diff(frame)) + 1
        far = np.min(np.abs(np.arange(1.5, 199)[:, None] - edges), axis=1) > 2
        assert np.abs(got - (frame[1:-1] == 255))[far].max() < 2e-3
        for edge in edges:
            fine = np.linspace(edge - 2, edge + 2, 401)
            curve = light_along(shot, camera, fine, 20.5)
            rising = curve if curve[-1] > curve[0] else 1 - curve
            assert float(np.interp(0.5, rising, fine)) == pytest.approx(edge, abs=0.01)
    assert shot.truth["still"] and shot.truth["tracking"]["error_px_per_refresh"] == 0


def test_frames_from_elsewhere_give_the_same_photo():
    """Whole frames, as taken from a browser, instead of the layout's own drawing."""
    from blurscope.pattern.render import FrameMaker

    layout = plate(grey(255), lane(slit(100), slit(200, period=4, on=2)), band(9), grey(64), band(9, offset_px=60))
    maker = FrameMaker(layout)
    display = Display(response=Response(time_ms=20.0), scan_out_refreshes=0.7)
    camera = replace(PLAIN, campx_per_px=2.0)
    own = film(layout, display, camera, start_refresh=200)
    taken = film(layout, display, camera, start_refresh=200, frames=maker.draw)
    assert np.abs(own.codes.astype(int) - taken.codes).max() <= 1


def test_the_same_seed_gives_the_same_photo():
    camera = Camera(campx_per_px=2.0)
    one, again, other = (film(EDGES, INSTANT, camera, seed=s) for s in (5, 5, 6))
    assert (one.codes == again.codes).all() and one.data == again.data and one.truth == again.truth
    assert (one.codes != other.codes).any()


@pytest.mark.parametrize("px_per_refresh", [4, 16])
@pytest.mark.parametrize("scale", [1.7, 3.0])
def test_lens_blur_along_the_motion(px_per_refresh, scale):
    """Hold, response, lens and camera pixel together, by numerical convolution of the closed form."""
    layout = plate(band(6), width_px=560, px_per_refresh=px_per_refresh)
    camera = replace(PLAIN, campx_per_px=scale, lens_sigma_campx=1.0)
    display = replace(INSTANT, response=Response(time_ms=6.0))
    got = esf(layout, display, camera, LAG)
    sigma = 1.0 / scale / px_per_refresh
    z = np.linspace(-5, 5, 401)
    weight = np.exp(-z * z / 2)

    def seen(t: np.ndarray) -> np.ndarray:
        curves = [
            w * hold_of(lambda s: s - TAU * (1 - np.exp(-s / TAU)), t - sigma * x)
            for x, w in zip(z, weight, strict=True)
        ]
        return np.sum(curves, axis=0) / weight.sum()

    expected = seen_by_pixels(seen, LAG, camera, layout)
    assert np.abs(got - expected).max() < 1.5e-3
    assert abs(width_1090(LAG, got) - width_1090(LAG, expected)) < 1e-3
