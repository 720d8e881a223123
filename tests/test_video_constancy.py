"""Damage that no decoder speaks of shows in what the display can't have shown; sound clips are left alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from video_makers import clip_frames, display, small_plate, write_video

from blurscope.camera import Response
from blurscope.camera.display import Backlight
from blurscope.clip import measure_clip
from blurscope.errors import PhotoError, TargetError
from blurscope.target import register
from blurscope.target.registration import _refuse_astray
from blurscope.video import open_clip
from blurscope.video.constancy import Constancy, Departure

pytest.importorskip("av")


def watched(
    frames: list[np.ndarray], rate: float, pose_from: np.ndarray | None = None, **more: float
) -> Departure | None:
    """Return what is found in the frames of the small plate."""
    layout = small_plate()
    reg = register(frames[2] if pose_from is None else pose_from, layout)
    watch = Constancy(
        layout, reg.pose, lit_u_px=reg.lit_u_px, scale=reg.campx_per_px, spacing=60 / rate,
        **({"bits_per_pixel": 2.0} | more),
    )  # fmt: skip
    for index, codes in enumerate(frames):
        watch.add(index, codes)
    return watch.departure()


@pytest.fixture(scope="module")
def clip() -> list[np.ndarray]:
    return clip_frames(small_plate(), display(), rate=240, count=14, campx_per_px=2.0)


@pytest.mark.parametrize("kind", ["grey", "band", "halftone"])
def test_an_area_that_the_display_cannot_have_shown_is_found(clip, kind):
    layout = small_plate()
    block = max((b for b in layout.blocks if b.kind == kind), key=lambda b: b.height_px)
    pose = register(clip[2], layout).pose
    u = np.array([layout.width_px * 0.45])
    x, y = (int(z[0]) for z in pose.to_photo(u, np.array([block.top_row + block.height_px / 2.0])))
    bad = [f.copy() for f in clip]
    area = bad[9][y - 8 : y + 8, x - 16 : x + 16]
    area[:] = area // 3 if area.mean() > 80 else area // 2 + 120
    found = watched(bad, 240)
    assert found is not None and found.frame in (9, 9 + 4), found
    assert block.top_row - 10 < found.row < block.end_row + 10, (found, block)


def test_damage_from_the_first_frame_on_shows_in_even_stripes(clip):
    layout = small_plate()
    block = next(b for b in layout.blocks if b.kind == "grey" and b.level == 85)
    pose = register(clip[2], layout).pose
    x, y = (int(z[0]) for z in pose.to_photo(np.array([180.0]), np.array([block.top_row + 2.5])))
    bad = [f.copy() for f in clip]
    for f in bad:
        f[y - 8 : y + 8, x - 20 : x + 20] = 200
    found = watched(bad, 240)
    assert found is not None and found.frame == 0 and abs(found.row - block.top_row) < 10


@pytest.mark.parametrize(
    ("rate", "count", "case"),
    [
        (240, 14, dict()),
        (257, 15, dict(response=Response(time_ms=1.0), share=0.5)),
        (203.7, 12, dict(response=Response(shape="overdriven", time_ms=4.0, overshoot_pct=30.0))),
        (240, 14, dict(screen=dict(scan_axis="columns"))),
        (240, 14, dict(screen=dict(backlight=Backlight(kind="pwm", frequency_hz=333.0, depth=0.3)))),
        (240, 14, dict(camera=dict(vignetting=0.4, k1=-0.03, roll_deg=1.5))),
    ],
    ids=["plain", "fast, not in step", "overdriven, coarse", "along the motion", "PWM not in step", "lens"],
)
def test_sound_clips_are_left_alone(rate, count, case):
    screen = display(case.get("response"), **case.get("screen", {}))
    frames = clip_frames(small_plate(), screen, rate=rate, count=count, share=case.get("share", 1.0),
                         **({"campx_per_px": 2.0} | case.get("camera", {})))  # fmt: skip
    assert watched(frames, rate) is None


def test_a_refresh_that_the_display_left_out_is_no_damage(clip):
    """From frame 8 on what was shown two refreshes before: the plate has stood still for a refresh, then goes on."""
    late = [*clip[:8], *clip[4:10]]
    assert watched(late, 240) is None


def exchanged(frames: list[np.ndarray]) -> list[np.ndarray]:
    return [*frames[:8], frames[9], frames[8], *frames[10:]]


def repeated(frames: list[np.ndarray]) -> list[np.ndarray]:
    return [*frames[:9], frames[8], *frames[10:]]


def left_out(frames: list[np.ndarray]) -> list[np.ndarray]:
    return [*frames[:8], *frames[9:]]


@pytest.mark.parametrize("damage", [exchanged, repeated, left_out])
@pytest.mark.parametrize("rate", [240, 480, 477.3])
def test_frames_out_of_order_are_found(damage, rate):
    """Nothing in such a clip is garbled, and coders of single frames have no word for it."""
    frames = clip_frames(small_plate(), display(), rate=rate, count=22, campx_per_px=2.0)
    found = watched(damage(frames), rate)
    assert watched(frames, rate) is None
    assert found is not None and abs(found.frame - 8) <= 1 + rate / 60, found


def test_frames_that_are_garbled_one_after_the_other_are_found(clip):
    """A refresh later the range of both neighbours is wide enough for a sound frame to lie in, and their own is not."""
    layout = small_plate()
    block = max((b for b in layout.blocks if b.kind == "band"), key=lambda b: b.height_px)
    frames = clip_frames(layout, display(), rate=253, count=14, campx_per_px=2.0)
    x, y = (
        int(z[0])
        for z in register(frames[2], layout).pose.to_photo(
            np.array([180.0]), np.array([block.top_row + block.height_px / 2.0])
        )
    )
    for k, code in ((1, 0), (2, 255)):
        frames[k][y - 8 : y + 8, x - 16 : x + 16] = code
    found = watched(frames, 253, frames[5])
    assert found is not None and found.frame in (1, 2), found


@pytest.mark.parametrize("depth", [1.0, 0.3])
def test_a_modulated_backlight_is_no_damage(depth):
    screen = display(Response(time_ms=8.0), backlight=Backlight(kind="pwm", frequency_hz=1000.0, duty=0.6, depth=depth))
    frames = clip_frames(small_plate(), screen, count=30, campx_per_px=2.0)
    assert watched(frames, 480) is None


def test_pictures_exchanged_in_the_file_refuse_the_clip(tmp_path):
    import av

    frames = clip_frames(small_plate(), display(), count=30, campx_per_px=2.5)
    even = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in frames]
    path = write_video(tmp_path / "a.avi", even, 480, "mjpeg", "yuvj420p", {"qmin": "3", "qmax": "3"})
    with av.open(str(path)) as source, av.open(str(tmp_path / "bad.avi"), "w") as target:
        stream = source.streams.video[0]
        copy = target.add_stream_from_template(stream)
        packets = [p for p in source.demux(stream) if p.size]
        order = [*range(14), 15, 14, *range(16, len(packets))]
        for packet, place in zip(packets, order, strict=True):
            new = av.Packet(bytes(packets[place]))
            new.pts, new.dts, new.time_base, new.stream = packet.pts, packet.dts, stream.time_base, copy
            new.is_keyframe = True
            target.mux(new)
    assert not any(f.damage for f in open_clip(tmp_path / "bad.avi").frames(damaged=True))
    with pytest.raises(PhotoError, match=r"damaged near frame [0-9]+"):
        measure_clip(tmp_path / "bad.avi", pattern=small_plate())
    assert measure_clip(path, pattern=small_plate()).measurement.edges


def test_rows_that_were_fitted_to_something_else_are_refused():
    """Garbled frames led the fit of the rows to scales of 1e+80 campx per row."""
    layout = small_plate()
    frame = clip_frames(layout, display(), count=1)[0]
    pose = register(frame, layout).pose
    _refuse_astray(pose, layout, frame.shape)
    for scale in (1e-80, 1e-4, np.nan):
        astray = replace(pose, matrix=pose.matrix * np.array([[scale], [scale], [1.0]]))
        with pytest.raises(TargetError, match="garbled"):
            _refuse_astray(astray, layout, frame.shape)


def test_what_is_coded_coarsely_may_depart_by_more(clip):
    bad = [f.copy() for f in clip]
    layout = small_plate()
    block = next(b for b in layout.blocks if b.kind == "grey" and b.level == 85)
    x, y = (int(z[0]) for z in register(clip[2], layout).pose.to_photo(np.array([180.0]), [block.top_row + 2.5]))
    bad[9][y - 8 : y + 8, x - 20 : x + 20] += 20
    assert watched(bad, 240) is not None and watched(bad, 240, bits_per_pixel=0.004) is None


def test_vp9_that_its_decoder_takes_for_sound_is_refused(tmp_path, clip, rng):
    even = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in clip]
    try:
        path = write_video(tmp_path / "a.webm", even, 240, "libvpx-vp9", "yuv420p", {"cpu-used": "8", "crf": "20"})
    except ValueError:
        pytest.skip("no libvpx here")
    sound = [f.codes for f in open_clip(path).frames()]
    data = path.read_bytes()
    changed = refused = 0
    while changed < 6:
        bad = bytearray(data)
        bad[int(rng.integers(len(bad) // 10, len(bad) * 9 // 10))] ^= 1 << int(rng.integers(8))
        Path(tmp_path / "bad.webm").write_bytes(bad)
        try:
            seen = [f.codes for f in open_clip(tmp_path / "bad.webm").frames()]
        except PhotoError:
            continue  # its decoder did notice
        if len(seen) != len(sound) or np.mean([(a != b).mean() for a, b in zip(seen, sound, strict=True)]) < 0.01:
            continue
        changed += 1
        refused += watched([(f // 257).astype(np.uint8) for f in seen], 240, even[2]) is not None
    assert refused >= 5, refused


def test_a_garbled_frame_refuses_the_clip_in_one_sentence(tmp_path):
    frames = clip_frames(small_plate(), display(), count=30, campx_per_px=2.0)
    frames[20][200:330, 300:420] = 90
    path = write_video(tmp_path / "a.mkv", frames, 480)
    with pytest.raises(PhotoError, match=r"damaged near frame 2[0-9], or something came before the screen") as err:
        measure_clip(path, pattern=small_plate())
    assert "\n" not in str(err.value)
