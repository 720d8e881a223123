"""The few EXIF entries that a measurement can use, with the absurd ones left out (CIPA DC-008)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from blurscope.photo.ifd import Entry, NotTiffError, TiffReader

# tag: (lowest, highest) that a camera can mean
RANGES = {
    "exposure_s": (1e-7, 3600.0),
    "iso": (1.0, 1e7),
    "f_number": (0.3, 200.0),
    "focal_mm": (0.3, 5000.0),
    "focal_35mm": (1.0, 10000.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """What was found; ``fields`` has only what is sane."""

    fields: dict = field(default_factory=dict)
    orientation: int = 1
    gamma: float | None = None
    colour_space: str = ""
    notes: tuple[str, ...] = ()


def read_exif(block: bytes) -> Exif:
    """Read an EXIF block (a TIFF structure); a damaged one gives what can be had, never an error."""
    try:
        reader = TiffReader(block)
        main, _ = reader.directory(reader.first)
    except NotTiffError:
        return Exif(notes=("the EXIF block is damaged and was left out",) if block else ())
    entries: dict[int, Entry] = dict(main)
    interop = ""
    for pointer in (34665, 40965):
        at = reader.number(entries.get(pointer), 0)
        if not at:
            continue
        try:
            more, _ = reader.directory(int(at))
        except (NotTiffError, ValueError, OverflowError):
            continue
        if pointer == 40965:
            interop = reader.text(more.get(1))
        else:
            entries = {**entries, **more}

    def get(tag: int) -> float:
        return float(reader.number(entries.get(tag), math.nan))

    notes: list[str] = []
    fields: dict = {}
    exposure = get(33434)
    if math.isnan(exposure) and 37377 in entries and abs(get(37377)) < 40:
        exposure = 2.0 ** -get(37377)
    iso = get(34855)
    if iso >= 65535 or math.isnan(iso):
        better = [v for v in (get(34866), get(34867), get(34865)) if v > 0]
        iso = better[0] if better else iso
    found = {
        "exposure_s": exposure,
        "iso": iso,
        "f_number": get(33437),
        "focal_mm": get(37386),
        "focal_35mm": get(41989),
    }
    for name, value in found.items():
        low, high = RANGES[name]
        if low <= value <= high:
            fields[name] = value
        elif not (math.isnan(value) or value == 0):
            notes.append(f"EXIF gives {name} as {value:.4g}, which no camera can mean; it was left out")
    for name, tag in (("make", 271), ("model", 272), ("lens", 42036), ("software", 305)):
        fields[name] = reader.text(entries.get(tag))
    fields["taken"] = reader.text(entries.get(36867)) or reader.text(entries.get(306))
    fields["sharpness"] = {0: "normal", 1: "soft", 2: "hard"}.get(get(41994), "")
    turn = get(274)
    if not math.isnan(turn) and turn not in range(1, 9):
        notes.append(f"EXIF gives the orientation as {turn:.4g}, which does not exist; the picture was left as it is")
    gamma = get(42240)
    space = {1: "sRGB", 2: "Adobe RGB"}.get(get(40961), "")
    if interop.startswith("R03"):
        space = "Adobe RGB"
    return Exif(
        fields=fields,
        orientation=int(turn) if turn in range(1, 9) else 1,
        gamma=gamma if 0.2 <= gamma <= 5 else None,
        colour_space=space,
        notes=tuple(notes),
    )
