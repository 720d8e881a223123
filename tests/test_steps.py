"""The stimulus for a photodiode, and the long record of it that is cut into transitions."""

import html.parser
import json
import re
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from blurscope.cli import main
from blurscope.trace import Settings, gamma_law, level_codes, plan_stimulus, reduce_stimulus
from blurscope.trace.show import picture
from blurscope.trace.stimulus import CODE_UNIT_S, END_RUNS, START_RUNS, stimulus_of, sync_runs

ROOT = Path(__file__).parent.parent
SCHEMA = json.loads((ROOT / "blurscope" / "schemas" / "steps.schema.json").read_text())
RESPONSE_SCHEMA = json.loads((ROOT / "blurscope" / "schemas" / "response.schema.json").read_text())
LN9 = float(np.log(9.0))


def light_of(level):
    return 0.001 + 0.999 * (level / 255) ** 2.2


def responses(levels, seed=0):
    rng = np.random.default_rng(seed)
    return {(a, b): float(rng.uniform(3, 25)) for a in levels for b in levels if a != b}


def film(data, truth, *, rate=10_000.0, refresh_hz=60.0, start_s=0.7, missed=(), ripple_hz=311.0, seed=1, end_s=None):
    """The record of a steps.json, from its plain list of stays: light of a slow pixel, PWM, noise, 8 bits.

    ``missed`` are numbers of stays that last one refresh longer.
    """
    stays = [s["refreshes"] + (k in missed) for k, s in enumerate(data["segments"])]
    total = start_s + sum(stays) / refresh_hz + 0.5
    t = np.arange(int(total * rate)) / rate
    light = np.full(len(t), light_of(0))
    at, before = start_s, 0
    for s, stay in zip(data["segments"], stays, strict=True):
        if s["level"] != before:
            i = int(np.searchsorted(t, at))
            j = min(len(t), i + int(0.6 * rate))
            tr = truth.get((before, s["level"]), 8.0)
            a, b = light_of(before), light_of(s["level"])
            light[i:] = b
            light[i:j] = b + (a - b) * np.exp(-(t[i:j] - at) * 1000 * LN9 / tr)
            before = s["level"]
        at += stay / refresh_hz
    volts = 0.04 + 1.6 * light * (1 + 0.3 * np.sign(np.sin(2 * np.pi * ripple_hz * t)))
    volts += np.random.default_rng(seed).normal(0, 0.002, len(t))
    volts = np.round(volts / 0.009) * 0.009
    keep = slice(None) if end_s is None else slice(0, int(end_s * rate))
    return t[keep], volts[keep]


@pytest.fixture(scope="module")
def stimulus():
    return plan_stimulus(level_codes("5"), refresh_hz=60.0, repeats=2)


@pytest.fixture(scope="module")
def steps_file(stimulus, tmp_path_factory):
    path = tmp_path_factory.mktemp("steps") / "steps.json"
    path.write_text(json.dumps(stimulus.as_json()))
    return path


def reduce_film(tmp_path, steps_file, t, y, **settings):
    path = tmp_path / "long.npz"
    np.savez(path, time_s=t, signal=y)
    law = gamma_law(2.2, black=0.001)
    return reduce_stimulus([path], steps_file, Settings(law=law, refresh_hz=60.0, **settings), jobs=1)


def check(found, truth, least=20):
    good = [t for t in found.transitions if t.figures is not None and t.figures.response_ms.value is not None]
    assert len(good) >= least
    inside = 0
    for t in good:
        q, tr = t.figures.response_ms, truth[t.from_level, t.to_level]
        inside += abs(q.value - tr) <= q.u95
        assert abs(q.value - tr) <= max(0.1 * tr, 2 * q.u95, 0.2), (t.from_level, t.to_level, tr, q)
    assert inside >= 0.8 * len(good)


@pytest.mark.parametrize("levels", ["2", "5", "9", "11", "0,64,255"])
def test_every_transition_as_often(levels):
    codes = level_codes(levels)
    plan = plan_stimulus(codes, repeats=3)
    seen = {}
    for a, b in zip(plan.segments[:-1], plan.segments[1:], strict=True):
        if b.kind == "level":
            assert a.block == b.block and a.level != b.level
            seen[a.level, b.level] = seen.get((a.level, b.level), 0) + 1
    assert seen == {(a, b): 3 for a in codes for b in codes if a != b}
    jsonschema.validate(plan.as_json(), SCHEMA)


def test_even_level_codes():
    # floor(255 i / (N - 1) + 0.5)
    assert level_codes("5") == (0, 64, 128, 191, 255)
    assert level_codes(11)[:4] == (0, 26, 51, 77)


@pytest.mark.parametrize("refresh_hz", [24.0, 50.0, 59.94, 60.0, 90.0, 144.0, 240.0])
@pytest.mark.parametrize("dwell_s", [1 / 6, 0.25, 0.4])
def test_never_faster_than_three_flashes_a_second(refresh_hz, dwell_s):
    plan = plan_stimulus(level_codes("5"), refresh_hz=refresh_hz, dwell_s=dwell_s, repeats=1)
    assert min(s.refreshes for s in plan.segments) / refresh_hz >= 1 / 6 - 1e-6
    code = [s.refreshes / refresh_hz for s in plan.segments if s.kind == "code" and s.level == 255]
    assert min(code) >= CODE_UNIT_S - 1e-6 and 1 / (2 * min(code)) < 3
    # Counted again, by brute force over every refresh: changes that oppose the one before, two to a flash.
    shown = np.concatenate([np.full(s.refreshes, s.level) for s in plan.segments]).astype(float)
    change = np.flatnonzero(np.diff(shown))
    sign = np.sign(np.diff(shown)[change])
    opposing = change[1:][sign[1:] != sign[:-1]]
    window = int(refresh_hz)
    worst = max(np.count_nonzero((opposing >= a) & (opposing < a + window)) for a in opposing)
    assert worst / 2 <= 3
    assert plan.as_json()["safety"]["flashes_per_s"] <= 3


def test_only_a_small_patch():
    plan = plan_stimulus(level_codes("3"), size_px=(800, 480))
    screen = picture(plan, 255)
    assert screen.shape == (480, 800)
    assert np.count_nonzero(screen) == plan.patch_px**2 <= 0.1 * screen.size
    rows, columns = np.nonzero(screen)
    assert abs(rows.mean() - 239.5) < 1 and abs(columns.mean() - 399.5) < 1
    with pytest.raises(Exception, match="not small"):
        plan_stimulus(level_codes("3"), size_px=(800, 480), patch_px=400)


def test_codes_are_told_apart():
    codes = [START_RUNS, END_RUNS, *[sync_runs(b) for b in range(32)]]
    words = ["".join(("W" if k % 2 == 0 else "B") * n for k, n in enumerate(code)) for code in codes]
    for i, a in enumerate(words):
        for j, b in enumerate(words):
            assert i == j or not b.startswith(a)


def test_cut_into_twenty(tmp_path, stimulus, steps_file):
    truth = responses(stimulus.levels)
    t, y = film(stimulus.as_json(), truth)
    found = reduce_film(tmp_path, steps_file, t, y)
    check(found, truth)
    assert all(tr.repeats == 2 for tr in found.transitions)
    assert found.transitions[0].backlight.hz == pytest.approx(311.0, abs=0.01)
    assert not found.refused and "stimulus_incomplete" not in {w["code"] for w in found.warnings}


def test_another_clock_and_missed_updates(tmp_path, stimulus, steps_file):
    """59.94 instead of 60 Hz, a recorder that starts late, and stays that last a refresh longer."""
    truth = responses(stimulus.levels, 3)
    t, y = film(stimulus.as_json(), truth, refresh_hz=59.94, start_s=2.345, missed={12, 30, 31, 55}, seed=4)
    check(reduce_film(tmp_path, steps_file, t, y), truth)


def test_upside_down_is_named_and_turned(tmp_path, stimulus, steps_file):
    truth = responses(stimulus.levels)
    t, y = film(stimulus.as_json(), truth)
    with pytest.raises(Exception, match="--inverted"):
        reduce_film(tmp_path, steps_file, t, 2.0 - y)
    check(reduce_film(tmp_path, steps_file, t, 2.0 - y, inverted=True), truth)


def test_half_a_record_keeps_what_it_holds(tmp_path):
    plan = plan_stimulus(level_codes("4"), refresh_hz=60.0, repeats=3, block_transitions=12)
    path = tmp_path / "steps.json"
    path.write_text(json.dumps(plan.as_json()))
    truth = responses(plan.levels)
    t, y = film(plan.as_json(), truth)
    half = (t > 7.0) & (t < 0.75 * t[-1])
    found = reduce_film(tmp_path, path, t[half], y[half])
    assert "stimulus_incomplete" in {w["code"] for w in found.warnings}
    check(found, truth, least=6)
    assert {tr.flags for tr in found.transitions if tr.figures is None} <= {("not_recorded",)}


def test_strangers_are_refused(tmp_path, stimulus, steps_file):
    rng = np.random.default_rng(2)
    t = np.arange(200_000) / 10_000
    with pytest.raises(Exception, match="not found"):
        reduce_film(tmp_path, steps_file, t, rng.normal(0, 1, len(t)))
    other = plan_stimulus(level_codes("3"), refresh_hz=60.0, repeats=3, seed=9)
    t, y = film(other.as_json(), responses(other.levels))
    with pytest.raises(Exception, match="not found"):
        reduce_film(tmp_path, steps_file, t, y)


@pytest.mark.parametrize(
    "change",
    [
        {"segments": []},
        {"segments": "many"},
        {"refresh_hz": "fast"},
        {"refresh_hz": 0},
        {"levels": [0, 999]},
        {"screen": None},
    ],
)
def test_nonsense_in_the_steps_file(tmp_path, capsys, stimulus, change):
    path = tmp_path / "steps.json"
    path.write_text(json.dumps({**stimulus.as_json(), **change}))
    record = tmp_path / "r.csv"
    record.write_text("time_s,signal\n0,1\n")
    assert main(["trace", str(record), "--steps", str(path)]) == 1
    err = capsys.readouterr().err
    assert "Traceback" not in err and len(err.strip().splitlines()) == 1


def test_steps_file_round_trip(stimulus):
    assert stimulus_of(json.loads(json.dumps(stimulus.as_json())), "steps.json") == stimulus


def test_command_line(tmp_path, capsys, monkeypatch):
    out = tmp_path / "stimulus"
    args = ["steps", str(out), "--levels", "3", "--repeats", "2", "--size", "320x240", "--frames"]
    assert main(args) == 0
    shown = capsys.readouterr()
    assert "6 transitions of 3 levels" in shown.err and str(out / "index.html") in shown.out
    data = json.loads((out / "steps.json").read_text())
    jsonschema.validate(data, SCHEMA)
    assert sorted(p.name for p in out.glob("*.png")) == ["level_000.png", "level_128.png", "level_255.png"]
    assert main(args) == 1 and "exists already" in capsys.readouterr().err
    assert main([*args, "--overwrite"]) == 0
    for extra in (
        ["--dwell-s", "0.1"],
        ["--levels", "1"],
        ["--levels", "x"],
        ["--repeats", "0"],
        ["--refresh-hz", "5"],
    ):
        assert main(["steps", str(tmp_path / "no"), *extra]) == 1
    capsys.readouterr()
    truth = responses(data["levels"])
    t, y = film(data, truth)
    record = tmp_path / "long.csv"
    record.write_text("time_s,signal_v\n" + "".join(f"{a:.4f},{b:.4f}\n" for a, b in zip(t, y, strict=True)))
    result = tmp_path / "response.json"
    args = ["trace", str(record), "--steps", str(out / "steps.json"), "--label", "Cedar", "--refresh-hz", "60"]
    assert main([*args, "--json", str(result)]) == 0, capsys.readouterr().err
    with monkeypatch.context() as patched:  # --jobs 1 starts no process, and nothing depends on how many there are
        patched.setattr("os.cpu_count", lambda: 2)
        patched.setattr("blurscope.trace.api.ProcessPoolExecutor", None)
        assert main([*args, "--jobs", "1", "--json", str(tmp_path / "alone.json")]) == 0
    assert (tmp_path / "alone.json").read_bytes() == result.read_bytes()
    response = json.loads(result.read_text())
    jsonschema.validate(response, RESPONSE_SCHEMA)
    assert len(response["transitions"]) == 6 and response["summary"]["transitions_ok"] == 6
    for entry in response["transitions"]:
        tr = truth[entry["from_level"], entry["to_level"]]
        assert entry["response_ms"]["value"] == pytest.approx(tr, abs=max(0.2, 0.08 * tr))


def test_video_shows_the_sequence(tmp_path):
    av = pytest.importorskip("av")
    out = tmp_path / "stimulus"
    assert (
        main(
            ["steps", str(out), "--levels", "2", "--repeats", "1", "--size", "128x96", "--refresh-hz", "30", "--video"]
        )
        == 0
    )
    data = json.loads((out / "steps.json").read_text())
    jsonschema.validate(data, SCHEMA)
    shown = np.concatenate([np.full(s["refreshes"], s["level"]) for s in data["segments"]])
    with av.open(str(out / data["video"]["file"])) as movie:
        middle = [int(f.to_ndarray(format="rgb24")[48, 64, 0]) for f in movie.decode(video=0)]
    ahead = data["video"]["caution_frames"]
    assert ahead == 180 and middle[ahead:] == shown.tolist()


def test_page_stands_alone(tmp_path):
    out = tmp_path / "s"
    assert main(["steps", str(out), "--levels", "3", "--repeats", "1"]) == 0
    text = (out / "index.html").read_text()
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!data:|#)""", text) and "://" not in text
    parser = html.parser.HTMLParser()
    parser.feed(text)


def test_page_in_a_browser(tmp_path, launch_browser):
    """The caution comes first; then the patch shows at every refresh what steps.json says, and nothing else lights."""
    out = tmp_path / "s"
    assert main(["steps", str(out), "--levels", "3", "--repeats", "1", "--size", "640x400", "--refresh-hz", "60"]) == 0
    data = json.loads((out / "steps.json").read_text())
    shown = np.concatenate([np.full(s["refreshes"], s["level"]) for s in data["segments"]])
    browser = launch_browser()
    page = browser.new_page(viewport={"width": 640, "height": 400})
    requests, errors = [], []
    page.on("request", lambda r: requests.append(r.url))
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.goto((out / "index.html").as_uri())
    assert page.locator("#caution").is_visible() and page.locator("#stage").is_hidden()
    assert "seizures" in page.locator("#caution").inner_text()
    page.locator("#accept").click()
    page.wait_for_selector("#start:not([disabled])", timeout=15_000)
    page.evaluate("window.blurscopeSteps.plan(60)")
    assert page.evaluate("window.blurscopeSteps.total") == len(shown)
    levels = page.evaluate(
        "Array.from({length: window.blurscopeSteps.total}, (_, n) => window.blurscopeSteps.levelAt(n))"
    )
    assert levels == shown.tolist()
    from io import BytesIO

    from PIL import Image

    for n in (0, int(np.flatnonzero(shown == 128)[0]), int(np.flatnonzero(shown == 255)[0])):
        page.evaluate(f"window.blurscopeSteps.draw({n})")
        screen = np.asarray(Image.open(BytesIO(page.screenshot())).convert("L"))
        assert screen[200, 320] == shown[n]
        assert np.count_nonzero(screen > 70) <= 0.1 * screen.size
    # A screen of another rate keeps the times, never shorter.
    page.evaluate("window.blurscopeSteps.plan(90)")
    total = page.evaluate("window.blurscopeSteps.total")
    assert total / 90 >= len(shown) / 60 - 1e-6
    page.keyboard.press("Escape")
    assert len(requests) == 1 and not errors
    browser.close()
