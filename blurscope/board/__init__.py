"""Fair side-by-sides: registered crops at one scale and one light, figures under each, computed references."""

from blurscope.board.compose import Board, Panel, compose_board, panel_of
from blurscope.board.crop import Window, common_windows, crop_light, to_srgb
from blurscope.board.ranking import compare_pairs, figure_of, order_by
from blurscope.board.reference import (
    INSTANT,
    Reference,
    compute_panel,
    computed_edges,
    has_step,
    mean_figures,
    read_reference,
    render,
    switch_offset_px,
)

__all__ = [
    "INSTANT",
    "Board",
    "Panel",
    "Reference",
    "Window",
    "common_windows",
    "compare_pairs",
    "compose_board",
    "compute_panel",
    "computed_edges",
    "has_step",
    "crop_light",
    "figure_of",
    "mean_figures",
    "order_by",
    "panel_of",
    "read_reference",
    "render",
    "switch_offset_px",
    "to_srgb",
]
