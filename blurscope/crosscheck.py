"""The order of a cross-check: responses, prediction, comparison. The photo's half is in `pipeline`."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from blurscope import __version__, agreement, model
from blurscope._threads import one_blas_thread
from blurscope.displaylaw import compare_laws
from blurscope.errors import SettingsError
from blurscope.files import read_json, sha256_of, show_path
from blurscope.flags import warning
from blurscope.model.predict import REFRESH_U95_SHARE, backlight_emission
from blurscope.model.sources import MEASUREMENT_SCHEMA, entries, levels_of, quantity_of
from blurscope.records import PredictedEdge, Q
from blurscope.shapes.blurred import instant_tail
from blurscope.shapes.emission import HOLD, Emission
from blurscope.uncertainty import K95

MAX_EXPOSURE = 200.0  # refreshes, far beyond what any plate is planned for


def cross_check(
    measurement: str | os.PathLike[str],
    response: str | os.PathLike[str] | None = None,
    *,
    shape: str | None = None,
    emission: Emission | None = None,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Compare a measurement file with a response file, or a measurement's edges with its own streaks.

    Parameters
    ----------
    measurement : path-like
        ``blurscope.measurement/1``.
    response : path-like, optional
        ``blurscope.response/1``, or another measurement whose responses are used.
    shape : str, optional
        Shape of responses that have a time but no curve.
    emission : Emission, optional
        Backlight to predict for; left out, the response file's (the photo's own where that is the response).

    Returns
    -------
    report : dict
        ``blurscope.agreement/1``.
    profiles : list of dict
        Measured and predicted ESF of each transition that has both: ``from_level``, ``to_level``, ``lag_px``,
        ``esf``, ``predicted_lag_px``, ``predicted``.

    Raises
    ------
    SettingsError
        A file that can't be used.
    """
    data = read_json(measurement, MEASUREMENT_SCHEMA)
    name = show_path(measurement)
    same_photo = response is None
    if same_photo:
        responses = model.responses_of(data, name, shape, streaks_only=True)
    else:
        responses = model.read_responses(response, shape)
    report, predicted = cross_check_data(data, responses, name=name, same_photo=same_photo, emission=emission)
    report["measurement"] |= {"path": name, "sha256": sha256_of(measurement)}
    if not same_photo:
        report["response"] |= {"path": show_path(response), "sha256": sha256_of(response)}
    return report, _profiles(data, predicted)


def _profiles(data: dict[str, Any], predicted: Sequence[PredictedEdge]) -> list[dict[str, Any]]:
    by_pair = {p.transition.pair: p for p in predicted}
    out = []
    for entry in data["edges"]:
        pair = entry["from_level"], entry["to_level"]
        found, profile = by_pair.get(pair, by_pair.get((None, None))), entry.get("profile")
        if found is None or found.esf.size == 0 or not isinstance(profile, dict):
            continue
        lag, esf = profile.get("lag_px"), profile.get("esf")
        if not isinstance(lag, list) or not isinstance(esf, list) or len(lag) != len(esf) or len(lag) < 4:
            continue
        if not all(isinstance(v, (int, float)) for v in (*lag, *esf)):
            continue
        out.append({"from_level": pair[0], "to_level": pair[1], "lag_px": lag, "esf": esf,
                    "predicted_lag_px": found.lag_px, "predicted": found.esf})  # fmt: skip
    return out


@one_blas_thread()
def cross_check_data(
    data: dict[str, Any],
    responses: model.Responses,
    *,
    name: str = "the measurement",
    same_photo: bool = False,
    emission: Emission | None = None,
) -> tuple[dict[str, Any], Sequence[PredictedEdge]]:
    """Return the agreement of a measurement's content with responses, and the predicted edges behind it."""
    capture = data.get("capture")
    if not isinstance(capture, dict):
        raise SettingsError(f"{name} has no block 'capture'; make the file again")
    refresh_hz, travel = (quantity_of(capture, k, name).value for k in ("refresh_hz", "px_per_refresh"))
    if not refresh_hz or not travel or refresh_hz <= 0 or travel <= 0:
        raise SettingsError(f"{name} does not say its refresh_hz and px_per_refresh; measure again")
    edges = entries(data, "edges", name)
    for entry in edges:
        levels_of(entry, name)
    if not edges:
        raise SettingsError(f"{name} holds no edges; measure another photo")
    seen = data.get("backlight") if isinstance(data.get("backlight"), dict) else None
    photo_emission = backlight_emission(seen, refresh_hz)
    if emission is None:
        emission = photo_emission if same_photo else _response_emission(responses, seen, photo_emission, refresh_hz)
    viewing = model.Viewing(refresh_hz=refresh_hz, px_per_refresh=travel, emission=emission)
    wanted = {(e["from_level"], e["to_level"]) for e in edges}
    chosen = [t for t in responses.transitions if t.pair in wanted or t.pair == (None, None)]
    predicted = model.predict_edges(chosen, viewing)
    missing = len(wanted) - sum(t.pair in wanted for t in chosen) if chosen and chosen[0].pair != (None, None) else 0
    body = agreement.check(
        edges, predicted, lambda entry, key: _measured(entry, key, name), measurement=data, emission=emission,
        refresh_hz=refresh_hz, px_per_refresh=travel, exposure_refreshes=_exposure(data, name),
        refresh_share=0.0 if same_photo else REFRESH_U95_SHARE / K95,
        measured_tail_ms=instant_tail(viewing.hold_ms, photo_emission), response_gamma=responses.display_gamma,
        laws=compare_laws(data.get("light"), responses.light, same_photo=same_photo),
    )  # fmt: skip
    warnings = [*responses.warnings, *body.pop("warnings")]
    if missing:
        warnings.append(warning("edges_missing", f"{missing} measured transitions are not in the response"))
    if responses.refresh_hz and abs(responses.refresh_hz / refresh_hz - 1) > 0.01:
        warnings.append(warning("refresh_differs", f"{responses.refresh_hz:g} Hz there, {refresh_hz:g} Hz here"))
    report = {
        "schema": "blurscope.agreement/1",
        "version": __version__,
        "label": str(data.get("label", "")),
        "measurement": {"label": str(data.get("label", ""))},
        "response": {"label": responses.label, "source": responses.source, "same_photo": same_photo},
        "capture": {"refresh_hz": refresh_hz, "px_per_refresh": travel, "backlight": _kind(emission)},
    } | body
    return report | {"warnings": warnings}, predicted


def _kind(emission: Emission) -> str:
    return "hold" if emission.steady else "strobe" if len(emission.pieces) == 1 else "pwm"


def _response_emission(
    responses: model.Responses, seen: dict[str, Any] | None, photo: Emission, refresh_hz: float
) -> Emission:
    """What the response file says of its backlight; a photo's PWM is taken over, a photo's strobe is not:
    traces that know nothing of it were taken in another mode, which is what the check has to find out."""
    if responses.backlight is not None:
        return backlight_emission(responses.backlight, refresh_hz)
    return photo if seen is not None and seen.get("kind") == "pwm" else HOLD


def _measured(entry: dict[str, Any], key: str, name: str) -> Q:
    quality = entry.get("quality")
    flags = quality.get("flags", []) if isinstance(quality, dict) else []
    from blurscope.flags import FLAGS

    reasons = tuple(f for f in flags if isinstance(f, str) and f in FLAGS) or ("not_in_measurement",)
    return quantity_of(entry, key, name, *reasons)


def _exposure(data: dict[str, Any], name: str) -> float:
    """Return the exposure in refreshes by the streaks, else as stated, else an ordinary one."""
    tracking = data.get("tracking")
    for block in (tracking if isinstance(tracking, dict) else {}, data["capture"]):
        found = quantity_of(block, "exposure_refreshes", name).value
        if found and found > MAX_EXPOSURE:
            raise SettingsError(f"{name} says that the exposure was {found:.3g} refreshes; measure the photo again")
        if found and found >= 0.5:
            return found
    return 4.0
