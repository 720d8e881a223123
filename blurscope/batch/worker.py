"""The process that measures displays one after the other: tasks come in on stdin, outcomes go out on stdout."""

from __future__ import annotations

import os
import pickle
import signal
import struct
import sys
from typing import Any, BinaryIO

LENGTH = struct.Struct("<Q")


def send(stream: BinaryIO, value: Any) -> None:
    """Write one object, its length first."""
    data = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(LENGTH.pack(len(data)))
    stream.write(data)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """Read one object.

    Raises
    ------
    EOFError
        The other side has gone.
    """
    head = _exactly(stream, LENGTH.size)
    return pickle.loads(_exactly(stream, LENGTH.unpack(head)[0]))


def _exactly(stream: BinaryIO, count: int) -> bytes:
    data = stream.read(count)
    if len(data) < count:
        raise EOFError
    return data


def main() -> None:
    """Serve until stdin ends, which it does too when the process that started this one is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the batch decides when to stop
    source = os.fdopen(os.dup(0), "rb")
    sink = os.fdopen(os.dup(1), "wb")
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1):  # whatever a library reads or prints must not get between
        os.dup2(null, number)
    import blurscope.takes  # noqa: F401  warm before the first task
    from blurscope.batch.task import run_task

    try:
        send(sink, "ready")
        while True:
            send(sink, run_task(receive(source)))
    except (EOFError, OSError):
        sys.exit(0)


if __name__ == "__main__":
    main()
