"""From photo to figures: against closed forms, the simulator's truth, the file's schema, and input that must fail."""

from __future__ import annotations

import csv
import json
import struct
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import blurscope as bs
from blurscope.camera import Camera, Display, Response, film, film_still
from blurscope.cli import main
from blurscope.errors import BlurscopeError
from blurscope.files import write_json
from blurscope.flags import FLAGS, WARNINGS
from blurscope.pattern.budget import make_layouts
from blurscope.photo import read_photo

jsonschema = pytest.importorskip("jsonschema")
SCHEMA = json.loads((Path(bs.__file__).parent / "schemas" / "measurement.schema.json").read_text("utf-8"))
VALID = jsonschema.Draft202012Validator(SCHEMA)
TABLE = Path(__file__).parent / "data" / "closed_form_figures.csv"
CLEAN = {"campx_per_px": 4.0, "noise": False, "file_format": "png", "bits": 16}


def small(**more):
    return make_layouts(640, 400, **({"px_per_refresh": 8, "levels": 3} | more))[0][0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("captures")


@dataclass(frozen=True)
class Case:
    layout: object
    truth: dict
    photo: Path
    result: bs.Measurement

    def figures(self, name: str):
        """Return value, u95 and truth of every transition that has the figure."""
        true = {(t["from_level"], t["to_level"]): t[name] for t in self.truth["transitions"]}
        have = [e for e in self.result.edges if e.figures[name].value is not None]
        return np.array([(e.figures[name].value, e.figures[name].u95, true[e.from_level, e.to_level]) for e in have]).T


def take(folder, name, layout, response, **camera) -> Case:
    shot = film(layout, Display(label="Alder", response=response), Camera(**camera), seed=5)
    photo = folder / f"{name}{shot.suffix}"
    photo.write_bytes(shot.data)
    return Case(layout, shot.truth, photo, bs.measure(photo, pattern=layout))


def closed_form(response: str, refresh: str) -> dict[str, float]:
    lines = [line for line in TABLE.read_text("utf-8").splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        if row["response"] == response and row["refresh"] == refresh:
            return {k: float(v) for k, v in row.items() if k not in ("response", "refresh")}
    raise KeyError((response, refresh))


# ------------------------------------------------------------------------------------------------ noise-free


@pytest.fixture(scope="module")
def instant(folder):
    return take(folder, "instant", small(), Response(shape="instant", time_ms=0.0), **CLEAN)


@pytest.fixture(scope="module")
def slow_left(folder):
    layout = small(direction="left")
    return take(folder, "slow", layout, Response(shape="exponential", time_ms=33.0), **CLEAN)


@pytest.fixture(scope="module")
def overdriven(folder):
    response = Response(shape="overdriven", time_ms=8.0, overshoot_pct=12.0)
    return take(folder, "overdriven", small(), response, **CLEAN)


@pytest.mark.parametrize("name", ["instant", "slow_left", "overdriven"])
def test_noise_free_photos_have_the_true_figures(name, request):
    """The limits are those the product promises for noise-free photos at 4 campx per px."""
    case = request.getfixturevalue(name)
    bet, _, true = case.figures("bet_ms")
    assert len(bet) == len(case.layout.transitions())
    assert abs(np.mean(bet / true) - 1) < 0.005 and np.abs(bet / true - 1).max() < 0.02
    ghost, _, true = case.figures("ghost_ms")
    assert len(ghost) and abs(np.mean(ghost - true)) < 0.15
    over, _, true = case.figures("overshoot_pct")
    assert np.abs(over - true).max() < 0.5
    tracking = case.result.tracking
    assert abs(tracking["error_px_per_refresh"].value) < 0.03
    assert abs(tracking["exposure_refreshes"].value - 4) < 0.05


def test_an_instant_panel_has_a_bet_of_four_fifths_of_the_hold(instant):
    """Closed form: 10 to 90 % of a ramp one refresh long."""
    bet = instant.figures("bet_ms")[0]
    assert bet == pytest.approx(0.8 * 1000 / 60, rel=0.005)
    assert instant.figures("ebet_ms")[0] == pytest.approx(1000 / 60, rel=0.005)
    assert instant.figures("ghost_ms")[0] == pytest.approx(0.0, abs=0.15)


def test_get_of_an_instant_panel_is_the_fitted_gaussian_of_a_ramp(instant):
    """Closed form at the top of the table of exact values (a cumulative Gaussian fitted to a ramp)."""
    assert instant.figures("get_ms")[0] == pytest.approx(closed_form("instant", "60 Hz")["GET"], rel=0.01)


def test_exponential_33_ms_has_the_closed_form_figures(slow_left):
    """Exponential response convolved with the hold; values of the table to ten digits."""
    tau, hold = 33.0 / np.log(9), 1000 / 60
    # the rising half beyond the hold: 1 - B = (tau/T)(e^{T/tau} - 1) e^{-t/tau}, so t90 follows in closed form
    t90 = tau * np.log(10 * tau / hold * np.expm1(hold / tau))
    from scipy.optimize import brentq

    t10 = brentq(lambda t: (t - tau * -np.expm1(-t / tau)) / hold - 0.1, 0, hold)
    assert slow_left.truth["transitions"][0]["bet_ms"] == pytest.approx(t90 - t10, abs=1e-4)
    assert np.mean(slow_left.figures("bet_ms")[0]) == pytest.approx(t90 - t10, rel=0.005)


def test_rules_of_thumb(instant, slow_left):
    """Common practice, no source: a held picture smears by its travel; 33 ms don't fit into one 60 Hz refresh."""
    v = instant.layout.px_per_refresh
    assert instant.figures("bew_px")[0] / 0.8 == pytest.approx(v, rel=0.005)  # smears over one refresh's travel
    assert slow_left.result.summary["in_refresh_share"].value == 0
    assert instant.result.summary["in_refresh_share"].value == 1
    assert slow_left.figures("ghost_ms")[0].min() > 1000 / 60


def test_at_twice_the_rate_and_the_same_speed_an_instant_panel_smears_half(instant, folder):
    """Common practice, no source: 8 px per refresh at 60 Hz against 4 px at 120 Hz, both 480 px/s."""
    fast = take(
        folder, "fast", small(px_per_refresh=4, refresh_hz=120.0), Response(shape="instant", time_ms=0.0), **CLEAN
    )
    speeds = [c.result.blocks["capture"]["speed_px_per_s"] for c in (instant, fast)]
    assert speeds[0] == speeds[1] == 480
    ratio = np.mean(fast.figures("bew_px")[0]) / np.mean(instant.figures("bew_px")[0])
    assert ratio == pytest.approx(0.5, rel=0.01)


def test_leftwards_the_signs_stay(slow_left):
    assert slow_left.result.blocks["capture"]["direction"] == "left"
    assert slow_left.figures("ghost_ms")[0].min() > 0 and slow_left.figures("undershoot_pct")[0].max() < 0.5


def test_another_refresh_rate_only_scales_the_times(overdriven):
    again = bs.measure(overdriven.photo, pattern=overdriven.layout, refresh_hz=120.0)
    for one, two in zip(overdriven.result.edges, again.edges, strict=True):
        assert two.bet_ms.value == pytest.approx(one.bet_ms.value / 2, rel=1e-9)
        assert two.bew_px.value == pytest.approx(one.bew_px.value, rel=1e-9)
        assert two.overshoot_pct.value == pytest.approx(one.overshoot_pct.value, abs=1e-9)
    assert "refresh_overridden" in {w["code"] for w in again.warnings}


# ------------------------------------------------------------------------------------------------ ordinary photos


@pytest.mark.parametrize(("seconds", "hz", "warned"), [
    (None, 60, False), (1 / 15, 60, False), (1 / 16, 60, False), (0.2, 60, True), (1 / 60, 60, True),
    (1 / 15, 120, True), (1 / 30, 120, False),
])  # fmt: skip
def test_the_header_is_held_against_the_streaks(instant, seconds, hz, warned):
    """Four refreshes in the streaks: another time in the header means a display at another rate, or a wrong header."""
    photo = replace(read_photo(instant.photo), exposure_s=seconds)
    result = bs.measure(photo, pattern=instant.layout, refresh_hz=hz)
    assert any(w["code"] == "exposure_header" for w in result.warnings) == warned


@pytest.fixture(scope="module")
def ordinary(folder):
    """All 20 transitions on an ordinary JPEG through the command line, with file, table and pictures."""
    layout = small(levels=5)
    write_json(folder / "pattern.json", layout.as_json())
    camera = Camera(file_format="jpeg", campx_per_px=3.0, tracking_error_px_per_refresh=0.25)
    shot = film(layout, Display(label="Birch", response=Response(shape="exponential", time_ms=12.0)), camera, seed=8)
    (folder / "ordinary.jpg").write_bytes(shot.data)
    status = main(
        [
            "measure", str(folder / "ordinary.jpg"), "--pattern", str(folder / "pattern.json"), "--label", "Birch",
            "--note", "mode=bright", "--exposure-refreshes", "4", "--json", str(folder / "ordinary.json"),
            "--debug-dir", str(folder / "debug"),
        ]
    )  # fmt: skip
    assert status == 0
    return shot.truth, json.loads((folder / "ordinary.json").read_text("utf-8")), folder


def test_an_ordinary_photo_gives_every_transition_within_two_percent(ordinary):
    truth, data, _ = ordinary
    true = {(t["from_level"], t["to_level"]): t for t in truth["transitions"]}
    inside, close, fast = [], [], []
    for e in data["edges"]:
        t = true[e["from_level"], e["to_level"]]
        assert e["bet_ms"]["value"] is not None, e["quality"]
        off = abs(e["bet_ms"]["value"] - t["bet_ms"])
        inside.append(off <= e["bet_ms"]["u95"])
        close.append(off <= 0.02 * t["bet_ms"])
        off = abs(e["response_ms"]["value"] - t["response_ms"])
        fast.append(off <= max(0.7, 0.05 * t["response_ms"], e["response_ms"]["u95"]))
    assert len(close) == 20 and np.mean(close) >= 0.93 and np.mean(fast) >= 0.9
    assert np.mean(inside) >= 0.85  # 20 figures of one photo share lens and tone, so 93 % is a matter of many photos
    assert abs(data["tracking"]["error_px_per_refresh"]["value"] - 0.25) < 0.03
    assert abs(data["tracking"]["exposure_refreshes"]["value"] - 4) < 0.05


def test_the_file_is_what_its_schema_says(ordinary):
    _, data, _ = ordinary
    assert list(VALID.iter_errors(data)) == []
    assert data["label"] == "Birch" and data["capture"]["notes"] == {"mode": "bright"}
    for e in data["edges"]:
        assert set(e["quality"]["flags"]) <= set(FLAGS)
        assert e["ebet_ms"]["value"] == pytest.approx(e["bet_ms"]["value"] / 0.8)
        assert e["bew_px"]["value"] / data["capture"]["speed_px_per_s"] * 1000 == pytest.approx(e["bet_ms"]["value"])
    assert {w["code"] for w in data["warnings"]} <= set(WARNINGS)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("edges"),
        lambda d: d["edges"][0].pop("bet_ms"),
        lambda d: d["edges"][0]["bet_ms"].update(value=-1.0),
        lambda d: d["edges"][0]["bet_ms"].update(value=None),  # yet the edge says that it may be used
        lambda d: d["edges"][0].update(bet=3),
        lambda d: d["edges"][0].update(from_level=256),
        lambda d: d["edges"][0]["quality"].update(flags=["Clipped!"]),
        lambda d: d["summary"].update(in_refresh_share={"value": 1.2, "u95": 0.0}),
        lambda d: d["tracking"].update(scan_axis="diagonal"),
        lambda d: d["photo"].update(sha256="none"),
        lambda d: d["light"].update(method="guess"),
        lambda d: d.update(schema="blurscope.measurement/2"),
    ],
)
def test_the_schema_sees_a_mistake(ordinary, spoil):
    data = json.loads(json.dumps(ordinary[1]))
    spoil(data)
    assert list(VALID.iter_errors(data))


def test_the_pictures_are_pictures_and_are_not_overwritten(ordinary, capsys):
    from PIL import Image

    _, _, folder = ordinary
    pictures = sorted(p.name for p in (folder / "debug").iterdir())
    assert pictures == ["plate.png", "profiles.png", "streaks.png"]
    for name in pictures:
        with Image.open(folder / "debug" / name) as picture:
            assert picture.width > 800 and np.asarray(picture.convert("L")).std() > 20
    from blurscope.errors import OutputError
    from blurscope.plots.debug import write_debug

    class Shown:
        blocks = {"capture": {"hold_ms": 16.7}}

    with pytest.raises(OutputError, match="exists already"):
        write_debug([None], Shown(), folder / "debug")
    assert sorted(p.name for p in (folder / "debug").iterdir()) == pictures


# ------------------------------------------------------------------------------------------------ other viewpoints

VIEWS = {
    "rotated": ({"roll_deg": 5.0, "k1": -0.03}, None),
    "the other way, coarse": ({"roll_deg": -5.0, "campx_per_px": 2.0}, None),
    "upside down, from the side": ({"turn_deg": 180, "yaw_deg": 5.0, "pitch_deg": 3.0}, "upside_down"),
    "mirrored, fine": ({"mirrored": True, "campx_per_px": 6.0}, "mirrored"),
}


@pytest.mark.parametrize("view", VIEWS)
def test_figures_do_not_depend_on_the_viewpoint(folder, view):
    camera, warned = VIEWS[view]
    response = Response(shape="exponential", time_ms=9.0)
    case = take(folder, view, small(), response, **({"file_format": "jpeg", "campx_per_px": 3.0} | camera))
    bet, u95, true = case.figures("bet_ms")
    assert len(bet) == 6
    assert np.abs(bet / true - 1).max() < 0.02
    assert np.all(np.abs(bet - true) <= 3 * u95)
    codes = {w["code"] for w in case.result.warnings}
    assert codes & {"mirrored", "upside_down"} == ({warned} if warned else set())
    assert case.result.blocks["capture"]["campx_per_px"] == pytest.approx(camera.get("campx_per_px", 3.0), rel=0.02)


# ------------------------------------------------------------------------------------------------ what must be refused


def bomb() -> bytes:
    """Return a PNG whose header promises 100 megapixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 10_000, 10_000, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    )


@pytest.fixture(scope="module")
def wrong(folder, instant):
    """Files that no figure may come from."""
    from PIL import Image

    rng = np.random.default_rng(3)
    made = folder / "wrong"
    made.mkdir()
    display = Display(label="x", response=Response(shape="exponential", time_ms=6.0))
    camera = Camera(file_format="jpeg", campx_per_px=2.0)
    meadow = np.kron(rng.integers(60, 200, (30, 40), dtype=np.uint8), np.ones((20, 20), np.uint8))
    Image.fromarray(meadow).save(made / "meadow.jpg")
    Image.new("L", (800, 500), 90).save(made / "grey.jpg")
    other = make_layouts(640, 400, px_per_refresh=12, levels=3)[0][0]
    (made / "other_plate.jpg").write_bytes(film(other, display, camera, seed=1).data)
    (made / "still.jpg").write_bytes(film_still(instant.layout, display, camera, seed=1).data)
    (made / "empty.jpg").write_bytes(b"")
    whole = film(instant.layout, display, camera, seed=2).data
    (made / "truncated.jpg").write_bytes(whole[: len(whole) // 2])
    (made / "text.jpg").write_text("the ferry leaves at 06:40\n" * 50)
    (made / "bomb.png").write_bytes(bomb())
    write_json(made / "pattern.json", instant.layout.as_json())
    return made


def refusal(arguments, capsys, output: Path) -> str:
    """Run a command that must refuse: exit 1, one sentence, no output, no traceback; return the sentence."""
    before = set(output.parent.iterdir())
    assert main([*map(str, arguments), "--json", str(output)]) == 1
    said = capsys.readouterr()
    lines = [line for line in said.err.splitlines() if line.startswith("blurscope: ")]
    assert len(lines) == 1 and "Traceback" not in said.err and said.out == ""
    assert set(output.parent.iterdir()) == before
    return lines[0]


@pytest.mark.parametrize(
    ("photo", "says"),
    [
        ("meadow.jpg", "plate"),
        ("grey.jpg", "even area"),
        ("other_plate.jpg", "another plate|another one"),
        ("still.jpg", "stands still"),
        ("empty.jpg", "empty"),
        ("truncated.jpg", "truncated|ends early|cut off|incomplete"),
        ("text.jpg", "not a|no picture|text"),
        ("bomb.png", "megapixel"),
        ("missing.jpg", "does not exist|not found|no such"),
    ],
)
def test_a_photo_that_can_not_be_measured_is_refused_in_one_sentence(wrong, tmp_path, capsys, photo, says):
    import re

    text = refusal(["measure", wrong / photo, "--pattern", wrong / "pattern.json"], capsys, tmp_path / "out.json")
    assert re.search(says, text), text


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.update(schema="blurscope.pattern/9"),
        lambda d: d.update(schema="blurscope.response/1"),
        lambda d: d.update(width_px="wide"),
        lambda d: d.update(blocks=[]),
        lambda d: d.update(circuit=[0, 0]),
        lambda d: d.update(refresh_hz=-60),
        lambda d: d["blocks"][0].update(height_px=10**9),
        lambda d: d.pop("levels"),
    ],
)
def test_a_pattern_file_with_nonsense_is_refused_in_one_sentence(wrong, instant, tmp_path, capsys, spoil):
    data = json.loads((wrong / "pattern.json").read_text("utf-8"))
    spoil(data)
    (tmp_path / "p.json").write_text(json.dumps(data))
    out = tmp_path / "results"
    out.mkdir()
    refusal(["measure", instant.photo, "--pattern", tmp_path / "p.json"], capsys, out / "out.json")


def test_an_existing_result_is_not_overwritten_and_nothing_is_measured_first(wrong, instant, tmp_path, capsys):
    out = tmp_path / "out.json"
    out.write_text("mine")
    line = ["measure", str(instant.photo), "--pattern", str(wrong / "pattern.json"), "--json", str(out)]
    assert main(line) == 1 and "exists already" in capsys.readouterr().err
    assert out.read_text() == "mine"


def test_impossible_options_are_refused(instant):
    for options in ({"refresh_hz": 0.0}, {"exposure_refreshes": -1.0}, {"display_gamma": 9.0}):
        with pytest.raises(BlurscopeError):
            bs.measure(instant.photo, pattern=instant.layout, **options)
