"""The player in a real browser: what it draws, how it keeps time, what it refuses to call valid."""

from __future__ import annotations

import base64
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from blurscope._cv import cv2
from blurscope.cli import main
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.player import render_player
from blurscope.pattern.render import FrameMaker

QUIET = "blurscope.begin({fullscreen: false, manual: true, quiet: true, settle: 0, %s})"


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Pattern folders by direction, with frames."""
    base = tmp_path_factory.mktemp("player")
    for direction in ("right", "left"):
        line = f"pattern {base / direction} --size 800x480 --px-per-refresh 8 --direction {direction} --frames 8"
        assert main(line.split()) == 0
    return base


@pytest.fixture
def open_page(browser):
    """Open a pattern page; faults of the page fail the test."""
    contexts, faults = [], []

    def opener(path, *, dpr=1.0, view=(900, 600), accept=True, **more):
        context = browser.new_context(viewport={"width": view[0], "height": view[1]}, device_scale_factor=dpr, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
        page.goto(path if str(path).startswith("http") else (path / "index.html").as_uri())
        page.evaluate("blurscope.ready")
        if accept:
            page.click("#accept")
        return page

    yield opener
    for context in contexts:
        context.close()
    assert faults == []


def codes_of(png: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)


def canvas_of(page) -> np.ndarray:
    url = page.evaluate("document.getElementById('plate-canvas').toDataURL('image/png')")
    return codes_of(base64.b64decode(url.partition(",")[2]))


def rgb(frame: np.ndarray) -> np.ndarray:
    return np.repeat(frame[:, :, None], 3, axis=2)


def run(page, options=""):
    page.evaluate(QUIET % options)


def stamps(hz: float, count: int, start: float = 100.0) -> list[float]:
    return [start + 1000 * n / hz for n in range(count)]


# ---- what it draws -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["right", "left"])
@pytest.mark.parametrize(("dpr", "view"), [(1, (1001, 603)), (1.5, (901, 507)), (2, (700, 400))])
def test_canvas_and_screen_equal_the_frames(open_page, folders, direction, dpr, view):
    page = open_page(folders / direction, dpr=dpr, view=view)
    run(page)
    place = page.evaluate("blurscope.place()")
    # Out of order: each draw stands on its own.
    for n in (0, 7, 1, 4):
        page.evaluate("n => blurscope.draw(n)", n)
        frame = cv2.imread(str(folders / direction / f"frame_{n:04d}.png"), cv2.IMREAD_COLOR)
        assert np.array_equal(canvas_of(page), frame)
        seen = codes_of(page.screenshot())
        top, left = place["top"], place["left"]
        assert np.array_equal(seen[top : top + 480, left : left + 800], frame)
        around = seen.copy()
        around[top : top + 480, left : left + 800] = 0
        assert not around.any()
    assert page.evaluate("blurscope.faultsOfScale()") == []


@pytest.mark.parametrize("dpr", [1.5, 2.625])
def test_screen_equals_the_frames_at_a_system_scale(launch_browser, tmp_path, dpr):
    """The browser's own pixel ratio, not an emulated one; the plate's size in CSS px is no whole number."""
    layout = make_layouts(641, 361, px_per_refresh=4, levels=3)[0][0]
    (tmp_path / "index.html").write_text(render_player(layout))
    own = launch_browser(f"--force-device-scale-factor={dpr}", "--window-size=1100,900")
    page = own.new_context(no_viewport=True).new_page()
    page.goto((tmp_path / "index.html").as_uri())
    page.evaluate("blurscope.ready")
    page.click("#accept")
    run(page)
    assert page.evaluate("devicePixelRatio") == pytest.approx(dpr)
    place, maker = page.evaluate("blurscope.place()"), FrameMaker(layout)
    for n in (0, 5):
        page.evaluate("n => blurscope.draw(n)", n)
        seen = codes_of(page.screenshot())[place["top"] : place["top"] + 361, place["left"] : place["left"] + 641]
        assert np.array_equal(seen, rgb(maker.draw(n)))
    assert page.evaluate("blurscope.faultsOfScale()") == []
    page.evaluate("document.getElementById('plate-canvas').style.width = '400px'")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert "rescaled" in page.evaluate("blurscope.faultsOfScale()")
    own.close()


@pytest.mark.parametrize(
    ("width", "height", "options"),
    [
        (1280, 720, dict(px_per_refresh=13)),
        (1920, 1080, dict(px_per_refresh=16, levels=11, direction="left")),
        (3840, 2160, dict(px_per_refresh=24)),
        (1281, 721, dict(px_per_refresh=1, levels=3)),
    ],
)
def test_other_plates_far_into_the_run(open_page, tmp_path, width, height, options):
    layout = make_layouts(width, height, **options)[0][0]
    (tmp_path / "index.html").write_text(render_player(layout))
    page = open_page(tmp_path)
    maker = FrameMaker(layout)
    for n in (3, 123_457, 10**9 + 1, -2)[: 2 if width > 2000 else 4]:
        page.evaluate("n => blurscope.draw(n)", n)
        assert np.array_equal(canvas_of(page), rgb(maker.draw(n)))


# ---- the caution, and nothing from outside -------------------------------------------------------------------------


def test_caution_has_to_be_accepted_first(open_page, folders):
    page = open_page(folders / "right", accept=False)
    text = page.inner_text("#caution")
    for words in ("seizures", "stop if anyone feels", "not a safety certification", "times a second", "WCAG"):
        assert words in text
    assert not page.is_visible("#start") and not page.is_visible("#stage")
    with pytest.raises(Exception, match="has not been accepted"):
        page.evaluate("blurscope.begin({fullscreen: false})")
    for key in ("f", " ", "Escape", "r"):
        page.keyboard.press(key) if key != " " else None
    assert page.evaluate("blurscope.state()")["running"] is False
    page.keyboard.press("Enter")  # the button has the focus
    assert page.is_visible("#start") and not page.is_visible("#caution")


def test_nothing_is_asked_for_from_outside(open_page, folders, browser):
    asked = []
    context = browser.new_context()
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto((folders / "right" / "index.html").as_uri())
    page.evaluate("blurscope.ready")
    page.click("#accept")
    run(page)
    page.evaluate("[1, 2, 3].forEach((t) => blurscope.tick(16 * t))")
    page.keyboard.press("Escape")
    context.close()
    assert [url for url in asked if not url.startswith("data:")] == [(folders / "right" / "index.html").as_uri()]


def test_page_stands_alone_and_is_well_formed(folders):
    text = (folders / "right" / "index.html").read_text()
    assert not re.search(r"(src|href)\s*=\s*[\"'](?!data:|#)", text)
    assert "http:" not in text and "https:" not in text and "@import" not in text
    assert "default-src 'none'" in text

    class Reader(HTMLParser):
        def __init__(self):
            super().__init__()
            self.ids, self.open, self.data, self.lang = [], [], "", None

        def handle_starttag(self, tag, attrs):
            attrs = dict(attrs)
            self.ids += [attrs["id"]] if "id" in attrs else []
            self.lang = attrs.get("lang", self.lang) if tag == "html" else self.lang
            if tag not in ("meta", "link"):
                self.open.append((tag, attrs.get("id")))

        def handle_endtag(self, tag):
            assert self.open.pop()[0] == tag

        def handle_data(self, data):
            if self.open and self.open[-1] == ("script", "plate-data"):
                self.data += data

    reader = Reader()
    reader.feed(text)
    assert reader.open == [] and len(reader.ids) == len(set(reader.ids)) and reader.lang == "en"
    assert not set("<>&") & set(reader.data)
    carried, pattern = json.loads(reader.data), json.loads((folders / "right" / "pattern.json").read_text())
    assert all(carried[key] == pattern[key] for key in pattern if key != "edges")


# ---- time: injected stamps, so that no test depends on this machine's pace ---------------------------------------


def test_position_counts_updates_and_never_the_clock(open_page, folders):
    page = open_page(folders / "right")
    run(page, "period_ms: 1000 / 60")
    uneven = [0, 16, 40, 41, 90, 1000, 1016]
    assert page.evaluate("list => list.map((t) => blurscope.tick(t))", uneven) == [0, 1, 2, 3, 4, 5, 6]
    maker = FrameMaker(make_layouts(800, 480, px_per_refresh=8)[0][0])
    assert np.array_equal(canvas_of(page), rgb(maker.draw(6)))


@pytest.mark.parametrize(("hz", "every"), [(60.0, 1), (120.0, 2), (144.0, 3), (240.0, 4), (59.94, 1)])
def test_even_updates_are_valid(open_page, folders, rng, hz, every):
    page = open_page(folders / "right")
    run(page, f"period_ms: {1000 / hz}, every: {every}")
    times = [t + float(j) for t, j in zip(stamps(hz, 241), rng.normal(0, 0.05 * 1000 / hz, 241), strict=True)]
    refreshes = page.evaluate("list => list.map((t) => blurscope.tick(t))", times)
    assert refreshes == [n // every for n in range(241)]
    record = page.evaluate("blurscope.record()")
    assert record["valid"] and record["missed"] == 0 and record["reasons"] == []
    assert record["panel_hz"] == pytest.approx(hz, abs=1e-3) and record["every"] == every
    assert record["refresh_hz"] == pytest.approx(hz / every, abs=1e-3)
    assert not page.is_visible("#chip")


@pytest.mark.parametrize("lost", [1, 2, 7])
def test_missed_updates_mark_the_run_invalid(open_page, folders, lost):
    page = open_page(folders / "right")
    run(page, "period_ms: 1000 / 120, every: 2")
    times = stamps(120.0, 200)
    del times[100 : 100 + lost]
    page.evaluate("list => list.slice(0, 100).forEach((t) => blurscope.tick(t))", times)
    assert page.evaluate("blurscope.record()")["valid"] and not page.is_visible("#chip")
    page.evaluate("list => list.slice(100).forEach((t) => blurscope.tick(t))", times)
    record = page.evaluate("blurscope.record()")
    assert not record["valid"] and record["missed"] == lost
    assert "Run invalid" in page.inner_text("#chip") and f"{lost} missed" in page.inner_text("#chip")
    page.keyboard.press("r")
    assert page.evaluate("blurscope.record()")["valid"] and not page.is_visible("#chip")
    assert page.evaluate("blurscope.state()")["refresh"] == 0


def test_doubled_updates_mark_the_run_invalid(open_page, folders):
    page = open_page(folders / "right")
    run(page, "period_ms: 1000 / 60")
    times = stamps(60.0, 60)
    times.insert(30, times[29] + 2)
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", times)
    record = page.evaluate("blurscope.record()")
    assert not record["valid"] and record["doubled"] == 1


def test_the_first_moments_are_not_judged(open_page, folders):
    page = open_page(folders / "right")
    page.evaluate("blurscope.begin({fullscreen: false, manual: true, settle: 10, period_ms: 1000 / 60})")
    assert "freezes" in page.inner_text("#chip")
    times = stamps(60.0, 60)
    del times[4]
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", times)
    assert page.evaluate("blurscope.record()")["valid"]
    assert not page.is_visible("#chip")


@pytest.mark.parametrize("hz", [59.94, 60.0, 90.0, 144.0, 239.76])
def test_meter_finds_the_rate_through_jitter_and_losses(open_page, folders, rng, hz):
    page = open_page(folders / "right")
    times = [t + float(j) for t, j in zip(stamps(hz, 500), rng.normal(0, 0.02 * 1000 / hz, 500), strict=True)]
    del times[200:203], times[50]
    found = page.evaluate(
        "list => { const m = blurscope.makeMeter(); list.forEach(m.push); return m.result(); }", times
    )
    assert found["hz"] == pytest.approx(hz, rel=2e-4) and found["steady"]
    assert page.evaluate("() => blurscope.makeMeter().result()") is None


def test_a_faster_panel_moves_the_plate_at_every_second_update(open_page, folders):
    page = open_page(folders / "right")
    page.evaluate("blurscope.useRate(119.9)")
    assert page.evaluate("blurscope.leastEvery()") == 2
    assert page.input_value("#every") == "2" and "flash faster than planned" in page.inner_text("#notes")
    page.evaluate("blurscope.begin({fullscreen: false, manual: true, quiet: true, settle: 0, every: undefined})")
    assert page.evaluate("list => list.map((t) => blurscope.tick(t))", stamps(119.9, 5)) == [0, 0, 1, 1, 2]
    record = page.evaluate("blurscope.record()")
    assert (record["panel_hz"], record["every"]) == (119.9, 2) and record["refresh_hz"] == 59.95


# ---- scale --------------------------------------------------------------------------------------------------------


def test_rescaling_marks_the_run_invalid(open_page, folders):
    page = open_page(folders / "right", dpr=1.5)
    run(page, "period_ms: 1000 / 60")
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", stamps(60, 10))
    assert page.evaluate("blurscope.record()")["valid"]
    page.evaluate("document.getElementById('plate-canvas').style.width = '800px'")
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", stamps(60, 3, start=100 + 1e4 / 60))
    record = page.evaluate("blurscope.record()")
    assert not record["valid"] and any("rescales" in reason for reason in record["reasons"])


def test_a_zoomed_root_is_seen(open_page, folders):
    page = open_page(folders / "right")
    page.evaluate("document.documentElement.style.zoom = '1.1'")
    run(page)
    assert "rescaled" in page.evaluate("blurscope.faultsOfScale()")


def test_a_view_smaller_than_the_plate_is_invalid(open_page, folders):
    page = open_page(folders / "right", view=(700, 480), screen={"width": 700, "height": 480})
    page.evaluate("blurscope.useRate(60)")
    assert "larger than this screen" in page.inner_text("#notes")
    run(page)
    page.evaluate("[0, 16.7, 33.3].forEach((t) => blurscope.tick(t))")
    assert any("smaller than the plate" in r for r in page.evaluate("blurscope.record()")["reasons"])


def test_a_resized_window_is_placed_anew_and_invalid(open_page, folders):
    page = open_page(folders / "right", view=(900, 600))
    run(page)
    page.evaluate("[0, 16.7, 33.3].forEach((t) => blurscope.tick(t))")
    page.set_viewport_size({"width": 1001, "height": 701})
    page.wait_for_function("blurscope.record().reasons.length > 0")
    assert page.evaluate("blurscope.record()")["reasons"] == ["the window changed during the run"]
    place = page.evaluate("blurscope.place()")
    assert (place["left"], place["top"]) == (100, 110)
    assert page.evaluate("blurscope.faultsOfScale()") == []


# ---- the start page -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("direction", "dpr", "screen", "hz", "words"),
    [
        ("right", 1.5, (1280, 720), 59.96, "--size 1920x1080 OWN --refresh-hz 60"),
        ("left", 3, (800, 360), 119.9, "--size 2400x1080 OWN --refresh-hz 120 --direction left"),
        ("right", 1, (1366, 768), 67.5, "--size 1366x768 OWN --refresh-hz 67.5"),
    ],
)
def test_the_line_fits_the_device_and_works(
    open_page, folders, tmp_path, monkeypatch, direction, dpr, screen, hz, words
):
    page = open_page(folders / direction, dpr=dpr, view=screen, screen={"width": screen[0], "height": screen[1]})
    page.evaluate("hz => blurscope.useRate(hz)", hz)
    line = page.inner_text("#fit")
    name, _, rest = line.removeprefix("blurscope pattern ").partition(" ")
    assert rest == words.replace("OWN", "--px-per-refresh 8 --levels 5")
    monkeypatch.chdir(tmp_path)
    assert main(line.split()[1:]) == 0
    made = json.loads((tmp_path / name / "pattern.json").read_text())
    assert (made["width_px"], made["height_px"]) == (round(screen[0] * dpr), round(screen[1] * dpr))
    shown = page.inner_text("#start")
    assert f"{hz:.2f} Hz" in shown and f"{made['width_px']} × {made['height_px']}" in shown


def test_rate_is_measured_before_the_run(open_page, folders):
    page = open_page(folders / "right")
    page.wait_for_function("!document.getElementById('go').disabled")
    assert re.match(r"\d+\.\d\d Hz", page.inner_text("#rate"))


def test_copy_button_hands_over_the_line(open_page, folders):
    page = open_page(folders / "right", permissions=["clipboard-read", "clipboard-write"])
    page.click("#copy")
    page.wait_for_function("document.getElementById('copy').textContent === 'Copied'")
    line = page.inner_text("#fit")
    assert line.startswith("blurscope") and page.evaluate("navigator.clipboard.readText()") == line


# ---- keys and fingers ---------------------------------------------------------------------------------------------


def test_keys(open_page, folders):
    page = open_page(folders / "right")
    run(page, "period_ms: 1000 / 60")
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", stamps(60, 6))
    page.keyboard.press(" ")
    assert page.evaluate("blurscope.state()")["frozen"]
    assert page.evaluate("list => list.map((t) => blurscope.tick(t))", stamps(60, 4, 200)) == [5, 5, 5, 5]
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("blurscope.state()")["refresh"] == 6
    maker = FrameMaker(make_layouts(800, 480, px_per_refresh=8)[0][0])
    assert np.array_equal(canvas_of(page), rgb(maker.draw(6)))
    page.keyboard.press(" ")
    assert page.evaluate("blurscope.tick(1000)") == 7
    page.keyboard.press("Escape")
    assert page.is_visible("#start") and not page.is_visible("#stage")
    assert not page.evaluate("blurscope.state()")["running"]
    assert page.evaluate("document.activeElement.id") == "go" or page.is_disabled("#go")


def fingers(page, *events):
    for kind, finger in events:
        page.evaluate(
            "([kind, id]) => document.getElementById('stage').dispatchEvent("
            "new PointerEvent(kind, {pointerId: id, pointerType: 'touch', bubbles: true}))",
            [kind, finger],
        )


def test_fingers(open_page, folders):
    page = open_page(folders / "right")
    run(page, "period_ms: 1000 / 60")
    page.evaluate("list => list.forEach((t) => blurscope.tick(t))", stamps(60, 6))
    fingers(page, ("pointerdown", 1), ("pointerup", 1))
    assert page.evaluate("blurscope.state()")["frozen"]
    fingers(page, ("pointerdown", 1), ("pointerup", 1))
    assert not page.evaluate("blurscope.state()")["frozen"]
    fingers(page, ("pointerdown", 1), ("pointerdown", 2), ("pointerup", 1), ("pointerup", 2))
    state = page.evaluate("blurscope.state()")
    assert state["refresh"] == 0 and not state["frozen"]
    fingers(page, ("pointerdown", 1))
    page.wait_for_function("!blurscope.state().running")
    assert page.is_visible("#start")


def test_full_screen_run_in_real_time(open_page, folders):
    page = open_page(folders / "right", view=(900, 600))
    page.wait_for_function("!document.getElementById('go').disabled")
    page.click("#go")
    page.wait_for_function("blurscope.state().refresh > 20")
    assert page.evaluate("Boolean(document.fullscreenElement)")
    first = page.evaluate("[blurscope.state().refresh, performance.now()]")
    page.wait_for_timeout(400)
    later = page.evaluate("[blurscope.state().refresh, performance.now()]")
    assert later[0] - first[0] <= (later[1] - first[1]) / 1000 * 60 * 1.3 + 3
    page.keyboard.press("Escape")
    page.wait_for_function("!blurscope.state().running")
    assert re.match(r"(Valid|Not valid): ", page.inner_text("#verdict-text"))
    record = json.loads(page.evaluate("document.getElementById('verdict-json').textContent"))
    assert record["refreshes"] >= later[0] and record["plate"] == "800x480"
