"""What a header says, before anything is decoded."""

from __future__ import annotations

from dataclasses import dataclass, field

from blurscope.errors import PhotoError


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Size and layout of a picture as its header states them.

    Attributes
    ----------
    width, height : int
        Before any turning.
    channels : int
        Colour channels, without alpha.
    bits : int
        Per channel.
    alpha : bool
    exif : bytes
        The TIFF structure that holds EXIF, or ``b""``.
    icc : bytes
        ICC profile, or ``b""``.
    orientation : int or None
        Where the container itself states it, against EXIF.
    extra : dict
        What only this format has.
    """

    width: int
    height: int
    channels: int
    bits: int
    alpha: bool = False
    exif: bytes = b""
    icc: bytes = b""
    orientation: int | None = None
    extra: dict = field(default_factory=dict)


def broken(name: str, what: str) -> PhotoError:
    """Return the refusal of a file that is damaged or ends early."""
    return PhotoError(f"{name} is damaged or incomplete ({what}); copy it from the camera again")
