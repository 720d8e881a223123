"""What ``measure`` does once its options are read."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

from blurscope.cli._table import echo, print_table, shown
from blurscope.errors import SettingsError
from blurscope.files import check_output, show_path, write_json
from blurscope.measurement import Measurement

COLUMNS = (
    ("BEW px", "bew_px", 2),
    ("BET ms", "bet_ms", 2),
    ("ghost ms", "ghost_ms", 2),
    ("overshoot %", "overshoot_pct", 1),
    ("response ms", "response_ms", 2),
    ("in signal ms", "response_signal_ms", 2),
)

MEANS = ("bet_ms_mean", "ghost_ms_mean", "response_ms_mean", "response_signal_ms_mean")


VIDEO_OPTIONS = ("fixed_camera", "frame_rate", "frame_exposure_ms", "frames", "response")


class Progress:
    """Says on stderr what is going on once work has taken a second."""

    def __init__(self) -> None:
        self.start = time.monotonic()

    def __call__(self, text: str) -> None:
        if time.monotonic() - self.start > 1:
            print(f"  {text} …", file=sys.stderr, flush=True)


def read_notes(notes: list[str]) -> dict[str, str]:
    """Return ``key=value`` pairs as a dict."""
    out = {}
    for note in notes:
        key, sign, value = note.partition("=")
        if not sign or not key.strip():
            raise SettingsError(f"the note {note!r:.60} is not key=value")
        out[key.strip()] = value.strip()
    return out


def run_measure(photos: list[Path], *, json_out: Path | None, debug_dir: Path | None, **options: Any) -> None:
    """Measure, print the table, write what was asked for."""
    from blurscope.batch.photos import photos_in
    from blurscope.pipeline import measure
    from blurscope.tables import read_meter
    from blurscope.video.frames import is_video

    video = {name: options.pop(name) for name in VIDEO_OPTIONS}
    video["response_out"] = video.pop("response")
    overwrite, budget = options.pop("overwrite"), options.pop("budget")
    notes, meter = read_notes(options.pop("notes")), options.pop("meter")
    if json_out is not None:
        check_output(json_out, overwrite=overwrite, schema="blurscope.measurement/1")
    shots: list[Any] = []
    photos = [Path(p) for p in photos_in(photos, leave_out=options["still"])]
    read = [*photos, options["still"], meter, options["pattern"]]
    for out in (json_out, video["response_out"]):
        if out is not None:
            check_output(out, overwrite=overwrite, inputs=read)
    common = dict(notes=notes, meter=None if meter is None else read_meter(meter), say=Progress())
    videos = [p for p in photos if is_video(p)]
    if videos:
        from blurscope.cli._video import print_frames, run_video

        if len(photos) > 1:
            raise SettingsError(
                f"{show_path(videos[0])} is a video, which is measured on its own; give it without the other "
                f"{len(photos) - 1}"
            )
        result, shots = run_video(videos[0], overwrite=overwrite, **video, **common, **options)
        rank = print_frames
    else:
        from blurscope.cli._video import refuse_video_options

        refuse_video_options(**{k.removesuffix("_out"): x for k, x in video.items()})
        result = measure(
            photos[0] if len(photos) == 1 else list(photos),
            on_shot=shots.append if debug_dir is not None else None,
            **common,
            **options,
        )
        rank = print_ranking
    print_measurement(result)
    if "photos" in result.blocks:
        rank(result)
    if budget:
        print_budget(result)
    if json_out is not None:
        write_json(json_out, result.as_json(), overwrite=overwrite)
    if debug_dir is not None:
        from blurscope.plots.debug import write_debug

        for path in write_debug(shots, result, debug_dir, overwrite=overwrite, inputs=read):
            print(f"picture: {show_path(path)}", file=sys.stderr)


def print_measurement(result: Measurement) -> None:
    """Print the table of transitions, the summary and the warnings."""
    capture, tracking = result.blocks["capture"], result.blocks["tracking"]
    echo(
        f"{result.label}: {capture['refresh_hz']:g} Hz, {capture['px_per_refresh']} px per refresh to the "
        f"{capture['direction']}, {capture['campx_per_px']:.2f} campx per px"
    )
    echo(
        f"exposure {shown(tracking['exposure_refreshes'].as_json(), 3)} refreshes, tracking error "
        f"{shown(tracking['error_px_per_refresh'].as_json(), 3)} px per refresh, scan-out "
        f"{shown(tracking['scan_out_ms'].as_json(), 2)} ms along the {tracking['scan_axis']}"
    )
    echo("")
    print_edges(result, "transition")
    s = result.summary
    echo("")
    means = [shown(s[name].as_json()) for name in MEANS]
    echo(f"{s['edges_ok']} of {s['edges']} transitions usable; mean BET {means[0]} ms, mean ghost {means[1]} ms,")
    echo(f"mean response {means[2]} ms (signal {means[3]} ms)")
    print_notes(result)


def print_edges(result: Measurement, head: str) -> None:
    """Print a line for each edge, its levels under ``head``."""
    rows = []
    for e in result.edges:
        cells = [f"{e.from_level} → {e.to_level}", str(e.instances)]
        cells += [shown(e.figures[name].as_json(), digits) for _, name, digits in COLUMNS]
        rows.append([*cells, ", ".join(e.flags)])
    print_table([head, "n", *(title for title, _, _ in COLUMNS), "flags"], rows)


def print_notes(result: Measurement) -> None:
    """Print the warnings on stderr."""
    for w in result.warnings:
        print(f"note: {w['message']}", file=sys.stderr)


def print_ranking(result: Measurement) -> None:
    """Print what each photo contributes, best first, and why some were left out."""
    echo("")
    for p in result.blocks["photos"]:
        name = show_path(Path(p["photo"]["path"]).name)
        part = f"weight {100 * p['weight']:.0f} %" if p["used"] else "left out"
        echo(f"{p['rank']}. {name}, {part}: {p['reason']}")


def print_budget(result: Measurement) -> None:
    """Print the standard uncertainties by contribution, for BET and response."""
    for name, title in (("bet_ms", "BET"), ("ghost_ms", "ghost"), ("response_ms", "response")):
        parts = sorted({k for e in result.edges for k in e.figures[name].parts})
        if not parts:
            continue
        echo("")
        echo(f"uncertainty of {title}, standard, ms")
        rows = []
        for e in result.edges:
            q = e.figures[name]
            cells = [f"{q.parts[p]:.3f}" if p in q.parts else "–" for p in parts]
            rows.append([f"{e.from_level} → {e.to_level}", *cells, "–" if q.u95 is None else f"{q.u95:.3f}"])
        print_table(["transition", *parts, "u95"], rows)
