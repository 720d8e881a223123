"""Damaged and made-up files against every reader of traces, JSON and tables: right, or one sentence; never long."""

from __future__ import annotations

import importlib.util
import json
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blurscope.cli import main
from blurscope.errors import SettingsError
from blurscope.files import blame_files, read_json, write_json

ROOT = Path(__file__).parent.parent


def load():
    spec = importlib.util.spec_from_file_location("fuzz", ROOT / "benchmarks" / "fuzz.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


FUZZ = load()
from fuzz_seeds import PICTURES, SMALL_CLIPS, VIDEOS  # noqa: E402  (`fuzz` makes the folder known)

EXAMPLES = {  # so that all of them together take about 20 s
    "photo": 40,
    **{f"photo {k}": 10 for k in PICTURES},
    **{f"video {k}": 8 for k in VIDEOS},
    **{f"video {k}": 4 for k in SMALL_CLIPS},
    **{f"measure of a damaged {k}": 1 for k in VIDEOS if k != "clip_webm"},
    **{f"measure of a damaged {k}": 2 for k in SMALL_CLIPS},
    "photo with a damaged EXIF, profile or chunk": 60,
    "picture of a kind that is not read": 20,
    "trace CSV, packed": 10,
    "trace npz of odd arrays": 30,
    "result of an earlier batch": 20,
    "measure with a damaged still": 2,
    "edge of a damaged photo": 6,
    "pattern JSON": 40,
    "measurement JSON, report": 8,
    "measurement JSON, page": 4,
    "measurement JSON, check": 4,
    "measurement JSON, compare": 4,
    "response JSON": 12,
    "trace CSV": 15,
    "trace npy and npz": 40,
    "meter CSV": 40,
    "transitions CSV": 40,
    "manifest CSV": 40,
    "steps JSON": 40,
    "measure with a damaged pattern": 3,
    "measure of a damaged photo": 2,
}


@pytest.fixture(scope="module")
def readers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    seeds = FUZZ.make_seeds(folder)
    write_json(folder / "pattern.json", seeds["layout"].as_json())
    return folder, {case.name: case for case in FUZZ.cases(folder, seeds)}, seeds


def test_every_reader_is_listed(readers):
    left_out = set(EXAMPLES) - set(readers[1])
    assert set(readers[1]) <= set(EXAMPLES) and all(
        "heic" in n or "clip" in n or "small" in n for n in left_out
    )  # extras not installed


@pytest.mark.parametrize("name", EXAMPLES)
def test_damaged_files_are_read_or_refused(readers, name):
    folder, found, _ = readers
    if name not in found:
        pytest.skip("the package that reads it is not installed")

    @settings(
        max_examples=EXAMPLES[name], deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.integers(0, 2**32))
    def run(seed):
        what, more = FUZZ.try_one(found[name], random.Random(seed), folder)
        assert what not in FUZZ.FAULTS, f"{what}: {more}"

    run()


def test_the_fuzzer_finds_what_it_is_for(readers, tmp_path):
    """A reader with each fault must be caught."""

    def make(_):
        return b"x", True

    def hang(_):
        while True:
            pass

    def sentence(_):
        raise SettingsError("two\nlines")

    old, FUZZ.LIMIT_S = FUZZ.LIMIT_S, 0.05
    try:
        uses = {"traceback": lambda _: [][0], "hang": hang, "ok from garbage": lambda _: 1, "bad sentence": sentence}
        for what, use in uses.items():
            assert FUZZ.try_one(FUZZ.Case("x", ".x", make, use), random.Random(1), tmp_path)[0] == what
    finally:
        FUZZ.LIMIT_S = old


def test_seeds_are_read_undamaged(readers):
    """What is damaged must be sound before, or the fuzzing would only see refusals."""
    folder, found, seeds = readers
    for name, seed in (
        ("pattern JSON", "pattern"), ("measurement JSON, report", "measurement"), ("response JSON", "response"),
        ("trace CSV", "record"), ("trace npy and npz", "npy"), ("meter CSV", "meter"), ("steps JSON", "steps"),
        ("transitions CSV", "transitions"), ("manifest CSV", "manifest"),
        ("measure with a damaged still", "still"), ("edge of a damaged photo", "photo"),
        *((f"photo {k}", k) for k in PICTURES if k in seeds),
        *((f"video {k}", k) for k in VIDEOS if k in seeds),
    ):  # fmt: skip
        case = found[name]
        path = folder / f"sound{case.suffix}"
        path.write_bytes(seeds[seed])
        case.use(path)


# ------------------------------------------------------------------------------------------------ JSON in particular


@pytest.mark.parametrize("token", ["1e999", "-1e999", "NaN", "9" * 400, "-" + "9" * 5000])
def test_numbers_that_are_none_are_refused(tmp_path, token):
    path = tmp_path / "a.json"
    path.write_text('{"schema": "blurscope.test/1", "x": ' + token + "}")
    with pytest.raises(SettingsError, match="not a JSON number") as refusal:
        read_json(path, "blurscope.test/1")
    assert len(str(refusal.value)) < 300


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda m: m.update(edges=5), "edges is the number 5 where array belongs"),
        (lambda m: m["edges"][0].update(bet_ms="x"), "edges[0].bet_ms is a text where object belongs"),
        (lambda m: m.pop("tracking"), "tracking is missing"),
        (lambda m: m["capture"].update(refresh_hz=True), "capture.refresh_hz is true or false where number belongs"),
    ],
)
def test_a_damaged_file_is_described(tmp_path, readers, change, words):
    document = json.loads(readers[2]["measurement"])
    change(document)
    path = tmp_path / "m.json"
    path.write_text(json.dumps(document), "utf-8")
    with pytest.raises(SettingsError) as refusal, blame_files(path):
        raise KeyError("whatever")
    assert words in str(refusal.value) and str(path) in str(refusal.value)


def test_a_sound_file_is_not_called_damaged(tmp_path, readers):
    path = tmp_path / "m.json"
    path.write_bytes(readers[2]["measurement"])
    with pytest.raises(SettingsError, match="something in") as refusal, blame_files(path):
        raise KeyError("whatever")
    assert "damaged" not in str(refusal.value)
    with pytest.raises(KeyError), blame_files(None):
        raise KeyError("whatever")


def test_a_path_that_cannot_exist(capsys):
    assert main(["predict", "--response", "a\0b", "--refresh-hz", "60", "--px-per-refresh", "8"]) in (1, 2)
    assert "Traceback" not in capsys.readouterr().err


def test_a_damaged_document_is_the_same_whatever_was_damaged_before():
    """File number 7 of a run must be file number 7 when it is made alone."""
    from damage import damage_json

    data = json.dumps({"a": {"b": [1, 2, {"c": 3}]}, "d": [[4], {"e": {}}]}).encode()
    alone = [damage_json(random.Random(n), data) for n in range(40)]
    for n in range(2000):
        damage_json(random.Random(1000 + n), data)
    assert [damage_json(random.Random(n), data) for n in range(40)] == alone
