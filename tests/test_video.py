"""Videos: a clip of a camera at rest to a virtual pursuit photo and traces, a panned video to its best frames."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr
from video_makers import clip_frames, display, small_plate, truths, write_camera_video, write_video

import blurscope as bs
from blurscope.camera import Camera, Response, film, film_clip
from blurscope.cli import main
from blurscope.clip import measure_clip
from blurscope.crosscheck import cross_check
from blurscope.errors import BlurscopeError, FitError, PhotoError, SettingsError, TargetError
from blurscope.files import write_json
from blurscope.greys import measure_light
from blurscope.light import stripes_of
from blurscope.light.curve import srgb_to_light
from blurscope.light.patches import gather
from blurscope.pan import measure_pan
from blurscope.pattern.budget import make_layouts
from blurscope.target import register
from blurscope.video import is_video, open_clip
from blurscope.video.allowance import coding_allowance, frame_allowance, share_of
from blurscope.video.frames import BT601, BT709
from blurscope.video.mean import FrameMean
from blurscope.video.stripes import unmixed_codes, unmixing_taps
from blurscope.video.virtual import frame_weight

av = pytest.importorskip("av")
jsonschema = pytest.importorskip("jsonschema")
SCHEMAS = Path(bs.__file__).parent / "schemas"
BET_TOLERANCE, TRACE_TOLERANCE = 0.02, 0.05  # what the project sets out to reach at 480 frames per second


def valid(thing: dict, name: str) -> dict:
    thing = json.loads(json.dumps(thing, default=lambda q: q.as_json()))
    schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(thing)
    return thing


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("video")
    write_json(path / "pattern.json", small_plate().as_json())
    return path


@pytest.fixture(scope="module")
def frames() -> list[np.ndarray]:
    return clip_frames(small_plate(), display())


@pytest.fixture(scope="module")
def clip(folder, frames) -> Path:
    return write_video(folder / "clip.mkv", frames, 480)


@pytest.fixture(scope="module")
def measured(clip):
    return measure_clip(clip, pattern=small_plate(), trace=True)


def check_edges(result, truth, tolerance=BET_TOLERANCE):
    for e in result.edges:
        q, true = e.figures["bet_ms"], truth[e.from_level, e.to_level]["bet_ms"]
        assert e.ok, (e.from_level, e.to_level, e.flags)
        assert abs(q.value / true - 1) < tolerance, (e.from_level, e.to_level, q.value, true)
        assert abs(q.value - true) <= q.u95


def test_the_virtual_pursuit_photo_has_the_true_blur(measured):
    check_edges(measured.measurement, truths(small_plate(), display()))
    assert len(measured.measurement.edges) == 6
    tracking = measured.measurement.tracking
    assert abs(tracking["error_px_per_refresh"].value) < 0.05
    assert tracking["scan_out_ms"].value == pytest.approx(15.0, abs=tracking["scan_out_ms"].u95)


def test_the_pixels_give_the_response_without_a_photodiode(measured):
    truth = truths(small_plate(), display())
    transitions = measured.response["transitions"]
    assert len(transitions) == 6
    for t in transitions:
        true = truth[t["from_level"], t["to_level"]]
        for name in ("response_ms", "response_signal_ms"):
            q = t[name]
            assert abs(q["value"] / true[name] - 1) < TRACE_TOLERANCE, (t["from_level"], t["to_level"], name)
            assert abs(q["value"] - true[name]) <= q["u95"]
        step = t["step"]
        # the step itself, against the closed form of the simulated exponential
        tau = 8.0 / np.log(9)
        want = 1 - np.exp(-np.maximum(np.array(step["t_ms"]), 0) / tau)
        assert np.abs(np.array(step["light"]) - want).max() < 0.05


def test_frames_that_are_not_held_are_decoded_again(clip, measured, monkeypatch):
    monkeypatch.setattr("blurscope.clip.MOST_KEPT_BYTES", 0)
    again = measure_clip(clip, pattern=small_plate(), trace=True)
    for a, b in zip(measured.measurement.edges, again.measurement.edges, strict=True):
        assert a.figures["bet_ms"].as_json() == b.figures["bet_ms"].as_json()
    assert json.dumps(again.response["transitions"], default=lambda q: q.as_json()) == json.dumps(
        measured.response["transitions"], default=lambda q: q.as_json()
    )


def test_both_files_are_of_the_kinds_that_the_others_read(measured, tmp_path):
    measurement = valid(measured.measurement.as_json(), "measurement")
    response = valid(measured.response, "response")
    assert measurement["photo"]["kind"] == "video"
    assert "480 per second" in measurement["photo"]["notes"][0]
    write_json(tmp_path / "m.json", measurement)
    write_json(tmp_path / "r.json", response)
    report, _ = cross_check(tmp_path / "m.json", tmp_path / "r.json")
    assert report["summary"]["compared"] >= 12
    assert report["summary"]["verdict"] != "disagree"


def test_the_command_line_measures_a_clip(folder, clip, measured, capsys):
    args = ["measure", str(clip), "--pattern", str(folder / "pattern.json")]
    out = ["--json", str(folder / "m.json"), "--response", str(folder / "r.json")]
    assert main([*args, "--fixed-camera", "--frame-rate", "480", "--frame-exposure-ms", "2.0833", *out]) == 0
    text = capsys.readouterr().out
    assert "light against time" in text and "6 of 6 transitions usable" in text
    assert json.loads((folder / "r.json").read_text())["schema"] == "blurscope.response/1"
    stated = valid(json.loads((folder / "m.json").read_text()), "measurement")
    # an exposure that is told needs no allowance
    codes = {w["code"] for w in measured.measurement.warnings}
    assert "frame_exposure_unknown" in codes
    assert "frame_exposure_unknown" not in {w["code"] for w in stated["warnings"]}
    for unknown, known in zip(measured.measurement.edges, stated["edges"], strict=True):
        assert unknown.figures["bet_ms"].parts["frames"] > known["budget"]["bet_ms"]["frames"] > 0
        true = truths(small_plate(), display())[unknown.from_level, unknown.to_level]["bet_ms"]
        assert abs(known["bet_ms"]["value"] - true) <= known["bet_ms"]["u95"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--fixed-camera", "--frames", "3"], "--frames is for a video whose camera follows"),
        (["--fixed-camera", "--exposure-refreshes", "4"], "--exposure-refreshes has no meaning"),
        (["--frame-rate", "480"], "add --fixed-camera"),
        (["--response", "r.json"], "add --fixed-camera"),
        (["another.mkv"], "measured on its own"),
    ],
)
def test_options_that_do_not_fit_are_refused(folder, clip, more, words, capsys):
    assert main(["measure", str(clip), "--pattern", str(folder / "pattern.json"), *more]) == 1
    assert words in capsys.readouterr().err


def test_photos_take_no_options_of_videos(folder, tmp_path, capsys):
    (tmp_path / "p.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    assert main(["measure", str(tmp_path / "p.png"), "--pattern", str(folder), "--fixed-camera"]) == 1
    assert "--fixed-camera is for a video" in capsys.readouterr().err


@pytest.mark.slow
def test_a_slow_motion_file_that_lies_about_its_rate_is_put_right(folder, frames):
    path = write_video(folder / "lies.mp4", frames, 30, "libx264", "yuv420p", {"crf": "12", "bf": "0"})
    result = measure_clip(path, pattern=small_plate()).measurement
    told = {w["code"]: w["message"] for w in result.warnings}
    assert "for 30" in told["frame_rate_corrected"]
    assert "bits per pixel" in told["clip_compressed"]
    rate = float(result.blocks["photo"]["notes"][0].split(" at ")[1].split(" ")[0])
    assert rate == pytest.approx(480, rel=0.01)
    for e in result.edges:
        q, true = e.figures["bet_ms"], truths(small_plate(), display())[e.from_level, e.to_level]["bet_ms"]
        assert abs(q.value - true) <= q.u95
    with pytest.raises(SettingsError, match="check --frame-rate"):
        measure_clip(path, pattern=small_plate(), frame_rate=240)


@pytest.fixture(scope="module")
def pan(folder) -> Path:
    layout, screen = small_plate(), display()
    errors = (0.05, 1.5, -0.1, 6.0)
    shots = [
        film(layout, screen, Camera(exposure_refreshes=2.0, tracking_error_px_per_refresh=e, margin=0.03), seed=i,
             start_refresh=2 * i)
        for i, e in enumerate(errors)
    ]  # fmt: skip
    return write_video(folder / "pan.mkv", [s.codes for s in shots], 30)


def test_the_best_frames_of_a_panned_video_are_used(pan):
    result = measure_pan(pan, pattern=small_plate(), best=2)
    data = valid(result.as_json(), "measurement")
    used = [p["photo"]["path"] for p in data["photos"] if p["used"]]
    assert sorted(p.split(", ")[-1] for p in used) == ["frame 0 at 0.000 s", "frame 2 at 0.067 s"]
    assert data["photo"]["kind"] == "video" and data["label"] == "pan"
    lost = [p for p in data["photos"] if not p["used"]]
    assert len(lost) == 2 and all(p["reason"] for p in lost)
    check_edges(result, truths(small_plate(), display()))


def test_videos_with_the_wrong_camera_are_told_how(folder, clip, capsys):
    with pytest.raises(FitError, match="--fixed-camera"):
        measure_pan(clip, pattern=small_plate(), best=1, looked_at=2)
    layout = small_plate()
    short = [film(layout, display(), Camera(exposure_refreshes=0.5, margin=0.03), seed=i).codes for i in range(2)]
    path = write_video(folder / "short.mkv", short, 30)
    with pytest.raises(FitError, match="lengthen the shutter time to 33 ms"):
        measure_pan(path, pattern=layout, best=1)


def test_a_frozen_plate_and_a_slow_camera_are_refused(folder, frames):
    still = write_video(folder / "still.mkv", [frames[3]] * 12, 480)
    with pytest.raises(FitError, match="stands still"):
        measure_clip(still, pattern=small_plate())
    slow = write_video(folder / "slow.mkv", frames[::3], 160)
    with pytest.raises(FitError, match="frames per refresh"):
        measure_clip(slow, pattern=small_plate())
    moved = [np.roll(f, 2 * i, axis=0) for i, f in enumerate(frames[:20])]
    shaky = write_video(folder / "shaky.mkv", moved, 480)
    with pytest.raises(FitError, match="tripod"):
        measure_clip(shaky, pattern=small_plate())


def test_a_light_that_comes_and_goes_is_refused(folder, frames):
    flashing = write_video(folder / "flash.mkv", [f if n % 4 == 1 else f // 8 for n, f in enumerate(frames[:16])], 480)
    with pytest.raises(FitError, match="comes and goes .* follow the plate"):
        measure_clip(flashing, pattern=small_plate())


def test_files_that_are_no_usable_clip_are_refused(folder, clip, frames, monkeypatch):
    blank = write_video(folder / "blank.mkv", [np.full((120, 160), 90, np.uint8)] * 12, 480)
    with pytest.raises(TargetError, match="was found in 0"):
        measure_clip(blank, pattern=small_plate())
    few = write_video(folder / "few.mkv", frames[:4], 480)
    with pytest.raises(PhotoError, match="too few"):
        measure_clip(few, pattern=small_plate())
    brief = write_video(folder / "brief.mkv", frames[:14], 480)
    with pytest.raises(PhotoError, match="film at least"):
        measure_clip(brief, pattern=small_plate())
    beat = [n + 3 * (n > 5) for n in range(12)]
    uneven = write_video(folder / "uneven.mkv", frames[:12], 100, times=beat)
    with pytest.raises(PhotoError, match="uneven"):
        measure_clip(uneven, pattern=small_plate())
    cut = folder / "cut.mkv"
    cut.write_bytes(clip.read_bytes()[: clip.stat().st_size // 2])
    with pytest.raises(PhotoError, match="again"):
        measure_clip(cut, pattern=small_plate())
    for rate in (0.0, -5.0, float("nan"), 1e9):
        with pytest.raises(SettingsError, match="--frame-rate"):
            measure_clip(clip, pattern=small_plate(), frame_rate=rate)
    for exposure in (50.0, -1.0, float("nan")):
        with pytest.raises(SettingsError, match="--frame-exposure-ms"):
            measure_clip(clip, pattern=small_plate(), frame_exposure_ms=exposure)
    with pytest.raises(PhotoError, match="does not exist"):
        open_clip(folder / "none.mkv")
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(SettingsError, match=r"pip install 'blurscope\[video\]'"):
        open_clip(clip)


def test_damaged_videos_never_end_in_a_traceback(folder, frames, rng):
    whole = write_video(
        folder / "whole.mp4", [f[:96, :128] for f in frames[:8]], 480, "libx264", "yuv420p"
    ).read_bytes()
    for k in range(30):
        data = bytearray(whole)
        for at in rng.integers(0, len(data), 1 + k):
            data[at] = rng.integers(256)
        path = folder / "damaged.mp4"
        path.write_bytes(bytes(data[: len(data) - int(rng.integers(0, 200)) * (k % 2)]))
        with pytest.raises(BlurscopeError):  # so small a part of the plate can't be measured in any case
            measure_clip(path, pattern=small_plate())


def test_videos_are_told_by_their_content(folder, clip, tmp_path):
    assert is_video(clip) and is_video(write_video(tmp_path / "x.mp4", [np.zeros((32, 32), np.uint8)] * 3, 30, "mpeg4",
                                                   "yuv420p"))  # fmt: skip
    named = tmp_path / "clip.jpg"
    named.write_bytes(clip.read_bytes()[:5000])
    assert is_video(named)
    for start in (b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"\0\0\0\x1cftypheic", b"II*\0", b"", b"hello"):
        other = tmp_path / "other.mp4"
        other.write_bytes(start + bytes(300))
        assert not is_video(other)
    assert not is_video(tmp_path) and not is_video(tmp_path / "none")


def test_codes_come_out_as_they_went_in(tmp_path, rng):
    picture = rng.integers(16, 236, (48, 64)).astype(np.uint8)
    exact = next(open_clip(write_video(tmp_path / "g.mkv", [picture] * 2, 30)).frames())
    assert np.array_equal(exact.codes, picture)
    # limited range, Rec. ITU-R BT.709: code 16 is black, 235 white
    import av as library

    planes = np.full((72, 64), 128, np.uint8)
    planes[:48] = picture
    with library.open(str(tmp_path / "y.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.height, stream.width, stream.pix_fmt = 48, 64, "yuv420p"
        for n in range(2):
            frame = library.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts = n
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    limited = next(open_clip(tmp_path / "y.mkv").frames())
    assert limited.codes.dtype == np.uint16
    assert np.abs(limited.codes - np.clip((picture.astype(float) - 16) / 219, 0, 1) * 65535).max() <= 0.5


def test_frames_of_a_refresh_add_up_to_one_long_frame():
    layout, screen = small_plate(), display()
    quiet = dict(campx_per_px=2.0, noise=False, tone="linear", bits=16, file_format="png")
    short = film_clip(layout, screen, Camera(exposure_refreshes=0.25, **quiet), frame_refreshes=0.25, count=4)
    mean = np.mean([f.astype(float) for f in short], axis=0)
    whole = next(film_clip(layout, screen, Camera(exposure_refreshes=1.0, **quiet), frame_refreshes=1.0, count=1))
    assert np.abs(mean - whole).max() < 30  # of 65535: rounding of the running integral and of the codes


@pytest.mark.parametrize("share", [0.05, 0.5, 1.0])
def test_light_that_bends_like_a_parabola_is_rebuilt_exactly(share):
    centre = np.arange(-3, 4)
    curve = np.array([0.3, -0.7, 1.9])  # constant, slope, bend
    # mean of a + b t + c t^2 over a frame of this length around its middle
    means = curve[0] + curve[1] * centre + curve[2] * (centre**2 + share**2 / 12)
    for t in np.linspace(-0.5, 0.5, 11):
        got = sum(frame_weight(t - j, -j, share) * means[3 + j] for j in (-1, 0, 1))
        assert got == pytest.approx(curve[0] + curve[1] * t + curve[2] * t * t, abs=1e-12)


def test_the_allowance_shrinks_with_frame_rate_and_for_slow_pixels():
    unknown, known = share_of(None, 0.125), share_of(0.125, 0.125)
    assert known == (1.0, 1.0, 1.0) and unknown[1] < unknown[0] < unknown[2]
    fast, slow = frame_allowance(0.02, 0.125, known), frame_allowance(0.5, 0.125, known)
    assert fast.width > 5 * slow.width
    assert frame_allowance(0.02, 0.25, known).width > 2 * fast.width
    assert frame_allowance(0.5, 0.125, unknown).width > slow.width


def test_a_coded_clip_has_an_allowance_and_a_lossless_one_has_none():
    assert coding_allowance(2.0, "ffv1") == 0
    assert coding_allowance(0.1, "h264") > 2 * coding_allowance(0.6, "h264")
    assert coding_allowance(50.0, "h264") == coding_allowance(5.0, "h264") > 0.005  # of its range nothing is known


@pytest.mark.parametrize("weights", [BT601, BT709])
@pytest.mark.parametrize("apart", [-0.9, 0.7, 1.2])
def test_the_mixing_of_stripes_is_undone(apart, weights):
    """A row that the lens lets through, mixed from three places and unmixed again, about the place of its luma."""
    x = np.arange(400.0)

    def row(at):
        return sum(h * ndtr((x - at - c) / 0.9) for h, c in ((0.5, 80), (-0.3, 150.3), (0.45, 230.7), (-0.4, 310.1)))

    places = apart * np.array([-1.0, 0.0, 1.0])
    mixed = sum(w * row(at) for w, at in zip(weights, places, strict=True))
    codes = np.tile(np.rint(65535 * (0.2 + mixed)), (9, 1)).astype(np.uint16)
    undone = unmixed_codes(codes, unmixing_taps(apart, weights))[4] / 65535 - 0.2
    want = row(float(np.dot(weights, places)))
    assert np.abs(undone - want).max() < 0.15 * np.abs(mixed - want).max()
    assert np.abs(undone - want).max() < 2e-3


def test_even_codes_are_not_changed_by_the_filter_for_stripes():
    codes = np.full((20, 90), 200, np.uint8)
    assert (unmixed_codes(codes, unmixing_taps(0.8, BT709)) == 200 * 257).all()


@pytest.mark.parametrize(("stripes", "more"), [
    ("rgb", {}), ("bgr", {"campx_per_px": 3.5}), ("rgb", {"roll_deg": 1.5, "yaw_deg": 4.0}),
])  # fmt: skip
def test_displays_with_stripes_are_measured_like_others(stripes, more, tmp_path):
    """BET from 128 to 0 was up to 7 % off, four times its u95, where luma mixes the stripes' codes."""
    layout, screen = small_plate(), display(stripes=stripes)
    frames = clip_frames(layout, screen, count=36, **more)
    assert frames[0].ndim == 3
    path = write_video(tmp_path / "clip.mkv", frames, 480.0, "ffv1", "bgr0")
    result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / 480, trace=True)
    truth = truths(layout, screen)
    check_edges(result.measurement, truth)
    for t in result.response["transitions"]:
        q, true = t["response_ms"], truth[t["from_level"], t["to_level"]]["response_ms"]
        assert abs(q["value"] / true - 1) < TRACE_TOLERANCE and abs(q["value"] - true) <= q["u95"]


def test_a_striped_display_in_h264(tmp_path):
    """Luma by BT.709, colour differences of two by two pixels: as good as a display without stripes."""
    layout, screen = small_plate(), display(stripes="rgb")
    frames = clip_frames(layout, screen, count=36, bits=16)
    path = write_camera_video(tmp_path / "clip.mp4", frames, 480.0, {"qp": "0", "bf": "0"})
    frame = next(open_clip(path).frames(0, 1, colours=(0,)))
    assert frame.weights == BT709 and stripes_of(frame.colours, 2.5) == -1
    result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / 480)
    check_edges(result.measurement, truths(layout, screen), tolerance=0.01)


@pytest.mark.parametrize("turn", [0, 1, 3])
def test_a_panned_video_of_a_striped_display(turn, tmp_path):
    """BET of a video that follows the plate, rotated as phones may hold it, as of a display without stripes."""
    layout, screen = small_plate(), display(Response(time_ms=2.0), stripes="bgr")
    camera = Camera(exposure_refreshes=2.0, margin=0.03)
    shots = [film(layout, screen, camera, seed=i, start_refresh=2 * i) for i in range(2)]
    frames = [np.ascontiguousarray(np.rot90(s.codes, turn)) for s in shots]
    path = write_video(tmp_path / "pan.mkv", frames, 30, "ffv1", "bgr0")
    for e in measure_pan(path, pattern=layout, best=2).edges:
        q, true = e.figures["response_ms"], truths(layout, screen)[e.from_level, e.to_level]["response_ms"]
        assert q.value is None or abs(q.value - true) <= min(q.u95, 0.5), (e.from_level, e.to_level, q.value)


def test_a_grey_video_has_no_colours(clip):
    assert next(open_clip(clip).frames(0, 1, colours=(0,))).colours is None
    assert next(open_clip(clip).frames(0, 1)).colours is None


def test_how_far_even_areas_are_off_as_a_whole_by_rounding(rng):
    """Against areas of known light, rounded to the codes of the limited range with and without noise."""
    true = np.repeat(rng.uniform(20, 230, 300), 100).reshape(300, 100)
    for noise, least, most in ((0.0, 0.9, 1.1), (0.15, 0.45, 1.1), (0.7, 0.0, 1.1)):  # of a code
        mean = FrameMean()
        for _ in range(24):
            luma = np.rint(true + rng.normal(0, noise, true.shape))
            mean.add(np.rint((luma - 16) / 219 * 65535).astype(np.uint16))
        off = (mean.codes() / 65535 * 219 + 16 - true).mean(axis=1)
        told = mean.rounding_sd(8).mean(axis=1, dtype=float) / 65535 * 219
        ratio = float(np.sqrt(np.mean(off**2) / np.mean(told**2 + noise**2 / (24 * 100))))  # the mean has noise, too
        assert least < ratio < most, (noise, ratio)
    assert mean.rounding_sd(10).max() < 65535 / 219 / 4 / np.sqrt(12) + 1


def test_how_far_areas_are_off_whose_blocks_a_coder_rounds_as_a_whole(rng):
    """Noise of single pixels carries no fraction of a code where the means of blocks are rounded, as JPEG does."""
    true = np.repeat(np.repeat(rng.uniform(20, 230, (40, 1)), 8, axis=0), 96, axis=1)
    mean = FrameMean()
    for _ in range(24):
        seen = true + rng.normal(0, 0.7, true.shape)
        blocks = seen.reshape(40, 8, 12, 8).mean(axis=(1, 3))
        seen += np.repeat(np.repeat(np.rint(blocks) - blocks, 8, axis=0), 8, axis=1)
        mean.add(np.rint(seen / 255 * 65535).astype(np.uint16))
    off = (mean.codes() / 65535 * 255 - true).reshape(40, -1).mean(axis=1)
    told = mean.rounding_sd(8).mean(dtype=float) / 65535 * 255
    assert 0.75 < np.sqrt(np.mean(off**2)) / told < 1.1  # 40 areas tell it to a tenth


@pytest.mark.parametrize("scale", [1.93, 2.2, 2.7, 3.3])
def test_halftones_count_black_and_white_rows_alike_at_any_scale(scale):
    """Against the share of white rows, by the camera's own curve; only at whole and half scales do ends not matter."""
    layout = small_plate()
    codes = clip_frames(layout, display(), count=1, bits=16, noise=False, campx_per_px=scale, yaw_deg=1.5)[0]
    reg = register(codes, layout)
    light = srgb_to_light(np.arange(65536) / 65535)
    patches = gather(codes, reg.pose, layout, reg.lit_u_px)
    black, white = (
        np.mean([light[p.codes] @ p.weights for p in patches if p.kind == "grey" and p.level == level])
        for level in (0, 255)
    )
    for block in {p.block for p in patches if p.kind == "halftone"}:
        mine = [p for p in patches if p.block == block]
        seen = np.mean([(light[p.codes] @ p.weights - black) / (white - black) for p in mine])
        assert seen == pytest.approx(mine[0].share, abs=0.001), (scale, mine[0].share)


@pytest.mark.slow
@pytest.mark.parametrize("scale", [2.0, 2.2])
def test_mjpeg_at_a_small_scale_is_nearly_as_good_as_a_lossless_clip(scale, tmp_path):
    layout, screen = small_plate(), display()
    frames = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2]
              for f in clip_frames(layout, screen, count=36, campx_per_px=scale)]  # fmt: skip
    path = write_video(tmp_path / "clip.avi", frames, 480.0, "mjpeg", "yuvj420p", {"qmin": "1", "qmax": "1"})
    result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / 480)
    check_edges(result.measurement, truths(layout, screen), 0.01)


@pytest.mark.parametrize(("strength", "share"), [(0.0, 0.5), (0.15, 0.7), (0.3, 1.1)])
def test_coarse_stripes_bend_the_curve_no_further_than_they_tell(strength, share):
    """Codes of the limited range without noise: against the curve that 16 bits of the same frame give."""
    layout = small_plate()
    tone = dict(tone="s-curve", tone_strength=strength) if strength else {}
    sharp = clip_frames(layout, display(), count=1, bits=16, noise=False, **tone)[0]
    reg = register(sharp, layout)
    coarse = (np.rint(sharp / 65535 * 219) / 219 * 65535).astype(np.uint16)
    sd = np.full(coarse.shape, 65535 / 219 / np.sqrt(12), np.uint16)
    tones = [measure_light(codes, reg, layout, linear=False, area_sd=of)[0]
             for codes, of in ((sharp, None), (coarse, sd), (coarse, None))]  # fmt: skip
    white = int(np.percentile(sharp, 99))
    true, known, unknown = (t.decode[6553:white:1000] / t.decode[white] for t in tones)
    off, unknowing = np.abs(known - true).max(), np.abs(unknown - true).max()
    assert off < share * unknowing and off < 2.5 * tones[1].curve_sigma, (off, unknowing, tones[1].curve_sigma)


@pytest.mark.slow
def test_h264_of_high_quality_is_nearly_as_good_as_a_lossless_clip(tmp_path):
    """What a camera codes itself; coded without losses only the rounding to the limited range is left."""
    layout, screen = small_plate(), display()
    frames = clip_frames(layout, screen, bits=16, count=34)
    each = {"crf": "8", "g": "1"}  # every frame by itself
    for n, (options, tolerance) in enumerate((({"qp": "0"}, 0.01), (each, 0.015), ({"crf": "8"}, 0.03))):
        path = write_camera_video(tmp_path / f"{n}.mp4", frames, 480.0, options)
        result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / 480)
        check_edges(result.measurement, truths(layout, screen), tolerance)
        assert "clip_compressed" in {w["code"] for w in result.measurement.warnings}


@pytest.mark.slow
@pytest.mark.parametrize(
    "case",
    [
        dict(direction="left", camera=dict(roll_deg=1.5, yaw_deg=4.0)),
        dict(rate=1000.0, count=50, response=Response(time_ms=3.0)),
        dict(rate=477.3, share=0.5, screen=dict(scan_out_refreshes=0.0), camera=dict(turn_deg=90)),
    ],
    ids=["left and tilted", "1000", "turned and not locked"],
)
def test_other_clips_are_inside_their_intervals(case, tmp_path):
    layout = small_plate(case.get("direction", "right"))
    screen = display(case.get("response"), **case.get("screen", {}))
    rate = case.get("rate", 480.0)
    frames = clip_frames(
        layout, screen, rate=rate, count=case.get("count", 34), share=case.get("share", 1.0), **case.get("camera", {})
    )
    result = measure_clip(write_video(tmp_path / "c.mkv", frames, rate), pattern=layout, trace=True)
    truth = truths(layout, screen)
    for e in result.measurement.edges:
        q, true = e.figures["bet_ms"], truth[e.from_level, e.to_level]["bet_ms"]
        assert abs(q.value / true - 1) < BET_TOLERANCE and abs(q.value - true) <= q.u95, (e.from_level, e.to_level, q)
    for t in result.response["transitions"]:
        q, true = t["response_ms"], truth[t["from_level"], t["to_level"]]["response_ms"]
        assert abs(q["value"] - true) <= q["u95"], (t["from_level"], t["to_level"], q, true)


@pytest.mark.parametrize("jump_px", [0.0, 3.5, 30.0])
def test_frames_that_are_not_on_one_line_give_no_frame_rate(jump_px):
    """A dropped refresh (4 px) may be; places that lie 30 px apart are not the plate's."""
    from types import SimpleNamespace

    from blurscope.clip import _spacing

    layout = small_plate()

    def found_at(i):
        moved = 0.5 * i + (jump_px if i in (4, 16) else 0.0)
        pose = SimpleNamespace(to_photo=lambda u, v: (u, v), to_plate=lambda x, y: (x - moved, y))
        return SimpleNamespace(pose=pose, lit_u_px=(0.0, 400.0))

    found = {i: found_at(i) for i in (0, 1, 2, 4, 8, 16, 31)}
    clip = SimpleNamespace(rate_hz=480.0)
    if jump_px > 10:
        with pytest.raises(FitError, match="jumps by .* px of the screen"):
            _spacing(found, layout, 60.0, None, clip, "a.mkv")
    else:
        assert _spacing(found, layout, 60.0, None, clip, "a.mkv")[0] == pytest.approx(1 / 8)


def test_a_clip_with_a_missing_frame_is_measured_where_none_is_missing(tmp_path):
    """By its own clock, even a coarse one: Matroska counts in whole ms, where the frames are 2.08 ms apart."""
    frames = clip_frames(small_plate(), display(), rate=480, count=48)
    kept = [i for i in range(48) if i != 17]
    path = write_video(tmp_path / "lost.mkv", [frames[i] for i in kept], 480, times=kept)
    result = measure_clip(path, pattern=small_plate()).measurement
    told = {w["code"]: w["message"] for w in result.warnings}
    assert "frames 17 to 46 of 47" in told["frames_refused"]
    check_edges(result, truths(small_plate(), display()))


def test_frames_that_take_the_plate_for_mirrored_are_outvoted(tmp_path):
    """The fields of this plate, seen sharp, are nearly the same in a mirror."""
    layout = make_layouts(400, 280, px_per_refresh=4, levels=3, refresh_hz=120)[0][0]
    screen = display(Response(time_ms=4.0))
    frames = clip_frames(layout, screen, rate=960, count=48)
    assert any(register(f, layout).mirrored for f in frames[:5])
    path = write_video(tmp_path / "mirror.mkv", frames, 960)
    result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / 960).measurement
    check_edges(result, truths(layout, screen))


def test_a_clip_of_a_plate_filmed_too_small_is_refused(tmp_path):
    frames = clip_frames(small_plate(), display(), rate=480, count=30, campx_per_px=1.4)
    path = write_video(tmp_path / "small.mkv", frames, 480)
    with pytest.raises(FitError, match="has 1.4 pixels of the camera per pixel of the screen.*film it larger"):
        measure_clip(path, pattern=small_plate())
