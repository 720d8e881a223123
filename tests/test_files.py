"""Files: written whole or not at all, nothing overwritten unasked, hostile names and contents told apart."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blurscope import files
from blurscope.cli import main
from blurscope.errors import OutputError, PatternError, SettingsError
from blurscope.files import check_output, write_bytes, write_json
from blurscope.pattern.budget import make_layouts
from blurscope.records import Q

SCHEMA = "blurscope.test/1"


def leftovers(folder) -> list[str]:
    return [name for name in os.listdir(folder) if name.startswith(".blurscope-")]


# ------------------------------------------------------------------------------------------------ writing


def test_bytes_arrive_and_nothing_is_left_behind(tmp_path):
    path = tmp_path / "out.bin"
    files.write_bytes(path, b"\x00\x01\xff")
    assert path.read_bytes() == b"\x00\x01\xff" and leftovers(tmp_path) == []


def test_an_existing_file_stays_unless_asked(tmp_path):
    path = tmp_path / "out.txt"
    path.write_text("mine")
    with pytest.raises(OutputError, match="--overwrite"):
        files.write_bytes(path, b"yours")
    assert path.read_text() == "mine" and leftovers(tmp_path) == []
    files.write_bytes(path, b"yours", overwrite=True)
    assert path.read_text() == "yours" and leftovers(tmp_path) == []


def test_a_disk_without_links_is_written_all_the_same(tmp_path, monkeypatch):
    def none(*_):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    path = tmp_path / "out.txt"
    files.write_bytes(path, b"mine")
    with pytest.raises(OutputError, match="exists already"):
        files._write_with(path, lambda stream: stream.write(b"yours"), overwrite=False)
    assert path.read_bytes() == b"mine" and leftovers(tmp_path) == []

    def fill(stream):
        stream.write(b"mine")
        (tmp_path / "late").write_text("somebody else's")

    with pytest.raises(OutputError, match="exists already"):
        files._write_with(tmp_path / "late", fill, overwrite=False)
    assert leftovers(tmp_path) == []


def test_a_file_that_appears_meanwhile_is_not_overwritten(tmp_path):
    path = tmp_path / "out.txt"

    def fill(stream):
        stream.write(b"mine")
        path.write_text("somebody else's")

    with pytest.raises(OutputError, match="exists already"):
        files._write_with(path, fill, overwrite=False)
    assert path.read_text() == "somebody else's" and leftovers(tmp_path) == []


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_failed_write_leaves_the_old_file_and_no_rest(tmp_path, overwrite):
    path = tmp_path / "out.txt"
    if overwrite:
        path.write_text("old")

    def fill(stream):
        stream.write(b"half of it")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left"):
        files._write_with(path, fill, overwrite=overwrite)
    assert leftovers(tmp_path) == [] and path.exists() == overwrite
    if overwrite:
        assert path.read_text() == "old"


def test_an_interrupted_write_leaves_no_rest(tmp_path):
    def fill(stream):
        stream.write(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        files._write_with(tmp_path / "out.txt", fill, overwrite=False)
    assert os.listdir(tmp_path) == []


def test_readers_see_the_old_or_the_new_file_and_nothing_between(tmp_path):
    path = tmp_path / "out.bin"
    sizes = (100_000, 200_000)
    files.write_bytes(path, b"a" * sizes[0])
    seen, stop = set(), threading.Event()

    def watch():
        while not stop.is_set():
            body = path.read_bytes()
            seen.add((len(body), body[:1], body[-1:]))

    watcher = threading.Thread(target=watch)
    watcher.start()
    end = time.monotonic() + 0.5
    while time.monotonic() < end:
        files.write_bytes(path, b"b" * sizes[1], overwrite=True)
        files.write_bytes(path, b"a" * sizes[0], overwrite=True)
    stop.set()
    watcher.join()
    assert seen <= {(sizes[0], b"a", b"a"), (sizes[1], b"b", b"b")}


def test_of_many_writers_one_wins(tmp_path):
    path = tmp_path / "out.txt"
    outcomes = []

    def write(number):
        try:
            files.write_bytes(path, b"%d" % number * 1000)
            outcomes.append(number)
        except OutputError:
            pass

    writers = [threading.Thread(target=write, args=(n,)) for n in range(8)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(outcomes) == 1 and path.read_bytes() == b"%d" % outcomes[0] * 1000
    assert leftovers(tmp_path) == []


def test_permissions_follow_the_umask(tmp_path):
    code = "import os, sys; os.umask(0o027); from blurscope.files import write_bytes; write_bytes(sys.argv[1], b'x')"
    path = tmp_path / "out.txt"
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_places_where_nothing_can_be_written(tmp_path):
    with pytest.raises(OutputError, match="is a folder"):
        files.write_bytes(tmp_path, b"x")
    with pytest.raises(OutputError, match="does not exist"):
        files.write_bytes(tmp_path / "no" / "where.txt", b"x")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        files.write_bytes(tmp_path / "file" / "below.txt", b"x")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_read_only_folder(tmp_path):
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o500)
    with pytest.raises(OutputError, match="can't be written"):
        files.write_bytes(folder / "out.txt", b"x")


def test_a_full_disk_is_one_sentence(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        files.write_json(tmp_path / "out.json", {"a": 1})
    assert os.listdir(tmp_path) == []


def test_check_output_refuses_before_long_work(tmp_path):
    files.check_output(tmp_path / "new.json")
    (tmp_path / "old.json").write_text("{}")
    files.check_output(tmp_path / "old.json", overwrite=True)
    with pytest.raises(OutputError, match="exists already"):
        files.check_output(tmp_path / "old.json")


# ------------------------------------------------------------------------------------------------ JSON


def test_json_has_no_nan_and_takes_arrays_and_quantities(tmp_path):
    path = tmp_path / "out.json"
    value = {
        "schema": SCHEMA,
        "list": np.array([1.5, np.nan, np.inf]),
        "count": np.int64(3),
        "q": Q(value=2.0, u95=0.5),
        "none": Q.missing("clipped"),
        "text": "Fähre",
        3: (True, None),
    }
    files.write_json(path, value)
    found = json.loads(path.read_text("utf-8"), parse_constant=lambda token: pytest.fail(token))
    assert found == {
        "schema": SCHEMA,
        "list": [1.5, None, None],
        "count": 3,
        "q": {"value": 2.0, "u95": 0.5},
        "none": {"value": None, "u95": None},
        "text": "Fähre",
        "3": [True, None],
    }
    assert files.read_json(path, SCHEMA) == found


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=50, deadline=None)
@given(body=st.dictionaries(st.text().filter(lambda k: k != "schema"), JSON, max_size=5))
def test_json_round_trip(tmp_path_factory, body):
    path = tmp_path_factory.mktemp("json") / "a.json"
    value = {**body, "schema": SCHEMA}
    with mock.patch.object(files.os, "fsync"):  # a hundred waits for the disk prove nothing here
        files.write_json(path, value)
    assert files.read_json(path, SCHEMA) == value


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b"{", "not a JSON file"),
        (b"\xff\xfe{}", "not a JSON file"),
        (b'{"schema": "blurscope.test/1", "a": NaN}', "NaN is not a JSON number"),
        (b'{"schema": "blurscope.test/1", "a": -Infinity}', "Infinity is not a JSON number"),
        (b"[" * 100_000, "not a JSON file"),
        (b"[1, 2]", "no schema"),
        (b'"text"', "no schema"),
        (b"{}", "no schema"),
        (b'{"schema": "blurscope.other/1"}', "blurscope.other/1"),
        (b'{"schema": 7}', "says 7"),
        (b'{"schema": "' + b"x" * 5000 + b'"}', "give the right file"),
    ],
)
def test_what_is_not_the_right_json(tmp_path, body, word):
    path = tmp_path / "in.json"
    path.write_bytes(body)
    with pytest.raises(SettingsError) as caught:
        files.read_json(path, SCHEMA)
    text = str(caught.value)
    assert word in text and "in.json" in text and "\n" not in text and len(text) < 300 + len(str(path))


@given(body=st.binary(max_size=200))
def test_any_bytes_give_json_or_a_refusal(tmp_path_factory, body):
    path = tmp_path_factory.mktemp("json") / "a.json"
    path.write_bytes(body)
    with pytest.raises(SettingsError):
        files.read_json(path, SCHEMA)


def test_the_caller_names_the_refusal(tmp_path):
    with pytest.raises(PatternError, match="does not exist"):
        files.read_json(tmp_path / "none.json", SCHEMA, PatternError)
    with pytest.raises(PatternError, match="is a folder"):
        files.read_json(tmp_path, SCHEMA, PatternError)


def test_a_json_file_far_too_long_is_not_read(tmp_path):
    path = tmp_path / "long.json"
    path.write_bytes(b"{}")
    os.truncate(path, files.MAX_JSON_BYTES + 1)
    with pytest.raises(SettingsError, match="MiB"):
        files.read_json(path, SCHEMA)


# ------------------------------------------------------------------------------------------------ names and hashes


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("plain.jpg", "plain.jpg"),
        ("Fähre 3.jpg", "Fähre 3.jpg"),
        ("a\nb.jpg", "a\\nb.jpg"),
        ("\x1b[31mred.jpg", "\\x1b[31mred.jpg"),
        ("x\u202egpj.jpg", "x\\u202egpj.jpg"),
        (b"f\xe9rry.jpg", "f\\udce9rry.jpg"),
    ],
)
def test_names_are_safe_to_print(name, shown):
    found = files.show_path(name)
    assert found == shown and found.isprintable() and found.encode("utf-8")


@given(name=st.text() | st.binary(max_size=40))
def test_any_name_is_safe_to_print(name):
    assert files.show_path(name).isprintable()


def test_files_with_odd_names_can_be_written_and_read(tmp_path):
    path = os.fsencode(tmp_path) + b"/f\xe9rry\n.json"
    files.write_json(os.fsdecode(path), {"schema": SCHEMA, "path": files.show_path(path)})
    assert files.read_json(os.fsdecode(path), SCHEMA)["schema"] == SCHEMA
    with pytest.raises(OutputError) as caught:
        files.write_json(os.fsdecode(path), {})
    assert "\n" not in str(caught.value)


def test_text_that_is_no_utf8_is_written_escaped(tmp_path):
    files.write_json(tmp_path / "a.json", {"schema": SCHEMA, "label": os.fsdecode(b"f\xe9rry")})
    assert files.read_json(tmp_path / "a.json", SCHEMA)["label"] == "f\udce9rry"


def test_hash(tmp_path):
    path = tmp_path / "a.bin"
    body = os.urandom(3_000_001)
    path.write_bytes(body)
    assert files.sha256_of(path) == hashlib.sha256(body).hexdigest()


# ------------------------------------------------------------------------------------------------ pipes and devices

NEVER_ENDING = [
    ["measure", "ODD", "--pattern", "."],
    ["measure", "words.txt", "--pattern", "ODD"],
    ["measure", "words.txt", "--pattern", ".", "--meter", "ODD"],
    ["measure", "words.txt", "--pattern", ".", "--still", "ODD"],
    ["measure", "--manifest", "ODD", "--out", "out"],
    ["edge", "ODD", "--roi", "1,1,50,50", "--campx-per-px", "3", "--px-per-refresh", "8", "--refresh-hz", "60"],
    ["trace", "ODD", "--from-level", "0", "--to-level", "255"],
    ["trace", "words.txt", "--steps", "ODD"],
    ["trace", "--transitions", "ODD"],
    ["predict", "--response", "ODD", "--refresh-hz", "60", "--px-per-refresh", "8"],
    ["check", "ODD"],
    ["compare", "ODD", "--out", "board.png"],
    ["report", "ODD", "--out", "report.html"],
]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("line", NEVER_ENDING, ids=lambda line: " ".join(line[:3]))
def test_a_pipe_or_a_device_is_refused_and_not_waited_for(line, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "words.txt").write_text("words")
    write_json(tmp_path / "pattern.json", make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0].as_json())
    os.mkfifo("pipe.jpg")
    os.symlink("/dev/zero", "endless.jpg")

    def waited(*_):
        raise AssertionError(f"{line} waits")

    old = signal.signal(signal.SIGALRM, waited)
    try:
        for name in ("pipe.jpg", "endless.jpg"):
            signal.alarm(20)
            assert main([name if word == "ODD" else word for word in line]) == 1
            told = [s for s in capsys.readouterr().err.splitlines() if s.startswith(("blurscope:", "refused:"))]
            assert len(told) == 1 and ("not an ordinary file" in told[0] or "words" in told[0]), told
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)


def test_a_file_of_another_kind_is_not_overwritten(tmp_path):
    """The photo whose name was typed for the result's stays as it is, overwrite or not."""
    photo, pattern, result = tmp_path / "shot.png", tmp_path / "pattern.json", tmp_path / "result.json"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(500))
    write_json(pattern, {"schema": "blurscope.pattern/1"})
    write_json(result, {"schema": "blurscope.measurement/1", "label": "old"})
    new = {"schema": "blurscope.measurement/1", "label": "new"}
    for path in (photo, pattern):
        before = path.read_bytes()
        with pytest.raises(OutputError, match="is no blurscope.measurement/1 file"):
            write_json(path, new, overwrite=True)
        assert path.read_bytes() == before
    write_json(result, new, overwrite=True)
    assert json.loads(result.read_text("utf-8"))["label"] == "new"


def test_names_that_no_disk_takes_are_one_sentence(tmp_path, capsys):
    with pytest.raises(OutputError, match="can't be written"):
        check_output(tmp_path / ("n" * 300 + ".json"))
    with pytest.raises(OutputError, match="can't be written"):
        write_bytes("a\0b.json", b"x")
    assert main(["check", "n" * 5000 + ".json"]) == 1
    told = capsys.readouterr().err
    assert told.splitlines()[-1].startswith("blurscope: ") and told.count("blurscope: ") == 1 and "too long" in told
