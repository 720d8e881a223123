"""The player: one self-contained HTML file that runs the plate in step with the display."""

from __future__ import annotations

import base64
import json
from importlib.resources import files

from blurscope.files import to_jsonable
from blurscope.pattern.drawing import draw_picture
from blurscope.pattern.layout import Layout
from blurscope.pattern.png import encode_png


def player_data(layout: Layout) -> dict:
    """Return what the page carries: the pattern file without its edges, and the drawing as a ``data:`` PNG."""
    data = layout.as_json()
    del data["edges"]
    data["transitions"] = len(layout.transitions())
    picture = next((b for b in layout.blocks if b.kind == "picture"), None)
    if picture is not None:
        png = encode_png(draw_picture(layout, picture.height_px), level=9)
        data["picture_png"] = "data:image/png;base64," + base64.b64encode(png).decode("ascii")
    return data


def render_player(layout: Layout) -> str:
    """Return the page as text; it needs nothing from outside."""
    page = files("blurscope.pattern").joinpath("player.html").read_text("utf-8")
    text = json.dumps(to_jsonable(player_data(layout)), allow_nan=False, separators=(",", ":"))
    for char in "<>&":  # nothing in the data may end the script element
        text = text.replace(char, f"\\u{ord(char):04x}")
    return page.replace("__PLATE_DATA__", text)
