"""Batches on many processes and machines: some die, some hang, some are stopped, and nothing else is lost."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from batch_makers import ROOT, UNITS, again, contents, rows_of, start, valid

from blurscope.batch import displays_of_photos, measure_batch, read_manifest
from blurscope.batch.pool import run_local
from blurscope.batch.task import Task, packed, run_task
from blurscope.errors import OutputError, SettingsError

# ------------------------------------------------------------------------------------------------ processes


def children_of(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children")
    threads = Path(f"/proc/{pid}/task").glob("*/children") if found.exists() else []
    kids = [int(x) for path in threads for x in path.read_text().split()]
    return [k for k in kids if b"blurscope.batch.worker" in Path(f"/proc/{k}/cmdline").read_bytes()]


needs_proc = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")


@needs_proc
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_killed_process_costs_its_display_only(captures, done, tmp_path, jobs):
    """Killed when the first result is there: by then each process has its next display."""
    out = tmp_path / "out"
    victims = []

    def kill(finished, _all):
        if finished == 1 and not victims:
            victims.extend(children_of(os.getpid())[:1])
            os.kill(victims[0], signal.SIGKILL)

    result = measure_batch(captures / "three.csv", out=out, jobs=jobs, progress=kill)
    killed = [r for r in result.refused if "SIGKILL" in r.reason]
    assert victims and len(killed) == 1 and len(result.rows) == 2 and not result.ok
    assert len(rows_of(out / "summary.csv")) == 2 and rows_of(out / "refused.csv")[0]["label"] == killed[0].label
    assert measure_batch(captures / "three.csv", out=out, jobs=1).measured == 1
    assert (out / "Birch.json").read_bytes() == (done / "Birch.json").read_bytes()


def test_a_display_that_takes_too_long_is_refused(captures):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    outcome = next(iter(run_local([Task(number=0, display=display)], jobs=1, seconds=0.01)))
    assert outcome.result is None and "longer than 0.01 s" in outcome.reason


@needs_proc
def test_ctrl_c_keeps_what_is_done(captures, done, tmp_path):
    out = tmp_path / "out"
    batch = start(captures, out, "--jobs", "1", "--parquet")
    deadline = time.monotonic() + 60
    while not list(out.glob("[ABC]*.json")) and time.monotonic() < deadline:
        time.sleep(0.02)
    kids = children_of(batch.pid)
    batch.send_signal(signal.SIGINT)
    errors = batch.communicate(timeout=60)[1].decode()
    assert batch.returncode == 1 and "Traceback" not in errors and "stopped" in errors
    index = json.loads((out / "batch.json").read_text("utf-8"))
    valid("batch", index)
    assert not index["finished"] and 1 <= index["counts"]["done"] < 3
    assert len(rows_of(out / "summary.csv")) == index["counts"]["done"]
    time.sleep(0.2)
    assert not [k for k in kids if Path(f"/proc/{k}/cmdline").exists() and Path(f"/proc/{k}/cmdline").read_bytes()]
    again(captures, out)
    assert contents(out) == contents(done)


def test_two_batches_do_not_write_into_one_folder(captures, copy):
    import fcntl

    before = contents(copy)
    handle = os.open(copy, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        with pytest.raises(OutputError, match="another batch is writing"):
            again(captures, copy)
        assert contents(copy) == before
    finally:
        os.close(handle)
    assert again(captures, copy).kept == 3


def test_started_twice_at_once_results_are_whole(captures, done, tmp_path):
    out = tmp_path / "out"
    both = [start(captures, out, "--parquet", "--jobs", "1") for _ in range(2)]
    errors = [p.communicate(timeout=120)[1].decode() for p in both]
    assert all("Traceback" not in e for e in errors)
    assert contents(out) == contents(done)
    late = [e for e in errors if "another batch is writing" in e or "3 kept" in e]
    assert len(late) == 1


def test_whatever_happens_inside_one_display_is_a_refusal(captures, monkeypatch):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    for error, words in (
        (TypeError("odd"), "unexpectedly"),
        (MemoryError(), "memory"),
        (OSError(5, "bad disk"), "bad"),
    ):

        def broken(*_, error=error, **__):
            raise error

        monkeypatch.setattr("blurscope.takes.measure", broken)
        outcome = run_task(Task(number=3, display=display))
        assert outcome.number == 3 and outcome.result is None and words in outcome.reason


def test_another_version_on_the_other_side_is_refused(captures):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    assert "install the same" in run_task(Task(number=0, display=display, version="0.0.0")).reason


# ------------------------------------------------------------------------------------------------ other machines


def test_sent_as_bytes_the_result_is_the_same(captures, done, tmp_path):
    folder = Path(shutil.copytree(captures, tmp_path / "captures"))
    displays, _ = read_manifest(folder / "shots.csv")
    sent = [packed(Task(number=n, display=d)) for n, d in enumerate(displays)]
    shutil.rmtree(folder)  # nothing is read from here any more
    assert {task.display.label in UNITS for task in sent[1:2] + sent[4:]} == {True, False}
    for task in sent[1:2] + sent[4:]:
        outcome = run_task(task)
        if task.display.label in UNITS:
            mine = json.loads((done / f"{task.display.label}.json").read_text("utf-8"))
            theirs = json.loads(outcome.result)
            assert theirs["batch"] == mine["batch"] and theirs["photo"]["path"] == str(folder / "birch.jpg")
            assert theirs["edges"] == mine["edges"]
        else:
            assert str(folder) in outcome.reason and "/blurscope-" not in outcome.reason


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@pytest.mark.slow
@pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="needs dask[distributed]")
def test_a_cluster_of_separate_processes_with_one_killed_in_the_middle(captures, done, tmp_path):
    address = f"tcp://127.0.0.1:{free_port()}"
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    quiet = dict(stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=tmp_path, env=env)
    dask = [sys.executable, "-m", "dask"]
    port = address.rpartition(":")[2]
    running = [subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"], **quiet)]
    try:
        options = ["--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(tmp_path / "dask")]
        running += [subprocess.Popen([*dask, "worker", address, *options], **quiet) for _ in range(2)]
        out = tmp_path / "out"
        batch = start(captures, out, "--scheduler", address, "--parquet")
        deadline = time.monotonic() + 90
        while not list(out.glob("[ABC]*.json")) and batch.poll() is None and time.monotonic() < deadline:
            time.sleep(0.02)
        running[1].kill()
        errors = batch.communicate(timeout=120)[1].decode()
        assert batch.returncode == 1 and "Traceback" not in errors, errors
        assert contents(out) == contents(done)
    finally:
        for process in running[::-1]:
            process.kill()
            process.wait()


@pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="needs dask[distributed]")
@pytest.mark.parametrize("address", ["nonsense", "tcp://host:x", "tcp://", "tcp://a b:1", "localhost:8786", "\x1b[31m"])
def test_an_address_that_is_none_is_refused_at_once(address):
    """The engine itself took a minute over it and ended in an error of its own."""
    from blurscope.batch.cluster import run_cluster

    began = time.monotonic()
    with pytest.raises(SettingsError, match="no address of a scheduler; write it as tcp://HOST:PORT"):
        next(run_cluster([], address=address, seconds=1.0, say=print))
    assert time.monotonic() - began < 5


def test_no_scheduler_is_one_sentence(captures, tmp_path):
    from blurscope.batch.cluster import run_cluster

    task = Task(number=0, display=displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0])
    with pytest.raises(SettingsError, match="no scheduler answers"):
        list(run_cluster([task], address=f"tcp://127.0.0.1:{free_port()}", seconds=5, say=lambda _: None, wait_s=1))
