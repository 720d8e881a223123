"""Make the pictures and the table of captures.md: run ``python docs/make_captures.py``.

Every picture is a simulated photo of a simulated display; the table says what `measure` and `edge` make of it.
"""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._cv import cv2
from blurscope.anyedge import FreeShot, edge
from blurscope.camera import Camera, Display, LightLaw, film
from blurscope.errors import BlurscopeError
from blurscope.pattern.budget import make_layouts
from blurscope.pipeline import measure
from blurscope.plots.edge_picture import edge_picture

HERE = Path(__file__).parent
FOLDER, PAGE = HERE / "captures", HERE / "captures.md"
START, END = "<!-- made by make_captures.py -->", "<!-- end -->"
LAW = LightLaw(kind="gamma", gamma=2.2, black=1 / 1000)
BIRCH = Display(label="Birch", unit="birch", law=LAW)
GOOD: dict[str, Any] = {"exposure_refreshes": 4.0, "tracking_error_px_per_refresh": 0.05, "file_format": "jpeg"}
CASES: dict[str, tuple[str, dict[str, Any]]] = {
    "good": ("followed well, four refreshes", {}),
    "tracking": ("camera 1 px per refresh too fast", {"tracking_error_px_per_refresh": 1.0}),
    "lost": ("camera 4 px per refresh too fast", {"tracking_error_px_per_refresh": 4.0}),
    "short": ("exposed for half a refresh", {"exposure_refreshes": 0.5}),
    "clipped": ("overexposed", {"white_share": 1.7}),
    "unsharp": ("out of focus", {"lens_sigma_campx": 4.0}),
    "coarse": ("taken from too far away", {"campx_per_px": 0.8}),
}
CROP = (0.1, 0.13, 0.3, 0.37)  # of the photo: left, top, width, height
LOOK = (420, 324)
CARD, GROUND = 205, 60  # levels of the moving sign and of what is behind it


def main() -> None:
    """Write the pictures and the table."""
    FOLDER.mkdir(exist_ok=True)
    layout = make_layouts(640, 400, px_per_refresh=8, levels=3)[0][0]
    rows = ["| | what happened | what `measure` says |", "|---|---|---|"]
    with tempfile.TemporaryDirectory() as folder:
        for name, (what, fault) in CASES.items():
            shot = film(layout, BIRCH, Camera(**(GOOD | fault)), seed=4)
            path = Path(folder) / f"{name}{shot.suffix}"
            path.write_bytes(shot.data)
            _write_look(shot.codes, FOLDER / f"{name}.png")
            said = _said(path, layout, shot.truth)
            rows.append(f"| ![{what}](captures/{name}.png) | {what} | {said} |")
            print(name, "|", said)
        free, said = _free_edge(Path(folder))
    (FOLDER / "edge.png").write_bytes(edge_picture(free, 0, "a sign of the ferry line, moving right").as_bytes("png"))
    print("edge |", said)
    page = PAGE.read_text("utf-8")
    for key, text in (("table", "\n".join(rows)), ("edge", said)):
        mark = START.replace("made by", f"{key}, made by")
        page = re.sub(f"{mark}.*?{END}", lambda _, m=mark, t=text: f"{m}\n{t}\n{END}", page, flags=re.S)
    PAGE.write_text(page, "utf-8")


def _said(path: Path, layout: Any, truth: dict[str, Any]) -> str:
    """Return in a few words what `measure` makes of a photo."""
    try:
        found = measure(path, pattern=layout)
    except BlurscopeError as exc:
        return f"refused: {exc}"
    mean = found.summary["bet_ms_mean"]
    counts = f"{found.summary['edges_ok']} of {found.summary['edges']} transitions usable"
    usable = {(e.from_level, e.to_level) for e in found.edges if e.ok}
    true = [t["bet_ms"] for t in truth["transitions"] if (t["from_level"], t["to_level"]) in usable]
    told = f"mean BET {mean.value:.2f} ± {mean.u95:.2f} ms (truth {np.mean(true):.2f})" if usable else "no figures"
    notes = [w["message"] for w in found.warnings]
    return "; ".join([f"{told}, {counts}", *notes[:2]])


def _write_look(codes: np.ndarray, path: Path) -> None:
    """Write the same part of the screen of each photo, at the same size."""
    high, wide = codes.shape[:2]
    x, y, w, h = (round(part * size) for part, size in zip(CROP, (wide, high, wide, high), strict=True))
    crop = cv2.resize(codes[y : y + h, x : x + w], LOOK, interpolation=cv2.INTER_AREA)
    path.write_bytes(cv2.imencode(".png", crop, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes())


def _sign() -> np.ndarray:
    """Draw a sign in its own pixels."""
    card = np.full((180, 330), CARD, np.uint8)
    for text, row, size in (("FERRY", 62, 1.5), ("PIER 4", 112, 1.0), ("12:40", 156, 1.0)):
        cv2.putText(card, text, (16, row), cv2.FONT_HERSHEY_DUPLEX, size, 40, 2, cv2.LINE_AA)
    cv2.rectangle(card, (200, 88), (226, 162), 90, -1)
    return card


def _free_edge(folder: Path) -> tuple[FreeShot, str]:
    """Film the sign and measure its leading edge."""
    layout = make_layouts(640, 400, px_per_refresh=8, levels=3)[0][0]
    card, start, top = _sign(), 60, 110

    def frames(refresh: int) -> np.ndarray:
        screen = np.full((400, 640), GROUND, np.uint8)
        left = 130 + 8 * (refresh - start)
        first, last = max(left, 0), min(left + card.shape[1], 640)
        if last > first:
            screen[top : top + card.shape[0], first:last] = card[:, first - left : last - left]
        return screen

    camera = Camera(file_format="jpeg", roll_deg=-2.0, tracking_error_px_per_refresh=0.2, vignetting=0.1)
    shot = film(layout, BIRCH, camera, frames=frames, start_refresh=start, seed=4)
    path = folder / f"sign{shot.suffix}"
    path.write_bytes(shot.data)
    right = 130 + card.shape[1] + 8 * 2  # in the middle of the exposure
    corners = np.array([[right - 78, top + 8, 1], [right + 36, top + card.shape[0] - 8, 1]], float)
    x, y, w = np.array(shot.truth["pose"]["screen_to_campx"]) @ corners.T
    (x0, x1), (y0, y1) = x / w, y / w
    roi = (int(x0), int(min(y0, y1)), int(x1 - x0), int(abs(y1 - y0)))
    shots: list[FreeShot] = []
    found = edge(
        path,
        roi=roi,
        campx_per_px=3.0,
        px_per_refresh=8,
        refresh_hz=60,
        levels=(GROUND, CARD),
        on_shot=shots.append,
    )
    from blurscope.camera.truth import transition_truth

    truth = transition_truth(BIRCH, GROUND, CARD, 8, 60)
    bet, response = found.edges[0].bet_ms, found.edges[0].response_ms
    command = (
        f"    blurscope edge sign.jpg --roi {','.join(map(str, roi))} --campx-per-px 3 --px-per-refresh 8 "
        f"--refresh-hz 60 --levels {GROUND},{CARD} --debug-dir look"
    )
    said = (
        f"\n{command}\n\nsays BET {bet.value:.2f} ± {bet.u95:.2f} ms (truth {truth['bet_ms']:.2f}) and response "
        f"{response.value:.2f} ± {response.u95:.2f} ms (truth {truth['response_ms']:.2f}).\n"
    )
    return shots[0], said


if __name__ == "__main__":
    main()
