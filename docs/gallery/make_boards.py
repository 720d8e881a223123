"""Make the board of this folder from the demo's displays: run ``python docs/gallery/make_boards.py``."""

from __future__ import annotations

import tempfile
from pathlib import Path

from blurscope.demo import UNITS, run_demo
from blurscope.plots.board import board_picture, picture_bytes
from blurscope.sidebyside import build_board

HERE = Path(__file__).parent


def main() -> None:
    """Run the demo in a folder that is thrown away; keep a board with two computed panels."""
    with tempfile.TemporaryDirectory() as folder:
        run_demo(folder, overwrite=True, say=print)
        measured = [Path(folder) / unit / "measurement.json" for unit in UNITS]
        pattern = [Path(folder) / "pattern" / "pattern.json"]
        board = build_board(measured, patterns=pattern, what_if=["120hz", "120hz+strobe=0.2"])
        (HERE / "board.png").write_bytes(picture_bytes(board_picture(board), "png"))


if __name__ == "__main__":
    main()
