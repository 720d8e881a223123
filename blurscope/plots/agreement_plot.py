"""Normalised errors of every transition and figure, with the band in which they agree."""

from __future__ import annotations

from typing import Any

from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure

MARKS = {
    "bet_ms": ("BET", "o"), "get_ms": ("GET", "s"), "ghost_ms": ("ghost", "^"), "overshoot_pct": ("overshoot", "D"),
    "response_ms": ("response", "v"), "response_signal_ms": ("response in signal", "P"),
}  # fmt: skip
LIMIT = 4.0


def agreement_plot(report: dict[str, Any]) -> Picture:
    """Draw ``En`` by transition; marks outside the drawing are put at its rim, filled.

    Parameters
    ----------
    report : dict
        Content of an agreement file.
    """
    entries = [e for e in report["edges"] if e["en"] is not None]
    pairs = list(dict.fromkeys((e["from_level"], e["to_level"]) for e in entries))
    summary = report["summary"]
    figure = new_figure(6.4, 1.7 + 0.19 * max(len(pairs), 4))
    axes = figure.subplots()
    axes.axvspan(-1, 1, color="#E8EEF4", zorder=0)
    axes.axvline(0, color=GREY, linewidth=0.7)
    drawn: set[str] = set()
    for e in entries:
        name, mark = MARKS[e["quantity"]]
        en = max(-LIMIT, min(LIMIT, e["en"]))
        colour = BLUE if e["agrees"] else ORANGE
        y = pairs.index((e["from_level"], e["to_level"]))
        axes.plot([en], [y], mark, color=colour, markersize=5, markerfacecolor="none" if e["agrees"] else colour)
        drawn.add(e["quantity"])
    for quantity in sorted(drawn):
        name, mark = MARKS[quantity]
        axes.plot([], [], mark, color=GREY, markersize=5, markerfacecolor="none", label=name)
    axes.set_yticks(range(len(pairs)), [f"{a} → {b}" for a, b in pairs], fontsize=7)
    axes.set_ylim(max(len(pairs), 1) - 0.5, -0.5)
    axes.set_xlim(-LIMIT - 0.3, LIMIT + 0.3)
    axes.set_xlabel("En (within ±1: agrees; open marks); at the rim: beyond ±4")
    axes.set_title(f"{report.get('label') or ''}: {summary['verdict']}".strip(": "), fontsize=10)
    if drawn:
        axes.legend(fontsize=7, ncols=3, loc="upper center", bbox_to_anchor=(0.5, -0.12))
    worst = max(entries, key=lambda e: abs(e["en"])) if entries else None
    alt = f"Verdict {summary['verdict']}: {summary['agreeing']} of {summary['compared']} figures agree."
    if worst is not None:
        alt += (
            f" The largest normalised error is {worst['en']:.1f} for {MARKS[worst['quantity']][0]} of "
            f"{worst['from_level']} to {worst['to_level']}."
        )
    return Picture(figure=figure, alt=alt)
