"""What stands on a board: panels in order, differences that count, and what can't be compared fairly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from blurscope.board.ranking import FIGURES, Difference, compare_pairs, figure_of, order_by, ranks, sentences
from blurscope.board.reference import switch_offset_px

CAUTION = "Moving pictures of this pattern flash; the board itself stands still."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One crop with its figures.

    Attributes
    ----------
    label : str
    light : (h, w) float32 or None
        Motion to the right; None where there is no photo.
    figures : dict
        ``{"value", "u95"}`` of BET, ghost, overshoot, response.
    refresh_hz, speed_px_per_s, exposure_refreshes : float or None
    samples_per_px : float
    computed : str
        Empty for a photo, else what was computed.
    curves : dict
        ``(from, to)`` to (lag in ms, ESF).
    """

    label: str
    light: np.ndarray | None
    figures: dict[str, dict[str, float | None]]
    refresh_hz: float
    speed_px_per_s: float
    exposure_refreshes: float | None
    samples_per_px: float
    computed: str = ""
    mirrored: bool = False
    curves: dict[tuple[int, int], tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Board:
    """Panels in order and what is said about them."""

    panels: tuple[Panel, ...]
    references: tuple[Panel, ...]
    order: str
    differences: tuple[Difference, ...]
    places: tuple[str, ...]
    verdicts: tuple[str, ...]
    notes: tuple[str, ...]
    transition: tuple[int, int] | None
    scale_text: str

    @property
    def alt(self) -> str:
        """The board in words."""
        _, title, unit = FIGURES[self.order]
        parts = [
            f"{p.label}: {title} {p.figures[self.order]['value']:.1f} {unit}"
            for p in self.panels
            if p.figures[self.order]["value"] is not None
        ]
        return f"{len(self.panels)} displays side by side, ordered by {title}. " + "; ".join(parts) + "."


def panel_of(measurement: Mapping[str, Any], light: np.ndarray | None, samples_per_px: float) -> Panel:
    """Return the panel of a measured display."""
    capture = measurement["capture"]
    speed = capture["speed_px_per_s"]
    late = switch_offset_px(measurement)
    curves = {
        (e["from_level"], e["to_level"]): (
            (np.array(e["profile"]["lag_px"], float) - late) * 1000 / speed,
            np.array(e["profile"]["esf_fit"], float),
        )
        for e in measurement["edges"]
        if e["quality"]["ok"] and e["profile"]["lag_px"]
    }
    return Panel(
        label=str(measurement["label"]),
        light=light,
        figures={name: figure_of(measurement, name) for name in FIGURES},
        refresh_hz=capture["refresh_hz"],
        speed_px_per_s=speed,
        exposure_refreshes=capture.get("exposure_refreshes"),
        samples_per_px=samples_per_px,
        mirrored=capture["direction"] == "left",
        curves=curves,
    )


def compose_board(
    panels: Sequence[Panel],
    measurements: Sequence[Mapping[str, Any]],
    *,
    references: Sequence[Panel] = (),
    order: str = "bet_ms",
    transition: tuple[int, int] | None = None,
    notes: Sequence[str] = (),
    scale_text: str = "",
) -> Board:
    """Order the panels by a figure and say which differences are larger than their uncertainty."""
    sequence = order_by([p.figures[order] for p in panels])
    panels = [panels[i] for i in sequence]
    quantities = [p.figures[order] for p in panels]
    differences = compare_pairs(quantities)
    return Board(
        panels=tuple(panels),
        references=tuple(references),
        order=order,
        differences=tuple(differences),
        places=tuple(ranks(quantities, differences)),
        verdicts=tuple(sentences([p.label for p in panels], quantities, differences, order)),
        notes=(*notes, *fairness(measurements), CAUTION),
        transition=transition or _telling(panels),
        scale_text=scale_text,
    )


def fairness(measurements: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what readers have to know before they compare."""
    out = []
    captures = [m["capture"] for m in measurements]
    names = [str(m["label"]) for m in measurements]

    def listed(values: Sequence[str]) -> str:
        return ", ".join(f"{n} {v}" for n, v in zip(names, values, strict=True))

    if len({round(c["speed_px_per_s"], 1) for c in captures}) > 1:
        speeds = listed([f"{c['speed_px_per_s']:.0f} px/s" for c in captures])
        out.append(f"Speeds differ ({speeds}): compare times in ms, not lengths in the crops.")
    if len({round(c["refresh_hz"], 2) for c in captures}) > 1:
        rates = listed([f"{c['refresh_hz']:g} Hz" for c in captures])
        out.append(f"Refresh rates differ ({rates}): part of the difference is the hold.")
    exposures = [c.get("exposure_refreshes") for c in captures]
    if any(x is not None and abs(x - round(x)) > 0.06 for x in exposures):
        part = listed(["unknown" if x is None else f"{x:.2f}" for x in exposures])
        out.append(f"Exposures in refreshes: {part}; the figures are corrected for a part refresh, the crops show it.")
    errors = [(m["tracking"]["error_px_per_refresh"] or {}).get("value") for m in measurements]
    for name, c, e in zip(names, captures, errors, strict=True):
        if e is None:
            out.append(f"{name}: the camera's speed is not known, so its crop may be smeared by the camera as well.")
        elif abs(e) * (c.get("exposure_refreshes") or 1) > 0.1 * c["px_per_refresh"]:
            out.append(
                f"{name}: the camera was {e:+.2f} px per refresh off; its crop shows that, its figures are corrected."
            )
    lens = [(m.get("lens") or {}).get("sigma_px", {}).get("value") for m in measurements]
    if None not in lens and max(lens) - min(lens) > 0.3:
        blur = listed([f"{x:.1f} px" for x in lens])
        out.append(f"Lens blur differs ({blur}): fine detail in the crops is not the display's alone.")
    methods = [str(m["light"]["method"]).replace("_", " ") for m in measurements]
    if len(set(methods)) > 1:
        out.append(f"Light was found in different ways ({listed(methods)}).")
    sets = [{(e["from_level"], e["to_level"]) for e in m["edges"] if e["quality"]["ok"]} for m in measurements]
    if any(s != sets[0] for s in sets):
        out.append(
            f"Usable transitions differ ({listed([str(len(s)) for s in sets])}): the means are over different sets."
        )
    out.append("Brightness is not compared: each crop runs from its own black to its own white.")
    return out


def _telling(panels: Sequence[Panel]) -> tuple[int, int] | None:
    """The transition that all have and in which their profiles differ most."""
    shared = set.intersection(*(set(p.curves) for p in panels)) if panels else set()
    grid = np.linspace(-10, 60, 141)

    def spread(pair: tuple[int, int]) -> float:
        rows = [np.interp(grid, *p.curves[pair]) for p in panels]
        return float(np.ptp(rows, axis=0).mean())

    return max(sorted(shared), key=spread) if shared else None
