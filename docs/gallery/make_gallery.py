"""Make the pictures of this folder from the demo: run ``python docs/gallery/make_gallery.py``."""

from __future__ import annotations

import tempfile
from pathlib import Path

from blurscope.demo import run_demo
from blurscope.pipeline import measure
from blurscope.plots.debug import plate_picture, profile_picture

HERE = Path(__file__).parent


def main() -> None:
    """Run the demo in a folder that is thrown away and keep three of its pictures."""
    with tempfile.TemporaryDirectory() as folder:
        result = run_demo(folder, overwrite=True, say=print)
        (HERE / "three_terminals.png").write_bytes(dict(result.pictures)[_response(result)].read_bytes())
        shots: list = []
        birch = Path(folder) / "birch" / "photo.jpg"
        found = measure(birch, pattern=Path(folder) / "pattern", on_shot=shots.append)
        hold_ms = found.blocks["capture"]["hold_ms"]
        (HERE / "plate.png").write_bytes(plate_picture(shots[0]).as_bytes("png"))
        (HERE / "profiles.png").write_bytes(profile_picture(shots[0], hold_ms).as_bytes("png"))


def _response(result) -> str:
    return next(what for what, path in result.pictures if path.stem == "response")


if __name__ == "__main__":
    main()
