"""The board as a picture: crops in a grid, figures under each, profiles, ranking, what is said."""

from __future__ import annotations

import textwrap
import warnings
from typing import Any

import numpy as np

from blurscope.plots.picture import GREY, Picture, new_figure

INK, PALE, RULE = "#1B2430", "#5B6673", "#C9D0D8"
LINES = [("#0072B2", "-"), ("#D55E00", "--"), ("#009E73", "-."), ("#AA4499", ":"), ("#222222", (0, (5, 1, 1, 1))),
         ("#E69F00", (0, (1, 1)))]  # fmt: skip
TITLES = {"bet_ms": ("BET", "ms"), "ghost_ms": ("ghost", "ms"), "overshoot_pct": ("overshoot", "%"),
          "response_ms": ("response", "ms"), "response_signal_ms": ("response in signal", "ms")}  # fmt: skip
WIDTH_IN, MARGIN_IN, GAP_IN = 12.0, 0.4, 0.35
LABEL_LENGTH = 60
WIDEST_EM = 0.72  # of a bold letter, mean over a line


def shorten(text: str, length: int = LABEL_LENGTH) -> str:
    """Return a label on one line that fits; control characters become spaces."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split()) or "unnamed"
    return line if len(line) <= length else line[: length - 1] + "…"


def with_u95(q: dict[str, Any] | None, unit: str = "", digits: int = 1) -> str:
    """Return ``12.3 ± 0.4 ms``; more digits where u95 is small, a dash where there is no figure."""
    if not q or q.get("value") is None:
        return "–"
    u95 = q.get("u95")
    digits = digits + 1 if u95 is not None and u95 < 0.5 * 10**-digits else digits
    value = f"{q['value']:.{digits}f}"
    value = value[1:] if value.startswith("-") and not float(value) else value
    return (value if u95 is None else f"{value} ± {max(u95, 10**-digits):.{digits}f}") + (f" {unit}" if unit else "")


def board_picture(board: Any) -> Picture:
    """Draw a board.

    Parameters
    ----------
    board : blurscope.board.Board
    """
    from blurscope.board.crop import to_srgb

    cells = [*board.panels, *board.references]
    have = [p for p in cells if p.light is not None]
    columns = 1 if len(cells) == 1 else 2 if len(cells) <= 6 else 3
    cell_in = (WIDTH_IN - 2 * MARGIN_IN - (columns - 1) * GAP_IN) / columns
    aspect = max((p.light.shape[0] / p.light.shape[1] for p in have), default=0.0)
    crop_in, text_in = cell_in * aspect, 1.12
    rows = -(-len(cells) // columns)
    said = [
        line for text in (*board.verdicts, *board.notes) for line in textwrap.wrap(text, 150, subsequent_indent="   ")
    ]
    head_in, plots_in, foot_in = 0.95, 3.3, 0.35 + 0.19 * len(said)
    height = head_in + rows * (crop_in + text_in + 0.15) + plots_in + foot_in
    figure = new_figure(WIDTH_IN, height)
    figure.set_layout_engine("none")
    figure.set_facecolor("white")

    def place(x: float, top: float, w: float, h: float) -> Any:
        return figure.add_axes((x / WIDTH_IN, 1 - (top + h) / height, w / WIDTH_IN, h / height))

    def write(x: float, y: float, text: str, size: float, **kw: Any) -> None:
        kw = {"color": INK, "va": "top", "parse_math": False} | kw
        figure.text(x / WIDTH_IN, 1 - y / height, text, fontsize=size, **kw)

    title, unit = TITLES[board.order]
    write(MARGIN_IN, 0.28, "Motion blur, side by side", 17, weight="bold")
    write(MARGIN_IN, 0.62, f"ordered by mean {title}, least first. {board.scale_text}", 9, color=PALE)
    for k, panel in enumerate(cells):
        x = MARGIN_IN + (k % columns) * (cell_in + GAP_IN)
        top = head_in + (k // columns) * (crop_in + text_in + 0.15)
        if panel.light is not None:
            axes = place(x, top, cell_in, cell_in * panel.light.shape[0] / panel.light.shape[1])
            axes.imshow(to_srgb(panel.light), cmap="gray", vmin=0, vmax=255, interpolation="none", aspect="auto")
            axes.set_xticks([])
            axes.set_yticks([])
            dashed = (0, (4, 2)) if panel.computed else "-"
            for side in axes.spines.values():
                side.set(color=LINES[1][0] if panel.computed else INK, linewidth=1.6 if panel.computed else 0.6)
                side.set_linestyle(dashed)
            _scale_bar(axes, panel)
        at = top + crop_in + 0.08
        place_text = f"{board.places[k]}   " if k < len(board.places) else ""
        accent = LINES[1][0] if panel.computed else INK
        name = place_text + shorten(panel.label, LABEL_LENGTH)
        size = min(10.5 if columns < 3 else 9, 72 * cell_in / (len(name) * WIDEST_EM))
        write(x, at, name, size, weight="bold", color=accent)
        exposure = "" if panel.exposure_refreshes is None else f", exposure {panel.exposure_refreshes:.2g} refreshes"
        turned = ", mirrored (moved left)" if panel.mirrored else ""
        tag = "COMPUTED, not a photo: " if panel.computed else ""
        shot = f"{tag}{panel.refresh_hz:g} Hz, {panel.speed_px_per_s:.0f} px/s{exposure}{turned}"
        write(x, at + 0.24, shot, 7.5, color=accent if panel.computed else PALE)
        f = panel.figures
        words = [
            f"{TITLES[n][0]} {with_u95(f.get(n), TITLES[n][1])}"
            for n in ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")
        ]
        wide = columns < 3
        lines = ["     ".join(words)] if columns == 1 else ["     ".join(words[:2]), "     ".join(words[2:])]
        for i, line in enumerate(lines):
            write(x, at + 0.45 + 0.21 * i, line, 9 if wide else 7.8)
    top = head_in + rows * (crop_in + text_in + 0.15) + 0.3
    half = (WIDTH_IN - 2 * MARGIN_IN) / 2
    _profiles(place(MARGIN_IN + 0.45, top + 0.15, half - 0.8, plots_in - 0.95), board)
    _ranking(place(MARGIN_IN + half + 1.7, top + 0.15, half - 2.4, plots_in - 0.95), board)
    for i, line in enumerate(said):
        write(MARGIN_IN, top + plots_in - 0.2 + 0.19 * i, line, 8, color=INK if i < len(board.verdicts) else PALE)
    return Picture(figure=figure, alt=board.alt)


def _scale_bar(axes: Any, panel: Any) -> None:
    """A bar of whole px with its time at this display's speed, inside the crop."""
    length = panel.light.shape[1] / panel.samples_per_px
    px = max((n for n in (5, 10, 20, 40, 50, 100) if n <= 0.24 * length), default=5)
    ms = px * 1000 / panel.speed_px_per_s
    h, w = panel.light.shape
    right = 0.975 * w
    left = right - px * panel.samples_per_px
    axes.plot([left, right], [0.93 * h] * 2, color="black", linewidth=4.5, solid_capstyle="butt")
    axes.plot([left, right], [0.93 * h] * 2, color="white", linewidth=2.2, solid_capstyle="butt")
    axes.text(
        right, 0.9 * h, f"{px} px = {ms:.1f} ms", color="white", fontsize=7, ha="right", va="bottom",
        bbox={"facecolor": "black", "alpha": 0.72, "pad": 1.4, "edgecolor": "none"},
    )  # fmt: skip
    axes.set_xlim(-0.5, w - 0.5)
    axes.set_ylim(h - 0.5, -0.5)


def _quiet(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(RULE)
    axes.tick_params(labelsize=7.5, color=RULE, labelcolor=INK)


def _profiles(axes: Any, board: Any) -> None:
    _quiet(axes)
    pair = board.transition
    if pair is None:
        axes.text(0.5, 0.5, "no transition that all displays share", ha="center", transform=axes.transAxes, fontsize=9)
        axes.set_axis_off()
        return
    ends = []
    for k, p in enumerate([*board.panels, *board.references]):
        if pair not in p.curves:
            continue
        lag, esf = p.curves[pair]
        colour, line = LINES[k % len(LINES)]
        width = 1.0 if p.computed else 1.7
        axes.plot(lag, esf, color=colour, linestyle=line, linewidth=width, label=shorten(p.label, 40))
        late = np.nonzero(np.abs(esf - 1) > 0.03)[0]
        ends.append(float(lag[late[-1]]) if late.size else 0.0)
    for level in (0.1, 0.9):
        axes.axhline(level, color=RULE, linewidth=0.7, zorder=0)
    axes.set_xlim(-8, max([25.0, *ends]) * 1.1)
    axes.set_xlabel("ms behind the edge", fontsize=8, color=INK)
    axes.set_ylabel("share of the transition", fontsize=8, color=INK)
    axes.set_title(f"Profiles of {pair[0]} → {pair[1]}, in light", fontsize=9.5, loc="left", color=INK)
    legend = axes.legend(fontsize=7, framealpha=0.85, edgecolor="none", loc="lower right")
    for text in legend.get_texts():
        text.set_parse_math(False)


def _ranking(axes: Any, board: Any) -> None:
    title, unit = TITLES[board.order]
    draw_ranking(axes, [p.label for p in board.panels], [p.figures[board.order] for p in board.panels], board.places)
    axes.set_title(f"Mean {title}, {unit}, with its 95 % interval", fontsize=9.5, loc="left", color=INK)


def draw_ranking(axes: Any, labels: list[str], quantities: list[dict[str, Any]], places: Any) -> None:
    """Draw one dot with its interval for each display; the possible places stand at the right."""
    _quiet(axes)
    for i, q in enumerate(quantities):
        if q["value"] is None:
            axes.text(0.02, i, "no figure", transform=axes.get_yaxis_transform(), fontsize=8, va="center", color=GREY)
            continue
        axes.errorbar(q["value"], i, xerr=q["u95"] or 0.0, fmt="o", color=LINES[0][0], markersize=5, capsize=4)
    for i, place in enumerate(places):
        axes.text(1.02, i, f"place {place}", transform=axes.get_yaxis_transform(), fontsize=8, va="center", color=INK)
    axes.set_yticks(range(len(labels)), [shorten(t, 20) for t in labels], fontsize=8)
    for text in axes.get_yticklabels():
        text.set_parse_math(False)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.grid(axis="x", color=RULE, linewidth=0.5)


def picture_bytes(picture: Picture, kind: str) -> bytes:
    """Return a picture as ``png``, ``svg`` or ``pdf``; letters that no font has show as boxes, without a word."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        warnings.filterwarnings("ignore", message=".*font.*")
        if kind != "pdf":
            return picture.as_bytes(kind)
        import io

        stream = io.BytesIO()
        picture.figure.savefig(
            stream, format="pdf", metadata={"CreationDate": None, "Title": "Motion blur, side by side"}
        )
        return stream.getvalue()
