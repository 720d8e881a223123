"""The pictures of a validation: shares and intervals against the binomial, and files from a made-up table."""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).parent.parent / "benchmarks" / "plots.py"


@pytest.fixture(scope="module")
def plots():
    spec = importlib.util.spec_from_file_location("validation_plots", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def figures(plots, photo, inside):
    n = len(photo)
    return plots.Figures(np.array(photo), np.where(inside, 0.5, 2.0), np.ones(n), [frozenset({"none"})] * n)


def test_alone_figures_have_the_binomial_interval(plots, rng):
    inside = np.arange(1000) < 930
    share, low, high = plots.share_inside(figures(plots, np.arange(1000), inside))
    assert share == 0.93
    half = 1.96 * np.sqrt(0.93 * 0.07 / 1000)
    assert high - share == pytest.approx(half, rel=0.1) and share - low == pytest.approx(half, rel=0.1)


def test_figures_of_a_photo_count_together(plots):
    """Twenty figures a photo that are all inside or all outside say no more than one."""
    inside = np.repeat(np.arange(100) < 90, 20)
    _, low, high = plots.share_inside(figures(plots, np.repeat(np.arange(100), 20), inside))
    assert (high - low) / 2 == pytest.approx(1.96 * np.sqrt(0.9 * 0.1 / 100), rel=0.12)


def test_all_inside_is_no_certainty(plots):
    share, low, high = plots.share_inside(figures(plots, np.repeat(np.arange(30), 12), np.ones(360, bool)))
    assert share == 1.0 and high == pytest.approx(1.0)
    assert low == pytest.approx(30 / (30 + 1.959964**2), rel=1e-6)  # Wilson, 30 of 30


def test_pictures_of_a_table(plots, tmp_path, rng):
    from PIL import Image

    rows = []
    for photo in range(12):
        for name in ("bet_ms", "response_ms", "read_back_ms", "ghost_ms"):
            for _ in range(6):
                u95 = float(np.exp(rng.normal(-1, 1)))
                truth = float(rng.uniform(5, 20))
                value = truth + u95 / 1.96 * float(rng.standard_normal())
                rows.append(dict(photo=photo, faults="lens; jpeg", quantity=name, value=value, u95=u95, truth=truth))
        rows.append(dict(photo=photo, faults="lens; jpeg", quantity="bet_ms", value="", u95="", truth=1.0))
    table = tmp_path / "coverage.csv"
    with open(table, "w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    assert len(plots.read_table(table)["bet_ms"].error) == 72
    paths = plots.draw_all(table, tmp_path / "figures")
    assert sorted(p.name for p in paths) == ["calibration.png", "coverage.png", "errors.png", "faults.png"]
    for path in paths:
        assert path.stat().st_size < 80 * 1024
        with Image.open(path) as picture:
            assert picture.width > 500 and np.asarray(picture.convert("L")).std() > 10
            assert picture.info["Description"]
    before = [p.read_bytes() for p in paths]
    assert [p.read_bytes() for p in plots.draw_all(table, tmp_path / "figures")] == before


def test_the_pictures_of_the_page_are_there():
    docs = SCRIPT.parent.parent / "docs"
    page = (docs / "method.md").read_text("utf-8")
    for name in ("coverage", "calibration", "errors", "faults"):
        assert f"(figures/{name}.png)" in page and (docs / "figures" / f"{name}.png").stat().st_size < 80 * 1024
