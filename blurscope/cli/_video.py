"""What ``measure`` does with a video: a clip of a camera at rest, or one that follows the plate."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from blurscope.cli._table import echo, print_table, shown
from blurscope.errors import SettingsError
from blurscope.files import check_output, write_json
from blurscope.measurement import Measurement

SHOWN_REFUSED = 8


def run_video(
    video: Path,
    *,
    fixed_camera: bool,
    frame_rate: float | None,
    frame_exposure_ms: float | None,
    frames: int | None,
    response_out: Path | None,
    overwrite: bool,
    **options: Any,
) -> tuple[Measurement, list[Any]]:
    """Measure a video; return the measurement and its shots."""
    shots: list[Any] = []
    options |= {"on_shot": shots.append}
    if not fixed_camera:
        for name, value in {
            "--frame-rate": frame_rate,
            "--frame-exposure-ms": frame_exposure_ms,
            "--response": response_out,
        }.items():
            if value is not None:
                raise SettingsError(f"{name} is for a clip of a camera at rest; add --fixed-camera or leave it out")
        from blurscope.pan import BEST, measure_pan

        return measure_pan(video, best=BEST if frames is None else frames, **options), shots
    for name, key in {"--still": "still", "--exposure-refreshes": "exposure_refreshes"}.items():
        if options.pop(key) is not None:
            raise SettingsError(f"{name} has no meaning for a clip of a camera at rest; leave it out")
    if frames is not None:
        raise SettingsError("--frames is for a video whose camera follows the plate; leave it out")
    if response_out is not None:
        check_output(response_out, overwrite=overwrite, schema="blurscope.response/1")
    from blurscope.clip import measure_clip

    result = measure_clip(
        video,
        frame_rate=frame_rate,
        frame_exposure_ms=frame_exposure_ms,
        trace=response_out is not None,
        **options,
    )
    if response_out is not None and result.response is not None:
        write_json(response_out, result.response, overwrite=overwrite)
        print_response(result.response)
    return result.measurement, shots


def print_response(response: dict[str, Any]) -> None:
    """Print the pixels' own responses."""
    rows = []
    for t in response["transitions"]:
        cells = [shown(t[name], 2) for name in ("response_ms", "response_signal_ms")]
        rows.append([f"{t['from_level']} → {t['to_level']}", *cells, shown(t["overshoot_pct"], 1), str(t["repeats"])])
    echo("the pixels' light against time:")
    print_table(["transition", "response ms", "in signal ms", "overshoot %", "samples"], rows)
    echo("")


def refuse_video_options(**given: Any) -> None:
    """Refuse options of videos where photos are measured."""
    for name, value in given.items():
        if value:
            raise SettingsError(f"--{name.replace('_', '-')} is for a video, and no video is given; leave it out")


def print_frames(result: Measurement) -> None:
    """Print what each frame contributes, best first, and the first of those left out."""
    from blurscope.files import show_path

    echo("")
    photos = result.blocks["photos"]
    used = [p for p in photos if p["used"]]
    lost = [p for p in photos if not p["used"]]
    for p in used + lost[:SHOWN_REFUSED]:
        part = f"weight {100 * p['weight']:.0f} %" if p["used"] else "left out"
        echo(f"{p['rank']}. {show_path(Path(p['photo']['path']).name)}, {part}: {p['reason']}")
    if len(lost) > SHOWN_REFUSED:
        print(f"and {len(lost) - SHOWN_REFUSED} more frames left out (all of them with --json)", file=sys.stderr)
