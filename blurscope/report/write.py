"""Reading the inputs and writing the report by the ending of its name."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from blurscope.errors import OutputError, SettingsError
from blurscope.files import check_output, read_json, sha256_of, show_path, write_bytes

KINDS = ("measurement", "response", "agreement")
ENDINGS = (".html", ".md", ".csv")


def read_inputs(paths: Sequence[str | os.PathLike[str]]) -> dict[str, list[dict[str, Any]]]:
    """Read measurements, responses and agreements, told apart by their schema.

    Raises
    ------
    SettingsError
        A file is none of these, or there is no measurement.
    """
    found: dict[str, list[dict[str, Any]]] = {kind: [] for kind in KINDS}
    found["files"] = []
    for path in paths:
        data = _read(path)
        found[data["schema"].split(".")[1].split("/")[0]].append(data)
        found["files"].append(
            {
                "name": show_path(Path(path).name),
                "sha256": sha256_of(path),
                "schema": data["schema"],
                "label": str(data.get("label") or ""),
            }
        )
    if not found["measurement"]:
        raise SettingsError("a report needs at least one measurement file of 'blurscope measure'")
    return found


def _read(path: str | os.PathLike[str]) -> dict[str, Any]:
    refused: SettingsError | None = None
    for kind in KINDS:
        try:
            return read_json(path, f"blurscope.{kind}/1")
        except SettingsError as exc:
            refused = exc
            if "is not a blurscope" not in str(exc):
                raise
    raise SettingsError(
        f"{show_path(path)} is no measurement, response or agreement file; give what measure, trace or check wrote"
    ) from refused


def _text(kind: str, found: dict[str, list[dict[str, Any]]], board: Any, options: Mapping[str, Any]) -> str:
    if kind == ".csv":
        from blurscope.report.tables import report_csv

        return "\ufeff" + report_csv(found["measurement"])
    if kind == ".md":
        from blurscope.report.tables import report_markdown

        return report_markdown(found["measurement"], found["agreement"])
    from jinja2 import UndefinedError

    from blurscope.report.page import report_page

    try:
        return report_page(found, board=board, options=options)
    except UndefinedError as exc:
        raise ValueError(str(exc)) from exc


def write_report(
    inputs: Sequence[str | os.PathLike[str]],
    out: str | os.PathLike[str],
    *,
    board: Any = None,
    options: Mapping[str, Any] | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a report as ``.html``, ``.md`` or ``.csv``.

    Parameters
    ----------
    inputs : sequence of path-like
        Measurement, response and agreement files.
    out : path-like
    board : blurscope.board.Board, optional
        Crops for the side-by-side; without it the report has figures only.
    options : mapping, optional
        Shown under provenance.
    overwrite : bool

    Returns
    -------
    Path
    """
    target = Path(out)
    kind = target.suffix.lower()
    if kind not in ENDINGS:
        raise OutputError(f"{show_path(target)}: a report is written as {', '.join(ENDINGS)}; choose such an ending")
    check_output(target, overwrite=overwrite)
    found = read_inputs(inputs)
    try:
        text = _text(kind, found, board, options or {})
    except (KeyError, TypeError, IndexError, AttributeError, ValueError) as exc:
        what = f"{exc!s:.60}" or type(exc).__name__
        raise SettingsError(f"an input lacks what a report needs ({what}); make it again with this version") from exc
    write_bytes(target, text.encode("utf-8", "replace"), overwrite=overwrite)
    return target
