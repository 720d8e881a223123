"""The same tasks on other machines, through a dask scheduler. Photos travel as bytes: no shared disk is needed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from blurscope.batch.task import Outcome, Task, packed, run_task
from blurscope.errors import BlurscopeError, SettingsError

WAIT_S = 30.0
IN_FLIGHT_PER_THREAD = 2


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
    distributed = _dask()
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
        yield from _flow(distributed, client, tasks, max(IN_FLIGHT_PER_THREAD * threads, 4), seconds, address)
    finally:
        client.close(timeout=5)


def _flow(
    distributed: Any, client: Any, tasks: Sequence[Task], in_flight: int, seconds: float, address: str
) -> Iterator[Outcome]:
    waiting = list(reversed(tasks))
    running: dict[Any, int] = {}
    last = time.monotonic()
    while waiting or running:
        while waiting and len(running) < in_flight:
            task = waiting.pop()
            try:
                files = packed(task.display)
            except BlurscopeError as exc:
                yield Outcome(number=task.number, reason=str(exc))
                continue
            sent = Task(number=task.number, display=task.display, version=task.version, files=files)
            running[client.submit(run_task, sent, pure=False)] = task.number
        if not running:
            continue
        try:
            finished = distributed.wait(list(running), timeout=5, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            finished = set()
        if finished:
            last = time.monotonic()
        elif client.status != "running":
            raise SettingsError(f"the connection to {address} was lost; results so far are kept, run the batch again")
        elif time.monotonic() - last > seconds:
            raise SettingsError(f"nothing came back from {address} for {seconds:g} s; results so far are kept")
        for future in finished:
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
