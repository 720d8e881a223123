"""The law that greys show against the law that was given: closed forms, scatter, and what must not be read from it."""

from __future__ import annotations

import json
from importlib import resources

import numpy as np
import pytest
from test_agreement import pair_of

from blurscope.camera import Camera, Display, LightLaw, film
from blurscope.crosscheck import cross_check_data
from blurscope.displaylaw import compare_laws, contradiction, law_of_records, seen_from_json, seen_law, used_law
from blurscope.model import responses_of
from blurscope.pattern.budget import make_layouts
from blurscope.photodiode import Detector, write_records
from blurscope.pipeline import measure
from blurscope.trace import Settings, gamma_law, read_transitions, reduce_records
from blurscope.trace.law import LevelLaw

LEVELS = np.array([0.0, 64, 128, 191, 255])
ALL = np.arange(256.0)
LAYOUT = make_layouts(800, 480, px_per_refresh=8, levels=5, refresh_hz=60.0)[0][0]


def power(gamma: float, level: np.ndarray = LEVELS, black: float = 0.001) -> np.ndarray:
    return black + (1 - black) * (level / 255) ** gamma


def pairs_of(light: dict[float, float], gain=lambda i: 1.0, offset=lambda i: 0.0):
    """Settled signals of all ordered pairs, each record with its own gain and offset."""
    ends = [(a, b) for a in light for b in light if a != b]
    return ends, [tuple(offset(i) + gain(i) * light[v] for v in pair) for i, pair in enumerate(ends)]


@pytest.mark.parametrize("gamma", [1.8, 2.2, 2.6])
def test_exponent_of_a_power_law_is_that_law(gamma):
    seen = seen_law(LEVELS, 3.0 * power(gamma) + 0.2, np.full(5, 1e-5))
    assert seen.gamma()[0] == pytest.approx(gamma, abs=0.002)
    # against another law it is the ratio of both exponents, in closed form
    assert seen.power_over(ALL, power(2.2, ALL))[0] == pytest.approx(gamma / 2.2, abs=0.002)
    assert bool(contradiction(seen, ALL, power(2.2, ALL))) == (gamma != 2.2)


@pytest.mark.parametrize("kind", ["srgb", "bt1886"])
def test_other_laws_are_compared_by_their_form(kind):
    """IEC 61966-2-1 and ITU-R BT.1886 as the simulated display has them: no contradiction with their own tables."""
    law = LightLaw(kind=kind, gamma=2.4, black=1 / 1500)
    seen = seen_law(LEVELS, law.light(LEVELS), np.full(5, 1e-4))
    assert seen.power_over(ALL, law.light(ALL))[0] == pytest.approx(1.0, abs=1e-4)
    table = np.linspace(0, 255, 18)
    assert contradiction(seen, table, law.light(table)) == ""
    assert contradiction(seen, ALL, power(1.5, ALL)) != ""


def test_srgb_is_within_what_a_gamma_of_22_is_said_of():
    law = LightLaw(kind="srgb", gamma=2.2, black=1 / 1500)
    level = np.arange(0, 256, 17.0)
    for levels in (LEVELS, level):
        assert (
            contradiction(seen_law(levels, law.light(levels), np.full(len(levels), 1e-4)), ALL, power(2.2, ALL)) == ""
        )


def test_claimed_uncertainty_matches_the_scatter_of_the_exponent():
    rng = np.random.default_rng(4)
    level, sd = np.arange(0, 256, 17.0), 0.004  # clearly above the floor for light
    found = [
        seen_law(level, power(2.2, level) + rng.normal(0, sd, len(level)), np.full(len(level), sd)).gamma()
        for _ in range(400)
    ]
    value, claimed = np.array(found).T
    assert abs(value.mean() - 2.2) < 0.01
    assert 0.75 < value.std(ddof=1) / np.sqrt((claimed**2).mean()) < 1.1  # the floor is counted on top


def test_records_with_a_common_gain_show_the_law():
    ends, volts = pairs_of(dict(zip(LEVELS, power(2.2), strict=True)), lambda i: -1.7, lambda i: 0.4)
    assert law_of_records(ends, volts).gamma()[0] == pytest.approx(2.2, abs=0.002)


def test_records_with_their_own_gains_say_less_and_nothing_where_each_is_scaled():
    light, rng = dict(zip(LEVELS, power(2.2), strict=True)), np.random.default_rng(5)
    gains = rng.normal(1, 0.03, 20)
    loose = law_of_records(*pairs_of(light, lambda i: gains[i])).gamma()
    assert abs(loose[0] - 2.2) < 3 * loose[1]
    assert loose[1] > 2 * law_of_records(*pairs_of(light)).gamma()[1]
    ends, _ = pairs_of(light)
    assert law_of_records(ends, [(0.0, 1.0)] * len(ends)) is None
    assert law_of_records(ends[:3], [(0.0, 1.0)] * 3) is None
    offsets = rng.normal(0, 0.02, 20)
    law = law_of_records(*pairs_of(light, lambda i: gains[i], lambda i: offsets[i]))
    assert contradiction(law, ALL, power(2.2, ALL)) == ""
    assert contradiction(law, ALL, power(1.8, ALL)) != ""


@pytest.mark.parametrize(
    "block", [None, 3, {}, {"level": [0, 1]}, {"level": [0, 9, 5], "light": [0, 1, 2], "u95": [0, 0, 0]},
              {"level": [0, 1, 2], "light": ["a", 1, 2], "u95": [0, 0, 0]}, {"level": [[0]], "light": 3, "u95": None}],
)  # fmt: skip
def test_what_is_no_law_is_none(block):
    assert seen_from_json(block) is None
    assert used_law({"law": block} if isinstance(block, dict) else block) is None
    assert compare_laws({"shown": block}, block) == []


def photo_of(tmp_path, law: LightLaw, **options):
    display = Display(label="Terminal", law=law)
    camera = Camera(exposure_refreshes=4, campx_per_px=2.6, lens_sigma_campx=1.0, file_format="png")
    path = tmp_path / "photo.png"
    path.write_bytes(film(LAYOUT, display, camera, seed=11).data)
    found = measure(path, pattern=LAYOUT, **options).as_json()
    return json.loads(json.dumps(found, default=lambda v: v.as_json() if hasattr(v, "as_json") else v.item()))


def validate(data, name):
    import jsonschema

    text = resources.files("blurscope").joinpath(f"schemas/{name}.schema.json").read_text()
    jsonschema.validate(json.loads(json.dumps(data, allow_nan=False)), json.loads(text))


def codes(data):
    return [w["code"] for w in data["warnings"]]


def test_photo_measured_with_a_wrong_gamma_says_so(tmp_path):
    data = photo_of(tmp_path, LightLaw(kind="gamma", gamma=2.2, black=1 / 1000), display_gamma=1.8)
    validate(data, "measurement")
    shown = data["light"]["shown"]["display_gamma"]
    assert abs(shown["value"] - 2.2) < max(0.02, shown["u95"])
    assert data["light"]["display_gamma"] == pytest.approx(1.8, abs=0.01)
    assert "law_contradicted" in codes(data)
    (message,) = [w["message"] for w in data["warnings"] if w["code"] == "law_contradicted"]
    assert "1.80 by what was given" in message


def test_photo_with_the_right_law_is_not_doubted(tmp_path):
    law = LightLaw(kind="srgb", gamma=2.2, black=1 / 1000)
    table = np.arange(0, 256, 15.0)
    data = photo_of(tmp_path, law, meter=(table, law.light(table)))
    assert "law_contradicted" not in codes(data)
    (own,) = compare_laws(data["light"], None)
    assert own.as_json()["agrees"] and abs(own.power - 1) < 0.03


@pytest.mark.parametrize(("gamma", "contradicted"), [(1.8, True), (2.2, False)])
def test_records_reduced_with_a_wrong_gamma_say_so(tmp_path, gamma, contradicted):
    def step(t):
        return np.where(t > 0, 1 - np.exp(-np.maximum(t, 0) / 4), 0.0)

    pairs = [(a, b) for a in (0, 64, 128, 191, 255) for b in (0, 64, 128, 191, 255) if a != b]
    listed = write_records(
        tmp_path, dict.fromkeys(pairs, step), lambda level: float(power(2.2, np.array(level))), refresh_hz=60.0,
        detector=Detector(sample_rate_hz=10_000.0, noise_of_step=0.01), dwell_s=0.2, seed=3,
    )  # fmt: skip
    found = reduce_records(read_transitions(listed), Settings(law=gamma_law(gamma, black=0.001)), jobs=1).as_json()
    data = json.loads(json.dumps(found))
    validate(data, "response")
    assert ("law_contradicted" in codes(data)) == contradicted
    assert abs(data["light"]["shown"]["display_gamma"]["value"] - 2.2) < 0.03
    meter = LevelLaw(method="meter", level=LEVELS, light=power(2.2), gamma=2.2)
    found = reduce_records(read_transitions(listed), Settings(law=meter), jobs=1).as_json()
    validate(json.loads(json.dumps(found)), "response")
    assert "law_contradicted" not in codes(found)
    assert compare_laws(None, found["light"])[0].p > 0.3


def with_laws(used_by_photo, shown_by_photo, used_by_response, shown_by_response, *, declared=True):
    """Two made-up files with nothing wrong in their figures, and laws as wanted."""
    measurement, response = pair_of(3, "none")
    level = np.arange(0, 256, 17.0)

    def shown(gamma):
        return None if gamma is None else seen_law(level, power(gamma, level), np.full(len(level), 5e-4)).as_json()

    measurement["light"] |= {
        "law": {"level": level.tolist(), "light": power(used_by_photo, level).tolist(), "declared": declared},
        "shown": shown(shown_by_photo),
    }
    response["light"] = {"method": "assumed_gamma", "display_gamma": {"value": used_by_response, "u95": 0.0}}
    response["light"] |= {"law": None, "shown": shown(shown_by_response)}
    return cross_check_data(measurement, responses_of(response, "response"))[0]


@pytest.mark.parametrize(
    ("laws", "words"),
    [
        ((1.8, 2.2, 2.2, 2.2), "the photo was measured with a display gamma of 1.8"),
        ((2.2, 2.2, 1.8, 2.2), "the records were reduced with a display gamma of 1.8"),
        ((2.2, 2.2, 1.8, None), "the records were reduced with a display gamma of 1.8"),
        ((1.8, None, 2.2, 2.2), "the photo was measured with a display gamma of 1.8"),
    ],
)
def test_check_names_a_law_that_greys_contradict(laws, words):
    report = with_laws(*laws)
    validate(report, "agreement")
    assert report["summary"]["verdict"] == "disagree"
    assert report["summary"]["reason"].startswith(words)
    assert [c["cause"] for c in report["causes"]] == ["display_gamma"]
    first = report["causes"][0]
    assert first["estimate"]["value"] == pytest.approx(2.2, abs=0.01)
    assert words in first["advice"] and first["advice"].count(". ") == 0
    assert not all(entry["agrees"] for entry in report["laws"])


@pytest.mark.parametrize("laws", [(2.2, 2.2, 2.2, 2.2), (2.2, 2.15, 2.3, 2.25), (1.8, None, 1.8, None)])
def test_check_leaves_laws_alone_that_are_the_same(laws):
    report = with_laws(*laws)
    assert report["summary"]["verdict"] == "agree"
    assert report["causes"] == [] and all(entry["agrees"] for entry in report["laws"])
