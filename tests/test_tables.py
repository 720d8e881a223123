"""Tables of light against level: however a spreadsheet writes them, every command reads the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from blurscope.camera.display import read_light_table
from blurscope.errors import SettingsError, TraceError
from blurscope.tables import read_meter
from blurscope.trace import read_meter as read_law

LEVEL = np.arange(0, 256, 51)
LIGHT = np.array([0.2, 7.448, 33.502, 81.459, 153.216, 250.2])
WRITTEN = {
    "commas": ("level,light", "{}", ",", "."),
    "semicolons and decimal commas": ("level;light", "{}", ";", ","),
    "tabs and decimal commas": ("Level\tLuminance cd/m2", "{}", "\t", ","),
    "quoted decimal commas": ("level,light", '"{}"', ",", ","),
}


def written(way: str, *, swapped: bool = False) -> bytes:
    header, quoted, delimiter, point = WRITTEN[way]
    rows = [header.split(delimiter)]
    rows += [[f"{a}", quoted.format(f"{b}".replace(".", point))] for a, b in zip(LEVEL, LIGHT, strict=True)]
    rows = [row[::-1] for row in rows] if swapped else rows
    return "".join(delimiter.join(row) + "\r\n" for row in rows).encode("utf-8-sig")


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize("way", WRITTEN)
def test_every_command_reads_the_same_numbers(tmp_path, way, swapped):
    path = tmp_path / "meter.csv"
    path.write_bytes(written(way, swapped=swapped))
    law = read_law(path)
    for level, light in (read_meter(path), (law.level, law.light), np.array(read_light_table(path)).T):
        assert list(level) == LEVEL.tolist()
        assert list(light) == LIGHT.tolist()


def test_a_table_without_header_is_level_and_light(tmp_path):
    path = tmp_path / "meter.csv"
    path.write_bytes(written("semicolons and decimal commas").partition(b"\n")[2])
    level, light = read_meter(path)
    assert level.tolist() == LEVEL.tolist() and light.tolist() == LIGHT.tolist()


@pytest.mark.parametrize(
    ("read", "error"), [(read_meter, SettingsError), (read_law, TraceError), (read_light_table, SettingsError)]
)
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "does not exist"),
        (b"", "is empty"),
        (b"level,light\n0,1\n\x00", "not a text file"),
        (b"a,b\nc,d\n", "no columns|not a table"),
        (b"level,light\n" + b"0,1\n" * 2_000_000, "too large"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, read, error, content, words):
    path = tmp_path / "meter.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(error, match=words):
        read(path)
