"""Rows that start with clock times, dates or words, as loggers write them."""

import datetime

import numpy as np
import pytest

from blurscope.errors import TraceError
from blurscope.trace import ReadOptions, read_record

RATE_HZ = 2000
COUNT = 2500
SIGNAL = np.round(0.5 + 0.4 * np.sin(np.arange(COUNT) / 37.0), 4)
BASE = datetime.datetime(2024, 6, 7, 10, 3, 22, 125_000)


def stamped(shape, *, base=BASE, header="time;signal\n"):
    """Write rows by the standard library's own calendar; ``shape`` gets the moment and the value."""
    moments = [base + datetime.timedelta(microseconds=k * 500) for k in range(COUNT)]
    return header + "".join(shape(m, v) + "\n" for m, v in zip(moments, SIGNAL.tolist(), strict=True))


def read(tmp_path, text, **options):
    path = tmp_path / "r.csv"
    path.write_text(text, encoding="utf-8")
    return read_record(path, ReadOptions(**options))


SHAPES = {
    "semicolon": (lambda m, v: f"{m:%H:%M:%S.%f};{v}", "time;signal\n"),
    "no header": (lambda m, v: f"{m:%H:%M:%S.%f};{v}", ""),
    "decimal commas": (lambda m, v: f"{m:%H:%M:%S,%f};{v}".replace(".", ","), "Zeit;Signal\n"),
    "date before": (lambda m, v: f"{m:%Y-%m-%d %H:%M:%S.%f},{v}", "date time,signal\n"),
    "ISO 8601": (lambda m, v: f"{m:%Y-%m-%dT%H:%M:%S.%fZ},{v}", "timestamp,signal\n"),
    "date column": (lambda m, v: f"{m:%d.%m.%Y},{m:%H:%M:%S.%f},{v}", "Date,Time,Volt\n"),
    "twelve hours": (lambda m, v: f"{m:%I:%M:%S.%f %p}\t{v}", "Time\tA0\n"),
    "minutes": (lambda m, v: f"{m:%M:%S.%f} {v}", ""),
    "colon": (lambda m, v: f"{m:%H:%M:%S:%f},{v}", "time,signal\n"),
    "preamble": (lambda m, v: f"{m:%H:%M:%S.%f},{v}", "Model,LX\nCoupling,DC\n\ntime,signal\n"),
}


@pytest.mark.parametrize("name", SHAPES)
def test_clock_times(tmp_path, name):
    shape, header = SHAPES[name]
    record = read(tmp_path, stamped(shape, header=header))
    assert np.allclose(record.time_s - record.time_s[0], np.arange(COUNT) / RATE_HZ, atol=1e-8)
    assert np.array_equal(record.signal, SIGNAL)


@pytest.mark.parametrize("moment", [(23, 59, 59), (11, 59, 59), (12, 59, 59)])
@pytest.mark.parametrize("shape", ["%H:%M:%S.%f", "%I:%M:%S.%f %p"])
def test_midnight_noon_and_one(tmp_path, moment, shape):
    base = datetime.datetime(2024, 12, 31, *moment, 500_000)
    record = read(tmp_path, stamped(lambda m, v: f"{m.strftime(shape)};{v}", base=base))
    assert np.allclose(record.time_s - record.time_s[0], np.arange(COUNT) / RATE_HZ, atol=1e-8)


def test_milliseconds_of_a_faster_clock_are_spread_evenly(tmp_path):
    record = read(tmp_path, stamped(lambda m, v: f"{m:%H:%M:%S.%f}"[:-3] + f";{v}"))
    assert record.dt_s == pytest.approx(1 / RATE_HZ, rel=1e-3)


def test_coarse_times_have_the_right_rate(tmp_path):
    """Hundredths of a second over 1.25 s: taking their ends for the record's own would be 0.8 % off."""
    text = "time_s,signal\n" + "".join(f"{np.floor(k / RATE_HZ * 100) / 100:.2f},{SIGNAL[k]}\n" for k in range(COUNT))
    assert read(tmp_path, text).dt_s == pytest.approx(1 / RATE_HZ, rel=1e-3)
    with pytest.raises(TraceError, match="too few digits"):
        read(tmp_path, text.replace("time_s", "time_ms")[: len(text) // 4].rsplit("\n", 1)[0] + "\n")
    with pytest.raises(TraceError, match="all its times are the same"):
        read(tmp_path, stamped(lambda m, v: f"{BASE:%H:%M:%S};{v}"))


def test_a_word_that_never_changes(tmp_path):
    times = np.arange(COUNT) / RATE_HZ
    rows = [(f"{t:.6f}", str(v)) for t, v in zip(times.tolist(), SIGNAL.tolist(), strict=True)]
    first = "Channel,time_s,signal_v\n" + "".join(f"CH1,{t},{v}\n" for t, v in rows)
    last = "time_s,signal_v,status\n" + "".join(f"{t},{v},OK\n" for t, v in rows)
    for text in (first, last):
        record = read(tmp_path, text)
        assert np.allclose(record.time_s, times) and np.array_equal(record.signal, SIGNAL)
    bare = "".join(f"CH1,{t},{v}\n" for t, v in rows)
    with pytest.raises(TraceError, match="columns of numbers without a header|no time column"):
        read(tmp_path, bare)
    record = read(tmp_path, bare, time_column="1", signal_column="2", time_unit="s")
    assert np.array_equal(record.signal, SIGNAL)


@pytest.mark.parametrize(
    "shape, says",
    [
        (lambda m, v: f"CH{1 + m.microsecond // 500 % 2},{m:%H:%M:%S.%f},{v}", "words in its rows change"),
        (lambda m, v: f"{m:%H:%M:%S}:5,{v}", "no rows of numbers"),  # frames or tenths
        (lambda m, v: f"{m:%H:%M},{v}", "no rows of numbers"),
        (lambda m, v: f"{m:%H:%M:%S.%f} -> {v} V", "no rows of numbers"),
        (lambda m, v: f"{m:%H:%M:%S.%f},{v},{v}", "several columns that may be the signal"),
    ],
)
def test_what_is_ambiguous_has_one_sentence(tmp_path, shape, says):
    with pytest.raises(TraceError, match=says) as caught:
        read(tmp_path, stamped(shape, header=""))
    assert "\n" not in str(caught.value)


def test_a_torn_row_is_left_out(tmp_path):
    lines = stamped(SHAPES["semicolon"][0]).splitlines()
    lines[700] = lines[700][:6]
    record = read(tmp_path, "\n".join(lines) + "\n")
    assert record.dropped == 1 and len(record.signal) == COUNT - 1
