"""From photo to measurement: the order of the stages and the contract of the result."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._threads import one_blas_thread
from blurscope.displaylaw import contradiction, seen_law
from blurscope.edgeblock import MAX_HALO, edge_blocks, roads_of, streak_block
from blurscope.errors import FitError, PatternError, SettingsError
from blurscope.files import read_json, show_path
from blurscope.flags import warning
from blurscope.measurement import Measurement, summary_of
from blurscope.pattern.layout import SCHEMA as PATTERN_SCHEMA
from blurscope.pattern.layout import Layout
from blurscope.photo import Photo, read_photo
from blurscope.records import Q
from blurscope.shot import ShotFit, measure_shot
from blurscope.trackingblock import doubted_by_header, tracking_block
from blurscope.uncertainty import K95

HEADER_SHARE = 0.1  # by which a shutter's nominal time may be off: 1/15 s is said where 1/16 s is meant
MAX_ERROR_PX = 3.0


def read_pattern(path: str | os.PathLike[str]) -> Layout:
    """Read a ``pattern.json``; a folder that holds one is accepted."""
    target = Path(path)
    if target.is_dir() and (target / "pattern.json").exists():
        target = target / "pattern.json"
    return Layout.from_json(read_json(target, PATTERN_SCHEMA, PatternError))


def measure(
    photo: str | os.PathLike[str] | Photo | Sequence[str | os.PathLike[str] | Photo],
    *,
    pattern: str | os.PathLike[str] | Layout,
    refresh_hz: float | None = None,
    exposure_refreshes: float | None = None,
    still: str | os.PathLike[str] | Photo | None = None,
    display_gamma: float | None = None,
    contrast: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    on_shot: Callable[[ShotFit], None] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Measurement:
    """Measure pursuit photos of the plate; parameters, results and errors are those of `blurscope.measure`."""
    layout = pattern if isinstance(pattern, Layout) else read_pattern(pattern)
    hz = layout.refresh_hz if refresh_hz is None else float(refresh_hz)
    if not 1 <= hz <= 2000:
        raise SettingsError(f"a refresh rate of {hz:g} Hz is outside 1 to 2000; check --refresh-hz")
    if exposure_refreshes is not None and not 0 < exposure_refreshes <= 1000:
        raise SettingsError("the exposure must be above 0 refreshes; check --exposure-refreshes")
    if display_gamma is not None and not 0.5 <= display_gamma <= 5:
        raise SettingsError("the display's gamma must be 0.5 to 5; check --display-gamma")
    photos = list(photo) if isinstance(photo, (list, tuple)) else [photo]
    if not photos:
        raise SettingsError("no photo given")
    lens = None
    if still is not None:
        from blurscope.still import lens_from_still

        lens = lens_from_still(as_photo(still), layout)
    options = dict(assumed_gamma=display_gamma, contrast=contrast, meter=meter, lens=lens, say=say)

    def one(item: Any) -> Measurement:
        with one_blas_thread():
            shot = measure_shot(as_photo(item), layout, **options)
            if on_shot is not None:
                on_shot(shot)
            known = dict(exposure_refreshes=exposure_refreshes, notes=notes, label=label)
            return to_measurement(shot, hz, **known, declared_law=_declared(options))

    if len(photos) == 1:
        return one(photos[0])
    from blurscope.combine import combine_shots

    return combine_shots(photos, one, label)


def _declared(options: Mapping[str, Any]) -> bool:
    return options["assumed_gamma"] is not None or options["meter"] is not None


def as_photo(item: Any) -> Photo:
    """Read a photo; of a JPEG the luma only, which its coder keeps best (colour clips the noise near black)."""
    if isinstance(item, Photo):
        return item
    jpeg = False
    try:
        if os.path.isfile(item):  # a pipe would be waited for
            with open(item, "rb") as stream:
                jpeg = stream.read(2) == b"\xff\xd8"
    except OSError:
        pass
    return read_photo(item, grey=jpeg)


def to_measurement(
    shot: ShotFit,
    refresh_hz: float,
    *,
    exposure_refreshes: float | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    declared_law: bool = False,
) -> Measurement:
    """Turn a shot's fits into the record of the contract: units, flags, warnings."""
    layout = shot.layout
    hold_ms = 1000 / refresh_hz
    v = layout.px_per_refresh
    warnings = [warning(code, text) for code, text in shot.tone.warnings]
    if abs(refresh_hz - layout.refresh_hz) > 0.005 * layout.refresh_hz:
        warnings.append(warning("refresh_overridden", f"{refresh_hz:g} Hz for {layout.refresh_hz:g} Hz"))
    tracking = tracking_block(shot, hold_ms)
    error = tracking["error_px_per_refresh"]
    if error.value is not None and abs(error.value) > MAX_ERROR_PX:
        raise FitError(
            f"the camera was {error.value:+.1f} px per refresh off the plate's speed, more than can be corrected: "
            f"follow the plate within {MAX_ERROR_PX:g} px per refresh; if it was, the display dropped an update or "
            "showed one twice"
        )
    exposure = tracking["exposure_refreshes"].value
    if exposure is not None:
        if exposure_refreshes is not None and abs(exposure - exposure_refreshes) > max(
            0.05, tracking["exposure_refreshes"].u95 or 0
        ):
            warnings.append(
                warning("exposure_corrected", f"{exposure:.2f} refreshes by the streaks, {exposure_refreshes:g} given")
            )
        stated = (shot.photo.exposure_s or 0.0) * refresh_hz
        if stated and abs(stated - exposure) > HEADER_SHARE * exposure + (tracking["exposure_refreshes"].u95 or 0):
            text = f"{exposure:.2f} refreshes by the streaks, {stated:.3g} by the header at {refresh_hz:g} Hz"
            warnings.append(warning("exposure_header", text))
            tracking |= doubted_by_header(tracking, stated, v)
        if exposure > layout.max_exposure_refreshes + 0.5:
            warnings.append(warning("exposure_too_long", f"{exposure:.1f} refreshes"))
        elif abs(exposure - round(exposure)) > 0.06:
            warnings.append(warning("exposure_not_whole", f"{exposure:.2f} refreshes"))
    elif exposure_refreshes is not None:
        exposure = exposure_refreshes
    if error.value is None:
        warnings.append(warning("tracking_unknown"))
    elif abs(error.value) * (exposure or 1) > 0.35 * v:
        warnings.append(warning("tracking_large", f"{error.value:+.2f} px per refresh"))
    reg, tone = shot.registration, shot.tone
    for present, code in ((reg.mirrored, "mirrored"), (reg.upside_down, "upside_down"), (bool(reg.turned), "turned")):
        if present:
            warnings.append(warning(code))
    if tone.clipped_share > 0.05:
        warnings.append(warning("clipped_whites", f"{100 * tone.clipped_share:.0f} % of the white stripes"))
    if tone.crushed_share > 0.5:
        warnings.append(warning("crushed_blacks", f"{100 * tone.crushed_share:.0f} % of the black stripes"))
    if shot.halo > MAX_HALO:
        warnings.append(warning("sharpened", f"light swings {100 * shot.halo:.0f} % past the stripes' boundaries"))
    shown = None if tone.shown is None else seen_law(tone.level, *tone.shown)
    if shown is not None and declared_law:
        text = contradiction(shown, tone.level, tone.light)
        if text:
            warnings.append(warning("law_contradicted", text))
    if shot.along.uneven:
        text = f"{shot.along.sigma_px:.2f} px along the motion, {shot.lens_px:.2f} px across it"
        warnings.append(warning("lens_uneven", text))
    if reg.campx_per_px < 2:
        warnings.append(warning("sampling_coarse", f"{reg.campx_per_px:.2f} campx per px"))
    if exposure is None:
        exposure = shot.capture.exposure_refreshes
    if shot.backlight.kind != "hold":
        warnings.append(warning(shot.backlight.kind, f"{100 * shot.backlight.duty:.0f} % of the time lit"))
    roads = roads_of(shot)
    edges = edge_blocks(shot, roads, tracking["scan_out_ms"].value, hold_ms)
    missing = sum(e.instances == 0 for e in edges)
    if missing:
        warnings.append(warning("edges_missing", f"{missing} of {len(edges)}"))
    blocks: dict[str, Any] = {
        "photo": shot.photo.as_json(),
        "capture": {
            "refresh_hz": refresh_hz,
            "px_per_refresh": v,
            "speed_px_per_s": v * refresh_hz,
            "direction": layout.direction,
            "exposure_refreshes": exposure,
            "campx_per_px": reg.campx_per_px,
            "hold_ms": hold_ms,
            "plate": layout.plate,
            "plates": layout.plates,
            "notes": dict(notes or {}),
        },
        "tracking": tracking,
        "backlight": _backlight(shot, refresh_hz),
        "streaks": [streak_block(c, r, hold_ms) for c, r in roads.values()],
        "registration": {
            "rms_px": reg.rms_px,
            "marks_found": reg.marks_found,
            "marks_expected": reg.marks_expected,
            "mirrored": reg.mirrored,
            "upside_down": reg.upside_down,
            "turned": bool(reg.turned),
            "pose": {
                "matrix": reg.pose.matrix.tolist(),
                "k1": reg.pose.k1,
                "k2": reg.pose.k2,
                "centre_campx": list(reg.pose.centre),
                "radius_campx": reg.pose.radius,
            },
            "lit_u_px": list(reg.lit_u_px),
            "pattern": layout.as_json(edges=False),
        },
        "light": {
            "domain": "light",
            "method": tone.method,
            "display_gamma": tone.display_gamma,
            "display_gamma_u95": 1.96 * tone.display_gamma_sigma,
            "black": tone.black,
            "law": {"level": tone.level.tolist(), "light": tone.light.tolist(), "declared": declared_law},
            "shown": None if shown is None else shown.as_json(),
            "halftone_closure": tone.closure,
            "curve_u": tone.curve_sigma,
            "curve": _curve(tone),
            "flat": {
                "coefficients": tone.flat.tolist(),
                "centre_campx": list(tone.centre),
                "radius_campx": tone.radius,
            },
            "clipped_share": tone.clipped_share,
            "crushed_share": tone.crushed_share,
        },
        "lens": {
            "sigma_px": Q(value=shot.lens_px, u95=K95 * shot.lens_sd_px),
            "along_px": Q(value=shot.along.sigma_px, u95=K95 * shot.along.sd_px),
        },
        "summary": summary_of(edges, hold_ms),
    }
    name = label if label is not None else show_path(Path(shot.photo.path).stem)
    return Measurement(label=name, edges=tuple(edges), blocks=blocks, warnings=tuple(warnings))


def _curve(tone: Any) -> dict[str, Any]:
    """Return the decode table at nodes of the code as a share of full scale, closer together in the dark."""
    share = np.linspace(0, 1, 33) ** 1.5
    table = np.arange(len(tone.decode)) / (len(tone.decode) - 1)
    return {"code": share.tolist(), "light": np.interp(share, table, tone.decode).tolist()}


def _backlight(shot: ShotFit, refresh_hz: float) -> dict[str, Any]:
    lamp = shot.backlight
    frequency = lamp.frequency_refreshes
    return {
        "kind": lamp.kind,
        "duty": Q(value=lamp.duty, u95=lamp.duty_u95),
        "frequency_hz": Q.missing("pwm_unresolved")
        if frequency is None
        else Q(value=frequency * refresh_hz, u95=0.002 * refresh_hz),
        "pulses_per_refresh": lamp.pulses,
    }
