"""``blurscope plan``: speed, exposure, framing and the u95 to expect before a photo is taken."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("plan")
    def plan_command(
        size: Annotated[str, typer.Option(help="The display, WxH in px.", show_default=False)],
        refresh_hz: Annotated[float, typer.Option("--refresh-hz", help="Refresh rate.")] = 60.0,
        levels: Annotated[int, typer.Option(help="Grey levels; all pairs are shown.")] = 5,
        camera: Annotated[str, typer.Option(help="The camera's photo, WxH in campx.")] = "6000x4000",
        white_snr: Annotated[
            float, typer.Option("--white-snr", help="Light of white over its noise in one campx.")
        ] = 100.0,
        mono: Annotated[bool, typer.Option("--mono", help="The camera has no colour mosaic.")] = False,
        lens_sigma_campx: Annotated[
            float, typer.Option("--lens-sigma-campx", help="Blur of the lens, standard deviation.")
        ] = 1.0,
        readout_ms: Annotated[
            float, typer.Option("--readout-ms", help="Rolling shutter: first to last row of the photo.")
        ] = 0.0,
        shutters: Annotated[
            str | None,
            typer.Option(help="Settings the camera has, s: 1/15,1/20,0.1 …", show_default="thirds of a stop"),
        ] = None,
        tracking: Annotated[float, typer.Option(help="Usual tracking error, px per refresh.")] = 0.2,
        response_ms: Annotated[
            float, typer.Option("--response-ms", help="Response time for which u95 is predicted.")
        ] = 8.0,
        px_per_refresh: Annotated[
            int | None, typer.Option("--px-per-refresh", help="Speed of the plate.", show_default="chosen")
        ] = None,
        photos: Annotated[int, typer.Option(help="Photos that are taken and combined.")] = 1,
        json_out: Annotated[
            Path | None, typer.Option("--json", help="Write the plan here.", show_default=False)
        ] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing file.")] = False,
    ) -> None:
        """Plan a capture: plate speed, exposure, framing, plates, and the uncertainty to expect.

        Example: blurscope plan --size 1920x1080 --refresh-hz 60 --camera 6000x4000 --response-ms 8
        """
        from blurscope.files import check_output, write_json
        from blurscope.plan import SHUTTERS, PlanRequest, make_plan

        if json_out is not None:
            check_output(json_out, overwrite=overwrite)
        width, height = _pair(size, "--size")
        camera_width, camera_height = _pair(camera, "--camera")
        echo("  drawing and measuring what the planned photos would show: some seconds …", err=True)
        plan = make_plan(
            PlanRequest(
                width_px=width,
                height_px=height,
                refresh_hz=refresh_hz,
                levels=levels,
                camera_width_campx=camera_width,
                camera_height_campx=camera_height,
                white_snr=white_snr,
                bayer=not mono,
                lens_sigma_campx=lens_sigma_campx,
                readout_ms=readout_ms,
                shutters_s=SHUTTERS if shutters is None else _shutters(shutters),
                tracking_px_per_refresh=tracking,
                response_ms=response_ms,
                px_per_refresh=px_per_refresh,
                photos=photos,
            )
        )
        _show(plan)
        if json_out is not None:
            write_json(json_out, plan, overwrite=overwrite)


def _pair(text: str, option: str) -> tuple[int, int]:
    from blurscope.errors import SettingsError

    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdecimal() and len(p) < 7 for p in parts):
        raise SettingsError(f"{text!r:.40} is not WIDTHxHEIGHT; check {option}")
    return int(parts[0]), int(parts[1])


def _shutters(text: str) -> list[float]:
    from blurscope.errors import SettingsError

    out = []
    for part in text.split(","):
        top, slash, bottom = part.strip().partition("/")
        try:
            out.append(float(top) / (float(bottom) if slash else 1.0))
        except (ValueError, ZeroDivisionError):
            raise SettingsError(
                f"{part.strip()!r:.40} is not a time in s such as 1/15 or 0.1; check --shutters"
            ) from None
        if not 0 < out[-1] < 1e3:
            raise SettingsError(f"{part.strip()!r:.40} is no possible shutter time; check --shutters")
    return out


def _show(plan: dict) -> None:
    x, e = plan["exposure"], plan["expected"]
    setting = f"1/{1 / x['shutter_s']:.0f} s" if x["shutter_s"] < 0.29 else f"{x['shutter_s']:g} s"
    together = "one photo" if e["photos"] == 1 else f"{e['photos']} photos combined"
    plates = "one plate" if plan["plates"] == 1 else f"{plan['plates']} plates"
    u95 = "none"
    if e["bet_u95_ms"] is not None:
        u95 = f"BET {e['bet_u95_ms']:.3f} ms, response {e['response_u95_ms']:.3f} ms per transition by {together}"
    rows = [
        ("speed", f"{plan['px_per_refresh']} px per refresh ({plan['speed_px_per_s']:g} px/s)"),
        ("plates", f"{plates}, {plan['transitions']} transitions, {plan['instances']:.1f} instances of each"),
        (
            "exposure",
            f"{x['refreshes']} refreshes ({1000 * x['exposure_s']:.1f} ms); nearest setting {setting} = "
            f"{x['shutter_refreshes']:.2f} refreshes, raw width off by up to {x['raw_bew_error_pct']:.1f} %",
        ),
        (
            "framing",
            f"{plan['campx_per_px']:.2f} campx per px: the screen {plan['framing']['screen_width_campx']:.0f} x "
            f"{plan['framing']['screen_height_campx']:.0f} campx",
        ),
        (
            "blur",
            f"{e['bew_px']:.1f} px or {e['bet_ms']:.2f} ms BET for a pixel of {e['response_ms']:g} ms (exponential)",
        ),
        ("u95", u95),
        ("pattern", plan["command"]),
    ]
    for head, text in rows:
        echo(f"{head:9s} {text}")
    for text in plan["warnings"]:
        echo(f"note: {text}", err=True)
