"""Lens, sensor and file of the simulated camera."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from camera_plates import band, grey, lane, plate, slit
from PIL import Image
from scipy.special import ndtr

from blurscope._cv import cv2
from blurscope.camera import Camera, Display, LightLaw, Response, film, film_still
from blurscope.camera.optics import make_view
from blurscope.camera.sensor import develop, tone
from blurscope.errors import SettingsError
from blurscope.pattern.layout import Block

PLAIN = Camera(
    campx_per_px=4.0,
    lens_sigma_campx=0.0,
    noise=False,
    tone="linear",
    file_format="tiff",
    bits=16,
    margin=0.1,
    surround_light=0.0,
)
INSTANT = Display(response=Response(shape="instant"), law=LightLaw(black=0.0))
STRIPES = plate(grey(0, 20), grey(255, 20), grey(128, 20), band(8), width_px=240)


def light_of(shot, camera) -> np.ndarray:
    return shot.codes.astype(float) / (65535 if shot.codes.dtype == np.uint16 else 255) / camera.white_share


@pytest.mark.parametrize(
    "pose",
    [
        {},
        {"roll_deg": 3.0, "yaw_deg": 10.0, "pitch_deg": -7.0, "k1": 0.08, "k2": -0.03},
        {"k1": -0.1, "turn_deg": 270, "mirrored": True},
    ],
)
def test_views_go_there_and_back(pose):
    view = make_view(replace(PLAIN, **pose), 320, 200)
    x, row = np.meshgrid(np.linspace(0, 320, 9), np.linspace(0, 200, 7))
    back = view.unproject(*view.project(x, row))
    assert np.abs(back[0] - x).max() < 1e-8 and np.abs(back[1] - row).max() < 1e-8


def test_axes_and_signs_of_the_pose():
    def corners(**pose) -> np.ndarray:
        view = make_view(replace(PLAIN, **pose), 320, 200)
        return np.array(view.project(np.array([0.0, 320, 0, 320]), np.array([0.0, 0, 200, 200]))).T

    upright = corners()
    assert upright[1][0] - upright[0][0] == pytest.approx(4 * 320, rel=1e-9)
    assert upright[2][1] - upright[0][1] == pytest.approx(4 * 200, rel=1e-9)
    turned = corners(roll_deg=2.0)  # clockwise: the right side goes down
    assert turned[1][1] - turned[0][1] == pytest.approx(4 * 320 * math.sin(math.radians(2)), rel=1e-3)
    upside = corners(turn_deg=180)
    assert upside[3][0] < upside[2][0] and upside[3][1] < upside[1][1]
    mirror = corners(mirrored=True)
    assert mirror[1][0] < mirror[0][0] and mirror[2][1] > mirror[0][1]
    # perspective: the nearer side is larger; physics.md section 8: dx'/dx goes as 1 / depth^2
    left, right = (
        corners(yaw_deg=10.0, view_angle_deg=30.0)[[2, 3], 1] - corners(yaw_deg=10.0, view_angle_deg=30.0)[[0, 1], 1]
    )
    distance = 160 / math.tan(math.radians(15))
    depth = [distance + s * 160 * math.sin(math.radians(10)) for s in (1, -1)]
    assert left / right == pytest.approx(depth[1] / depth[0], rel=1e-9)


def test_homography_of_the_truth_against_opencv():
    """Marked points found in the photo, the homography through them by OpenCV, and the truth's agree."""
    slits = [slit(x, 6) for x in (40, 120, 200, 280)]
    layout = plate(*[b for k in range(3) for b in (lane(*slits, rows=6), grey(0, 40))], band(2), width_px=330)
    camera = replace(PLAIN, roll_deg=3.0, yaw_deg=6.0, pitch_deg=-4.0, view_angle_deg=30.0, lens_sigma_campx=0.8)
    shot = film_still(layout, INSTANT, camera, start_refresh=0)
    bright = (light_of(shot, camera) > 0.5).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(bright)
    found = []
    light = light_of(shot, camera)
    for k in range(1, count):
        x, y, w, h, area = stats[k]
        if 300 < area < 1000 and w < 60:
            part = light[y - 4 : y + h + 4, x - 4 : x + w + 4]
            yy, xx = np.mgrid[y - 4 : y + h + 4, x - 4 : x + w + 4]
            found.append((float((xx * part).sum() / part.sum()), float((yy * part).sum() / part.sum())))
    assert len(found) == 12
    h = np.array(shot.truth["pose"]["screen_to_campx"])
    screen = [(x + 3.0, 46.0 * k + 3.0) for k in range(3) for x in (40, 120, 200, 280)]
    matched = []
    for x, row in screen:
        p = h @ [x, row, 1]
        matched.append(min(found, key=lambda f, p=p: math.hypot(f[0] - p[0] / p[2], f[1] - p[1] / p[2])))
    fitted, _ = cv2.findHomography(np.array(screen), np.array(matched))
    grid = np.array([[[x, r]] for x in (0.0, 165, 330) for r in (0.0, 70, 140)])
    apart = cv2.perspectiveTransform(grid, fitted) - cv2.perspectiveTransform(grid, h)
    assert np.abs(apart).max() < 0.03


@pytest.mark.parametrize("scale", [1.7, 3.0, 4.0])
def test_lens_blur_has_the_sigma_asked_for(scale):
    """A horizontal border between stripes is a Gaussian edge, widened by the camera pixel's box."""
    for sigma in (0.8, 1.5):
        camera = replace(PLAIN, campx_per_px=scale, lens_sigma_campx=sigma)
        shot = film_still(STRIPES, INSTANT, camera, start_refresh=0)
        column = light_of(shot, camera)[:, shot.codes.shape[1] // 2]
        border = float((np.array(shot.truth["pose"]["screen_to_campx"]) @ [120, 20, 1])[1])
        y = np.arange(math.floor(border - 6 * sigma), math.ceil(border + 6 * sigma) + 1)
        z = (y[:, None] + np.linspace(-0.5, 0.5, 101) - border) / sigma
        expected = ndtr(z).mean(axis=1)
        assert np.abs(column[y] - expected).max() < 1e-3


def test_lens_blur_may_differ_by_axis_and_grow_downwards():
    layout = plate(grey(0, 20), grey(255, 20), grey(0, 60), grey(255, 20), grey(0, 20), band(8), width_px=100)

    def spread(camera, row: float) -> float:
        shot = film_still(layout, INSTANT, camera, start_refresh=0)
        border = float((np.array(shot.truth["pose"]["screen_to_campx"]) @ [50, row, 1])[1])
        y = np.arange(round(border) - 16, round(border) + 17)
        line = np.diff(light_of(shot, camera)[y, shot.codes.shape[1] // 2])
        mean = np.sum(y[:-1] * line) / np.sum(line)
        return math.sqrt(np.sum((y[:-1] - mean) ** 2 * line) / np.sum(line))

    growing = replace(PLAIN, lens_sigma_campx=1.0, lens_sigma_bottom_campx=3.0)
    height = film_still(layout, INSTANT, growing, start_refresh=0).codes.shape[0]
    box = 1 / 12 + 1 / 12  # the camera pixel, and the difference of neighbours
    for row in (20.0, 120.0):
        border = row * 4 + (height - 148 * 4) / 2
        sigma = 1.0 + 2.0 * border / height
        assert spread(growing, row) == pytest.approx(math.sqrt(sigma**2 + box), rel=0.01)
    wide = replace(PLAIN, lens_sigma_campx=1.0, lens_sigma_x_campx=4.0)
    assert spread(wide, 20.0) == pytest.approx(math.sqrt(1 + box), rel=0.01)


@pytest.mark.parametrize(("turn", "quarters"), [(90, 1), (180, 2), (270, 3)])
def test_a_turned_camera_takes_the_same_photo_turned(turn, quarters):
    camera = replace(PLAIN, campx_per_px=2.0, lens_sigma_campx=0.9, exposure_refreshes=3.0)
    upright = light_of(film(STRIPES, INSTANT, camera, seed=1), camera)
    turned = light_of(film(STRIPES, INSTANT, replace(camera, turn_deg=turn), seed=1), camera)
    assert np.abs(np.rot90(turned, quarters) - upright).max() < 1e-3


def test_vignetting_reflections_and_flare():
    layout = plate(grey(255, 60), grey(0, 60), band(8), width_px=200)
    camera = replace(PLAIN, vignetting=0.3, margin=0.0)
    light = light_of(film_still(layout, INSTANT, camera, start_refresh=0), camera)
    height, width = light.shape
    for x, y in ((100, 40), (width - 60, 150), (width // 2, 200)):
        r2 = ((x - (width - 1) / 2) ** 2 + (y - (height - 1) / 2) ** 2) / ((width**2 + height**2) / 4)
        assert light[y, x] == pytest.approx(1 - 0.3 * r2, abs=1e-3)
    camera = replace(PLAIN, reflected_light=0.02, margin=0.0)
    light = light_of(film_still(layout, INSTANT, camera, start_refresh=0), camera)
    assert light[100, 300] == pytest.approx(1.02, abs=1e-3) and light[360, 300] == pytest.approx(0.02, abs=1e-3)
    camera = replace(PLAIN, flare=0.1, margin=0.0)
    light = light_of(film_still(layout, INSTANT, camera, start_refresh=0), camera)
    assert 0.005 < light[470, 300] < 0.06 and 0.93 < light[20, 300] < 1.0
    assert light.mean() == pytest.approx(
        light_of(film_still(layout, INSTANT, replace(PLAIN, margin=0.0)), PLAIN).mean(), rel=0.03
    )


def test_noise_is_photons_and_readout():
    """EMVA 1288's linear model: variance = electrons + read noise squared."""
    camera = replace(PLAIN, noise=True, full_well_e=5000.0, read_noise_e=12.0, white_share=0.7)
    rng = np.random.default_rng(1)
    for light in (0.05, 0.3, 0.9):
        codes = develop([np.full((400, 500), light, np.float32)], camera, rng).astype(float) / 65535
        electrons = light * 0.7 * 5000
        assert codes.mean() == pytest.approx(light * 0.7, rel=2e-3)
        assert (codes * 5000).var() == pytest.approx(electrons + 12.0**2, rel=0.02)


def test_tone_curves():
    x = np.linspace(0, 1, 201)
    colour = pytest.importorskip("colour")
    srgb = colour.models.eotf_inverse_sRGB(x)  # IEC 61966-2-1 as a general-purpose colour library has it
    assert tone(x, replace(PLAIN, tone="srgb")) == pytest.approx(srgb, abs=2e-5)
    assert tone(x, replace(PLAIN, tone="gamma", tone_gamma=1.8)) == pytest.approx(x ** (1 / 1.8))
    bent = tone(x, replace(PLAIN, tone="s-curve"))
    assert (np.diff(bent) > 0).all() and bent[0] == pytest.approx(0) and bent[-1] == pytest.approx(1)
    assert (bent < srgb)[1:40].all() and (bent > srgb)[50:-1].all()  # the middle code is at 0.214
    codes = develop(
        [np.linspace(0, 1, 256, dtype=np.float32)[None].repeat(4, 0)],
        Camera(noise=False, white_share=1.0),
        np.random.default_rng(0),
    )
    assert (
        np.abs(codes[0].astype(int) - np.round(255 * colour.models.eotf_inverse_sRGB(np.linspace(0, 1, 256)))).max()
        <= 1
    )


def test_clipping_and_crushing():
    layout = plate(grey(255, 20), grey(20, 20), band(8), width_px=100)
    camera = replace(PLAIN, white_share=1.3, crush=0.01, file_format="png", bits=8, margin=0.0)
    codes = film_still(layout, Display(law=LightLaw(black=0.001)), camera, start_refresh=0).codes
    assert codes[40, 200] == 255 and codes[120, 200] == 0


def test_sharpening_makes_halos():
    camera = replace(PLAIN, sharpening=0.8, lens_sigma_campx=1.0, white_share=0.6)
    layout = plate(grey(64, 20), grey(200, 20), band(8), width_px=100)
    column = film_still(layout, INSTANT, camera, start_refresh=0).codes[:, 200].astype(float)
    flat = film_still(layout, INSTANT, replace(camera, sharpening=0.0), start_refresh=0).codes[:, 200].astype(float)
    assert column[60:100].min() < flat[60:100].min() - 200
    assert column[100:140].max() > flat[100:140].max() + 200


def test_mosaic_keeps_greys_grey():
    camera = replace(PLAIN, bayer=True, lens_sigma_campx=1.0, white_share=0.6, margin=0.0)
    plain = film_still(STRIPES, INSTANT, replace(camera, bayer=False), start_refresh=0).codes.astype(float)
    codes = film_still(STRIPES, INSTANT, camera, start_refresh=0).codes.astype(float)
    assert codes.shape == (*plain.shape, 3)
    flat = codes[100:140, 100:600]
    assert np.abs(flat - plain[100:140, 100:600, None]).max() < 40
    noisy = replace(camera, noise=True)
    flat = film_still(STRIPES, INSTANT, noisy, start_refresh=0).codes[100:140, 100:600].astype(float)
    red, green, blue = (flat[:, :, c].std() for c in range(3))
    assert red > green and blue > 0.8 * green  # the gains of the white balance amplify the noise


@pytest.mark.parametrize(("stripes", "sign"), [("rgb", 1), ("bgr", -1)])
def test_stripes_shift_red_and_blue_by_a_third(stripes, sign):
    """R and B edges lie a third of a px to either side (physics.md, section 2)."""
    layout = plate(band(12), width_px=400)
    for camera in (PLAIN, replace(PLAIN, turn_deg=180)):
        codes = film(layout, replace(INSTANT, stripes=stripes), camera, start_refresh=100).codes.astype(float)
        row = codes[codes.shape[0] // 2]
        centre = [np.sum(np.arange(len(row)) * row[:, c]) / row[:, c].sum() for c in range(3)]
        turned = -1 if camera.turn_deg else 1
        assert centre[0] - centre[1] == pytest.approx(-sign * turned * 4 / 3, abs=0.02)
        assert centre[2] - centre[1] == pytest.approx(sign * turned * 4 / 3, abs=0.02)


def test_halftone_rows_average_in_light():
    for k, lit in ((1, (1,)), (2, (0, 2))):
        half = Block(kind="halftone", top_row=0, height_px=30, period_px=3, lit=lit)
        camera = replace(PLAIN, margin=0.0, campx_per_px=2.3, lens_sigma_campx=0.9)
        shot = film(plate(half, band(4), width_px=150), Display(law=LightLaw(black=0.01)), camera, start_refresh=100)
        light = light_of(shot, camera)
        y0, y1 = (float((np.array(shot.truth["pose"]["screen_to_campx"]) @ [75, r, 1])[1]) + 0.5 for r in (6.0, 24.0))
        running = np.concatenate([[0], np.cumsum(light[:, light.shape[1] // 2])])
        mean = (np.interp(y1, np.arange(len(running)), running) - np.interp(y0, np.arange(len(running)), running)) / (
            y1 - y0
        )
        assert mean == pytest.approx(0.01 + k / 3 * 0.99, abs=4e-3)


def test_files_and_their_exif():
    layout = plate(grey(200, 20), band(8), width_px=100)
    for form, bits, bayer in (
        ("jpeg", 8, False),
        ("jpeg", 8, True),
        ("png", 8, True),
        ("tiff", 8, False),
        ("tiff", 16, False),
    ):
        camera = Camera(campx_per_px=2.0, file_format=form, bits=bits, bayer=bayer, iso=400, exposure_refreshes=2.0)
        shot = film(layout, Display(), camera, seed=1)
        picture = Image.open(io.BytesIO(shot.data))
        assert picture.size == shot.codes.shape[1::-1]
        exif = picture.getexif()
        assert (exif[0x010F], exif[0x0110]) == ("Invented", "Demo camera")
        assert float(exif.get_ifd(0x8769)[0x829A]) == pytest.approx(2 / 60, abs=1e-6)
        assert exif.get_ifd(0x8769)[0x8827] == 400
        read = cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_ANYCOLOR)
        codes = shot.codes[:, :, ::-1] if shot.codes.ndim == 3 else shot.codes
        assert read.dtype == codes.dtype and np.abs(read.astype(int) - codes).max() <= (1 if form == "jpeg" else 0)
    for bayer in (False, True):
        camera = Camera(campx_per_px=2.0, file_format="png", bits=16, bayer=bayer)
        shot = film(layout, Display(), camera, seed=1)
        read = cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_UNCHANGED)
        assert (read == (shot.codes[:, :, ::-1] if bayer else shot.codes)).all()
    import tifffile

    camera = Camera(campx_per_px=2.0, file_format="tiff", bits=16, bayer=True)
    shot = film(layout, Display(), camera, seed=1)
    assert (tifffile.imread(io.BytesIO(shot.data)) == shot.codes).all()
    rough = film(layout, Display(), Camera(campx_per_px=2.0, file_format="jpeg", jpeg_quality=30), seed=1)
    fine = film(layout, Display(), Camera(campx_per_px=2.0, file_format="jpeg", jpeg_quality=95), seed=1)
    assert len(rough.data) < 0.6 * len(fine.data)


def test_framing():
    camera = replace(
        PLAIN, width_campx=500, height_campx=300, shift_x_campx=30.0, shift_y_campx=-20.0, campx_per_px=3.0
    )
    shot = film_still(STRIPES, INSTANT, camera, start_refresh=0)
    assert shot.codes.shape == (300, 500)
    middle = np.array(shot.truth["pose"]["screen_to_campx"]) @ [120, STRIPES.height_px / 2, 1]
    assert middle[:2] / middle[2] == pytest.approx([249.5 + 30, 149.5 - 20], abs=1e-9)
    cut = film_still(STRIPES, INSTANT, replace(PLAIN, margin=-0.2), start_refresh=0)
    assert cut.codes.shape == (round(68 * 4 * 0.6), round(240 * 4 * 0.6))


@pytest.mark.parametrize(
    "bad",
    [
        {"exposure_refreshes": 0.0},
        {"exposure_refreshes": float("nan")},
        {"campx_per_px": 0.0},
        {"tone": "sepia"},
        {"file_format": "bmp"},
        {"file_format": "jpeg", "bits": 16},
        {"bits": 12},
        {"turn_deg": 45},
        {"yaw_deg": 80.0},
        {"k1": float("inf")},
        {"white_share": -1.0},
        {"crush": 0.9},
        {"vignetting": 1.5},
        {"jpeg_quality": 0},
        {"start_phase": -0.1},
        {"margin": -0.9},
        {"width_campx": 2},
    ],
    ids=lambda b: " ".join(f"{k}={v}" for k, v in b.items()),
)
def test_impossible_cameras_are_refused(bad):
    with pytest.raises(SettingsError):
        Camera(**bad)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Display(scan_out_refreshes=1.5),
        lambda: Display(scan_axis="diagonal"),
        lambda: Display(stripes="rbg"),
        lambda: Display(unit="oak"),
        lambda: Display(refresh_hz=0.0),
        lambda: LightLaw(kind="log"),
        lambda: LightLaw(gamma=float("nan")),
        lambda: LightLaw(kind="table", table=((0, 1.0), (255, 0.5))),
        lambda: Response(shape="sudden"),
        lambda: Response(time_ms=-1.0),
        lambda: Response(shape="overdriven", overshoot_pct=90.0),
    ],
)
def test_impossible_displays_are_refused(make):
    with pytest.raises(SettingsError):
        make()


def test_a_camera_that_turns_back_is_refused():
    for bad in ({"tracking_error_px_per_refresh": -16.0}, {"accel_px_per_refresh2": 9.0}):
        with pytest.raises(SettingsError, match="turns back"):
            film(STRIPES, INSTANT, replace(PLAIN, **bad), start_refresh=0)
    with pytest.raises(SettingsError, match="campx"):
        film(STRIPES, INSTANT, replace(PLAIN, width_campx=20000, height_campx=20000), start_refresh=0)


def test_truth_is_strict_json():
    json.dumps(film(STRIPES, INSTANT, replace(PLAIN, margin=-0.3)).truth, allow_nan=False)
