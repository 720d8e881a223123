"""Records that can't be trusted give right figures or one clear sentence, never a traceback."""

import gzip
import json

import numpy as np
import pytest
from trace_makers import LN9, exponential, toggling

from blurscope.cli import main


def step_record(rng, *, tr=6.0, rate=20_000, noise=0.01, levels=(0.1, 0.9), dwell=0.25, switches=4, offset=0.0):
    """Time and signal of an exponential toggling patch."""
    low, high = levels
    t, y = toggling(exponential(tr), rate=rate, low=low, high=high, switches=switches, dwell=dwell)
    return t, y + offset + rng.normal(0, noise * abs(high - low), len(t))


def write_csv(path, t, y, header="time_s,signal_v"):
    path.write_text(header + "\n" + "".join(f"{a:.6f},{b:.5f}\n" for a, b in zip(t, y, strict=True)))
    return path


def run(path, *extra, levels=("64", "192"), out=None):
    args = ["trace", str(path), "--from-level", levels[0], "--to-level", levels[1], *extra]
    if out is not None:
        args += ["--json", str(out)]
    return main(args)


def refused(capsys, path, *extra, **more):
    """Run and return the single sentence of a refusal."""
    out = path.parent / "out.json"
    code = run(path, *extra, out=out, **more)
    captured = capsys.readouterr()
    assert code == 1, captured
    lines = [line for line in captured.err.splitlines() if line.strip()]
    assert len(lines) == 1 and "Traceback" not in captured.err, captured.err
    assert not out.exists()
    return lines[0]


def response(capsys, path, *extra, **more):
    out = path.parent / "out.json"
    code = run(path, *extra, out=out, **more)
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return json.loads(out.read_text())["transitions"][0]


@pytest.fixture
def rng():
    return np.random.default_rng(20240607)


def test_empty_file(tmp_path, capsys):
    path = tmp_path / "empty.csv"
    path.write_bytes(b"")
    assert "0 bytes" in refused(capsys, path)
    path.write_bytes(b"\n\n  \n")
    assert "blank" in refused(capsys, path)


def test_missing_file_and_folder(tmp_path, capsys):
    assert "does not exist" in refused(capsys, tmp_path / "none.csv")
    (tmp_path / "d.csv").mkdir()
    assert "folder" in refused(capsys, tmp_path / "d.csv")


def test_clipped_top_and_bottom(tmp_path, capsys, rng):
    t, y = step_record(rng)
    assert "clipped at the top" in refused(capsys, write_csv(tmp_path / "top.csv", t, np.minimum(y, 0.9)))
    assert "clipped at the bottom" in refused(capsys, write_csv(tmp_path / "bottom.csv", t, np.maximum(y, 0.1)))


def test_clipped_eight_bits(tmp_path, capsys, rng):
    t, y = step_record(rng)
    codes = np.clip(np.round(y / 0.885 * 255), 0, 255)
    assert "clipped at the top" in refused(capsys, write_csv(tmp_path / "top.csv", t, codes))


def digitised(y, bits=8, low=0.1, high=0.9):
    lsb = 1.1 * (high - low) / (2**bits - 1)
    return np.round(y / lsb) * lsb


STEPS = {
    "exponential": lambda t: -np.expm1(-t * LN9 / 22.8),
    "raised cosine": lambda t: 0.5 - 0.5 * np.cos(np.pi * np.clip(t * 0.590334470601733 / 22.8, 0, 1)),
    "three poles": lambda t: 1 - np.exp(-t / 5.4) * (1 + t / 5.4 + (t / 5.4) ** 2 / 2),
}


@pytest.mark.parametrize("bits", [None, 8])
@pytest.mark.parametrize("name", STEPS)
def test_clipped_without_noise(tmp_path, capsys, name, bits):
    """Noise that would pile up at the limit is missing: the step itself has to tell that it was cut off."""
    t, y = toggling(STEPS[name])
    whole = y if bits is None else digitised(y, bits)
    assert response(capsys, write_csv(tmp_path / "whole.csv", t, whole))["response_ms"]["value"] == pytest.approx(
        22.8, rel=0.02
    )
    assert "clipping_possible" not in (tmp_path / "out.json").read_text()
    (tmp_path / "out.json").unlink()
    for limit in (0.1 + 0.8 * 0.9, 0.1 + 0.8 * 0.85):
        top = np.minimum(y, limit)
        top = top if bits is None else digitised(top, bits)
        sentence = refused(capsys, write_csv(tmp_path / "top.csv", t, top))
        assert "clipped at the top: its rises stop dead" in sentence
        bottom = np.maximum(1.0 - y, 1.0 - limit)
        bottom = bottom if bits is None else digitised(bottom, bits)
        sentence = refused(capsys, write_csv(tmp_path / "bottom.csv", t, bottom), levels=("192", "64"))
        assert "clipped at the bottom: its falls stop dead" in sentence


@pytest.mark.parametrize("noise_codes", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("tr", [6.0, 22.8])
def test_clipped_just_below_the_level(tmp_path, capsys, tr, noise_codes):
    """Cut off at 97 % an exponential of 8 bits read 11 % too short, at 90 % by 29 %, without a word."""
    rng = np.random.default_rng(5)
    t, y = toggling(lambda x: -np.expm1(-x * LN9 / tr), low=0.0, high=1.0)
    lsb = 1.1 / 255
    y = y + 0.02 + rng.normal(0, noise_codes * lsb, len(t))
    found = response(capsys, write_csv(tmp_path / "whole.csv", t, np.round(y / lsb) * lsb))["response_ms"]
    assert found["value"] == pytest.approx(tr, rel=0.02)
    (tmp_path / "out.json").unlink()
    for limit in (0.97, 0.95, 0.9):
        cut = np.round(np.minimum(y, limit + 0.02) / lsb) * lsb
        assert "clipped at the top" in refused(capsys, write_csv(tmp_path / "cut.csv", t, cut))


def test_the_last_code_of_a_converter(tmp_path, capsys):
    """Raw codes that stand at 255 or 4095 may be cut off by however little; one code below they aren't."""
    t, y = toggling(lambda x: -np.expm1(-x * LN9 / 12.0), low=0.0, high=1.0)
    for top in (255, 4095):
        codes = np.minimum(np.round(20 + (top - 19.7) * y), top)
        assert f"stands still on {top}" in refused(capsys, write_csv(tmp_path / "r.csv", t, codes))
        found = response(capsys, write_csv(tmp_path / "r.csv", t, np.round(20 + (top - 23) * y)))["response_ms"]
        assert abs(found["value"] - 12.0) < found["u95"] + 0.02
        (tmp_path / "out.json").unlink()


@pytest.mark.parametrize("seed", range(6))
def test_still_levels_of_a_quiet_record_are_no_clipping(tmp_path, capsys, seed):
    """A level may lie in the middle of a code by chance while noise of a twentieth of a code moves the other."""
    rng = np.random.default_rng(seed)
    t, y = toggling(STEPS[list(STEPS)[seed % 3]], low=0.0, high=1.0)
    lsb = 1.1 / 255
    y = (np.round(1 / lsb) * y + 4.43) * lsb - 0.43 * lsb * y + rng.normal(0, 0.05 * lsb, len(t))
    assert response(capsys, write_csv(tmp_path / "r.csv", t, np.round(y / lsb) * lsb))["quality"]["ok"]


def test_clipped_overshoot_without_noise(tmp_path, capsys):
    t, y = toggling(lambda x: 1 - np.exp(-x / 4) * np.cos(x / 2.7))
    assert response(capsys, write_csv(tmp_path / "whole.csv", t, y))["quality"]["ok"]
    (tmp_path / "out.json").unlink()
    assert "clipped at the top" in refused(capsys, write_csv(tmp_path / "cut.csv", t, np.minimum(y, 0.93)))


def test_a_straight_ramp_is_pointed_out_and_an_instant_step_is_not(tmp_path, capsys):
    """A ramp ends as a clipped one does; what takes no time can't be told apart at all."""
    t, y = toggling(lambda x: np.clip(x / 10, 0, 1))
    found = response(capsys, write_csv(tmp_path / "ramp.csv", t, y))
    assert found["response_ms"]["value"] == pytest.approx(8.0, rel=0.01)
    warnings = json.loads((tmp_path / "out.json").read_text())["warnings"]
    assert "clipping_possible" in {w["code"] for w in warnings}
    (tmp_path / "out.json").unlink()
    t, y = toggling(lambda x: 1.0 * (x >= 0))
    response(capsys, write_csv(tmp_path / "instant.csv", t, y))
    assert "clipping_possible" not in (tmp_path / "out.json").read_text()


def test_two_codes_of_a_digitiser_are_no_noise(tmp_path, capsys, rng):
    """A level close to the border of two codes jumps between them: the other one isn't clipped for that."""
    t, y = toggling(lambda x: 1.0 * (x >= 0))
    lsb = 1.1 * 0.8 / 255
    for low, high in ((28.5, 259.0), (28.2, 258.75), (28.0, 258.5)):
        volts = lsb * (low + (high - low) * (y - 0.1) / 0.8) + rng.normal(0, 0.1 * lsb, len(y))
        found = response(capsys, write_csv(tmp_path / "codes.csv", t, np.round(volts / lsb) * lsb))
        assert found["response_ms"]["value"] <= 0.1
        (tmp_path / "out.json").unlink()


@pytest.mark.parametrize("rate", [5_000, 50_000])
def test_noise_that_grows_with_light(tmp_path, capsys, rng, rate):
    """A backlight that flickers by 1 % is a thousand times as noisy at white as at the black of a contrast of 1000."""
    for tr in (2.0, 10.0):
        t, y = toggling(lambda x, tr=tr: -np.expm1(-x * LN9 / tr), rate=rate, low=0.0009, high=0.9)
        path = tmp_path / "flicker.csv"
        path.write_text(
            "time_s,signal\n"
            + "".join(f"{a:.6f},{b:.9f}\n" for a, b in zip(t, y * (1 + rng.normal(0, 0.01, len(t))), strict=True))
        )
        found = {}
        assert main(["trace", str(path), "--from-level", "0", "--to-level", "255", "--both-ways",
                     "--json", str(tmp_path / "out.json")]) == 0  # fmt: skip
        capsys.readouterr()
        for entry in json.loads((tmp_path / "out.json").read_text())["transitions"]:
            found = entry["response_ms"]
            assert entry["quality"]["ok"] and abs(found["value"] - tr) < 1.6 * found["u95"], entry["quality"]
            assert found["u95"] < 0.1 * tr + 0.1
        (tmp_path / "out.json").unlink()


def test_unsettled(tmp_path, capsys, rng):
    t, y = step_record(rng, tr=200.0, dwell=0.2, switches=1)
    assert "still moving" in refused(capsys, write_csv(tmp_path / "slow.csv", t, y))


def test_ac_coupled(tmp_path, capsys, rng):
    from scipy.signal import lfilter

    for corner_hz in (0.5, 2.0, 20.0):
        t, y = step_record(rng, noise=0.003)
        x = np.exp(-2 * np.pi * corner_hz * (t[1] - t[0]))
        coupled = lfilter([1, -1], [1, -x], y - y[0])
        sentence = refused(capsys, write_csv(tmp_path / f"ac{corner_hz}.csv", t, coupled))
        assert "AC-coupled" in sentence, sentence


def test_one_level_only(tmp_path, capsys, rng):
    t = np.arange(20_000) / 20_000
    y = 0.4 + rng.normal(0, 0.004, len(t))
    assert "one level" in refused(capsys, write_csv(tmp_path / "flat.csv", t, y))
    ripple = 0.4 + 0.1 * np.sin(2 * np.pi * 240 * t) + rng.normal(0, 0.004, len(t))
    assert "one level" in refused(capsys, write_csv(tmp_path / "ripple.csv", t, ripple))
    assert "one level" in refused(capsys, write_csv(tmp_path / "still.csv", t, np.full(len(t), 0.25)))


def test_few_nans_are_left_out(tmp_path, capsys, rng):
    t, y = step_record(rng)
    path = tmp_path / "gaps.csv"
    rows = [f"{a:.6f},{'nan' if i % 997 == 5 else f'{b:.5f}'}" for i, (a, b) in enumerate(zip(t, y, strict=True))]
    path.write_text("time_s,signal\n" + "\n".join(rows) + "\n")
    q = response(capsys, path)["response_ms"]
    assert abs(q["value"] - 6.0) < max(0.15, 1.5 * q["u95"])


def test_many_nans_are_refused(tmp_path, capsys, rng):
    t, y = step_record(rng)
    y[::7] = np.nan
    assert "not numbers" in refused(capsys, write_csv(tmp_path / "nan.csv", t, y))


def test_swapped_columns(tmp_path, capsys, rng):
    t, y = step_record(rng)
    good = write_csv(tmp_path / "named.csv", y, t, header="signal,time_s")
    assert abs(response(capsys, good)["response_ms"]["value"] - 6.0) < 0.2
    (tmp_path / "out.json").unlink()
    sentence = refused(capsys, write_csv(tmp_path / "wrong.csv", y, t, header="time_s,signal"))
    assert "swapped" in sentence


def test_unknown_units_and_columns(tmp_path, capsys, rng):
    t, y = step_record(rng)
    assert "unit" in refused(capsys, write_csv(tmp_path / "a.csv", t, y, header="time,signal"))
    assert "unit" in refused(capsys, write_csv(tmp_path / "b.csv", t, y, header="time_ticks,signal"))
    headerless = tmp_path / "c.csv"
    write_csv(headerless, t, y)
    headerless.write_text(headerless.read_text().split("\n", 1)[1])
    assert "without a header" in refused(capsys, headerless)
    q = response(capsys, headerless, "--time-column", "0", "--time-unit", "s")["response_ms"]
    assert abs(q["value"] - 6.0) < 0.2
    three = tmp_path / "d.csv"
    three.write_text("time_s,ch1,ch2\n" + "".join(f"{a:.6f},{b:.5f},0.1\n" for a, b in zip(t, y, strict=True)))
    (tmp_path / "out.json").unlink()
    assert "several columns" in refused(capsys, three)
    assert abs(response(capsys, three, "--signal-column", "ch1")["response_ms"]["value"] - 6.0) < 0.2


def test_reversed_levels_are_named(tmp_path, capsys, rng):
    t, y = step_record(rng, switches=1)
    path = write_csv(tmp_path / "r.csv", t, -y)
    assert "other way" in refused(capsys, path)
    assert abs(response(capsys, path, "--inverted")["response_ms"]["value"] - 6.0) < 0.25


def test_text_binary_and_damaged_files(tmp_path, capsys, rng):
    prose = tmp_path / "prose.csv"
    prose.write_text("the ferry leaves at nine\n" * 200)
    assert "no rows of numbers" in refused(capsys, prose)
    binary = tmp_path / "binary.csv"
    binary.write_bytes(bytes(rng.integers(0, 256, 5000, dtype=np.uint8)))
    refused(capsys, binary)
    t, y = step_record(rng)
    whole = gzip.compress(write_csv(tmp_path / "w.csv", t, y).read_bytes())
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(whole[: len(whole) // 2])
    assert "damaged" in refused(capsys, cut)
    full = tmp_path / "full.csv.gz"
    full.write_bytes(whole)
    assert abs(response(capsys, full)["response_ms"]["value"] - 6.0) < 0.2
    broken = tmp_path / "broken.npz"
    broken.write_bytes(b"PK\x03\x04 nothing else")
    (tmp_path / "out.json").unlink()
    assert "NumPy" in refused(capsys, broken)
    np.save(tmp_path / "objects.npy", np.array([{"a": 1}], dtype=object), allow_pickle=True)
    assert "NumPy" in refused(capsys, tmp_path / "objects.npy")


def test_time_running_backwards(tmp_path, capsys, rng):
    t, y = step_record(rng)
    t = np.concatenate([t[: len(t) // 2], t[: len(t) - len(t) // 2]])
    assert "backwards" in refused(capsys, write_csv(tmp_path / "sweeps.csv", t, y))


def test_huge_numbers(tmp_path, capsys, rng):
    t, y = step_record(rng)
    y[100] = 1e308
    y[101] = -1e308
    path = tmp_path / "huge.csv"
    path.write_text("time_s,signal\n" + "".join(f"{a:.6f},{b:.6g}\n" for a, b in zip(t, y, strict=True)))
    assert "absurd" in refused(capsys, path)


def test_small_step_has_no_figures(tmp_path, capsys, rng):
    t, y = step_record(rng, noise=0.3, switches=2)
    entry = response(capsys, write_csv(tmp_path / "noisy.csv", t, y))
    assert entry["response_ms"] == {"value": None, "u95": None}
    assert entry["quality"] == {"ok": False, "flags": ["step_too_small"]}


def test_batch_keeps_its_results(tmp_path, capsys, rng):
    t, y = step_record(rng)
    write_csv(tmp_path / "good.csv", t, y)
    (tmp_path / "bad.csv").write_bytes(b"")
    listed = tmp_path / "transitions.csv"
    listed.write_text("file,from_level,to_level\ngood.csv,64,192\ngood.csv,192,64\nbad.csv,0,64\n")
    out = tmp_path / "out.json"
    assert main(["trace", "--transitions", str(listed), "--json", str(out)]) == 1
    err = capsys.readouterr().err
    assert "bad.csv is empty" in err and "Traceback" not in err
    data = json.loads(out.read_text())
    assert [(e["from_level"], e["to_level"]) for e in data["transitions"]] == [(64, 192), (192, 64)]
    assert data["refused"][0]["file"].endswith("bad.csv")


@pytest.mark.parametrize(
    "text, says",
    [
        ("", "empty"),
        ("file,from_level\na.csv,0\n", "to_level"),
        ("file,from_level,to_level\na.csv,0,300\n", "0 to 255"),
        ("file,from_level,to_level\na.csv,64,64\n", "same level"),
        ("file,from_level,to_level\na.csv,dark,64\n", "no number"),
        ("file,from_level,to_level\n", "no transition"),
    ],
)
def test_lists_that_make_no_sense(tmp_path, capsys, text, says):
    path = tmp_path / "transitions.csv"
    path.write_text(text)
    assert main(["trace", "--transitions", str(path)]) == 1
    err = capsys.readouterr().err
    assert says in err and len(err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        ("63.75", "191.25", "write 64 and 191 if it was"),
        ("63,75", "200", "63.75 and 200; write 64 and 200"),
        ("0.25", "0.75", "look like shares of white"),
        ("0", "1", "look like shares of white"),
        ("25%", "75%", "no number"),
    ],
)
def test_levels_that_are_no_codes_are_refused(tmp_path, rng, capsys, low, high, says):
    """A quarter of white is not level 0.25, and no display was sent 63.75: predict and check know whole codes only."""
    path = write_csv(tmp_path / "a.csv", *step_record(rng))
    index = tmp_path / "list.csv"
    index.write_text(f"file;from_level;to_level\na.csv;{low};{high}\n")
    assert main(["trace", "--transitions", str(index), "--json", str(tmp_path / "out.json")]) == 1
    said = capsys.readouterr().err
    assert says in said and "line 2" in said and len(said.splitlines()) == 1
    if "%" not in low and "," not in low:
        assert says in refused(capsys, path, levels=(low, high))
    index.write_text("file,from_level,to_level\na.csv,64.0,1.92e2\n")
    assert main(["trace", "--transitions", str(index), "--json", str(tmp_path / "out.json")]) == 0


def test_options_that_make_no_sense(tmp_path, capsys, rng):
    t, y = step_record(rng)
    path = write_csv(tmp_path / "r.csv", t, y)
    for extra, says in (
        (["--display-gamma", "0"], "gamma"),
        (["--contrast", "1000"], "--display-gamma"),
        (["--display-gamma", "2.2", "--contrast", "0.5"], "contrast"),
        (["--fractions", "90-10"], "fractions"),
        (["--refresh-hz", "-60"], "refresh"),
        (["--meter", str(tmp_path / "none.csv")], "does not exist"),
        (["--jobs", "0"], "jobs"),
        (["--time-unit", "fortnight"], "unit"),
    ):
        assert says in refused(capsys, path, *extra), extra
    assert main(["trace", str(path)]) == 1
    assert "--transitions" in capsys.readouterr().err
    assert main(["trace"]) == 1


def test_computed_square_wave_without_noise(tmp_path, capsys):
    t = np.arange(30_000) / 20_000
    y = 0.1 + 0.5 * ((t * 2).astype(int) % 2)
    q = response(capsys, write_csv(tmp_path / "square.csv", t, y))["response_ms"]
    # Nothing is known between two samples 0.05 ms apart.
    assert 0 <= q["value"] <= 0.05 and q["value"] - q["u95"] <= 0.001


@pytest.mark.parametrize("value", ["99999999999999999999999", "-1e23", "1e308", "4e9", "1e150"])
def test_one_absurd_sample_is_refused(tmp_path, rng, capsys, value):
    t, y = step_record(rng)
    path = write_csv(tmp_path / "r.csv", t, y)
    lines = path.read_text().splitlines()
    lines[3000] = lines[3000].split(",")[0] + "," + value
    path.write_text("\n".join(lines) + "\n")
    assert "absurd values" in refused(capsys, path)


def test_large_codes_of_a_recorder_are_read(tmp_path, rng, capsys):
    """A 32-bit recorder counts in codes of thousands of millions: only ratios of differences matter.

    Numbers that differ in their last bit may tip the choice between two nearly equal curves, as other libraries and
    processors do: both are well inside the claimed interval.
    """
    t, y = step_record(rng)
    small = response(capsys, write_csv(tmp_path / "a.csv", t, y))
    (tmp_path / "out.json").unlink()
    large = response(capsys, write_csv(tmp_path / "b.csv", t, np.round(y, 5) * 4e9))
    u95 = small["response_ms"]["u95"]
    assert u95 < 0.15  # 2 percent of the truth
    assert large["response_ms"]["value"] == pytest.approx(small["response_ms"]["value"], abs=0.25 * u95)
    assert large["response_ms"]["value"] == pytest.approx(6.0, abs=1.5 * u95)


def test_a_spike_in_the_first_samples_costs_no_traceback(tmp_path, rng, capsys):
    """It looks like a switch after a stay too short to know its level."""
    t, y = step_record(rng)
    for at, value in ((4, 4.1), (8, 10.0), (220, 2.1)):
        spiked = y.copy()
        spiked[at] = value
        found = response(capsys, write_csv(tmp_path / f"r{at}.csv", t, spiked))
        if found["quality"]["ok"]:
            assert found["response_ms"]["value"] == pytest.approx(6.0, abs=3 * found["response_ms"]["u95"])
        (tmp_path / "out.json").unlink()


@pytest.mark.parametrize("scale", [1e-200, 1e200])
def test_signals_of_absurd_size_are_refused(tmp_path, rng, capsys, scale):
    t, y = step_record(rng)
    np.savez(tmp_path / "r.npz", time_s=t, signal=y * scale)
    assert "absurd values" in refused(capsys, tmp_path / "r.npz")


def test_digits_with_underscores_are_no_numbers(tmp_path, rng, capsys):
    t, y = step_record(rng)
    path = write_csv(tmp_path / "r.csv", t, y)
    lines = path.read_text().splitlines()
    lines[3000] = lines[3000].split(",")[0] + ",1_0"
    path.write_text("\n".join(lines) + "\n")
    assert response(capsys, path)["response_ms"]["value"] == pytest.approx(6.0, rel=0.03)
    warnings = json.loads((tmp_path / "out.json").read_text())["warnings"]
    assert "samples_dropped" in {w["code"] for w in warnings}


@pytest.mark.parametrize("seed", [3, 22, 26, 43])
def test_a_pwm_of_nearly_a_tenth_of_the_sample_rate(tmp_path, capsys, seed):
    """Within a stay its phase hardly moves against the samples; from stay to stay it may be off by a whole turn."""
    rng = np.random.default_rng(seed)
    t, y = toggling(STEPS["raised cosine"], low=0.02, high=0.6, switches=8)
    y = y * np.where((t * 2000.74 + 0.2) % 1 < 0.5, 1.5, 0.5) + rng.normal(0, 0.0116, len(t))
    np.savez(tmp_path / "r.npz", time_s=t, signal=digitised(y, low=0.02, high=0.6))
    for levels in (("64", "192"), ("192", "64")):
        found = response(capsys, tmp_path / "r.npz", levels=levels)
        assert found["quality"]["ok"]
        assert abs(found["response_ms"]["value"] - 22.8) < max(1.6 * found["response_ms"]["u95"], 0.02 * 22.8)
        (tmp_path / "out.json").unlink()


@pytest.mark.parametrize(("bits", "tr"), [(4, 6.0), (5, 12.0), (6, 22.8)])
def test_codes_as_coarse_as_stairs(tmp_path, capsys, bits, tr):
    """Without noise a stair of codes is as steep as the samples let it: that doesn't make a crossing better known."""
    t, y = toggling(lambda x: -np.expm1(-x * LN9 / tr))
    found = response(capsys, write_csv(tmp_path / "r.csv", t, digitised(y, bits)))["response_ms"]
    assert abs(found["value"] - tr) < found["u95"] < 0.5 * tr
