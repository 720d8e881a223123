"""Stage *photo*: a picture file becomes a `Photo`: codes as the camera wrote them, upright, with what its header says.

Codes are never cut to fewer bits, never resampled and never sharpened; only whole quarter turns and mirrorings that
the file asks for are applied.
"""

from blurscope.photo.read import DEFAULT_MAX_MEGAPIXELS, LIMIT_VARIABLE, read_photo
from blurscope.photo.record import Photo
from blurscope.photo.tone import Tone

__all__ = ["DEFAULT_MAX_MEGAPIXELS", "LIMIT_VARIABLE", "Photo", "Tone", "read_photo"]
