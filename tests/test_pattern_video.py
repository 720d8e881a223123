"""The videos: exact frames, exact times, the caution first."""

from __future__ import annotations

import json
import sys
from fractions import Fraction
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from blurscope.cli import main
from blurscope.pattern.layout import Layout
from blurscope.pattern.render import FrameMaker
from blurscope.pattern.video import caution_card, frame_rate

av = pytest.importorskip("av")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("video") / "P"
    line = f"pattern {out} --size 641x361 --px-per-refresh 4 --levels 2 --refresh-hz 59.94 --video --video-refreshes 12"
    assert main(line.split()) == 0
    return out


def decoded(path, pix_fmt):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        return [(f.pts * stream.time_base, f.to_ndarray(format=pix_fmt)) for f in container.decode(stream)]


def test_index(folder):
    index = json.loads((folder / "video.json").read_text())
    jsonschema.validate(index, json.loads(files("blurscope.schemas").joinpath("video.schema.json").read_text()))
    assert index["frame_rate"] == "60000/1001" and index["refreshes"] == 12
    assert index["offset_frames"] == index["caution_frames"] == 360
    assert index["caution_s"] > 5
    assert {f["path"] for f in index["files"]} == {"plate_lossless.mp4", "plate_h264.mp4"}


def test_lossless_video_holds_the_frames(folder):
    layout = Layout.from_json(json.loads((folder / "pattern.json").read_text()))
    maker, card = FrameMaker(layout), caution_card(641, 361)
    got = decoded(folder / "plate_lossless.mp4", "rgb24")
    assert len(got) == 372
    assert np.array_equal(got[0][1], np.repeat(card[:, :, None], 3, 2))
    for n in range(12):
        assert np.array_equal(got[360 + n][1], np.repeat(maker.draw(n)[:, :, None], 3, 2))
    assert [t for t, _ in got] == [n * Fraction(1001, 60000) for n in range(372)]


def test_device_video_is_close_and_even(folder):
    layout = Layout.from_json(json.loads((folder / "pattern.json").read_text()))
    maker = FrameMaker(layout)
    got = decoded(folder / "plate_h264.mp4", "gray")
    assert [t for t, _ in got] == [n * Fraction(1001, 60000) for n in range(372)]
    assert got[0][1].shape == (362, 642)
    # 'gray' from limited-range luma: back to codes by the range alone.
    for n in (0, 5, 11):
        error = got[360 + n][1][:361, :641].astype(float) - maker.draw(n)
        assert np.abs(np.median(error)) <= 1 and np.abs(error).mean() < 2.5
    with av.open(str(folder / "plate_h264.mp4")) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.pix_fmt == "yuv420p" and stream.codec_context.name == "h264"


def test_one_loop_is_the_default(tmp_path, monkeypatch):
    import blurscope.pattern.video as video

    monkeypatch.setattr(video, "CAUTION_S", 0.05)
    out = tmp_path / "P"
    line = f"pattern {out} --size 640x400 --px-per-refresh 4 --levels 2 --refresh-hz 30 --video"
    assert main(line.split()) == 0
    index, pattern = (json.loads((out / n).read_text()) for n in ("video.json", "pattern.json"))
    assert index["refreshes"] == pattern["loop_refreshes"]
    assert len(decoded(out / "plate_lossless.mp4", "gray")) == index["caution_frames"] + index["refreshes"]


def test_caution_card_is_readable_and_still(rng):
    for width, height in ((1280, 720), (480, 800), (320, 240), (3840, 2160)):
        card = caution_card(width, height)
        assert card.shape == (height, width) and card.dtype == np.uint8
        lit = card > 128
        assert 0.005 < lit.mean() < 0.2
        edge = max(2, height // 40)
        assert not lit[:edge].any() and not lit[-edge:].any() and not lit[:, -width // 20 :].any()


@pytest.mark.parametrize(
    ("hz", "rate"),
    [
        (60.0, "60"),
        (59.94, "60000/1001"),
        (23.976, "24000/1001"),
        (144.0, "144"),
        (72.5, "145/2"),
        (119.88, "120000/1001"),
    ],
)
def test_frame_rate(hz, rate):
    assert frame_rate(hz) == Fraction(rate)


def test_without_the_extra_there_is_a_line_to_type(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "av", None)
    assert main(["pattern", str(tmp_path / "P"), "--size", "800x480", "--px-per-refresh", "8", "--video"]) == 1
    err = capsys.readouterr().err
    assert "pip install 'blurscope[video]'" in err and err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
