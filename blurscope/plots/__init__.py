"""Pictures of results as PNG and SVG: safe for colour-blind readers, each with a text that says what it shows."""

from blurscope.plots.agreement_plot import agreement_plot
from blurscope.plots.esf_overlay import esf_overlay
from blurscope.plots.picture import Picture, save_figure
from blurscope.plots.response_matrix import response_matrix

__all__ = ["Picture", "agreement_plot", "esf_overlay", "response_matrix", "save_figure"]
