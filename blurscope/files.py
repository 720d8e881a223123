"""Reading and writing small files safely: bounded reads, atomic writes, nothing overwritten unasked."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import math
import os
import re
import stat
import tempfile
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from blurscope.errors import BlurscopeError, OutputError, SettingsError

MAX_JSON_BYTES = 256 * 2**20
MAX_DIGITS = 300  # of a whole number; more can't become a float
SCHEMA_WITHIN = 200  # bytes: every JSON file of ours begins with its schema
OWN_SCHEMA = re.compile(rb'"schema"\s*:\s*"(blurscope\.[a-z]+/\d+)"')
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")  # a spreadsheet would take these as the start of a formula


def show_path(path: str | os.PathLike[str]) -> str:
    """Return a path as text that is safe to print (undecodable bytes and control characters escaped)."""
    text = os.fsdecode(path).encode("utf-8", "backslashreplace").decode()
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def check_ordinary(path: str | os.PathLike[str], error: type[BlurscopeError] = SettingsError) -> None:
    """Refuse a pipe, a device or a socket, on which reading may wait or go on for ever; a missing path passes.

    Raises
    ------
    BlurscopeError
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise error(f"{show_path(path)} is not an ordinary file; copy what it holds into one and give that")


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file as hex."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while chunk := stream.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def read_small(
    path: str | os.PathLike[str], kind: str, most_bytes: int, error: type[BlurscopeError] = SettingsError
) -> bytes:
    """Read a whole file that is not large; ``kind`` says what it should be.

    Raises
    ------
    BlurscopeError
        Missing, a folder, not an ordinary file, too large, not to be read.
    """
    name = show_path(path)
    check_ordinary(path, error)
    try:
        if os.path.isdir(path):
            raise error(f"{name} is a folder; give the {kind} in it")
        if os.path.getsize(path) > most_bytes:
            raise error(f"{name} is larger than {most_bytes >> 20} MiB, too large for a {kind}")
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise error(f"{name} does not exist; check the path") from None
    except OSError as exc:
        raise error(f"{name} can't be read ({exc.strerror})") from None
    except ValueError:
        raise error(f"{name} is not a path that can exist; check it") from None


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
        Missing, empty, too large, not JSON, not an object, NaN, infinite or endless numbers, or another schema.
    """
    name = show_path(path)
    raw = read_small(path, f"{schema} file", MAX_JSON_BYTES, error)
    if not raw.strip():
        raise error(f"{name} is empty; make it again")
    try:
        data = json.loads(raw.decode("utf-8"), parse_constant=_no_number, parse_float=_finite, parse_int=_whole)
    except (ValueError, RecursionError) as exc:
        raise error(f"{name} is not a JSON file that can be read ({_short(exc)})") from None
    found = data.get("schema") if isinstance(data, dict) else None
    if found != schema:
        shown = repr(found)[:60] if found is not None else "no schema at all"
        raise error(f"{name} is not a {schema} file (it says {shown}); give the right file")
    return data


@contextlib.contextmanager
def blame_files(*paths: str | os.PathLike[str] | None) -> Iterator[None]:
    """Turn what trips over a damaged JSON file into one sentence that says where the file departs from its schema.

    Raises
    ------
    SettingsError
    """
    try:
        yield
    except (KeyError, TypeError, IndexError, AttributeError, ValueError, ArithmeticError, RecursionError) as exc:
        given = [p for p in paths if p is not None]
        if not given:
            raise
        for path in given:
            if fault := _fault_of(path):
                raise SettingsError(f"{show_path(path)} is damaged ({fault}); make it again") from exc
        names, what = ", ".join(show_path(p) for p in given), _short(exc) or type(exc).__name__
        raise SettingsError(f"something in {names} can't be used ({what}); make it again") from exc


def _fault_of(path: str | os.PathLike[str]) -> str:
    try:
        if not os.path.isfile(path):
            return ""
        data = json.loads(Path(path).read_bytes().decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return ""
    name = data.get("schema") if isinstance(data, dict) else None
    return show_path(_fault(data, *_schema(name), ""))[:160] if isinstance(name, str) else ""


def _no_number(token: str) -> float:
    raise ValueError(f"{token} is not a JSON number")


def _finite(token: str) -> float:
    value = float(token)
    return value if math.isfinite(value) else _no_number(token[:40])


def _whole(token: str) -> int:
    return int(token) if len(token) <= MAX_DIGITS else int(_no_number(f"{token[:20]}…"))


@lru_cache(maxsize=32)
def _schema(schema: str) -> tuple[Any, Any]:
    """Return the package's JSON Schema of that name and its definitions; without one, nothing is asked for."""
    thing = schema.removeprefix("blurscope.").partition("/")[0]
    if not thing.isalpha():
        return {}, {}
    try:
        found = json.loads((Path(__file__).parent / "schemas" / f"{thing}.schema.json").read_text("utf-8"))
    except OSError:
        return {}, {}
    return found, found.get("$defs", {})


_TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "number": (int, float),
    "integer": (int,),
    "boolean": (bool,),
}


def _fault(value: Any, schema: Any, definitions: Any, where: str) -> str:
    """Return where a value has another type than the schema says, or a key is missing; else an empty text."""
    if not isinstance(schema, dict):
        return ""
    if "$ref" in schema:
        return _fault(value, definitions.get(schema["$ref"].rpartition("/")[2]), definitions, where)
    wanted = schema.get("type", ())
    wanted = (wanted,) if isinstance(wanted, str) else wanted
    if value is None and (not wanted or "null" in wanted):
        return ""
    allowed = tuple(t for name in wanted for t in _TYPES.get(name, ()))
    if allowed and (not isinstance(value, allowed) or (isinstance(value, bool) and bool not in allowed)):
        if not ("integer" in wanted and isinstance(value, float) and value.is_integer()):
            kinds = " or ".join(w for w in wanted if w != "null")
            return f"{where or 'the whole'} is {_kind(value)} where {kinds} belongs"
    if isinstance(value, dict):
        for key in schema.get("required", ()):
            if key not in value:
                return f"{where}.{key}".lstrip(".") + " is missing"
        parts, others = schema.get("properties", {}), schema.get("additionalProperties")
        inner = ((f"{where}.{k}".lstrip("."), v, parts.get(k, others)) for k, v in value.items())
    elif isinstance(value, list):
        parts = schema.get("items")
        if isinstance(parts, dict) and parts.get("type") == "number" and all(type(v) in (int, float) for v in value):
            return ""
        inner = ((f"{where}[{n}]", v, parts) for n, v in enumerate(value))
    else:
        inner = ()
    for place, part, rule in inner:
        if fault := _fault(part, rule, definitions, place):
            return fault
    for rule in schema.get("allOf", ()):
        if fault := _fault(value, rule, definitions, where):
            return fault
    return ""


def _kind(value: Any) -> str:
    words = {dict: "an object", list: "a list", str: "a text", bool: "true or false", type(None): "null"}
    return words.get(type(value), f"the number {value!s:.20}")


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


def table_cell(value: Any) -> Any:
    """Return a cell of a CSV: a text that a spreadsheet would take for a formula gets an apostrophe before it."""
    return "'" + value if isinstance(value, str) and value.startswith(FORMULA) else value


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
    if isinstance(value, dict) and "schema" in value:
        check_output(path, overwrite=overwrite, schema=value["schema"])
    write_bytes(path, text.encode("utf-8", "backslashreplace") + b"\n", overwrite=overwrite)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Return a folder for results, made if it is missing.

    Raises
    ------
    OutputError
        It can't be made.
    """
    target = Path(path)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise OutputError(f"the folder {show_path(target)} can't be made ({exc.strerror})") from None
    return target


def check_output(
    path: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    schema: str | None = None,
    inputs: Iterable[str | os.PathLike[str] | None] = (),
) -> None:
    """Refuse early, before long work, an output that could not be written in the end.

    With ``schema``, a file that is to be overwritten may not be of another kind: a photo or a pattern whose name was
    typed by mistake stays. Neither may it be one of ``inputs``, by whatever name, nor a device or a pipe.
    """
    target = Path(path)
    if "\0" in str(target):
        raise OutputError(f"{show_path(target)[:200]} can't be written (a null character in its name)")
    try:
        if target.is_dir():
            raise OutputError(f"{show_path(target)} is a folder; give a file name")
        there = target.exists()
        special = there and not target.is_file()
    except OSError as exc:
        raise OutputError(f"{show_path(target)[:200]} can't be written ({exc.strerror})") from None
    if special:
        raise OutputError(
            f"{show_path(target)} is not an ordinary file, so nothing is written to it; choose another name"
        )
    if there and not overwrite:
        raise OutputError(f"{show_path(target)} exists already; choose another name or add --overwrite")
    if there and any(_is_same_file(target, source) for source in inputs if source is not None):
        raise OutputError(
            f"{show_path(target)} is read by this very command, so it is not overwritten; choose another name"
        )
    folder = target.parent
    if not folder.is_dir():
        raise OutputError(f"the folder {show_path(folder)} does not exist; make it first")
    if not os.access(folder, os.W_OK):
        raise OutputError(f"the folder {show_path(folder)} can't be written to")
    if there and schema is not None and is_other_kind(target, schema):
        raise OutputError(
            f"{show_path(target)} is no {schema} file, so it is not overwritten; choose another name or remove it first"
        )


def _is_same_file(path: Path, other: str | os.PathLike[str]) -> bool:
    try:
        return os.path.samefile(path, other)
    except (OSError, ValueError):
        return False


def is_other_kind(path: Path, schema: str) -> bool:
    """Whether a file can't be meant to be replaced by JSON: a picture or video, or JSON of another kind."""
    try:
        if not path.is_file():
            return False  # writing will say what is wrong
        with open(path, "rb") as stream:
            head = stream.read(SCHEMA_WITHIN)
    except OSError:
        return False
    found = OWN_SCHEMA.search(head)
    return b"\0" in head or (found is not None and found[1] != schema.encode())


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
            _link_or_rename(temporary, target)
        temporary = None
        _sync_folder(target.parent)
    except FileExistsError:
        raise OutputError(f"{show_path(target)} exists already; choose another name or add --overwrite") from None
    except OSError as exc:
        raise OutputError(f"{show_path(target)} can't be written ({exc.strerror})") from None
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)


def _sync_folder(folder: Path) -> None:
    """Have the folder's new entry on disk as well, so that a power cut can't take it back; where it can be had."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):  # some network disks refuse it
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _link_or_rename(temporary: str, target: Path) -> None:
    """Give a file its name unless the name is taken; disks that know no links (FAT, many shares) leave a short gap."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError as exc:
        if exc.errno not in (errno.EPERM, errno.ENOSYS, errno.EOPNOTSUPP, errno.EMLINK):
            raise
        if os.path.lexists(target):
            raise FileExistsError from None
        os.replace(temporary, target)
    else:
        os.unlink(temporary)
