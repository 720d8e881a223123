"""The folder of a batch's results: full disks, hostile labels, links, files of others."""

from __future__ import annotations

import csv
import io
import os
import resource

import pytest
from batch_makers import UNITS, again, contents, start
from hypothesis import given, settings
from hypothesis import strategies as st

from blurscope.batch import Display, Refusal, measure_batch
from blurscope.batch.store import safe_names
from blurscope.batch.summary import csv_of, refusals_csv
from blurscope.errors import OutputError

# ------------------------------------------------------------------------------------------------ disks


def test_a_full_disk_is_one_sentence_and_leaves_nothing_half_written(captures, done, tmp_path):
    out = tmp_path / "out"
    size = min((done / f"{name}.json").stat().st_size for name in UNITS)

    def small_disk():
        resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, size // 2))

    batch = start(captures, out, "--jobs", "1", preexec_fn=small_disk)
    errors = batch.communicate(timeout=120)[1].decode()
    assert batch.returncode == 1 and "Traceback" not in errors
    assert "can't be written (File too large)" in errors.strip().splitlines()[-1]
    assert [p.name for p in out.iterdir()] == ["batch.json"]
    again(captures, out)
    assert contents(out) == contents(done)


def test_a_full_disk_in_the_middle_keeps_what_is_there(captures, done, copy, monkeypatch):
    """The same through the functions, with the error that a full disk gives."""
    (copy / "Cedar.json").unlink()

    def full(_):
        raise OSError(28, "No space left on device")

    before = contents(copy)
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(OutputError, match="No space left on device"):
            again(captures, copy)
    assert contents(copy) == before
    again(captures, copy)
    assert contents(copy) == contents(done)


def test_folders_that_cannot_be_written(captures, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        again(captures, tmp_path / "file")
    with pytest.raises(OutputError, match="can't be made"):
        again(captures, tmp_path / "file" / "out")
    with pytest.raises(OutputError, match="can't be made"):
        again(captures, "a\0b")
    (tmp_path / "locked").mkdir()
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK)
    with pytest.raises(OutputError, match="can't be written to"):
        again(captures, tmp_path / "locked")
    assert list((tmp_path / "locked").iterdir()) == []


# ------------------------------------------------------------------------------------------------ names and links


def display(label: str, **more) -> Display:
    return Display(label=label, photos=("a.jpg",), pattern="p.json", **more)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=80), min_size=1, max_size=20))
def test_names_are_safe_and_differ_whatever_the_labels(labels):
    names = safe_names([display(label, lines=(n,)) for n, label in enumerate(labels)])
    assert len({n.casefold() for n in names}) == len(labels)
    for name in names:
        assert name == os.path.basename(name) and name.endswith(".json") and not name.startswith((".", "-"))
        assert len(os.fsencode(name)) < 255 and all(c.isalnum() or c in "-_." for c in name)
        assert name not in ("batch.json", "summary.json")


@pytest.mark.parametrize("label", ["../../etc/x", "/etc/x", "..", ".", "a/b\\c", "con", "batch", "\u202ex", "x" * 300])
def test_hostile_labels_stay_in_the_folder(label):
    name = safe_names([display(label)])[0]
    assert "/" not in name and "\\" not in name and name not in (".json", "..json", "con.json", "batch.json")


def test_names_do_not_depend_on_other_displays_unless_they_collide():
    assert safe_names([display("Birch"), display("Alder")]) == ["Birch.json", "Alder.json"]
    both = safe_names([display("A/B"), display("a b")])
    assert both[0].startswith("A_B-") and both[1].startswith("a_b-")
    assert safe_names([display("a b"), display("A/B")]) == both[::-1]


def test_a_link_in_the_folder_is_never_followed(captures, copy, tmp_path):
    outside = tmp_path / "mine.json"
    outside.write_text("mine")
    (copy / "Birch.json").unlink()
    (copy / "Birch.json").symlink_to(outside)
    (copy / "summary.csv").unlink()
    (copy / "summary.csv").symlink_to(outside)
    result = measure_batch(captures / "birch.csv", out=copy, jobs=1)
    assert "is a link" in {r.label: r.reason for r in result.refused}["Birch"]
    assert outside.read_text() == "mine" and not (copy / "summary.csv").is_symlink()
    assert measure_batch(captures / "birch.csv", out=copy, jobs=1, overwrite=True).ok
    assert outside.read_text() == "mine" and not (copy / "Birch.json").is_symlink()


def test_files_of_yours_are_left_alone(captures, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"summary\.csv exists and is not from an earlier batch"):
        again(captures, out)
    assert contents(out) == {"summary.csv": b"mine"}


# ------------------------------------------------------------------------------------------------ spreadsheets


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t"])
def test_no_text_of_the_tables_is_a_formula(start):
    """Labels, notes, file names and reasons come from strangers; spreadsheets run what starts like this."""
    text = f"{start}cmd|' /C calc'!A0"
    refusal = Refusal(what="row", reason=text, file=text, label=text, line=3)
    rows = list(csv.reader(io.StringIO(refusals_csv([refusal]).decode(), newline="")))
    assert [c for c in rows[1] if c.startswith(("=", "+", "-", "@", "\t", "\r"))] == []
    assert rows[1][0] == "'" + text and rows[1][-1] == "3"
    table = list(
        csv.reader(io.StringIO(csv_of([{"label": text, "note:x": text, "ghost_ms_mean": -0.5}]).decode(), newline=""))
    )
    cells = dict(zip(*table, strict=True))
    assert cells["label"] == cells["note:x"] == "'" + text
    assert cells["ghost_ms_mean"] == "-0.5"  # a number stays one
