"""``blurscope steps``: the stimulus for a photodiode."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo

EXAMPLE = """

Example: blurscope steps stimulus --levels 5 --refresh-hz 60

Open OUT/index.html on the device, record its patch with a photodiode, then:

blurscope trace record.csv --steps OUT/steps.json --display-gamma 2.2 --json response.json
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("steps", help="Write the stimulus for a photodiode: every transition in a coded order." + EXAMPLE)
    def steps(
        out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder to make; its parent must exist.")],
        levels: Annotated[str, typer.Option(help="Number of even levels, or codes such as 0,64,255.")] = "5",
        refresh_hz: Annotated[float, typer.Option(help="Updates of the screen per second.")] = 60.0,
        repeats: Annotated[int, typer.Option(help="How often each transition is shown.")] = 3,
        dwell_s: Annotated[float, typer.Option(help="Stay at each level, s; at least 1/6.")] = 0.25,
        size: Annotated[str, typer.Option(metavar="WxH", help="Physical pixels of the screen.")] = "1280x720",
        patch_px: Annotated[int | None, typer.Option(help="Side of the patch; an eighth of the screen.")] = None,
        seed: Annotated[int, typer.Option(help="Of the order.")] = 1,
        frames: Annotated[bool, typer.Option("--frames", help="Also a PNG per level.")] = False,
        video: Annotated[bool, typer.Option("--video", help="Also a lossless video (extra 'video').")] = False,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        found = re.fullmatch(r"\s*(\d{1,6})\s*[xX×]\s*(\d{1,6})\s*", size)
        if not found:
            raise typer.BadParameter(f"{size!r:.40} is not a size such as 1280x720", param_hint="--size")
        from blurscope.trace.show import write_stimulus
        from blurscope.trace.stimulus import level_codes, plan_stimulus

        stimulus = plan_stimulus(
            level_codes(levels),
            refresh_hz=refresh_hz,
            repeats=repeats,
            dwell_s=dwell_s,
            size_px=(int(found[1]), int(found[2])),
            patch_px=patch_px,
            seed=seed,
        )
        clock = [time.monotonic()]

        def say(done: int, total: int) -> None:
            if time.monotonic() - clock[0] >= 1:
                clock[0] = time.monotonic()
                echo(f"video: frame {done} of {total}", err=True)

        made = write_stimulus(out, stimulus, frames=frames, video=video, overwrite=overwrite, progress=say)
        n = len(stimulus.levels)
        echo(
            f"{n * (n - 1)} transitions of {n} levels, {repeats} times each, {stimulus.refreshes / refresh_hz:.0f} s, "
            f"at most {stimulus.worst_flashes_per_s():g} flashes per second on a patch of {stimulus.patch_px} px",
            err=True,
        )
        for path in made:
            echo(path)
