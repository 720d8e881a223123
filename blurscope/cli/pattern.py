"""``blurscope pattern``: make the moving pattern."""

from __future__ import annotations

import re
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("pattern")(pattern)


def pattern(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder to make; its parent must exist.")],
    size: Annotated[str, typer.Option(metavar="WxH", help="Physical pixels of the screen under test.")] = "1920x1080",
    px_per_refresh: Annotated[int, typer.Option(metavar="N", help="Movement per refresh, 1 to 64 px.")] = 12,
    levels: Annotated[int, typer.Option(metavar="K", help="Number of grey levels; all pairs are shown.")] = 5,
    refresh_hz: Annotated[float, typer.Option(metavar="F", help="Updates of the pattern per second.")] = 60.0,
    direction: Annotated[str, typer.Option(metavar="right|left", help="Where the plate moves.")] = "right",
    frames: Annotated[int, typer.Option(metavar="M", help="Write M refreshes from refresh 0 as PNG.")] = 0,
    plates: Annotated[
        str | None, typer.Option(metavar="auto|n", help="Share the transitions among plates, a folder each.")
    ] = None,
    video: Annotated[bool, typer.Option("--video", help="Write a lossless and an H.264 video too.")] = False,
    video_refreshes: Annotated[
        int | None, typer.Option(metavar="M", help="Length of the videos in refreshes; one loop by default.")
    ] = None,
    slowest_ms: Annotated[
        float, typer.Option(metavar="MS", help="Slowest response (10-90 %) that has to settle in a field.")
    ] = 40.0,
    max_exposure_refreshes: Annotated[
        int, typer.Option(metavar="N", help="Longest exposure that the travel lanes are spaced for.")
    ] = 8,
    allow_flashing: Annotated[
        bool, typer.Option("--allow-flashing", help="Allow flashes above the WCAG limits; mind who can see it.")
    ] = False,
    explain: Annotated[bool, typer.Option("--explain", help="Print how the rows of the screen were shared.")] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier pattern in OUT.")] = False,
) -> None:
    """Make the moving pattern: a page that plays it, its frames, its video, and pattern.json for measuring.

    Example: blurscope pattern plate --size 1280x800 --px-per-refresh 12 --refresh-hz 60

    Open OUT/index.html on the screen under test, or bring it there with: blurscope serve OUT
    """
    found = re.fullmatch(r"\s*(\d{1,6})\s*[xX×]\s*(\d{1,6})\s*", size)
    if not found:
        raise typer.BadParameter(f"{size!r:.40} is not a size such as 1280x800", param_hint="--size")
    if direction not in ("right", "left"):
        raise typer.BadParameter(f"{direction!r:.40} is neither right nor left", param_hint="--direction")
    if plates is not None and plates != "auto" and not re.fullmatch(r"[1-9]\d{0,3}", plates):
        raise typer.BadParameter(f"{plates!r:.40} is neither auto nor a number from 1", param_hint="--plates")
    if frames < 0:
        raise typer.BadParameter(f"{frames} is below 0", param_hint="--frames")

    from blurscope.pattern.budget import make_layouts
    from blurscope.pattern.write import write_pattern

    layouts, words = make_layouts(
        int(found[1]),
        int(found[2]),
        px_per_refresh=px_per_refresh,
        levels=levels,
        refresh_hz=refresh_hz,
        direction=direction,
        slowest_ms=slowest_ms,
        max_exposure_refreshes=max_exposure_refreshes,
        plates=plates if plates == "auto" else int(plates or 1),
        allow_flashing=allow_flashing,
    )
    made = write_pattern(
        out,
        layouts,
        as_plates=plates is not None,
        frames=frames,
        video=video,
        video_refreshes=video_refreshes,
        overwrite=overwrite,
        say=_Ticker(),
    )
    if explain:
        for line in words:
            echo(line)
    pairs = sum(len(layout.transitions()) for layout in layouts)
    count = f"{len(layouts)} plates, " if len(layouts) > 1 else ""
    echo(
        f"{count}{pairs} transitions, {px_per_refresh} px per refresh to the {direction} at {refresh_hz:g} Hz", err=True
    )
    if any(layout.repeats < 2 for layout in layouts):
        echo("each transition is in sight once only: there was no room for two", err=True)
    if not all(layout.safety["passes"] for layout in layouts):
        echo("caution: this pattern flashes above the WCAG limits", err=True)
    for path in made:
        echo(path)
    echo(f"play it: open {out / 'index.html'}, or run 'blurscope serve {out}' for another device", err=True)


class _Ticker:
    """Progress on stderr, at most once a second and only from the first second on."""

    def __init__(self) -> None:
        self.last = time.monotonic()

    def __call__(self, text: str) -> None:
        now = time.monotonic()
        if now - self.last >= 1:
            self.last = now
            print(text, file=sys.stderr, flush=True)
