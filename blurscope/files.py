"""Reading and writing small files safely: bounded reads, atomic writes, nothing overwritten unasked."""

from __future__ import annotations

import hashlib
import json
import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from blurscope.errors import BlurscopeError, OutputError, SettingsError

MAX_JSON_BYTES = 256 * 2**20


def show_path(path: str | os.PathLike[str]) -> str:
    """Return a path as text that is safe to print (undecodable bytes and control characters escaped)."""
    text = os.fsdecode(path).encode("utf-8", "backslashreplace").decode()
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file as hex."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while chunk := stream.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def read_json(path: str | os.PathLike[str], schema: str, error: type[BlurscopeError] = SettingsError) -> dict[str, Any]:
    """Read a JSON object and check its ``schema`` key.

    Parameters
    ----------
    path : path-like
    schema : str
        What the file's ``schema`` must be, such as ``blurscope.pattern/1``.
    error : type
        The refusal to raise.

    Raises
    ------
    BlurscopeError
        Missing, empty, too large, not JSON, not an object, NaN or infinite numbers, or another schema.
    """
    name = show_path(path)
    try:
        if os.path.isdir(path):
            raise error(f"{name} is a folder; give the {schema} file in it")
        if os.path.getsize(path) > MAX_JSON_BYTES:
            raise error(f"{name} is larger than {MAX_JSON_BYTES >> 20} MiB, which no {schema} file is")
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise error(f"{name} does not exist; check the path") from None
    except OSError as exc:
        raise error(f"{name} can't be read ({exc.strerror})") from None
    if not raw.strip():
        raise error(f"{name} is empty; make it again")

    def refuse(token: str) -> float:
        raise ValueError(f"{token} is not a JSON number")

    try:
        data = json.loads(raw.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as exc:
        raise error(f"{name} is not a JSON file that can be read ({_short(exc)})") from None
    found = data.get("schema") if isinstance(data, dict) else None
    if found != schema:
        shown = repr(found)[:60] if found is not None else "no schema at all"
        raise error(f"{name} is not a {schema} file (it says {shown}); give the right file")
    return data


def _short(exc: BaseException) -> str:
    text = str(exc).replace("\n", " ")
    return text if len(text) <= 120 else text[:117] + "..."


def to_jsonable(value: Any) -> Any:
    """Turn arrays, NumPy numbers and non-finite floats into what strict JSON can hold (NaN becomes null)."""
    if isinstance(value, dict):
        return {str(k): to_jsonable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_jsonable(v) for v in value]
    if hasattr(value, "tolist"):
        return to_jsonable(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if hasattr(value, "as_json"):
        return to_jsonable(value.as_json())
    return value


def write_bytes(path: str | os.PathLike[str], data: bytes, *, overwrite: bool = False) -> None:
    """Write a file atomically: it appears whole or not at all.

    Raises
    ------
    OutputError
        It exists and ``overwrite`` is false, or the folder can't be written.
    """
    _write_with(path, lambda stream: stream.write(data), overwrite=overwrite)


def write_json(path: str | os.PathLike[str], value: Any, *, overwrite: bool = False) -> None:
    """Write strict JSON (UTF-8, no NaN) atomically; arguments and refusals as in `write_bytes`."""
    text = json.dumps(to_jsonable(value), ensure_ascii=False, allow_nan=False, indent=1)
    write_bytes(path, text.encode("utf-8", "backslashreplace") + b"\n", overwrite=overwrite)


def check_output(path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Refuse early, before long work, an output that could not be written in the end."""
    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{show_path(target)} is a folder; give a file name")
    if target.exists() and not overwrite:
        raise OutputError(f"{show_path(target)} exists already; choose another name or add --overwrite")
    folder = target.parent
    if not folder.is_dir():
        raise OutputError(f"the folder {show_path(folder)} does not exist; make it first")
    if not os.access(folder, os.W_OK):
        raise OutputError(f"the folder {show_path(folder)} can't be written to")


def _write_with(path: str | os.PathLike[str], fill: Callable[[Any], Any], *, overwrite: bool) -> None:
    check_output(path, overwrite=overwrite)
    target = Path(path)
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=".blurscope-", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            fill(stream)
            stream.flush()
            os.fsync(stream.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        if overwrite:
            os.replace(temporary, target)
        else:
            os.link(temporary, target)
            os.unlink(temporary)
        temporary = None
    except FileExistsError:
        raise OutputError(f"{show_path(target)} exists already; choose another name or add --overwrite") from None
    except OSError as exc:
        raise OutputError(f"{show_path(target)} can't be written ({exc.strerror})") from None
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
