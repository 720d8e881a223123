"""Boards: crops at one scale and one light, differences that count, computed panels against closed forms."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from board_makers import (
    LN9,
    crop_difference,
    crop_lines,
    fit_crop,
    measurement,
    photograph,
    plate_light,
    q,
    ramp_of_exponential,
)

from blurscope.board import (
    Reference,
    Window,
    common_windows,
    compare_pairs,
    compose_board,
    compute_panel,
    computed_edges,
    crop_light,
    panel_of,
    read_reference,
    render,
    switch_offset_px,
    to_srgb,
)  # fmt: skip
from blurscope.board.ranking import holm, ranks
from blurscope.board.reference import law_of
from blurscope.camera import Camera, Display, Response, film
from blurscope.cli import main
from blurscope.errors import SettingsError
from blurscope.files import write_json
from blurscope.plots.board import board_picture, picture_bytes

CAMERAS = [
    {"scale": 3.0, "angle_deg": 0.0, "k1": 0.0, "gain": 1.0, "gamma": 2.2, "black": 0.002},
    {"scale": 4.2, "angle_deg": 3.0, "k1": 0.03, "gain": 0.6, "gamma": 1.0, "black": 0.02},
    {"scale": 3.4, "angle_deg": -4.0, "k1": -0.04, "gain": 1.5, "gamma": 1.8, "black": 0.005},
]
WINDOW = Window(u_px=40.0, top_row=12.0, height_px=60.0, length_px=160.0)
SAMPLES = 3.0


def truth() -> np.ndarray:
    u = 40 + (np.arange(480) + 0.5) / SAMPLES
    v = 12 + (np.arange(180) + 0.5) / SAMPLES
    return plate_light(*np.meshgrid(u, v))


@pytest.mark.parametrize("camera", CAMERAS, ids=["straight", "linear", "turned"])
def test_a_crop_is_the_plate_in_light_whatever_the_camera(camera):
    """Within 1 % of white everywhere; averaging over a sample accounts for some of it."""
    m = measurement()
    codes = photograph(m, **camera)
    crop = crop_light(codes, m, WINDOW, SAMPLES)
    assert crop.shape == (180, 480)
    assert np.abs(crop - truth())[8:-8, 8:-8].max() < 0.01


def test_crops_agree_in_scale_within_two_thousandths():
    """The stretch that fits one crop best onto the plate, found by trying stretches: none is off by 0.2 %."""
    for camera in CAMERAS:
        m = measurement()
        crop = crop_light(photograph(m, **camera), m, WINDOW, SAMPLES)
        centre = 40 + 80.0
        stretches = np.linspace(0.99, 1.01, 81)
        u = 40 + (np.arange(480) + 0.5) / SAMPLES
        v = 12 + (np.arange(180) + 0.5) / SAMPLES
        errors = [np.sum((plate_light(*np.meshgrid(centre + (u - centre) * s, v)) - crop) ** 2) for s in stretches]
        assert abs(stretches[int(np.argmin(errors))] - 1) < 0.002


def test_a_plate_that_moves_left_is_mirrored():
    m = measurement(direction="left")
    codes = photograph(m, **CAMERAS[0])
    window = Window(u_px=240 - 200.0, top_row=12.0, height_px=60.0, length_px=160.0)
    assert np.abs(crop_light(codes, m, window, SAMPLES) - truth())[8:-8, 8:-8].max() < 0.01


def test_a_crop_beyond_the_photo_is_refused():
    m = measurement()
    codes = photograph(m, **CAMERAS[0])
    with pytest.raises(SettingsError, match="beyond its photo"):
        crop_light(codes, m, Window(u_px=-500.0, top_row=0.0, height_px=60.0, length_px=160.0), SAMPLES)


@pytest.mark.filterwarnings("error")
def test_a_crop_from_a_damaged_file_is_refused_without_a_warning_of_numpy():
    m = measurement()
    codes = photograph(m, **CAMERAS[0])
    m["light"]["flat"]["coefficients"][3] = 1e6
    with pytest.raises(SettingsError, match="as no lens does it"):
        crop_light(codes, m, WINDOW, SAMPLES)
    horizon = np.linalg.inv(m["registration"]["pose"]["matrix"])
    horizon[2] = [-0.01, 0.0, 1.0]  # at u = 100, within the window
    m["registration"]["pose"]["matrix"] = np.linalg.inv(horizon).tolist()
    with pytest.raises(SettingsError, match="behind its camera"):
        crop_light(codes, m, WINDOW, SAMPLES)


@pytest.mark.parametrize("black", [1.0, 7.0, -3.0])
def test_a_black_of_no_display_is_refused(black):
    m = measurement()
    codes = photograph(m, **CAMERAS[0])
    m["light"]["black"] = black
    with pytest.raises(SettingsError, match="which no display has"):
        crop_light(codes, m, WINDOW, SAMPLES)


def test_common_windows_show_the_same_content_through_the_period():
    windows, same = common_windows([(-90.0, 600.0), (1600.0, 2300.0)], 1600.0, 10, 50, 300)
    assert same
    assert (windows[1].u_px - windows[0].u_px) % 1600 == 0
    assert windows[0].u_px >= -90
    assert windows[1].u_px + windows[1].length_px <= 2300
    assert not common_windows([(0.0, 300.0), (800.0, 1100.0)], 1600.0, 10, 50, 300)[1]


@pytest.mark.parametrize("spoil", [{"display_gamma": -2.2}, {"law": {"level": [0, 255], "light": [0.5, 0.5]}}])
def test_a_law_of_no_display_is_refused(spoil):
    m = measurement()
    m["light"] |= spoil
    with pytest.raises(SettingsError, match="does not rise"):
        law_of(m)


def test_srgb_of_known_lights():
    """IEC 61966-2-1: 0.21586 is code 128, 0.0031308 the end of the straight part (10.0)."""
    assert to_srgb(np.array([-1.0, 0.0, 0.0031308, 0.21586, 1.0, 2.0])).tolist() == [0, 0, 10, 128, 255, 255]


# ---------------------------------------------------------------------------------------------------- differences


def test_holm_by_hand():
    """0.01·4, 0.013·3 raised to the one before, 0.03·2, 0.2: worked out by hand from Holm (1979)."""
    assert holm([0.03, 0.01, 0.2, 0.013]) == pytest.approx([0.06, 0.04, 0.2, 0.04])


def test_two_displays_closer_than_their_uncertainty_are_not_told_apart():
    figures = [q(13.0, 0.5), q(13.3, 0.5), q(20.0, 0.5)]
    differences = compare_pairs(figures)
    assert [d.distinct for d in differences] == [False, True, True]
    assert ranks(figures, differences) == ["1–2", "1–2", "3"]


def test_more_comparisons_need_a_larger_difference(rng):
    """Twelve equal displays, many times: a false difference on any board in at most about 5 % (here < 8 %)."""
    wrong = 0
    for _ in range(300):
        figures = [q(10 + x, 1.96 * 0.2) for x in rng.normal(0, 0.2, 12)]
        wrong += any(d.distinct for d in compare_pairs(figures))
    assert wrong / 300 < 0.08


# ------------------------------------------------------------------------------------------------- computed panels


def test_an_instant_panel_has_eight_tenths_of_a_refresh():
    """BET of sample-and-hold with an instant pixel is 0.8 hold, its ghost 0 (definition)."""
    for figures in computed_edges(compute_panel(measurement(), read_reference("instant"))).values():
        assert figures["bet_ms"]["value"] == pytest.approx(0.8 * 1000 / 60, abs=1e-6)
        assert figures["ghost_ms"]["value"] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("hz", [60.0, 120.0, 240.0])
def test_another_refresh_follows_the_closed_form(hz):
    """Exponential step under a hold, integrated by hand."""
    found = computed_edges(compute_panel(measurement(response_ms=8.0), Reference(title="", refresh_hz=hz)))[0, 255]
    t = np.linspace(0, 100, 200001)
    esf = ramp_of_exponential(t, 8.0 / LN9, 1000 / hz)
    bet = np.subtract(*np.interp([0.9, 0.1], esf, t))
    assert found["bet_ms"]["value"] == pytest.approx(bet, rel=0.005)
    assert found["bet_ms"]["u95"] >= 0.1


def test_scaling_the_response_scales_it():
    found = computed_edges(compute_panel(measurement(), read_reference("response*0.5")))[0, 255]
    assert found["response_ms"]["value"] == pytest.approx(4.0)


@pytest.mark.parametrize("text", ["fast", "0hz", "strobe=2", "response*", "120hz+", "9" * 400 + "hz", "instant+x"])
def test_what_cannot_be_computed_is_refused_in_one_sentence(text):
    with pytest.raises(SettingsError):
        read_reference(text)


def sharp_edge(response_ms: float) -> tuple[dict, np.ndarray]:
    """A measurement without lens blur and pixel, and a plate that is white up to u = 100."""
    m = measurement(response_ms=response_ms)
    m["lens"]["sigma_px"] = q(0.0)
    m["capture"]["campx_per_px"] = 1000.0
    levels = np.zeros((4, 240), np.uint8)
    levels[:, :100] = 255
    return m, levels


@pytest.mark.parametrize("hz", [60.0, 120.0])
def test_the_computed_picture_follows_the_closed_form(hz):
    """An edge 0 to 255 drawn at u = 100: light behind it (to the left) is the ESF of the closed form."""
    m, levels = sharp_edge(6.0)
    panel = compute_panel(m, Reference(title="", refresh_hz=hz))
    row = render(panel, levels, 140, 4.0)[8]
    u = (np.arange(row.size) + 0.5) / 4
    lag_ms = (100 - u) * 1000 / 480
    expect = ramp_of_exponential(lag_ms, 6.0 / LN9, 1000 / hz)
    assert math.sqrt(np.mean((row - expect) ** 2)) < 0.01
    assert np.abs(row - expect).max() < 0.05


@pytest.mark.parametrize("duty", [0.004, 0.02, 0.3])
def test_the_computed_picture_of_a_strobe_is_a_staircase(duty):
    """A flash at the end of each refresh samples the exponential once a refresh: 1 - exp(-age / tau)."""
    m, levels = sharp_edge(20.0)
    row = render(compute_panel(m, read_reference(f"strobe={duty}")), levels, 140, 4.0)[8]
    u = (np.arange(row.size) + 0.5) / 4
    expect = np.zeros(row.size)
    moments = 1 - duty * (np.arange(400) + 0.5) / 400
    for s in moments:
        whole = np.floor((100 - u) / 8 - s)  # refreshes since the pixel under the plate's place switched
        expect += np.where(whole >= 0, 1 - np.exp(-(whole + s) * (1000 / 60) / (20.0 / LN9)), 0) / 400
    assert math.sqrt(np.mean((row - expect) ** 2)) < 0.02


@pytest.mark.parametrize("sigma_px", [-0.1, 20.5, 3e5])
def test_a_lens_that_cannot_be_is_refused_before_anything_is_computed(sigma_px):
    """A width of 300,000 px was convolved for a quarter of an hour."""
    m, levels = sharp_edge(8.0)
    m["lens"]["sigma_px"]["value"] = sigma_px
    begun = time.process_time()
    with pytest.raises(SettingsError, match="where 0 to 20 can be"):
        render(compute_panel(m, read_reference("120hz")), levels, 60, 2.0)
    assert time.process_time() - begun < 2


@pytest.mark.parametrize(("name", "factor"), [("speed_px_per_s", 1e-6), ("px_per_refresh", 3), ("refresh_hz", 0.5)])
def test_a_speed_that_contradicts_itself_is_refused(name, factor):
    m, _ = sharp_edge(8.0)
    m["capture"][name] *= factor
    with pytest.raises(SettingsError, match="contradicts itself"):
        compute_panel(m, read_reference("instant"))


def test_a_measurement_without_light_is_refused_in_one_sentence():
    m = measurement()
    m["light"]["law"]["light"] = [0.3] * len(m["light"]["law"]["light"])
    with pytest.raises(SettingsError, match="measure its photo again"):
        render(compute_panel(m, read_reference("instant")), np.zeros((4, 60), np.uint8), 40, 2.0)


def flashing() -> dict:
    m = measurement("Birch", response_ms=6.0)
    m["backlight"] = {"kind": "strobe", "duty": q(0.3), "frequency_hz": q(60.0), "pulses_per_refresh": 1}
    for e in m["edges"]:
        e["response_ms"] = {"value": None, "u95": None, "flags": ["pwm_unresolved"]}
        e["quality"]["flags"] = ["pwm_unresolved"]
    return m


def test_a_flashing_backlight_gives_no_panel_at_another_refresh():
    with pytest.raises(SettingsError, match="flashing backlight"):
        compute_panel(flashing(), read_reference("120hz"))
    assert compute_panel(flashing(), read_reference("instant")).steps


# -------------------------------------------------------------------------------------------------------- the board


def board_of(*measurements):
    panels = [panel_of(m, np.full((60, 160), 0.5, np.float32), 1.0) for m in measurements]
    return compose_board(panels, measurements)


def test_what_cannot_be_compared_is_said():
    board = board_of(measurement("Alder"), measurement("Birch", refresh_hz=120.0, px_per_refresh=8, response_ms=4.0))
    said = " ".join(board.notes)
    assert "Speeds differ" in said
    assert "Refresh rates differ" in said
    assert board.panels[0].label == "Birch"
    assert any("Birch has less BET than Alder" in v for v in board.verdicts)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_hostile_labels_are_drawn_as_text(kind):
    labels = ["<script>alert(1)</script>", "x" * 300, "😀 $\\frac{1}{0}$", "\u202eעברית", "../../etc/passwd\n\x00"]
    data = picture_bytes(board_picture(board_of(*(measurement(t) for t in labels))), kind)
    assert data[:4] in (b"\x89PNG", b"<?xm", b"%PDF")
    assert kind != "svg" or b"<script" not in data


def test_twelve_displays_fit():
    picture = board_picture(board_of(*(measurement(f"Unit {i}", response_ms=2 + i) for i in range(12))))
    assert "12 displays" in picture.alt


def test_the_command_writes_a_board_and_says_who_differs(tmp_path, capsys):
    paths = []
    for name, response in (("Alder", 12.0), ("Birch", 4.0)):
        paths.append(tmp_path / f"{name}.json")
        write_json(paths[-1], measurement(name, response_ms=response))
    out = tmp_path / "board.png"
    assert main(["compare", *map(str, paths), "--out", str(out), "--what-if", "120hz"]) == 0
    assert "Birch has less BET than Alder" in capsys.readouterr().out
    assert out.read_bytes()[:4] == b"\x89PNG"
    assert main(["compare", *map(str, paths), "--out", str(out)]) == 1
    assert "exists already" in capsys.readouterr().err
    assert main(["compare", *map(str, paths), "--out", str(tmp_path / "board.bmp")]) == 1
    assert main(["compare", *map(str, paths), "--out", str(tmp_path / "b.png"), "--order", "beauty"]) == 1
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("shift_px", [-3.0, 0.0, 1.5])
def test_where_the_plate_really_was_is_read_off_the_steps(shift_px):
    """A place of the plate that absorbed the panel's delay is found from profile and step."""
    m = measurement(response_ms=9.0)
    for e in m["edges"]:
        e["profile"]["lag_px"] = [x + shift_px for x in e["profile"]["lag_px"]]
    assert switch_offset_px(m) == pytest.approx(shift_px, abs=0.05)


def test_crops_from_measured_photos_agree_with_the_computed_picture(tmp_path):
    """A simulated display filmed and measured: its own refresh computed from its steps is its photo, within 2 % RMS."""
    from blurscope.pipeline import measure
    from blurscope.sidebyside import build_board

    plate, shot = tmp_path / "plate", tmp_path / "shot"
    assert main(["pattern", str(plate), "--size", "640x400", "--px-per-refresh", "8", "--levels", "3"]) == 0
    assert (
        main(["simulate", str(shot), "--pattern", str(plate / "pattern.json"), "--unit", "birch", "--roll", "1.5"]) == 0
    )
    m = measure(shot / "photo.jpg", pattern=plate, label="Birch").as_json()
    write_json(tmp_path / "m.json", m)
    board = build_board([tmp_path / "m.json"], what_if=["60hz"], length_px=160)
    photo, computed = board.panels[0].light, board.references[1].light
    assert board.references[1].computed == "60 Hz"
    inner = np.s_[24:-24, 24:-24]
    assert math.sqrt(np.mean((photo - computed)[inner] ** 2)) < 0.02


def test_crops_of_one_display_by_four_cameras_agree_in_scale_and_light(tmp_path):
    """From files to crops: other distance, rotation, exposure and tone curve, one panel; scale 0.2 %, light 1 %."""
    from blurscope.pattern.budget import make_layouts
    from blurscope.pipeline import measure
    from blurscope.sidebyside import build_board

    layout = make_layouts(640, 400, px_per_refresh=8, levels=3)[0][0]
    panel = Display(label="Cedar", response=Response(shape="exponential", time_ms=3.0))
    files = []
    for i, camera in enumerate(
        (
            Camera(campx_per_px=3.0),
            Camera(campx_per_px=2.4, roll_deg=2.0, exposure_refreshes=3.0),
            Camera(campx_per_px=3.8, roll_deg=-3.0, yaw_deg=2.0, white_share=0.6),
            Camera(campx_per_px=2.8, tone="s-curve"),
        )
    ):
        shot = film(layout, panel, camera, seed=i)
        photo = tmp_path / f"photo{i}{shot.suffix}"
        photo.write_bytes(shot.data)
        write_json(tmp_path / f"m{i}.json", measure(photo, pattern=layout, label=f"camera {i}").as_json())
        files.append(tmp_path / f"m{i}.json")
    crops = [p.light for p in build_board(files, length_px=200).panels]
    first, *others = map(crop_lines, crops)
    for other in others:
        stretch, _, lift, gain = fit_crop(first, other)
        assert abs(stretch) < 0.002
        assert abs(lift) < 0.01
        assert abs(gain - 1) < 0.01
        assert np.abs(crop_difference(first, other)).max() < 0.02


def test_a_panel_computed_for_120_hz_is_the_panel_filmed_at_120_hz(tmp_path):
    """From the photo at 60 Hz: figures within 3 % and inside u95 of the truth, picture within 2 % RMS of the film."""
    from dataclasses import replace

    from blurscope.pattern.budget import make_layouts
    from blurscope.pipeline import measure
    from blurscope.sidebyside import build_board

    slow = make_layouts(640, 400, px_per_refresh=8, levels=3)[0][0]
    fast = replace(slow, refresh_hz=120.0, px_per_refresh=4, field_refreshes=2 * slow.field_refreshes)
    panel = Display(label="Alder", response=Response(shape="s-shaped", time_ms=10.0))
    files = []
    for layout, refreshes in ((slow, 4.0), (fast, 8.0)):
        camera = Camera(campx_per_px=3.0, exposure_refreshes=refreshes)
        shot = film(layout, panel, camera, start_refresh=round(layout.refresh_hz / 2), seed=3)
        name = f"{layout.refresh_hz:g}"
        (tmp_path / f"{name}{shot.suffix}").write_bytes(shot.data)
        m = measure(tmp_path / f"{name}{shot.suffix}", pattern=layout, label=name).as_json()
        write_json(tmp_path / f"{name}.json", m)
        files.append(tmp_path / f"{name}.json")
        if layout is slow:
            found = computed_edges(compute_panel(m, read_reference("120hz")))
    for t in shot.truth["transitions"]:
        q = found[t["from_level"], t["to_level"]]
        for name in ("bet_ms", "ghost_ms"):
            assert abs(q[name]["value"] - t[name]) <= q[name]["u95"]
        assert q["bet_ms"]["value"] == pytest.approx(t["bet_ms"], rel=0.03)
        assert q["ghost_ms"]["value"] == pytest.approx(t["ghost_ms"], rel=0.03)
    board = build_board(files, what_if=["120hz"], instant=False, length_px=160, of="60")
    real = next(p.light for p in board.panels if p.label == "120")
    rows = real.shape[0]
    for first, last in ((0.4, 0.6), (0.75, 0.95)):  # two bands of edges; what the lanes show depends on the refresh
        part = np.s_[int(first * rows) : int(last * rows), 24:-24]
        assert math.sqrt(np.mean((real - board.references[0].light)[part] ** 2)) < 0.02


@pytest.mark.parametrize("lost", ["edges", "capture", "summary", "light", "tracking", "registration"])
def test_a_file_that_lacks_a_part_is_refused_in_one_sentence(lost, tmp_path, capsys):
    m = measurement()
    del m[lost]
    write_json(tmp_path / "m.json", m)
    for command, out in (("compare", "b.svg"), ("report", "r.html")):
        code = main([command, str(tmp_path / "m.json"), "--out", str(tmp_path / out)])
        err = capsys.readouterr().err
        assert "Traceback" not in err
        assert code == 0 or (code == 1 and err.strip().count("\n") == 0 and err.startswith("blurscope: "))
