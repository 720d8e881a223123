"""Several displays in one picture: ranking, ghost against response, and what other refresh rates would do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from blurscope.plots.board import INK, LINES, RULE, TITLES, draw_ranking, shorten, with_u95
from blurscope.plots.picture import Picture, new_figure

MARKS = "osD^vPX<>*hp"


def ranking_plot(
    labels: Sequence[str], quantities: Sequence[Mapping[str, Any]], places: Sequence[str], name: str
) -> Picture:
    """Draw a figure of every display with its interval and its possible places."""
    figure = new_figure(6.4, 1.1 + 0.36 * len(labels))
    axes = figure.subplots()
    title, unit = TITLES[name]
    draw_ranking(axes, list(labels), [dict(q) for q in quantities], places)
    axes.set_title(f"Mean {title}, {unit}, with its 95 % interval", fontsize=10, loc="left", color=INK)
    said = "; ".join(f"{shorten(t, 30)} {with_u95(dict(q), unit)}" for t, q in zip(labels, quantities, strict=True))
    return Picture(figure=figure, alt=f"Mean {title} of {len(labels)} displays: {said}.")


def ghost_against_response(displays: Sequence[tuple[str, Sequence[tuple[float, float]]]]) -> Picture:
    """Draw ghost against response, one mark per transition, one shape per display.

    Parameters
    ----------
    displays : sequence of (label, [(response_ms, ghost_ms), ...])
    """
    figure = new_figure(6.4, 3.8)
    axes = figure.subplots()
    _clean(axes)
    for k, (label, points) in enumerate(displays):
        if points:
            x, y = zip(*points, strict=True)
            axes.plot(
                x, y, MARKS[k % len(MARKS)], color=LINES[k % len(LINES)][0], markersize=5, markerfacecolor="none",
                label=shorten(label, 28),
            )  # fmt: skip
    axes.axhline(0, color=RULE, linewidth=0.8)
    axes.set_xlabel("response, 10–90 % in light, ms", fontsize=9)
    axes.set_ylabel("ghost, ms", fontsize=9)
    axes.set_title("Ghost against response, every transition", fontsize=10, loc="left", color=INK)
    _legend(axes)
    count = sum(len(p) for _, p in displays)
    return Picture(figure=figure, alt=f"Ghost against response of {count} transitions of {len(displays)} displays.")


def refresh_scaling(
    displays: Sequence[tuple[str, Sequence[tuple[float, float]], float]], instant: Sequence[tuple[float, float]]
) -> Picture:
    """Draw the mean BET that the measured responses give at other refresh rates; the measured rate has a filled mark.

    Parameters
    ----------
    displays : sequence of (label, [(refresh_hz, bet_ms), ...], measured refresh_hz)
    instant : sequence of (refresh_hz, bet_ms)
    """
    figure = new_figure(6.4, 3.8)
    axes = figure.subplots()
    _clean(axes)
    for k, (label, points, own) in enumerate(displays):
        colour, line = LINES[k % len(LINES)]
        x, y = zip(*points, strict=True)
        axes.plot(x, y, color=colour, linestyle=line, linewidth=1.4, label=shorten(label, 28))
        mark = min(points, key=lambda p: abs(p[0] - own))
        axes.plot(*mark, "o", color=colour, markersize=6)
    axes.plot(*zip(*instant, strict=True), color=RULE, linewidth=3, zorder=0, label="instant panel")
    axes.set_xscale("log")
    ticks = [hz for hz, _ in instant]
    axes.set_xticks(ticks, [f"{hz:g}" for hz in ticks])
    axes.minorticks_off()
    axes.set_ylim(0)
    axes.set_xlabel("refresh, Hz (computed; dots: as measured)", fontsize=9)
    axes.set_ylabel("mean BET, ms", fontsize=9)
    axes.set_title("What other refresh rates would do (computed)", fontsize=10, loc="left", color=INK)
    _legend(axes)
    return Picture(
        figure=figure, alt=f"Computed mean blurred edge time of {len(displays)} displays against refresh rate."
    )


def _clean(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=8)


def _legend(axes: Any) -> None:
    if axes.get_legend_handles_labels()[0]:
        for text in axes.legend(fontsize=7.5, frameon=False).get_texts():
            text.set_parse_math(False)
