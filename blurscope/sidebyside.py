"""From files to a board: photos read, crops cut at one scale, references computed."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.board import (
    INSTANT,
    Board,
    Panel,
    common_windows,
    compose_board,
    compute_panel,
    computed_edges,
    crop_light,
    mean_figures,
    read_reference,
    render,
    switch_offset_px,
)  # fmt: skip
from blurscope.board.compose import panel_of
from blurscope.board.ranking import FIGURES
from blurscope.errors import OutputError, SettingsError
from blurscope.files import read_json, show_path, write_bytes
from blurscope.measurement import SCHEMA
from blurscope.pattern.layout import Layout
from blurscope.video.frames import is_video, open_clip

SAMPLES_PER_PX = 3.0
KINDS = (".png", ".svg", ".pdf", ".html")
MOST = 12
FRAME = re.compile(r"(?P<video>.+), frame (?P<index>\d{1,9}) at [\d.]+ s", re.DOTALL)  # how a measurement names one


def build_board(
    paths: Sequence[Path],
    *,
    patterns: Sequence[Path] | None = None,
    photos: Sequence[Path] | None = None,
    order: str = "bet_ms",
    transition: str | None = None,
    what_if: Sequence[str] = (),
    of: str | None = None,
    instant: bool = True,
    px_per_mm: Sequence[float] | None = None,
    distance_mm: Sequence[float] | None = None,
    length_px: float = 260.0,
) -> Board:
    """Read everything and compose the board; arguments as the command's options."""
    from blurscope.pipeline import read_pattern

    if not 1 <= len(paths) <= MOST:
        raise SettingsError(f"{len(paths)} measurements given; a board holds one to {MOST}")
    if order not in FIGURES:
        raise SettingsError(f"--order {order[:40]!r} is not a figure; choose one of {', '.join(FIGURES)}")
    if not 20 <= length_px <= 4000:
        raise SettingsError("the crop's --length must be 20 to 4000 display px")
    data = [read_json(p, SCHEMA) for p in paths]
    if patterns:
        layouts = [read_pattern(p) for p in _each(patterns, len(data), "--pattern")]
    else:
        kept = [(m.get("registration") or {}).get("pattern") for m in data]
        layouts = [Layout.from_json(p) for p in kept] if all(kept) else []
    wanted = [read_reference(t) for t in what_if]
    try:
        return _build(
            paths, data, layouts, wanted, photos, order, transition, of, instant, px_per_mm, distance_mm, length_px
        )
    except (KeyError, TypeError, IndexError, AttributeError, ValueError) as exc:
        what = f"{exc!s:.60}" or type(exc).__name__
        raise SettingsError(f"a measurement lacks what a board needs ({what}); measure it again") from exc


def _build(
    paths, data, layouts, wanted, photos, order, transition, of, instant, px_per_mm, distance_mm, length_px
) -> Board:
    scales, scale_text = _scales(px_per_mm, distance_mm, len(data))
    notes: list[str] = []
    lights: list[np.ndarray | None] = [None] * len(data)
    windows = []
    if layouts:
        windows, same = _windows(data, layouts, length_px)
        if not same:
            notes.append("The photos share no stretch of one plate: some crops show different content.")
        for i, (path, m) in enumerate(zip(paths, data, strict=True)):
            codes = _codes(m, path, Path(photos[i]) if photos and i < len(photos) else None)
            if isinstance(codes, str):
                notes.append(f"{m['label']}: {codes}.")
                continue
            sign = -1 if m["capture"]["direction"] == "left" else 1
            place = replace(windows[i], u_px=windows[i].u_px - sign * switch_offset_px(m))
            lights[i] = crop_light(codes, m, place, scales[i])
    else:
        notes.append("No crops: a measurement doesn't hold its pattern; give it by --pattern.")
    panels = [panel_of(m, light, s) for m, light, s in zip(data, lights, scales, strict=True)]
    subject = next((i for i, m in enumerate(data) if m["label"] == of), None if of else 0)
    if subject is None:
        raise SettingsError(f"--of {of[:60]!r} is no label of these measurements")
    references = []
    for reference in ([INSTANT] if instant else []) + wanted:
        window = (layouts[subject], windows[subject]) if layouts else None
        references.append(_computed(data[subject], reference, window, scales[subject]))
    pair = _pair(transition)
    if pair is not None and not any(pair in p.curves for p in panels):
        raise SettingsError(f"no measurement has a usable transition {pair[0]}-{pair[1]}; choose another --transition")
    return compose_board(
        panels, data, references=references, order=order, transition=pair, notes=notes, scale_text=scale_text
    )


def _pair(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    try:
        first, then = (int(x) for x in text.split("-"))
    except ValueError:
        raise SettingsError(f"--transition {text[:40]!r} is not two levels; write it as 0-255") from None
    return first, then


def _each(values: Sequence[Any], count: int, name: str) -> list[Any]:
    if len(values) not in (1, count):
        raise SettingsError(f"{name} was given {len(values)} times for {count} measurements; give it once or once each")
    return list(values) * (count if len(values) == 1 else 1)


def _scales(px_per_mm: Sequence[float] | None, distance: Sequence[float] | None, count: int) -> tuple[list[float], str]:
    """Samples per display px of each crop, so that all are at one scale."""
    if distance and not px_per_mm:
        raise SettingsError("--distance needs --px-per-mm as well")
    if not px_per_mm:
        return [SAMPLES_PER_PX] * count, "One scale in display px."
    dense = np.array(_each(px_per_mm, count, "--px-per-mm"), float)
    if not (np.isfinite(dense) & (dense > 0)).all():
        raise SettingsError("--px-per-mm must be above 0")
    text = "One scale in mm of the screen."
    if distance:
        away = np.array(_each(distance, count, "--distance"), float)
        if not (np.isfinite(away) & (away > 0)).all():
            raise SettingsError("--distance must be above 0 mm")
        dense = dense * away
        text = "One scale in visual angle."
    return [float(s) for s in SAMPLES_PER_PX * dense.min() / dense], text


def _windows(data: Sequence[dict[str, Any]], layouts: Sequence[Any], length_px: float) -> tuple[list[Any], bool]:
    from blurscope.pattern.drawing import picture_length_px

    blocks = [_rows(layout) for layout in layouts]
    height = min(end - top for top, end in blocks)
    lit = [tuple(m["registration"]["lit_u_px"]) for m in data]
    windows: list[Any] = [None] * len(data)
    groups: list[list[int]] = []
    for i, layout in enumerate(layouts):
        like = next((g for g in groups if _alike(layouts[g[0]], layout)), None)
        if like is None:
            groups.append([i])
        else:
            like.append(i)
    together = len(groups) == 1
    for group in groups:
        layout, top = layouts[group[0]], blocks[group[0]][0]
        ranges = [lit[i] for i in group]
        period = int(np.lcm(layout.circuit_px, picture_length_px(layout)))
        found, same = common_windows(ranges, period, top, height, length_px)
        if not same:
            found, _ = common_windows(ranges, layout.circuit_px, top, height, length_px)
        together = together and same
        for i, window in zip(group, found, strict=True):
            windows[i] = window
    shortest = min(w.length_px for w in windows)
    return [replace(w, length_px=shortest) for w in windows], together


def _alike(one: Any, other: Any) -> bool:
    return one.circuit == other.circuit and one.blocks == other.blocks and one.direction == other.direction


def _rows(layout: Any) -> tuple[int, int]:
    """Rows of the drawing and the bands that touch it, or of the widest run of bands."""
    runs: list[list[Any]] = [[]]
    for block in layout.blocks:
        if block.kind in ("picture", "band"):
            runs[-1].append(block)
        elif runs[-1]:
            runs.append([])
    runs = [r for r in runs if r]
    best = max(runs, key=lambda r: (any(b.kind == "picture" for b in r), len(r)))
    return best[0].top_row, best[-1].end_row


def _found(name: str, path: Path) -> Path | None:
    """Return the file of that name, where it was or beside the measurement."""
    for candidate in (Path(name), Path(path).parent / name, Path(path).parent / os.path.basename(name)):
        try:
            if candidate.is_file():
                return candidate
        except (OSError, ValueError):
            continue
    return None


def photo_files(paths: Sequence[Path]) -> list[Path]:
    """Return the photos and videos of measurements that were found on the disk."""
    out = []
    for path in paths:
        name = _photo_block(read_json(path, SCHEMA)).get("path") or ""
        frame = FRAME.fullmatch(name)
        out.append(_found(frame["video"] if frame else name, path))
    return [p for p in out if p is not None]


def _photo_block(measurement: dict[str, Any]) -> dict[str, Any]:
    return measurement.get("photo") or (measurement.get("photos") or [{}])[0].get("photo") or {}


def _codes(measurement: dict[str, Any], path: Path, given: Path | None) -> np.ndarray | str:
    """Return the channel that was measured, turned as it was measured; or why there is none to crop."""
    from blurscope.pipeline import as_photo
    from blurscope.shot import channel_of

    block = _photo_block(measurement)
    name, told = block.get("path") or "", block.get("sha256")
    frame = FRAME.fullmatch(name)
    if block.get("kind") == "video" and frame is None and (given is None or is_video(given)):
        return "it was measured in a clip of a camera at rest, whose pursuit photo is no file, so there is no crop"
    found = given or _found(frame["video"] if frame else name, path)
    if found is None:
        what = "video" if frame else "photo"
        return f"its {what} was not found, so there is no crop; give it by --photo"
    if frame is not None and is_video(found):
        codes = _frame(found, int(frame["index"]), told)
    else:
        photo = as_photo(found)
        if told and photo.sha256 != told:
            raise SettingsError(
                f"{show_path(found)} is not the photo that was measured (its SHA-256 differs); give that one by --photo"
            )
        codes, _ = channel_of(photo)
    return np.ascontiguousarray(np.rot90(codes)) if measurement["registration"].get("turned") else codes


def _frame(video: Path, index: int, told: str | None) -> np.ndarray:
    """Return a frame of a video, checked by its pixels."""
    for frame in open_clip(video).frames(index, index + 1):
        if not told or hashlib.sha256(np.ascontiguousarray(frame.codes)).hexdigest() == told:
            return frame.codes
    raise SettingsError(f"{show_path(video)} is not the video that was measured; give the right one by --photo")


def plate_levels(layout: Any, window: Any, columns: int) -> np.ndarray:
    """Return the plate's levels from the window's border on, motion to the right, (rows, columns) uint8."""
    from blurscope.pattern.drawing import draw_picture

    top, rows = round(window.top_row), round(window.height_px)
    if layout.sign > 0:
        u = round(window.u_px) + np.arange(columns)
    else:
        u = round(window.u_px + window.length_px) - 1 - np.arange(columns)
    circuit = np.repeat(np.array(layout.circuit, np.uint8), layout.field_px)
    out = np.zeros((rows, columns), np.uint8)
    for block in layout.blocks:
        a, b = max(block.top_row, top), min(block.end_row, top + rows)
        if a >= b:
            continue
        if block.kind == "grey":
            out[a - top : b - top] = block.level
        elif block.kind == "band":
            out[a - top : b - top] = np.roll(circuit, block.offset_px)[u % len(circuit)]
        elif block.kind == "picture":
            picture = draw_picture(layout, block.height_px)
            out[a - top : b - top] = picture[a - block.top_row : b - block.top_row][:, u % picture.shape[1]]
    return out


def _computed(measurement: dict[str, Any], reference: Any, window: tuple[Any, Any] | None, samples: float) -> Panel:
    panel = compute_panel(measurement, reference)
    light = None
    if window is not None:
        layout, place = window
        columns = int(place.length_px)
        levels = plate_levels(layout, place, columns + layout.field_px + int(2 * panel.px_per_refresh) + 2)
        light = render(panel, levels, columns, samples)
    from blurscope.shapes.blurred import BlurredEdge

    lag = np.linspace(-0.5 * panel.hold_ms, 60 + panel.hold_ms, 500)
    curves = {
        p: (lag, BlurredEdge(step=s, hold=panel.hold_ms, emission=panel.emission).esf(lag))
        for p, s in panel.steps.items()
    }
    figures = mean_figures(computed_edges(panel))
    what = reference.title if reference.scale == 0 else f"{measurement['label']} at {reference.title}"
    return Panel(
        label=what,
        light=light,
        figures=figures,
        refresh_hz=panel.refresh_hz,
        speed_px_per_s=measurement["capture"]["speed_px_per_s"],
        exposure_refreshes=None,
        samples_per_px=samples,
        computed=reference.title,
        curves=curves,
    )


def write_board(board: Board, out: Path, *, overwrite: bool = False) -> None:
    """Write a board by the ending of its name."""
    from blurscope.plots.board import board_picture, picture_bytes

    kind = out.suffix.lower()
    if kind not in KINDS:
        raise OutputError(f"{show_path(out)}: a board is written as {', '.join(KINDS)}; choose such an ending")
    if kind == ".html":
        from blurscope.report import board_page

        write_bytes(out, board_page(board).encode("utf-8", "replace"), overwrite=overwrite)
        return
    write_bytes(out, picture_bytes(board_picture(board), kind[1:]), overwrite=overwrite)
