"""Flash figures against a count of another kind on rendered frames.

The definition is that of WCAG 2.x, "general flash and red flash thresholds" (W3C): a general flash is a pair of
opposing changes of relative luminance of 10 % or more of the maximum where the darker state is below 0.80; three in
any second are allowed, or any number on less than a quarter of any 10 degree field.
"""

from __future__ import annotations

import numpy as np
import pytest

from blurscope.errors import PatternError
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.render import FrameMaker
from blurscope.pattern.safety import _rates, safety_figures

GAMMA = 2.2


def counted_flashes(codes: np.ndarray, window: int) -> int:
    """Most flashes in a window: turning points, small swings taken out smallest first, then plain counting."""
    light = [(c / 255) ** GAMMA for c in codes]
    turns = [(0, light[0])]
    for n in range(1, len(light)):
        if light[n] == turns[-1][1]:
            continue
        if len(turns) > 1 and (light[n] - turns[-1][1]) * (turns[-1][1] - turns[-2][1]) > 0:
            turns[-1] = (n, light[n])
        else:
            turns.append((n, light[n]))

    def counts(a: float, b: float) -> bool:
        return abs(a - b) >= 0.1 and min(a, b) < 0.8

    while True:
        poor = [
            (abs(turns[i][1] - turns[i + 1][1]), i)
            for i in range(len(turns) - 1)
            if not counts(turns[i][1], turns[i + 1][1])
        ]
        if not poor:
            break
        _, i = min(poor)
        if i == 0:
            del turns[0]
        elif i == len(turns) - 2:
            del turns[-1]
        else:
            del turns[i : i + 2]
    done = []
    for (a, start), (b, _) in zip(turns, turns[1:], strict=False):
        done.append(next(n for n in range(a + 1, b + 1) if counts(start, light[n])))
    return max((sum(t <= d < t + window for d in done) // 2 for t in done), default=0)


def test_the_count_itself():
    def sequence(*codes, hold=10):
        return np.repeat(np.array(codes), hold)

    assert counted_flashes(sequence(0, 255, 0, 255, 0), 60) == 2
    assert counted_flashes(sequence(0, 255, 0, 255), 60) == 1
    assert counted_flashes(sequence(0, 20, 0, 20, 0), 60) == 0  # below 10 % of the maximum
    assert counted_flashes(sequence(240, 255, 240, 255), 60) == 0  # darker state above 0.8
    assert counted_flashes(sequence(0, 128, 255, 128, 0), 60) == 1  # up in two steps, down in two


def test_running_count_agrees_on_random_sequences(rng):
    for _ in range(150):
        period = int(rng.integers(4, 40))
        codes = rng.choice([0, 64, 128, 191, 230, 255, 90, 100], size=period)
        window = int(rng.integers(5, 61))
        tiled = np.tile(codes, -(-(3 * window + 4 * period) // period))
        # A periodic sequence has no first change; drop the count's start by letting it run in.
        assert _rates(codes[:, None], window)[0] == counted_flashes(tiled, window)


@pytest.mark.parametrize(
    ("width", "height", "v", "levels", "hz", "direction"),
    [
        (640, 400, 4, 3, 60.0, "right"),
        (800, 480, 8, 5, 60.0, "left"),
        (1024, 600, 16, 4, 30.0, "right"),
        (720, 1280, 3, 4, 75.0, "left"),
    ],
)
def test_figures_against_rendered_frames(width, height, v, levels, hz, direction, rng):
    layout = make_layouts(width, height, px_per_refresh=v, levels=levels, refresh_hz=hz, direction=direction)[0][0]
    window = round(hz)
    maker = FrameMaker(layout)
    refreshes = 2 * len(layout.circuit) * layout.field_refreshes + window
    columns = np.unique(np.r_[np.arange(v), rng.integers(0, width, 2)])
    rows, kinds = [], []
    slit_pixels = []
    for block in layout.blocks:
        if block.kind == "band":
            rows.append(block.top_row)
            kinds.append("band")
        elif block.kind == "picture":
            rows += range(block.top_row, block.end_row)
            kinds += ["picture"] * block.height_px
        elif block.kind == "lane":
            slit_pixels += [(block.end_row - 1, s.x_px) for s in block.slits]
        elif block.kind == "dither":
            slit_pixels.append((block.top_row, 5))
    cube = np.empty((refreshes, len(rows), len(columns)), np.uint8)
    slit_cube = np.empty((refreshes, len(slit_pixels)), np.uint8)
    at = tuple(np.array(slit_pixels).T)
    for n in range(refreshes):
        frame = maker.draw(n)
        cube[n] = frame[np.ix_(rows, columns)]
        slit_cube[n] = frame[at]

    def rate(series: np.ndarray) -> int:
        return counted_flashes(series.astype(int), window)

    band_at = [i for i, kind in enumerate(kinds) if kind == "band"]
    picture_at = [i for i, kind in enumerate(kinds) if kind == "picture"]
    fields = max(rate(cube[:, i, j]) for i in band_at[:3] for j in range(len(columns)))
    picture = {i: max(rate(cube[:, i, j]) for j in range(len(columns))) for i in picture_at}
    slits = max(rate(slit_cube[:, k]) for k in range(len(slit_pixels)))
    figures = layout.safety
    assert figures == safety_figures(layout)
    assert figures["worst_field_hz"] == fields <= 3
    assert figures["worst_pixel_hz"] == max(fields, slits, *picture.values())

    # The share by plain means: a mask of flashing pixels, summed over every place of a third of the screen.
    mask = np.zeros((height, width), bool)
    for i, flashes in picture.items():
        mask[rows[i]] = flashes > 3
    for block in layout.blocks:
        for slit in block.slits:
            if rate(slit_cube[:, slit_pixels.index((block.end_row - 1, slit.x_px))]) > 3:
                mask[block.top_row + block.surround_px : block.end_row, slit.x_px : slit.x_px + slit.width_px] = True
    h, w = height // 3, width // 3
    share = max(
        mask[y : y + h, x : x + w].mean() for y in range(0, height - h + 1, 2) for x in range(0, width - w + 1, 8)
    )
    assert share <= figures["flashing_share_10deg"] + 1e-12
    assert share == pytest.approx(figures["flashing_share_10deg"], abs=0.02)
    assert figures["flashing_share_10deg"] < 0.25 and figures["passes"]


def test_no_pixel_of_a_field_changes_faster_than_a_sixth_of_a_second():
    layout = make_layouts(800, 480, px_per_refresh=8, refresh_hz=60)[0][0]
    maker = FrameMaker(layout)
    row = next(b.top_row for b in layout.blocks if b.kind == "band")
    series = np.array([maker.draw(n)[row, 123] for n in range(300)]).astype(int)
    assert np.diff(np.flatnonzero(np.diff(series))).min() >= 10


def test_flashing_is_refused_unless_allowed():
    """Two levels in fields of two refreshes would flash far above the limit."""
    options = dict(px_per_refresh=8, levels=2, refresh_hz=60.0, slowest_ms=0.5)
    calm = make_layouts(800, 480, **options)[0][0]
    assert calm.safety["worst_field_hz"] <= 3
    wild = make_layouts(800, 480, allow_flashing=True, **options)[0][0]
    assert wild.field_refreshes < calm.field_refreshes
    assert wild.safety["worst_field_hz"] > 3 and not wild.safety["passes"]


def test_flashing_plate_needs_the_option(monkeypatch):
    import blurscope.pattern.budget as budget

    monkeypatch.setattr(budget, "MIN_FIELD_S", 0.0)
    with pytest.raises(PatternError, match="--allow-flashing"):
        make_layouts(800, 480, px_per_refresh=8, levels=2, refresh_hz=60.0, slowest_ms=0.5)
