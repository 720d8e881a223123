"""Damaged video: what decoders patch up and pass on is heard, and sound files are not taken for damaged ones."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from video_makers import clip_frames, display, small_plate, truths, write_video

from blurscope.camera import Camera, film
from blurscope.clip import measure_clip
from blurscope.errors import BlurscopeError, PhotoError
from blurscope.greys import measure_light
from blurscope.pan import measure_pan
from blurscope.refusals import refuse_greys
from blurscope.target import register
from blurscope.video import open_clip

av = pytest.importorskip("av")


@pytest.fixture(scope="module")
def frames() -> list[np.ndarray]:
    """Return frames of the small plate, of even height and width."""
    shots = clip_frames(small_plate(), display(), rate=240, count=14, campx_per_px=2.0)
    return [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in shots]


def plain_decode(path: Path) -> list[np.ndarray]:
    """Return the luma as the decoder hands it out, whatever it says; the frames up to where it gives up."""
    out = []
    with contextlib.suppress(av.error.FFmpegError), av.open(str(path)) as container:
        for picture in container.decode(video=0):
            plane = picture.planes[0]
            rows = np.frombuffer(plane, np.uint8, plane.line_size * picture.height)
            out.append(rows.reshape(picture.height, -1)[:, : picture.width].copy())
    return out


def flipped(path: Path, at: int, bit: int = 3) -> Path:
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    out = path.with_name(f"bad{path.suffix}")
    out.write_bytes(bytes(data))
    return out


@pytest.mark.parametrize(
    ("name", "codec", "pixels", "least"),
    [("a.mp4", "libx264", "yuv420p", 0.9), ("a.mkv", "ffv1", "gray", 1.0), ("b.mp4", "libx265", "yuv420p", 0.4),
     ("a.avi", "mpeg4", "yuv420p", 0.5)],
)  # fmt: skip
def test_what_a_decoder_patches_up_is_refused(tmp_path, frames, rng, name, codec, pixels, least):
    """One wrong bit: H.264 and checksums show nearly each; others leave some of them undetected."""
    options = {"x265-params": "log-level=none"} if codec == "libx265" else {}
    try:
        path = write_video(tmp_path / name, frames, 240, codec, pixels, options)
    except ValueError:
        pytest.skip(f"no {codec} here")
    sound, size = plain_decode(path), path.stat().st_size
    changed = refused = 0
    for _ in range(30):
        bad = flipped(path, int(rng.integers(size // 20, size * 19 // 20)), int(rng.integers(8)))
        seen = plain_decode(bad)
        if len(seen) == len(sound) and all(np.array_equal(a, b) for a, b in zip(sound, seen, strict=True)):
            continue
        changed += 1
        try:
            list(open_clip(bad).frames())
        except PhotoError as err:
            assert "damaged near frame" in str(err) or "can be decoded" in str(err) or "can't be read" in str(err)
            assert "\n" not in str(err)
            refused += 1
    assert changed > 10
    assert refused >= least * changed, (refused, changed)


SOUND = [
    ("mp4", "libx264", "yuv420p", {"g": "12", "bf": "3", "x264-params": "open-gop=1"}),
    ("mov", "libx264", "yuv420p", {"x264-params": "intra-refresh=1:keyint=8"}),
    ("ts", "libx264", "yuv420p", {"g": "5"}),
    ("mkv", "libx264", "yuv420p", {"crf": "45"}),
    ("mp4", "libx265", "yuv420p", {"x265-params": "keyint=6:open-gop=1:log-level=none"}),
    ("webm", "libvpx-vp9", "yuv420p", {"cpu-used": "8"}),
    ("mp4", "mpeg4", "yuv420p", {"g": "7", "bf": "2"}),
    ("avi", "mjpeg", "yuvj420p", {"qmin": "2", "qmax": "31"}),
    ("mov", "prores_ks", "yuv422p10le", {}),
    ("mkv", "ffv1", "yuv420p", {"level": "1"}),
]


@pytest.mark.parametrize(("kind", "codec", "pixels", "options"), SOUND)
def test_sound_clips_are_read_to_the_end(tmp_path, frames, kind, codec, pixels, options):
    try:
        path = write_video(tmp_path / f"a.{kind}", frames, 240, codec, pixels, options)
    except ValueError:
        pytest.skip(f"no {codec} here")
    found = list(open_clip(path).frames())
    assert len(found) == len(frames) and not any(f.damage for f in found) and found[0].key


def test_the_chatter_of_a_sound_file_is_no_damage():
    from blurscope.video.frames import _damage

    error, warning = av.logging.ERROR, av.logging.WARNING
    for coder, level, text in (
        ("mjpeg", error, "unable to decode APP fields: Invalid data found"),
        ("hevc", error, "SEI type 5 truncated at 8"),
        ("hevc", warning, "Could not find ref with POC 4"),
        ("h264", error, "mmco: unref short failure"),
        ("mov,mp4,m4a,3gp,3g2,mj2", error, "stream 1, sample table too short"),
    ):
        assert not _damage([(level, coder, text)], coder if "mov" not in coder else "h264", False)
    assert "overread 8" in _damage([(error, "mjpeg", "overread 8\n")], "mjpeg", False)
    assert "CRC mismatch" in _damage([(error, "ffv1", "slice CRC mismatch 57432849!")], "ffv1", False)
    assert _damage([], "h264", True)


def test_the_same_damage_is_heard_twice_and_the_callers_log_level_stays(tmp_path, frames):
    path = write_video(tmp_path / "a.mkv", frames, 240)
    bad = flipped(path, path.stat().st_size // 2)
    before = av.logging.get_level()
    try:
        for level in (None, av.logging.ERROR):
            av.logging.set_level(level)
            with pytest.raises(PhotoError, match="CRC mismatch"):
                list(open_clip(bad).frames())
            assert av.logging.get_level() == level
    finally:
        av.logging.set_level(before)
    with pytest.raises(BlurscopeError, match="damaged near frame"):
        measure_clip(bad, pattern=small_plate())


def test_a_panned_video_is_measured_beside_its_damage(tmp_path):
    layout, screen = small_plate(), display()
    errors = (0.02, 0.05, -0.1, 0.08, 0.04, -0.06)
    shots = [
        film(layout, screen, Camera(exposure_refreshes=2.0, tracking_error_px_per_refresh=e, margin=0.03), seed=i).codes
        for i, e in enumerate(errors)
    ]
    path = write_video(tmp_path / "pan.mkv", shots, 30, options={"g": "1"})
    with av.open(str(path)) as container:
        packet = list(container.demux(video=0))[1]
        at = packet.pos + packet.size // 2
    result = measure_pan(flipped(path, at), pattern=layout, best=6)
    used = {p["photo"]["path"].split(", ")[-1].split(" ")[1] for p in result.blocks["photos"] if p["used"]}
    lost = {
        p["photo"]["path"].split(", ")[-1].split(" ")[1]: p["reason"] for p in result.blocks["photos"] if not p["used"]
    }
    assert used == {"3", "4", "5"} and set(lost) == {"0", "1", "2"}
    assert all("damaged" in reason for reason in lost.values())
    for e in result.edges:
        q = e.figures["bet_ms"]
        assert abs(q.value - truths(layout, screen)[e.from_level, e.to_level]["bet_ms"]) <= q.u95
    with av.open(str(path)) as container:
        places = [p.pos + p.size // 2 for p in container.demux(video=0) if p.size]
    data = bytearray(path.read_bytes())
    for place in places[::2]:
        data[place] ^= 8
    path.with_name("worse.mkv").write_bytes(bytes(data))
    with pytest.raises(PhotoError, match="damaged in all frames"):
        measure_pan(path.with_name("worse.mkv"), pattern=layout)


def test_a_clip_trimmed_by_its_header_is_whole(tmp_path, frames):
    """Phones trim by telling players where to start; what comes before is there, to be decoded and not shown."""
    whole = write_video(tmp_path / "whole.mp4", frames, 240, "libx264", "yuv420p", {"g": "30", "bf": "0"})
    path = tmp_path / "trimmed.mp4"
    with av.open(str(whole)) as source, av.open(str(path), "w", options={"use_editlist": "1"}) as target:
        stream = source.streams.video[0]
        copy = target.add_stream_from_template(stream)
        late = round(5 / 240 / float(stream.time_base))
        for packet in source.demux(stream):
            if packet.dts is not None:
                packet.pts, packet.dts, packet.stream = packet.pts - late, packet.dts - late, copy
                target.mux(packet)
    clip = open_clip(path)
    assert clip.count == len(frames) - 5 and clip.rate_hz == pytest.approx(240)
    found = list(clip.frames())
    expect = [f.codes for f in open_clip(whole).frames()][5:]
    assert all(np.array_equal(a.codes, b) for a, b in zip(found, expect, strict=True))
    assert clip.bits_per_pixel < open_clip(whole).bits_per_pixel  # the first, key frame is not among them


def test_decoders_do_not_talk_on_the_error_stream(tmp_path, frames, rng, capfd):
    try:
        path = write_video(tmp_path / "a.mp4", frames, 240, "libx265", "yuv420p", {"x265-params": "log-level=none"})
    except ValueError:
        pytest.skip("no libx265 here")
    capfd.readouterr()
    for at in rng.integers(path.stat().st_size // 20, path.stat().st_size * 19 // 20, 12):
        with contextlib.suppress(PhotoError):
            list(open_clip(flipped(path, int(at))).frames())
    assert capfd.readouterr().err == ""


def test_a_flat_field_that_has_run_away_is_refused():
    """As garbled frames left it: the fit of the greys ended at a light of 1e+200 in a corner."""
    layout = small_plate()
    frame = clip_frames(layout, display(), count=1)[0]
    reg = register(frame, layout)
    tone, _ = measure_light(frame, reg, layout, linear=False)
    refuse_greys(tone, reg, layout)
    for size in (30.0, -500.0, 1e5):
        with pytest.raises(BlurscopeError, match="don't get lighter"):
            refuse_greys(replace(tone, flat=np.array([0, size, 0, 0, 0, 0, 0, 0.0])), reg, layout)


def test_black_clips_and_frames_of_other_sizes_are_refused(tmp_path, frames):
    black = write_video(tmp_path / "black.mkv", [np.zeros((96, 128), np.uint8)] * 12, 480)
    with pytest.raises(BlurscopeError, match="was found in 0 of the frames"):
        measure_clip(black, pattern=small_plate())
    with pytest.raises(BlurscopeError, match="was found in none of"):
        measure_pan(black, pattern=small_plate())
    path, tick = tmp_path / "sizes.avi", Fraction(1, 240)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=240)
        stream.height, stream.width, stream.pix_fmt = 128, 160, "yuvj420p"
        for n in range(12):
            coder = av.CodecContext.create("mjpeg", "w")
            coder.height, coder.width = (128 if n != 7 else 96), 160
            coder.pix_fmt, coder.time_base = "yuvj420p", tick
            grey = av.VideoFrame.from_ndarray(frames[0][: coder.height, :160].copy(), format="gray")
            for packet in [*coder.encode(grey.reformat(format="yuvj420p")), *coder.encode(None)]:
                packet.stream, packet.pts, packet.dts, packet.time_base = stream, n, n, tick
                container.mux(packet)
    with pytest.raises(PhotoError, match="frame 7 of .* is of another size"):
        list(open_clip(path).frames())
