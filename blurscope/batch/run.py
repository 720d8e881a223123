"""The order of a batch: read, skip what is finished, measure the rest, keep each result at once, sum up."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blurscope import __version__
from blurscope.batch.display import Display, Refusal
from blurscope.batch.limits import Limits
from blurscope.batch.manifest import read_manifest
from blurscope.batch.pool import cores, run_local
from blurscope.batch.store import INDEX, PARQUET, REFUSED, SCHEMA, SUMMARY, Store, safe_names
from blurscope.batch.summary import check_parquet, csv_of, parquet_of, refusals_csv, row_of, shots_left_out
from blurscope.batch.task import Outcome, Task, digests_of, key_of
from blurscope.errors import BlurscopeError, SettingsError
from blurscope.files import sha256_of, show_path


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What a batch came to.

    Attributes
    ----------
    out : Path
        Folder of the results.
    rows : tuple of dict
        The summary, one row per display that has a result, in the manifest's order.
    refused : tuple of Refusal
        Rows, displays and shots; shots are left out of a display that has a result.
    measured, kept : int
        Displays measured now, and displays whose earlier results hold.
    finished : bool
        False if it was interrupted.
    """

    out: Path
    rows: tuple[dict[str, Any], ...]
    refused: tuple[Refusal, ...]
    measured: int = 0
    kept: int = 0
    finished: bool = True

    @property
    def ok(self) -> bool:
        """Whether it went to its end and every row and display has a result."""
        return self.finished and all(r.what == "shot" for r in self.refused)


def measure_batch(
    manifest: str | os.PathLike[str] | Sequence[Display],
    *,
    out: str | os.PathLike[str],
    jobs: int | None = None,
    scheduler: str | None = None,
    overwrite: bool = False,
    parquet: bool = False,
    allow_outside: bool = False,
    defaults: Mapping[str, Any] | None = None,
    limits: Limits | None = None,
    say: Callable[[str], None] = lambda _: None,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Batch:
    """Measure many displays and keep every result.

    Parameters
    ----------
    manifest : path, or sequence of Display
        A CSV: ``file,label,pattern,still,meter,refresh_hz,exposure_refreshes,display_gamma,contrast,note:KEY…``.
    out : path
        Folder for one ``blurscope.measurement/1`` file per display, ``summary.csv``, ``refused.csv``, ``batch.json``.
        Results that are there already hold if their inputs are the same, and are measured anew if not.
    jobs : int, optional
        Processes; without it one per core.
    scheduler : str, optional
        Address of a dask scheduler, such as ``tcp://10.0.0.5:8786``; its workers measure instead of this machine.
    overwrite : bool
        Measure everything anew, and replace files in ``out`` that are not from a batch.
    parquet : bool
        Write ``summary.parquet`` too.
    allow_outside : bool
        Let the manifest name files outside its folder.
    defaults : mapping, optional
        Settings where the manifest has none: ``pattern``, ``still``, ``meter``, ``refresh_hz``, ``exposure_refreshes``,
        ``display_gamma``, ``contrast``, ``notes``, and for videos ``fixed_camera``, ``frame_rate``,
        ``frame_exposure_ms``, ``frames``.
    limits : Limits, optional
    say, progress : callable
        Told of oddities; told of displays done out of all.

    Returns
    -------
    Batch
        Refusals are in it, not raised.

    Raises
    ------
    BlurscopeError
        Nothing can be measured, or results can't be written. What was written before stays.
    """
    limits = limits or Limits.from_environment()
    if jobs is not None and not 1 <= jobs <= 1024:
        raise SettingsError(f"--jobs {jobs} can't be used; give 1 to 1024")
    if parquet:
        check_parquet()
    source: dict[str, Any] | None = None
    refused: list[Refusal] = []
    if isinstance(manifest, (str, os.PathLike)):
        displays, refused = read_manifest(
            manifest, defaults=defaults, allow_outside=allow_outside, limits=limits, say=say
        )
        source = {"path": show_path(manifest), "sha256": sha256_of(manifest)}
    else:
        displays = list(manifest)
        if not displays:
            raise SettingsError("there is nothing to measure; give photos or a manifest")
    with Store(out, overwrite=overwrite) as store:
        given = {p for d in displays for p in (*d.photos, d.pattern, d.still, d.meter)}
        store.keep([*given, None if source is None else os.fspath(manifest)])
        run = _Run(store, displays, refused, source, parquet)
        run.write_index(finished=False)
        try:
            todo = run.look_for_earlier()
            progress(len(displays) - len(todo), len(displays))
            if todo:
                if scheduler is None:
                    outcomes = run_local(todo, jobs=jobs or cores(), seconds=limits.seconds)
                else:
                    from blurscope.batch.cluster import run_cluster

                    outcomes = run_cluster(todo, address=scheduler, seconds=limits.seconds, say=say)
                run.take(outcomes, progress)
        except KeyboardInterrupt:
            return run.finish(finished=False)
        return run.finish(finished=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What the batch remembers of a result: its row, not its profiles."""

    row: dict[str, Any]
    key: str
    shots: list[Refusal]


class _Run:
    def __init__(
        self,
        store: Store,
        displays: Sequence[Display],
        refused: Sequence[Refusal],
        source: dict[str, Any] | None,
        parquet: bool,
    ) -> None:
        self.store, self.displays, self.source, self.parquet = store, displays, source, parquet
        self.refused_rows = list(refused)
        self.names = safe_names(displays)
        self.rows: dict[int, dict[str, Any]] = {}
        self.keys: dict[int, str] = {}
        self.reasons: dict[int, str] = {}
        self.shots: dict[int, list[Refusal]] = {}
        self.kept = self.measured = 0
        self.writing: Outcome | None = None

    def look_for_earlier(self) -> list[Task]:
        """Keep earlier results with the same inputs; return what has to be measured."""
        numbers = range(len(self.displays))
        with ThreadPoolExecutor(max_workers=min(cores(), 8)) as pool:
            found = pool.map(self._earlier, numbers)
            for number, document in zip(numbers, found, strict=True):
                if isinstance(document, _Kept):
                    self._accept(number, document)
                    self.kept += 1
                elif isinstance(document, str):
                    self.reasons[number] = document
        waiting = [n for n in numbers if n not in self.rows and n not in self.reasons]
        return [Task(number=n, display=self.displays[n]) for n in waiting]

    def _earlier(self, number: int) -> _Kept | str | None:
        """Return the earlier result if it holds, a reason if its place is taken, None if there is none."""
        try:
            document = self.store.earlier(self.names[number])
        except BlurscopeError as exc:
            return str(exc)
        if document is None or self.store.overwrite:
            return None
        display = self.displays[number]
        if document["batch"]["inputs_sha256"] != key_of(display, digests_of(display)):
            return None
        try:
            return self._short(number, document)
        except (KeyError, TypeError, AttributeError):
            return None  # it was edited: measured anew

    def _short(self, number: int, document: dict[str, Any]) -> _Kept:
        key = document["batch"]["inputs_sha256"]
        return _Kept(row=row_of(self.names[number], document), key=key, shots=shots_left_out(document))

    def _accept(self, number: int, kept: _Kept) -> None:
        self.rows[number], self.keys[number], self.shots[number] = kept.row, kept.key, kept.shots

    def take(self, outcomes: Iterator[Outcome], progress: Callable[[int, int], None]) -> None:
        """Keep each result as it comes."""
        try:
            for outcome in outcomes:
                n = outcome.number
                self.keys[n], self.writing = outcome.key, outcome
                if outcome.result is None:
                    self.reasons[n] = outcome.reason
                    if self.store.earlier(self.names[n]) is not None:
                        self.store.remove(self.names[n])
                else:
                    self.store.write(self.names[n], outcome.result)
                    self._accept(n, self._short(n, json.loads(outcome.result)))
                self.measured, self.writing = self.measured + 1, None
                progress(len(self.rows) + len(self.reasons), len(self.displays))
        finally:
            close = getattr(outcomes, "close", None)
            if close is not None:
                close()

    def refusals(self) -> list[Refusal]:
        """Return all refusals: rows first, then displays and shots in the manifest's order."""
        out = list(self.refused_rows)
        for n, display in enumerate(self.displays):
            line = display.lines[0] if display.lines else None
            if n in self.reasons:
                file = "; ".join(show_path(p) for p in display.photos[:20]) + (
                    "; …" if len(display.photos) > 20 else ""
                )
                out.append(Refusal(what="display", reason=self.reasons[n], file=file, label=display.label, line=line))
            out += self.shots.get(n, [])
        return out

    def write_index(self, *, finished: bool) -> None:
        """Write ``batch.json``."""
        entries = []
        for n, display in enumerate(self.displays):
            status = "done" if n in self.rows else "refused" if n in self.reasons else "waiting"
            entries.append(
                {
                    "label": display.label,
                    "result": self.names[n] if status == "done" else None,
                    "status": status,
                    "reason": self.reasons.get(n),
                    "inputs_sha256": self.keys.get(n) or None,
                    "photos": [show_path(p) for p in display.photos],
                    "pattern": show_path(display.pattern),
                    "lines": list(display.lines),
                }
            )
        document = {
            "schema": SCHEMA,
            "version": __version__,
            "manifest": self.source,
            "finished": finished,
            "counts": {
                "displays": len(self.displays),
                "done": len(self.rows),
                "refused": len(self.reasons),
                "refused_rows": len(self.refused_rows),
            },
            "displays": entries,
            "refused_rows": [
                {"line": r.line, "file": r.file, "label": r.label, "reason": r.reason} for r in self.refused_rows
            ],
        }
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
        self.store.write(INDEX, text.encode("utf-8", "backslashreplace") + b"\n")

    def _settle_last(self) -> None:
        """Count the result during whose writing it was interrupted, if it got there."""
        last = self.writing
        if last is None or last.result is None or last.number in self.rows:
            return
        document = self.store.earlier(self.names[last.number])
        if document is not None and document["batch"]["inputs_sha256"] == last.key:
            self._accept(last.number, self._short(last.number, document))

    def finish(self, *, finished: bool) -> Batch:
        """Write the tables and the index."""
        self._settle_last()
        rows = [self.rows[n] for n in sorted(self.rows)]
        refused = self.refusals()
        self.store.write(SUMMARY, csv_of(rows))
        if self.parquet:
            self.store.write(PARQUET, parquet_of(rows))
        else:
            self.store.remove(PARQUET)  # an older one would contradict the new summary
        self.store.write(REFUSED, refusals_csv(refused))
        self.write_index(finished=finished)
        return Batch(
            out=self.store.folder,
            rows=tuple(rows),
            refused=tuple(refused),
            measured=self.measured,
            kept=self.kept,
            finished=finished,
        )
