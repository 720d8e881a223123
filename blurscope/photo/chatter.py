"""What decoders write to the error stream: it is heard, not shown, since that is where they say what is damaged."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import threading
from collections.abc import Iterator

_ONE_AT_A_TIME = threading.Lock()
_LIBRARY = re.compile(
    rb"(Corrupt JPEG data|libpng (?:warning|error): |Warning|Invalid|Premature|Unsupported|Inconsistent|unknown file: )"
    rb"[^\n]*\n?"
)
MOST_BYTES = 1 << 20


@contextlib.contextmanager
def listening() -> Iterator[list[str]]:
    """Collect what is written to file descriptor 2 meanwhile; what isn't a decoder's is passed on afterwards.

    Yields
    ------
    list of str
        The lines, there once the block has ended; empty without such a descriptor or without room for a file.
    """
    heard: list[str] = []
    with _ONE_AT_A_TIME:
        try:
            kept = os.dup(2)
        except OSError:
            yield heard
            return
        try:
            try:
                file = tempfile.TemporaryFile()
            except OSError:
                yield heard
                return
            with file:
                os.dup2(file.fileno(), 2)
                try:
                    yield heard
                finally:
                    os.dup2(kept, 2)
                    file.seek(0)
                    text = file.read(MOST_BYTES)
                    heard += text.decode("utf-8", "replace").splitlines()
                    if other := _LIBRARY.sub(b"", text):
                        with contextlib.suppress(OSError):
                            os.write(2, other)
        finally:
            os.close(kept)
