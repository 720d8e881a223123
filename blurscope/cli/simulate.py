"""``blurscope simulate``: photos of a simulated display, with the truth beside them."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo

EXAMPLE = """

Example: blurscope simulate shot --pattern plate/pattern.json --unit alder --tracking-error 0.2 --roll 2 --still

Then: blurscope measure shot/photo.jpg --pattern plate/pattern.json --still shot/still.jpg
"""
DISPLAY, CAMERA, FILE = "Display", "Camera", "File"


def _d(metavar: str, text: str, *names: str) -> Any:
    return typer.Option(*names, metavar=metavar, help=text, rich_help_panel=DISPLAY)


def _c(metavar: str, text: str, *names: str) -> Any:
    return typer.Option(*names, metavar=metavar, help=text, rich_help_panel=CAMERA)


def _f(metavar: str, text: str, *names: str) -> Any:
    return typer.Option(*names, metavar=metavar, help=text, rich_help_panel=FILE)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(
        "simulate",
        help="Film the pattern on a simulated display with a simulated camera; the truth is known." + EXAMPLE,
    )
    def simulate(
        out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for photo, still and truth.json.")],
        pattern: Annotated[Path, typer.Option(metavar="P.json", help="The pattern to show.")],
        unit: Annotated[str | None, _d("NAME", "An invented unit: alder, birch or cedar.")] = None,
        response_ms: Annotated[float, _d("MS", "10-90 % response of every transition.")] = 6.0,
        shape: Annotated[str, _d("NAME", "Its shape: instant, exponential, s-shaped, overdriven, two-stage …")] = (
            "exponential"
        ),
        overshoot_pct: Annotated[float, _d("PCT", "Its overshoot (overdriven, boosted).")] = 0.0,
        label: Annotated[str | None, _d("TEXT", "Name of the display.")] = None,
        light_law: Annotated[str, _d("NAME", "Levels to light: gamma, srgb or bt1886.")] = "gamma",
        display_gamma: Annotated[float, _d("G", "Its exponent.")] = 2.2,
        contrast: Annotated[float, _d("C", "White over black.")] = 1000.0,
        light_table: Annotated[
            Path | None, _d("FILE.csv", "Levels to light from a table with the columns level,light.")
        ] = None,
        scan_out: Annotated[float, _d("R", "From first to last switch, refreshes, -1 to 1.")] = 0.0,
        scan_axis: Annotated[str, _d("rows|columns", "Axis of the scan-out.")] = "rows",
        backlight: Annotated[str, _d("hold|strobe|pwm", "When the panel emits.")] = "hold",
        duty: Annotated[float, _d("D", "Share of time with light (strobe, PWM).")] = 0.25,
        backlight_phase: Annotated[float, _d("R", "When a period starts, refreshes.")] = 0.0,
        pwm_hz: Annotated[float, _d("F", "Frequency of a PWM.")] = 240.0,
        pwm_depth: Annotated[float, _d("D", "Its depth, 1 is fully off.")] = 1.0,
        pwm_locked: Annotated[bool, _d("", "Lock it to the refresh.", "--pwm-locked")] = False,
        emission_scans: Annotated[bool, _d("", "The emission follows the scan-out.", "--emission-scans")] = False,
        stripes: Annotated[str, _d("none|rgb|bgr", "Sub-pixel stripes.")] = "none",
        dropped: Annotated[
            list[int] | None, _d("N", "Miss the update at refresh N of the exposure; may be repeated.")
        ] = None,
        doubled: Annotated[list[int] | None, _d("N", "Show refresh N of the exposure twice; may be repeated.")] = None,
        refresh_hz: Annotated[float | None, _d("F", "The display's own rate; the pattern's by default.")] = None,
        exposure_refreshes: Annotated[float, _c("N", "Exposure in refreshes.")] = 4.0,
        phase: Annotated[float, _c("R", "Part of a refresh gone by when it starts.")] = 0.0,
        start_refresh: Annotated[
            int | None, _c("N", "Refresh in which it starts; drawn from the seed by default.")
        ] = None,
        tracking_error: Annotated[float, _c("PX", "Camera minus plate speed, px per refresh.")] = 0.0,
        acceleration: Annotated[float, _c("PX", "Along the motion, px per refresh squared.")] = 0.0,
        tremor: Annotated[float, _c("PX", "Of the hand, along the motion: its amplitude.")] = 0.0,
        tremor_hz: Annotated[float, _c("F", "Its frequency.")] = 8.0,
        tremor_phase: Annotated[float, _c("R", "Its phase at mid exposure, cycles.")] = 0.0,
        drift: Annotated[float, _c("PX", "Vertical, px per refresh, positive downwards.")] = 0.0,
        readout: Annotated[float, _c("R", "Rolling shutter: first to last row, refreshes.")] = 0.0,
        campx_per_px: Annotated[float, _c("S", "Scale at the middle of the screen.")] = 3.0,
        photo_size: Annotated[str | None, _c("WxH", "Size of the photo; frames the screen by default.")] = None,
        margin: Annotated[float, _c("M", "Share of the screen around it; below 0 cuts into it.")] = 0.05,
        shift: Annotated[str, _c("X,Y", "Move the screen in the photo, campx.")] = "0,0",
        yaw: Annotated[float, _c("DEG", "Turn about the vertical.")] = 0.0,
        pitch: Annotated[float, _c("DEG", "Turn about the horizontal.")] = 0.0,
        roll: Annotated[float, _c("DEG", "Turn in the picture, clockwise.")] = 0.0,
        turn: Annotated[int, _c("0|90|180|270", "Camera held sideways or upside down.")] = 0,
        mirrored: Annotated[bool, _c("", "Seen in a mirror.", "--mirrored")] = False,
        view_angle: Annotated[float, _c("DEG", "Angle under which the screen's width is seen.")] = 20.0,
        k1: Annotated[float, _c("K", "Radial distortion at half the diagonal.")] = 0.0,
        k2: Annotated[float, _c("K", "Its second term.")] = 0.0,
        lens_sigma: Annotated[float, _c("CAMPX", "Gaussian blur of the lens.")] = 0.8,
        lens_sigma_x: Annotated[float | None, _c("CAMPX", "The same along the rows, if different.")] = None,
        lens_sigma_bottom: Annotated[float | None, _c("CAMPX", "The same at the bottom, if different.")] = None,
        vignetting: Annotated[float, _c("V", "Loss of light in the corners.")] = 0.1,
        reflected_light: Annotated[float, _c("L", "Room light on the screen, white = 1.")] = 0.002,
        surround_light: Annotated[float, _c("L", "Light around the bezel, white = 1.")] = 0.02,
        flare: Annotated[float, _c("F", "Share of light spread over the photo.")] = 0.0,
        white: Annotated[float, _c("W", "Linear share of full scale for white; above 1 clips.")] = 0.8,
        crush: Annotated[float, _c("C", "Linear share of full scale cut off at the dark end.")] = 0.0,
        full_well: Annotated[float, _c("E", "Electrons at full scale.")] = 20000.0,
        read_noise: Annotated[float, _c("E", "Read noise, electrons.")] = 4.0,
        no_noise: Annotated[bool, _c("", "Neither photon nor read noise.", "--no-noise")] = False,
        bayer: Annotated[bool, _c("", "Colour mosaic, demosaic and white balance.", "--bayer")] = False,
        tone: Annotated[str, _c("NAME", "Camera curve: linear, srgb, gamma, s-curve.")] = "srgb",
        tone_gamma: Annotated[float, _c("G", "Exponent of the gamma curve.")] = 2.2,
        sharpening: Annotated[float, _c("A", "Amount of unsharp masking.")] = 0.0,
        file_format: Annotated[str, _f("jpeg|png|tiff", "File format.", "--format")] = "jpeg",
        bits: Annotated[int, _f("8|16", "Bits of PNG or TIFF.")] = 8,
        quality: Annotated[int, _f("Q", "JPEG quality.")] = 90,
        still: Annotated[bool, _f("", "Also a still: plate and camera at rest.", "--still")] = False,
        traces: Annotated[bool, _f("", "Also photodiode records, in OUT/traces.", "--traces")] = False,
        seed: Annotated[int, _f("N", "Of the noise and of the moment.")] = 0,
        overwrite: Annotated[bool, _f("", "Replace an earlier capture.", "--overwrite")] = False,
    ) -> None:
        size = _pair(photo_size, r"(\d{1,6})\s*[xX×]\s*(\d{1,6})", "--photo-size", int) if photo_size else (None, None)
        shift_campx = _pair(shift, r"(-?[\d.]+)\s*,\s*(-?[\d.]+)", "--shift", float)
        if seed < 0:
            raise typer.BadParameter(f"{seed} is below 0", param_hint="--seed")

        from blurscope.camera import Backlight, Camera, Display, LightLaw, Response, film, film_still
        from blurscope.camera.write import check_folder, write_capture
        from blurscope.errors import PatternError, SettingsError
        from blurscope.files import read_json
        from blurscope.pattern.layout import SCHEMA, Layout

        check_folder(out, overwrite=overwrite)
        layout = Layout.from_json(read_json(pattern, SCHEMA, PatternError))
        if not contrast >= 2:
            raise SettingsError(f"a contrast of {contrast:g} is below 2; check --contrast")
        if light_table is not None:
            from blurscope.camera.display import read_light_table

            law = LightLaw(kind="table", table=read_light_table(light_table))
        else:
            law = LightLaw(kind=light_law, gamma=display_gamma, black=1 / contrast)
        display = Display(
            label=label or (unit.capitalize() if unit else "simulated"),
            law=law,
            response=Response(shape=shape, time_ms=response_ms, overshoot_pct=overshoot_pct),
            unit=unit.lower() if unit else None,
            scan_out_refreshes=scan_out,
            scan_axis=scan_axis,
            backlight=Backlight(
                kind=backlight,
                duty=duty,
                phase_refreshes=backlight_phase,
                frequency_hz=pwm_hz,
                depth=pwm_depth,
                locked=pwm_locked,
                follows_scan=emission_scans,
            ),
            stripes=stripes,
            dropped=tuple(dropped or ()),
            doubled=tuple(doubled or ()),
            refresh_hz=refresh_hz,
        )
        camera = Camera(
            exposure_refreshes=exposure_refreshes,
            start_phase=phase,
            tracking_error_px_per_refresh=tracking_error,
            accel_px_per_refresh2=acceleration,
            tremor_px=tremor,
            tremor_hz=tremor_hz,
            tremor_phase=tremor_phase,
            drift_px_per_refresh=drift,
            readout_refreshes=readout,
            campx_per_px=campx_per_px,
            width_campx=size[0],
            height_campx=size[1],
            margin=margin,
            shift_x_campx=shift_campx[0],
            shift_y_campx=shift_campx[1],
            yaw_deg=yaw,
            pitch_deg=pitch,
            roll_deg=roll,
            turn_deg=turn,
            mirrored=mirrored,
            view_angle_deg=view_angle,
            k1=k1,
            k2=k2,
            lens_sigma_campx=lens_sigma,
            lens_sigma_x_campx=lens_sigma_x,
            lens_sigma_bottom_campx=lens_sigma_bottom,
            vignetting=vignetting,
            reflected_light=reflected_light,
            surround_light=surround_light,
            flare=flare,
            white_share=white,
            crush=crush,
            full_well_e=full_well,
            read_noise_e=read_noise,
            noise=not no_noise,
            bayer=bayer,
            tone=tone,
            tone_gamma=tone_gamma,
            sharpening=sharpening,
            file_format=file_format,
            bits=bits,
            jpeg_quality=quality,
        )
        begun = time.monotonic()
        photo = film(layout, display, camera, start_refresh=start_refresh, seed=seed)
        if time.monotonic() - begun > 1:
            echo("photo filmed", err=True)
        rest = film_still(layout, display, camera, start_refresh=start_refresh, seed=seed) if still else None
        paths = write_capture(out, photo, rest, overwrite=overwrite)
        if traces:
            paths.append(_write_traces(out / "traces", layout, display, seed, overwrite))
        capture, summary = photo.truth["capture"], photo.truth["summary"]
        height, width = photo.codes.shape[:2]
        echo(
            f"{display.label}: {width}x{height} campx, {capture['exposure_refreshes']:g} refreshes from refresh "
            f"{capture['start_refresh']}; true BET {summary['bet_ms_mean']:.2f} ms on average, "
            f"{summary['bet_ms_max']:.2f} ms at most",
            err=True,
        )
        for path in paths:
            echo(path)


def _pair(text: str, shape: str, name: str, kind: type) -> tuple[Any, Any]:
    found = re.fullmatch(rf"\s*{shape}\s*", text)
    try:
        return (kind(found[1]), kind(found[2])) if found else _refuse(text, name)
    except ValueError:
        return _refuse(text, name)


def _refuse(text: str, name: str) -> tuple[Any, Any]:
    raise typer.BadParameter(f"{text!r:.40} is not a pair of numbers such as {name} needs", param_hint=name)


def _write_traces(folder: Path, layout: Any, display: Any, seed: int, overwrite: bool) -> Path:
    """Write photodiode records of all transitions of the plate."""
    from blurscope.photodiode import Emission, write_records

    hz = float(display.refresh_hz or layout.refresh_hz)
    light = display.backlight
    if light.steady():
        emission = Emission()
    elif light.kind == "strobe":
        emission = Emission(
            kind="pwm", frequency_hz=hz, duty=light.duty, depth=1.0, phase=-light.phase_refreshes % 1, locked=True
        )
    else:
        emission = Emission(
            kind="pwm",
            frequency_hz=light.frequency_hz,
            duty=light.duty,
            depth=light.depth,
            phase=-light.phase_refreshes / light.period_refreshes(hz) % 1,
            locked=light.locked,
        )
    pairs = {p for a, b in layout.transitions() for p in ((a, b), (b, a))}
    responses = {p: display.response_for(*p) for p in pairs}
    longest_s = max(r.settle_ms(1e-4) for r in responses.values()) / 1000
    folder.mkdir(exist_ok=True)
    return write_records(
        folder,
        {p: r.value for p, r in responses.items()},
        lambda level: float(display.law.light(level)),
        refresh_hz=hz,
        emission=emission,
        dwell_s=max(0.25, longest_s + 2 / hz),
        seed=seed,
        overwrite=overwrite,
    )
