"""Stage light: camera codes -> light, from the plate's own greys and halftones; flat field; the display's law."""

from blurscope.light.curve import base_curve
from blurscope.light.fit import MODE_LIGHT
from blurscope.light.greysteps import Step
from blurscope.light.lens import Lens, measure_lens
from blurscope.light.stripes import LUMA, THIRD_PX, mixing_of, stripes_of
from blurscope.light.tone import Tone, law_at, measure_tone

__all__ = [
    "LUMA",
    "MODE_LIGHT",
    "THIRD_PX",
    "Lens",
    "Step",
    "Tone",
    "base_curve",
    "law_at",
    "measure_lens",
    "measure_tone",
    "mixing_of",
    "stripes_of",
]
