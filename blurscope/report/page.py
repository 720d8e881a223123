"""What the page shows, gathered for the template; text is escaped there, pictures are inlined."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.board import (
    INSTANT,
    Board,
    Reference,
    compare_pairs,
    compute_panel,
    figure_of,
    has_step,
    order_by,
    to_srgb,
)
from blurscope.board.compose import CAUTION, fairness
from blurscope.board.ranking import FIGURES, ranks, sentences
from blurscope.plots.board import board_picture, picture_bytes, shorten, with_u95
from blurscope.plots.overview import ghost_against_response, ranking_plot, refresh_scaling
from blurscope.plots.picture import Picture
from blurscope.report.profiles import profile_svg
from blurscope.report.tables import COLUMNS, report_csv
from blurscope.shapes.bank import make_bank

RATES_HZ = (60, 90, 120, 144, 240)
PALE_U95 = 10  # span of a matrix in u95 up to which its colours don't reach their full strength
MOST_DATA_BYTES = 5 * 2**20
MATRICES = (("bet_ms", "BET, ms"), ("response_ms", "Response, ms"), ("ghost_ms", "Ghost, ms"))
BUDGETS = (("bet_ms", "BET, ms"), ("ghost_ms", "ghost, ms"), ("response_ms", "response, ms"))


def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(loader=PackageLoader("blurscope", "report"), autoescape=True, undefined=StrictUndefined,
                      trim_blocks=True, lstrip_blocks=True)  # fmt: skip
    env.filters["u95"] = with_u95
    env.filters["short"] = shorten
    return env


def _uri(data: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def _picture(picture: Picture) -> dict[str, str]:
    return {"src": _uri(picture_bytes(picture, "svg"), "image/svg+xml"), "alt": picture.alt}


def _png(light: np.ndarray) -> str:
    from blurscope._cv import cv2

    ok, data = cv2.imencode(".png", to_srgb(light))
    if not ok:
        raise ValueError("the crop could not be encoded")
    return _uri(data.tobytes(), "image/png")


def _crops(board: Board | None) -> list[dict[str, Any]]:
    if board is None:
        return []
    out = []
    for p in (*board.panels, *board.references):
        if p.light is None:
            continue
        px = 50 if p.light.shape[1] >= 200 * p.samples_per_px else 20
        out.append(
            {
                "label": p.label, "computed": p.computed, "src": _png(p.light), "figures": p.figures,
                "width": p.light.shape[1], "height": p.light.shape[0], "refresh_hz": p.refresh_hz,
                "speed": p.speed_px_per_s, "mirrored": p.mirrored,
                "bar_pct": 100 * px * p.samples_per_px / p.light.shape[1],
                "bar_text": f"{px} px = {1000 * px / p.speed_px_per_s:.1f} ms",
            }
        )  # fmt: skip
    return out


def board_page(board: Board) -> str:
    """Return a board as one self-contained page."""
    picture = board_picture(board)
    return _environment().get_template("board.jinja").render(
        board=board,
        crops=_crops(board),
        picture={"src": _uri(picture_bytes(picture, "png"), "image/png"), "alt": picture.alt},
        figure=FIGURES[board.order],
        version=__version__,
    )  # fmt: skip


def report_page(
    found: Mapping[str, Sequence[dict[str, Any]]],
    *,
    board: Board | None = None,
    options: Mapping[str, Any] | None = None,
) -> str:
    """Return the whole report.

    Parameters
    ----------
    found : dict
        ``measurement``, ``response``, ``agreement`` and ``files``, as `read_inputs` returns them.
    board : Board, optional
    options : mapping, optional
    """
    order = board.order if board is not None else "bet_ms"
    measurements = [found["measurement"][i] for i in order_by([figure_of(m, order) for m in found["measurement"]])]
    labels = [str(m["label"]) for m in measurements]
    quantities = [figure_of(m, order) for m in measurements]
    differences = compare_pairs(quantities)
    places = ranks(quantities, differences)
    data, thinned = _data(measurements)
    pictures = [_picture(ranking_plot(labels, quantities, places, order)), _picture(_ghosts(measurements))]
    scaling = _scaling(measurements)
    if scaling is not None:
        pictures.append(_picture(scaling))
    names = [n for n in FIGURES if n != "response_signal_ms"]
    return _environment().get_template("report.jinja").render(
        version=__version__,
        title=labels[0] if len(labels) == 1 else f"{len(labels)} displays",
        figure=FIGURES[order],
        names=[(n, FIGURES[n][1], FIGURES[n][2]) for n in names],
        rows=[
            {"place": p, "label": label, "capture": m["capture"], "figures": {n: figure_of(m, n) for n in names}}
            for p, label, m in zip(places, labels, measurements, strict=True)
        ],
        verdicts=sentences(labels, quantities, differences, order),
        summary=_summary(measurements, labels, differences, order),
        notes=[*(fairness(measurements) if len(measurements) > 1 else []), CAUTION],
        pictures=pictures,
        crops=_crops(board),
        displays=[_display(m, i) for i, m in enumerate(measurements)],
        agreements=[_agreement(a) for a in found["agreement"]],
        responses=[_response(r) for r in found["response"]],
        files=found["files"],
        options=dict(options or {}),
        csv=_uri(("\ufeff" + report_csv(measurements)).encode("utf-8", "replace"), "text/csv;charset=utf-8"),
        data=_uri(data, "application/gzip"),
        thinned=thinned,
    )  # fmt: skip


def _summary(
    measurements: Sequence[Mapping[str, Any]], labels: Sequence[str], differences: Sequence[Any], order: str
) -> list[str]:
    """The findings in plain words."""
    title, unit = FIGURES[order][1:]
    out = []
    first = figure_of(measurements[0], order)
    if first["value"] is not None:
        if len(labels) == 1:
            out.append(f"{labels[0]} has a mean {title} of {with_u95(first, unit)}.")
        else:
            apart = all(d.distinct for d in differences if 0 in (d.first, d.second))
            tail = "and is told apart from every other" if apart else "but is not told apart from every other"
            out.append(f"{labels[0]} has the least mean {title}, {with_u95(first, unit)}, {tail}.")
    if differences:
        told = sum(d.distinct for d in differences)
        out.append(f"{told} of {len(differences)} differences between displays are larger than their uncertainty.")
    for m, label in zip(measurements, labels, strict=True):
        hold = 0.8 * m["capture"]["hold_ms"]
        bet, share = figure_of(m, "bet_ms"), m["summary"].get("in_refresh_share") or {}
        if bet["value"] is None:
            out.append(f"{label}: no transition could be measured well enough for a mean.")
            continue
        lamp = m.get("backlight") or {}
        if lamp.get("kind", "hold") != "hold":
            lit = (lamp.get("duty") or {}).get("value")
            part = "" if lit is None else f", lit for {100 * lit:.0f} % of the time,"
            out.append(
                f"{label}: its backlight flashes{part} and draws edges as multiple images; BET and ghost are those of "
                "the whole, and don't divide into hold and panel."
            )
            continue
        panel = bet["value"] - hold
        words = f"{label}: {hold:.1f} ms of its blurred edge time come from holding each refresh"
        words += (
            f", {panel:.1f} ms from the panel" if panel > (bet["u95"] or 0) else ", nothing measurable from the panel"
        )
        if share.get("value") is not None:
            words += f"; {100 * share['value']:.0f} % of its transitions settle within a refresh"
        out.append(words + ".")
    return out


def _display(m: Mapping[str, Any], number: int) -> dict[str, Any]:
    levels = sorted({x for e in m["edges"] for x in (e["from_level"], e["to_level"])})
    by_pair = {(e["from_level"], e["to_level"]): e for e in m["edges"]}
    matrices = []
    for name, title in MATRICES:
        scale = _scale([e[name] for e in m["edges"]])
        cells = [[_cell(by_pair.get((a, b)), name, *scale) if a != b else None for b in levels] for a in levels]
        matrices.append({"title": title, "rows": list(zip(levels, cells, strict=True))})
    tracking, capture = m["tracking"], m["capture"]
    quality = [
        ("Refresh", f"{capture['refresh_hz']:g} Hz"),
        ("Speed", f"{capture['px_per_refresh']} px per refresh to the {capture['direction']}, "
                  f"{capture['speed_px_per_s']:.0f} px/s"),
        ("Exposure", with_u95(tracking["exposure_refreshes"], "refreshes", 2)),
        ("Tracking error", with_u95(tracking["error_px_per_refresh"], "px per refresh", 2)),
        ("Scan-out", with_u95(tracking["scan_out_ms"], f"ms along the {tracking['scan_axis']}", 2)),
        ("Scale", f"{capture['campx_per_px']:.2f} campx per display px"),
        ("Registration", f"{m['registration']['marks_found']} of {m['registration']['marks_expected']} marks, "
                         f"{m['registration']['rms_px']:.3f} px"),
        ("Lens blur", with_u95((m.get("lens") or {}).get("sigma_px"), "px", 2)),
        ("Light from", str(m["light"]["method"]).replace("_", " ")),
        ("Usable", f"{m['summary']['edges_ok']} of {m['summary']['edges']} transitions"),
        *((str(k), str(v)) for k, v in (capture.get("notes") or {}).items()),
    ]  # fmt: skip
    edges = [
        {
            "name": f"{e['from_level']} → {e['to_level']}",
            "svg": profile_svg(e, capture["speed_px_per_s"]),
            "figures": {n: e.get(n) for n in ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")},
            "flags": [f.replace("_", " ") for f in e["quality"]["flags"]],
            "ok": e["quality"]["ok"],
        }
        for e in m["edges"]
    ]
    return {
        "id": f"display-{number + 1}", "label": str(m["label"]), "quality": quality, "levels": levels,
        "matrices": matrices,
        "edges": edges, "budgets": _budgets(m), "warnings": [w["message"] for w in m.get("warnings", [])],
        "photo": (m.get("photo") or {}), "version": m.get("version", ""),
    }  # fmt: skip


def _scale(figures: Sequence[Mapping[str, Any]]) -> tuple[float, float, int]:
    """Return the least value of a matrix, the span of its colours, and decimals.

    Differences that are no larger than the uncertainty stay pale.
    """
    known = [q["value"] for q in figures if q["value"] is not None]
    u95 = float(np.median([q["u95"] for q in figures if q["u95"] is not None] or [0.0]))
    low, high = (min(known), max(known)) if known else (0.0, 0.0)
    return low, max(high - low, PALE_U95 * u95), 2 if 0 < u95 < 0.05 else 1


def _cell(edge: Mapping[str, Any] | None, name: str, low: float, span: float, digits: int) -> dict[str, Any]:
    q = edge[name] if edge else {"value": None, "u95": None}
    if q["value"] is None:
        return {"text": "–", "u95": "", "shade": 0}
    shade = 0 if span <= 0 else round(60 * (q["value"] - low) / span)
    value = round(q["value"], digits) + 0.0  # no minus before zero
    u95 = "" if q["u95"] is None else f"±{max(q['u95'], 10**-digits):.{digits}f}"
    return {"text": f"{value:.{digits}f}", "u95": u95, "shade": shade}


def _budgets(m: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Mean standard uncertainty by contribution, largest first."""
    out = []
    for name, title in BUDGETS:
        parts: dict[str, list[float]] = {}
        for e in m["edges"]:
            for source, value in ((e.get("budget") or {}).get(name) or {}).items():
                parts.setdefault(source, []).append(value)
        if parts:
            rows = sorted(((k.replace("_", " "), float(np.mean(v))) for k, v in parts.items()), key=lambda kv: -kv[1])
            most = max(rows[0][1], 1e-12)
            out.append({"title": title, "rows": [(k, f"{v:.3f}", round(100 * v / most)) for k, v in rows]})
    return out


def _agreement(a: Mapping[str, Any]) -> dict[str, Any]:
    s = a["summary"]
    known = sorted((e for e in a["edges"] if e["en"] is not None), key=lambda e: -abs(e["en"]))
    return {
        "label": str(a.get("label") or "photo against photodiode"), "summary": s,
        "worst": [
            {"pair": f"{e['from_level']} → {e['to_level']}",
             "quantity": e["quantity"].rsplit("_", 1)[0].replace("_", " "),
             "measured": e["measured"], "predicted": e["predicted"], "en": f"{e['en']:+.2f}"}
            for e in known[:8]
        ],
        "causes": [
            (c["cause"].replace("_", " "), c.get("explains_pct"), c.get("advice", "")) for c in a.get("causes", [])
        ],
    }  # fmt: skip


def _response(r: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "label": str(r.get("label") or "photodiode"),
        "rows": [
            (f"{t['from_level']} → {t['to_level']}", t["response_ms"], t["response_signal_ms"], t["overshoot_pct"])
            for t in r["transitions"]
        ],
    }


def _ghosts(measurements: Sequence[Mapping[str, Any]]) -> Picture:
    displays = [
        (
            str(m["label"]),
            [
                (e["response_ms"]["value"], e["ghost_ms"]["value"])
                for e in m["edges"]
                if e["quality"]["ok"] and None not in (e["response_ms"]["value"], e["ghost_ms"]["value"])
            ],
        )
        for m in measurements
    ]
    return ghost_against_response(displays)


def _scaling(measurements: Sequence[Mapping[str, Any]]) -> Picture | None:
    """Mean BET of the measured steps held at other refresh rates."""
    lines = []
    for m in measurements:
        if not any(has_step(e) for e in m["edges"]):
            continue
        points = []
        for hz in sorted({*RATES_HZ, m["capture"]["refresh_hz"]}):
            panel = compute_panel(m, Reference(title="", refresh_hz=hz))
            bank = make_bank(list(panel.steps.values()), panel.hold_ms, panel.emission)
            points.append((hz, float(np.nanmean(bank.crossing(0.9) - bank.crossing(0.1)))))
        lines.append((str(m["label"]), points, m["capture"]["refresh_hz"]))
    if not lines:
        return None
    instant = [(hz, 800 / hz) for hz in sorted({*RATES_HZ, *(own for _, _, own in lines)})]
    return refresh_scaling(lines, instant)


def _data(measurements: Sequence[Mapping[str, Any]]) -> tuple[bytes, bool]:
    """The measurements for download, without profiles where they would make the page too large."""

    def packed(items: Sequence[Mapping[str, Any]]) -> bytes:
        return gzip.compress(json.dumps(items, ensure_ascii=True, separators=(",", ":")).encode(), 6, mtime=0)

    whole = packed(measurements)
    if len(whole) <= MOST_DATA_BYTES:
        return whole, False
    keep = ("id", "from_level", "to_level", "instances", *COLUMNS, "quality")
    slim = [
        {**m, "streaks": [], "edges": [{k: e[k] for k in keep if k in e} for e in m["edges"]]} for m in measurements
    ]
    return packed(slim), True


__all__ = ["INSTANT", "board_page", "report_page"]
