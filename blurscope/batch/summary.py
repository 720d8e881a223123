"""What a batch says in the end: one row per display, and what was refused."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from blurscope.batch.display import Refusal
from blurscope.batch.rows import NOTE
from blurscope.errors import SettingsError
from blurscope.files import table_cell

FIGURES = (
    "bet_ms_mean",
    "bet_ms_max",
    "ghost_ms_mean",
    "ghost_ms_max",
    "response_ms_mean",
    "response_signal_ms_mean",
    "in_refresh_share",
)
TRACKING = ("error_px_per_refresh", "exposure_refreshes", "scan_out_ms")
TEXT = ("label", "result", "direction", "backlight", "light_method", "warnings", "version", "inputs_sha256")
WHOLE = ("photos", "photos_used", "px_per_refresh", "plate", "edges", "edges_ok")
NUMBERS = ("refresh_hz", "campx_per_px", *(f"{n}{end}" for n in (*FIGURES, *TRACKING) for end in ("", "_u95")))
COLUMNS = (
    *("label", "result", "photos", "photos_used", "plate", "refresh_hz", "px_per_refresh", "direction", "campx_per_px"),
    *("edges", "edges_ok"),
    *(f"{n}{end}" for n in (*FIGURES, *TRACKING) for end in ("", "_u95")),
    *("backlight", "light_method", "warnings", "version", "inputs_sha256"),
)
REFUSAL_COLUMNS = ("file", "reason", "label", "what", "line")


def row_of(name: str, document: dict[str, Any]) -> dict[str, Any]:
    """Return the summary row of a ``blurscope.measurement/1`` document."""
    capture, summary, tracking = document["capture"], document["summary"], document["tracking"]
    photos = document.get("photos", [])
    row: dict[str, Any] = {
        "label": document["label"],
        "result": name,
        "photos": len(photos) or 1,
        "photos_used": sum(p["used"] for p in photos) if photos else 1,
        "plate": capture.get("plate"),
        "edges": summary["edges"],
        "edges_ok": summary["edges_ok"],
        "backlight": document["backlight"]["kind"],
        "light_method": document["light"]["method"],
        "warnings": " ".join(dict.fromkeys(w["code"] for w in document["warnings"])),
        "version": document["version"],
        "inputs_sha256": document["batch"]["inputs_sha256"],
    }
    row |= {k: capture[k] for k in ("refresh_hz", "px_per_refresh", "direction", "campx_per_px")}
    for block, names in ((summary, FIGURES), (tracking, TRACKING)):
        for figure in names:
            row[figure], row[f"{figure}_u95"] = block[figure]["value"], block[figure]["u95"]
    row |= {NOTE + key: value for key, value in capture["notes"].items()}
    return row


def shots_left_out(document: dict[str, Any]) -> list[Refusal]:
    """Return the shots that a combination does without; the frames of a video were never meant to be used all."""
    if document["photo"]["kind"] == "video":
        return []
    return [
        Refusal(what="shot", reason=p["reason"], file=p["photo"]["path"], label=document["label"])
        for p in document.get("photos", [])
        if not p["used"]
    ]


def _columns(rows: Sequence[dict[str, Any]]) -> list[str]:
    return [*COLUMNS, *sorted({k for row in rows for k in row if k.startswith(NOTE)})]


def csv_of(rows: Sequence[dict[str, Any]]) -> bytes:
    """Return the summary as CSV; numbers as Python writes them, a figure that can't be measured empty."""
    columns = _columns(rows)
    return _csv(columns, [[row.get(c) for c in columns] for row in rows])


def refusals_csv(refusals: Sequence[Refusal]) -> bytes:
    """Return the list of refusals as CSV."""
    return _csv(REFUSAL_COLUMNS, [[getattr(r, c) for c in REFUSAL_COLUMNS] for r in refusals])


def _csv(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([table_cell(c) for c in columns])
    writer.writerows([["" if cell is None else table_cell(cell) for cell in row] for row in rows])
    return stream.getvalue().encode("utf-8", "backslashreplace")


def check_parquet() -> None:
    """Refuse early where Parquet can't be written."""
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError:
        raise SettingsError(
            "Parquet needs the package pyarrow: run 'pip install pyarrow', or leave out --parquet"
        ) from None


def parquet_of(rows: Sequence[dict[str, Any]]) -> bytes:
    """Return the summary as Parquet: text, 64-bit integers and doubles, with nulls."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {**dict.fromkeys(WHOLE, pa.int64()), **dict.fromkeys(NUMBERS, pa.float64())}
    schema = pa.schema([(c, kinds.get(c, pa.string())) for c in _columns(rows)])
    arrays = [pa.array([_cast(row.get(f.name), f.type, pa) for row in rows], type=f.type) for f in schema]
    sink = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), sink)
    return sink.getvalue()


def _cast(value: Any, kind: Any, pa: Any) -> Any:
    if value is None:
        return None
    return float(value) if kind == pa.float64() else int(value) if kind == pa.int64() else str(value)
