"""What ``measure`` does with many displays."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import typer

from blurscope.batch.run import Batch, measure_batch
from blurscope.cli._measure import read_notes
from blurscope.cli._table import print_table, shown
from blurscope.files import show_path

SHOWN_REFUSALS = 20
LONGEST = 600  # characters of a refusal that are shown; the tables have it in full
FIGURES = ("bet_ms_mean", "ghost_ms_mean", "response_ms_mean")


class Clock:
    """Says on stderr how many displays are done and how long the rest will take."""

    def __init__(self) -> None:
        self.start = self.said = time.monotonic()
        self.first: int | None = None

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if self.first is None:
            self.first = done
            if done:
                print(f"  {done} of {total} displays are there already", file=sys.stderr, flush=True)
            return
        if now - self.said < 1 and done < total:
            return
        self.said = now
        if now - self.start < 1:
            return
        measured = done - self.first
        left = (now - self.start) / measured * (total - done) if measured else float("nan")
        rest = f", about {duration(left)} left" if done < total and measured else ""
        print(f"  {done} of {total} displays{rest}", file=sys.stderr, flush=True)


def duration(seconds: float) -> str:
    """Return a time in words: ``40 s``, ``12 min``, ``3 h 5 min``."""
    if seconds < 90:
        return f"{max(seconds, 1):.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def run_batch(
    photos: list[Path],
    *,
    manifest: Path | None,
    out: Path | None,
    settings: dict[str, Any],
    notes: list[str],
    not_with: dict[str, Any],
    overwrite: bool,
    resume: bool,
    **options: Any,
) -> None:
    """Measure many displays, print the summary, exit 1 if something was refused."""
    if out is None:
        raise typer.BadParameter("give a folder for the results", param_hint="--out")
    if manifest is not None and photos:
        raise typer.BadParameter("name the photos in the manifest, not beside it", param_hint="PHOTOS")
    if overwrite and resume:
        raise typer.BadParameter(
            "--overwrite measures everything anew; leave out one of the two", param_hint="--resume"
        )
    for name, value in not_with.items():
        if value:
            raise typer.BadParameter("it is for one display; leave it out of a batch", param_hint=name)
    settings["notes"] = read_notes(notes)
    result = measure_batch(
        manifest if manifest is not None else _one_each(photos, settings),
        out=out,
        overwrite=overwrite,
        defaults=settings,
        say=lambda text: print(f"note: {text}", file=sys.stderr, flush=True),
        progress=Clock(),
        **options,
    )
    print_batch(result)
    if not result.ok:
        raise typer.Exit(1)


def _one_each(photos: list[Path], settings: dict[str, Any]) -> list[Any]:
    from blurscope.batch.display import displays_of_photos
    from blurscope.batch.photos import photos_in

    if not photos:
        raise typer.BadParameter("give photos, or a folder of photos", param_hint="PHOTOS")
    if settings["pattern"] is None:
        raise typer.BadParameter("give the plate's pattern.json, or its folder", param_hint="--pattern")
    given = {k: str(v) if isinstance(v, Path) else v for k, v in settings.items()}
    given["notes"] = tuple(sorted(given["notes"].items()))
    return displays_of_photos(photos_in(photos, leave_out=settings["still"]), **given)


def _shortened(text: str) -> str:
    """Return a sentence without the middle of an endless path."""
    return text if len(text) <= LONGEST else f"{text[: LONGEST // 2]} … {text[-LONGEST // 2 :]}"


def print_batch(batch: Batch) -> None:
    """Print the table on stdout, refusals and counts on stderr."""
    rows = []
    for row in batch.rows:
        cells = [shown({"value": row[f], "u95": row[f"{f}_u95"]}) for f in FIGURES]
        rows.append([row["label"], str(row["photos_used"]), f"{row['edges_ok']} of {row['edges']}", *cells])
    if rows:
        print_table(["display", "photos", "transitions", "BET ms", "ghost ms", "response ms"], rows)
    lost = [r for r in batch.refused if r.what != "shot"]
    for refusal in lost[:SHOWN_REFUSALS]:
        label = f"{refusal.label}: " if refusal.what == "display" else ""
        print(f"refused: {_shortened(label + refusal.reason)}", file=sys.stderr)
    if len(lost) > SHOWN_REFUSALS:
        print(f"and {len(lost) - SHOWN_REFUSALS} more", file=sys.stderr)
    counts = f"{len(batch.rows)} displays with results ({batch.kept} kept from before), {len(lost)} refused"
    print(f"{counts}; see {show_path(batch.out / 'summary.csv')} and refused.csv", file=sys.stderr)
    if not batch.finished:
        print("stopped: run the same line again, and it goes on where it was", file=sys.stderr)
