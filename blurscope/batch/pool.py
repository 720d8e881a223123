"""A pool of processes on this machine. One that dies takes its own display with it, and nothing else.

The processes are started as programs of their own, not forked: they have one thread each for numerical libraries, they
don't import the caller's script, and they end by themselves when the process that started them is killed.
"""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import blurscope
from blurscope.batch.task import Outcome, Task
from blurscope.batch.worker import receive, send
from blurscope.errors import SettingsError

ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)
START = "import sys; sys.path.insert(0, sys.argv[1]); from blurscope.batch.worker import main; main()"


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def run_local(tasks: Sequence[Task], *, jobs: int, seconds: float) -> Iterator[Outcome]:
    """Measure tasks in processes and hand on outcomes as they come.

    Parameters
    ----------
    tasks : sequence of Task
    jobs : int
        Processes at a time.
    seconds : float
        A display that takes longer is refused and its process ended.
    """
    waiting: queue.SimpleQueue[Task] = queue.SimpleQueue()
    for task in tasks:
        waiting.put(task)
    done: queue.SimpleQueue[Outcome | BaseException] = queue.SimpleQueue()
    lanes = [_Lane(waiting, done, seconds) for _ in range(min(jobs, len(tasks)))]
    try:
        for lane in lanes:
            lane.start()
        for _ in tasks:
            outcome = _next(done)
            if isinstance(outcome, BaseException):
                raise outcome
            yield outcome
    finally:
        for lane in lanes:
            lane.stop()
        for lane in lanes:
            lane.join()


def _next(done: queue.SimpleQueue) -> Outcome | BaseException:
    while True:  # short waits, so that a signal is seen on every system
        try:
            return done.get(timeout=0.5)
        except queue.Empty:
            continue


class _Lane(threading.Thread):
    """Feeds one process; starts another when it dies."""

    def __init__(self, waiting: queue.SimpleQueue, done: queue.SimpleQueue, seconds: float) -> None:
        super().__init__(daemon=True)
        self.waiting, self.done, self.seconds = waiting, done, seconds
        self.process: subprocess.Popen | None = None
        self.stopped = False
        self.late = False
        self.lock = threading.Lock()

    def run(self) -> None:
        try:
            while not self.stopped:
                try:
                    task = self.waiting.get_nowait()
                except queue.Empty:
                    return
                outcome = self._one(task)
                if not self.stopped:
                    self.done.put(outcome)
        except BaseException as exc:  # the batch hears of it instead of waiting for ever
            self.done.put(exc)
        finally:
            self._end()

    def _one(self, task: Task) -> Outcome:
        self.late = False
        clock = threading.Timer(self.seconds, self._too_late)
        clock.daemon = True
        try:
            if self.process is None:
                try:
                    self._begin()
                except SettingsError:  # once more: memory may have been short for a moment
                    self._begin()
            clock.start()
            send(self.process.stdin, task)
            return receive(self.process.stdout)
        except (EOFError, OSError):
            return Outcome(number=task.number, reason=self._obituary())
        finally:
            clock.cancel()

    def _begin(self) -> None:
        root = str(Path(blurscope.__file__).resolve().parent.parent)
        with self.lock:
            if self.stopped:
                raise EOFError
            self.process = process = subprocess.Popen(
                [sys.executable, "-P", "-c", START, root],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **dict.fromkeys(ONE_THREAD, "1")},
            )
        try:
            receive(process.stdout)
        except EOFError:
            code = self._end()
            raise SettingsError(f"a process to measure in can't be started (it ended with code {code})") from None

    def _too_late(self) -> None:
        self.late = True
        self._kill()

    def _kill(self) -> None:
        with self.lock:
            if self.process is not None and self.process.poll() is None:
                self.process.kill()

    def _obituary(self) -> str:
        code = self._end()
        if self.late:
            return f"measuring it took longer than {self.seconds:g} s; set BLURSCOPE_MAX_SECONDS if it may"
        if code is not None and code < 0:
            try:
                name = signal.Signals(-code).name
            except ValueError:
                name = f"signal {-code}"
            hint = ", probably for lack of memory; run the batch again with fewer --jobs" if name == "SIGKILL" else ""
            return f"the process that measured it was ended by {name}{hint or '; run the batch again'}"
        return f"the process that measured it ended without a result (code {code}); run the batch again"

    def _end(self) -> int | None:
        process, self.process = self.process, None
        if process is None:
            return None
        for stream in (process.stdin, process.stdout):
            try:
                stream.close()
            except OSError:
                pass
        try:
            return process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            process.kill()
            return process.wait()

    def stop(self) -> None:
        """End the process, whatever it does."""
        self.stopped = True
        self._kill()
