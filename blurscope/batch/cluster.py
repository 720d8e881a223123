"""The same tasks on other machines, through a dask scheduler. Photos travel as bytes: no shared disk is needed."""

from __future__ import annotations

import contextlib
import logging
import queue
import re
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from blurscope.batch.task import Outcome, Task, packed, run_task
from blurscope.errors import BlurscopeError, SettingsError
from blurscope.files import show_path

WAIT_S = 30.0
IN_FLIGHT_PER_THREAD = 2
ADDRESS = re.compile(r"[a-z]+://(\[[0-9a-fA-F:.%]+\]|[^\s:/\[\]]+):\d{1,5}/?")


def _dask() -> Any:
    try:
        import dask
        import distributed
    except ImportError:
        raise SettingsError(
            "--scheduler needs the package dask.distributed: run \"pip install 'dask[distributed]'\" here and "
            "on the workers"
        ) from None
    # photos are in the tasks on purpose: so the scheduler can give them to another worker when one dies
    dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"})
    return distributed


def run_cluster(
    tasks: Sequence[Task], *, address: str, seconds: float, say: Callable[[str], None], wait_s: float = WAIT_S
) -> Iterator[Outcome]:
    """Measure tasks on a scheduler's workers and hand on outcomes as they come.

    Parameters
    ----------
    tasks : sequence of Task
    address : str
        Such as ``tcp://10.0.0.5:8786``.
    seconds : float
        Give up when nothing has come back for so long.
    say : callable
        Told how many workers there are.
    wait_s : float
        How long to wait for the scheduler and a first worker.

    Raises
    ------
    SettingsError
        No scheduler, no workers, or the connection was lost.
    """
    if not ADDRESS.fullmatch(address):
        what = f"{show_path(address)[:80]!r} is no address of a scheduler"
        raise SettingsError(f"{what}; write it as tcp://HOST:PORT (--scheduler)")
    distributed = _dask()
    with _quiet():
        try:
            client = distributed.Client(address, timeout=wait_s, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as exc:
            text = (str(exc) or type(exc).__name__).split("\n")[0][:120]
            raise SettingsError(f"no scheduler answers at {address} ({text}); check --scheduler") from None
        try:
            try:
                client.wait_for_workers(1, timeout=wait_s)
            except TimeoutError:
                raise SettingsError(
                    f"the scheduler at {address} has no workers; start one by 'dask worker {address}'"
                ) from None
            threads = sum(client.nthreads().values())
            say(f"{len(client.nthreads())} workers at {address}")
            yield from _flow(client, tasks, max(IN_FLIGHT_PER_THREAD * threads, 4), seconds, address)
        finally:
            client.close(timeout=5)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own log off the terminal: what matters is said in one sentence."""
    loggers = [logging.getLogger(n) for n in list(logging.root.manager.loggerDict) if n.split(".")[0] == "distributed"]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _flow(client: Any, tasks: Sequence[Task], in_flight: int, seconds: float, address: str) -> Iterator[Outcome]:
    lost = f"the connection to the scheduler at {address} was lost; results so far are kept, run the batch again"
    waiting = list(reversed(tasks))
    running: dict[Any, int] = {}
    done: queue.SimpleQueue[Any] = queue.SimpleQueue()
    last = time.monotonic()
    while waiting or running:
        while waiting and len(running) < in_flight:
            task = waiting.pop()
            try:
                sent = packed(task)
            except BlurscopeError as exc:
                yield Outcome(number=task.number, reason=str(exc))
                continue
            future = client.submit(run_task, sent, pure=False)
            running[future] = task.number
            future.add_done_callback(done.put)
        if not running:
            continue
        try:
            future = done.get(timeout=1)
        except queue.Empty:
            if client.status != "running":
                raise SettingsError(lost) from None
            if time.monotonic() - last > seconds:
                raise SettingsError(f"nothing came back from {address} for {seconds:g} s; see the workers") from None
            continue
        last = time.monotonic()
        if future.status == "cancelled" and client.status != "running":
            raise SettingsError(lost)
        yield _outcome(running.pop(future), future)
        future.release()


def _outcome(number: int, future: Any) -> Outcome:
    if future.status == "finished":
        return future.result()
    if future.status == "cancelled":
        return Outcome(number=number, reason="the scheduler dropped it; run the batch again")
    error = future.exception()
    if type(error).__name__ == "KilledWorker":
        return Outcome(number=number, reason="workers died while they measured it, again and again; see their logs")
    text = f"{type(error).__name__}: {error}".split("\n")[0][:200]
    return Outcome(number=number, reason=f"the worker failed ({text}); is blurscope installed there?")
