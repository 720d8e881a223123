"""What the plate promises, counted on rendered frames and not on the numbers the layout was made from."""

from __future__ import annotations

import json
from itertools import product

import numpy as np
import pytest

from blurscope.errors import PatternError
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout
from blurscope.pattern.render import FrameMaker

CASES = [
    # width, height, px per refresh, levels, Hz, direction, stride of the refreshes looked at
    (800, 480, 8, 5, 60.0, "right", 1),
    (800, 480, 8, 5, 60.0, "left", 1),
    (1280, 720, 8, 5, 60.0, "left", 1),
    (1280, 720, 13, 5, 60.0, "right", 3),
    (1920, 1080, 16, 11, 60.0, "right", 31),
    (2400, 1080, 10, 5, 120.0, "left", 17),
]


def one(width, height, v, levels, hz, direction, **more) -> Layout:
    return make_layouts(width, height, px_per_refresh=v, levels=levels, refresh_hz=hz, direction=direction, **more)[0][
        0
    ]


def instances(layout: Layout, frame: np.ndarray) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """(from, to) -> [(row of the band, third)] of the edges whose two fields are wholly on screen."""
    out: dict[tuple[int, int], list[tuple[int, int]]] = {}
    width = frame.shape[1]
    for block in layout.blocks:
        if block.kind != "band":
            continue
        rows = frame[block.top_row : block.end_row]
        assert (rows == rows[0]).all()
        line = rows[0].astype(int)
        cuts = np.flatnonzero(np.diff(line)) + 1
        borders = [0, *cuts.tolist(), width]
        for i in range(1, len(borders) - 1):
            before, x, after = borders[i - 1 : i + 2]
            if x - before < layout.field_px or after - x < layout.field_px:
                continue
            left, right = int(line[x - 1]), int(line[x])
            # A fixed pixel sees the right-hand level first if the plate moves right.
            pair = (right, left) if layout.direction == "right" else (left, right)
            out.setdefault(pair, []).append((block.top_row, 3 * x // width))
    return out


@pytest.mark.parametrize(("width", "height", "v", "levels", "hz", "direction", "stride"), CASES)
def test_every_transition_is_twice_in_sight_at_every_refresh(width, height, v, levels, hz, direction, stride):
    layout = one(width, height, v, levels, hz, direction)
    assert layout.repeats == 2
    codes = [int(255 * i / (levels - 1) + 0.5) for i in range(levels)]
    wanted = {(a, b) for a, b in product(codes, codes) if a != b}
    maker = FrameMaker(layout)
    for n in range(0, len(layout.circuit) * layout.field_refreshes, stride):
        seen = instances(layout, maker.draw(n))
        assert set(seen) == wanted
        for pair, places in seen.items():
            assert any(r != s and a != b for (r, a), (s, b) in product(places, places)), (n, pair, places)


def test_a_pixel_sees_from_and_then_to():
    for direction in ("right", "left"):
        layout = one(800, 480, 8, 5, 60.0, direction)
        maker = FrameMaker(layout)
        edge = layout.edges()[7]
        block = layout.blocks[edge.block]
        row = block.top_row + 3
        loop = len(layout.circuit) * layout.field_refreshes
        series = np.array([maker.draw(n)[row, 400] for n in range(loop)]).astype(int)
        changes = [(series[i - 1], series[i]) for i in range(loop) if series[i - 1] != series[i]]
        assert (edge.from_level, edge.to_level) in changes
        assert sorted(changes) == layout.transitions()


def test_every_pair_takes_the_same_room():
    layout = one(1280, 720, 8, 9, 60.0, "right")
    counts: dict[tuple[int, int], int] = {}
    for e in layout.edges():
        counts[e.from_level, e.to_level] = counts.get((e.from_level, e.to_level), 0) + 1
    assert len(counts) == 72 and len(set(counts.values())) == 1


@pytest.mark.parametrize(("slowest_ms", "v", "hz"), [(40.0, 8, 60.0), (120.0, 8, 60.0), (40.0, 12, 144.0)])
def test_fields_are_long_enough(slowest_ms, v, hz):
    """An exponential of the slowest response, averaged over one hold, is within 0.3 % at the field's end."""
    layout = make_layouts(2560, 1440, px_per_refresh=v, refresh_hz=hz, slowest_ms=slowest_ms, levels=3)[0][0]
    hold_ms = 1000 / hz
    tau = slowest_ms / np.log(9)
    t = np.linspace(-hold_ms, 0, 2001) + layout.field_refreshes * hold_ms
    assert np.mean(np.exp(-t / tau)) < 0.003 * (np.exp(hold_ms / tau) - 1) * tau / hold_ms * 1.0001
    assert layout.field_refreshes * hold_ms >= 1000 / 6 - 1e-6


def test_left_is_the_time_reversal_of_right_on_the_bands():
    right, left = (one(800, 480, 8, 5, 60.0, d) for d in ("right", "left"))
    for layout, sign in ((right, 1), (left, -1)):
        maker = FrameMaker(layout)
        block = next(b for b in layout.blocks if b.kind == "band")
        now, later = maker.draw(0)[block.top_row], maker.draw(5)[block.top_row]
        moved = np.roll(now, sign * 40)
        inner = slice(40, 760)
        assert np.array_equal(later[inner], moved[inner])


def test_greys_cover_the_scale_and_ends_repeat():
    layout = one(1280, 720, 8, 5, 60.0, "right")
    greys = [b for b in layout.blocks if b.kind == "grey"]
    levels = {b.level for b in greys}
    assert len(levels) >= 16 and set(layout.levels) <= levels
    for end in (0, 255):
        tops = [b.top_row for b in greys if b.level == end]
        assert len(tops) >= 3 and min(tops) < 240 and max(tops) > 480 and any(240 <= t < 480 for t in tops)


@pytest.mark.parametrize("v", [1, 5, 12, 33])
def test_halftones_and_dithers_have_their_share(v):
    layout = one(1920, 1080, v, 3, 60.0, "right")
    frame = FrameMaker(layout).draw(0)
    for block in layout.blocks:
        if block.kind not in ("halftone", "dither"):
            continue
        part = frame[block.top_row : block.end_row]
        assert set(np.unique(part)) <= {0, 255}
        assert block.height_px >= (3 * block.period_px if block.kind == "halftone" else 5)
        if block.kind == "halftone":
            assert part.mean() / 255 == pytest.approx(len(block.lit) / block.period_px, abs=1e-12)
        else:
            whole = part[:, : part.shape[1] // block.period_px * block.period_px]
            assert whole.mean() / 255 == pytest.approx(len(block.lit) / block.period_px, abs=1e-12)


def test_slits_do_not_repeat_faster_than_a_third_of_the_refresh_rate():
    layout = one(1280, 720, 8, 5, 60.0, "right")
    maker = FrameMaker(layout)
    frames = [maker.draw(n) for n in range(layout.loop_refreshes)]
    lanes = [b for b in layout.blocks if b.kind == "lane"]
    assert lanes
    for block in lanes:
        for slit in block.slits:
            series = np.array([f[block.end_row - 1, slit.x_px] for f in frames]).astype(int)
            rises = np.flatnonzero(np.diff(np.r_[series[-1], series]) > 0)
            if rises.size > 1:
                assert np.diff(rises).min() >= 3
    clocks = [s for b in lanes for s in b.slits if s.kind == "clock"]
    assert clocks and all(s.period_refreshes == 4 for s in clocks)


def test_frames_repeat_after_the_loop_and_not_before():
    layout = one(800, 480, 8, 5, 60.0, "right")
    maker = FrameMaker(layout)
    first = maker.draw(0)
    assert np.array_equal(first, maker.draw(layout.loop_refreshes))
    assert np.array_equal(maker.draw(-3), maker.draw(layout.loop_refreshes - 3))
    assert not any(np.array_equal(first, maker.draw(n)) for n in range(1, layout.loop_refreshes))


def test_plates_together_hold_all_transitions():
    layouts, words = make_layouts(800, 480, px_per_refresh=12, levels=11, plates="auto")
    assert len(layouts) > 1
    pairs = [pair for layout in layouts for pair in layout.transitions()]
    assert len(pairs) == len(set(pairs)) == 110
    assert {(layout.plate, layout.plates) for layout in layouts} == {
        (n, len(layouts)) for n in range(1, len(layouts) + 1)
    }
    assert any("plate 2 of" in line for line in words)


def test_layout_survives_its_file():
    layout = one(1280, 720, 8, 5, 60.0, "left")
    again = Layout.from_json(json.loads(json.dumps(layout.as_json())))
    assert again == layout
    assert np.array_equal(FrameMaker(again).draw(11), FrameMaker(layout).draw(11))


@pytest.mark.parametrize(
    "change",
    [
        {"direction": "up"},
        {"circuit": [0, 0]},
        {"width_px": 10**9},
        {"width_px": "800"},
        {"blocks": []},
        {"levels": [300]},
        {"px_per_refresh": 0},
        {"refresh_hz": -1},
        {"blocks": [{"kind": "band", "top_row": 5, "height_px": 475}]},
    ],
)
def test_nonsense_in_a_file_is_refused(change):
    data = one(800, 480, 8, 5, 60.0, "right").as_json()
    with pytest.raises(PatternError, match="not usable"):
        Layout.from_json({**data, **change})


def test_missing_key_is_named():
    data = one(800, 480, 8, 5, 60.0, "right").as_json()
    del data["circuit"]
    with pytest.raises(PatternError, match="circuit"):
        Layout.from_json(data)


@pytest.mark.parametrize(
    ("width", "height", "options", "words"),
    [
        (100, 100, {}, "--size"),
        (1280, 720, {"px_per_refresh": 0}, "--px-per-refresh"),
        (1280, 720, {"levels": 99}, "2 to 17"),
        (800, 480, {"levels": 11, "px_per_refresh": 16}, "--plates auto"),
        (1280, 720, {"refresh_hz": 1e6}, "--refresh-hz"),
        (1280, 720, {"levels": 5, "plates": 40}, "--plates"),
    ],
)
def test_what_does_not_fit_is_refused_with_advice(width, height, options, words):
    with pytest.raises(PatternError) as caught:
        make_layouts(width, height, **options)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_a_plate_with_so_few_bands_that_lanes_lie_side_by_side_is_filled():
    layout = make_layouts(581, 259, levels=2, px_per_refresh=11, refresh_hz=33.33)[0][0]
    ends = [block.end_row for block in layout.blocks]
    assert [block.top_row for block in layout.blocks] == [0, *ends[:-1]] and ends[-1] == 259
    kinds = [block.kind for block in layout.blocks]
    assert ("lane", "lane") in zip(kinds, kinds[1:], strict=False)
