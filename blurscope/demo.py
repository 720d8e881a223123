"""The whole job on a made-up case: a ferry operator chooses a handheld ticket terminal among three."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from blurscope.errors import OutputError
from blurscope.files import check_output, read_json, show_path, write_json

UNITS = ("alder", "birch", "cedar")
STORY = {
    "alder": "slow, no overdrive",
    "birch": "overdriven",
    "cedar": "self-emissive, near instant",
}
SCREEN = (800, 480)
PX_PER_REFRESH = 8
REFRESH_HZ = 60.0
GAMMA, CONTRAST = 2.2, 1000.0
# how each handheld was followed: no hand is steady
CAMERAS: dict[str, dict[str, float]] = {
    "alder": {"tracking_error_px_per_refresh": 0.12, "roll_deg": 0.8, "start_phase": 0.30, "k1": -0.01},
    "birch": {"tracking_error_px_per_refresh": -0.18, "roll_deg": -1.1, "start_phase": 0.55, "yaw_deg": 2.0},
    "cedar": {"tracking_error_px_per_refresh": 0.05, "roll_deg": 0.4, "start_phase": 0.10, "pitch_deg": 1.5},
}
SLOWER_UNIT, SLOWER_TIMES = "birch", 1.3  # the planted fault: its records were taken in the cold, before sunrise
COMPARED = (
    ("bet_ms", "mean", "BET, mean, ms"),
    ("bet_ms", "max", "BET, largest, ms"),
    ("ghost_ms", "mean", "ghost, mean, ms"),
    ("response_ms", "mean", "response, mean, ms"),
    ("response_signal_ms", "mean", "response in signal, mean, ms"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoResult:
    """What the demo made.

    Attributes
    ----------
    measurements, truths, agreements : dict by unit
        Contents of the files.
    pictures : list of (str, Path)
        What each shows.
    report : Path
    """

    measurements: dict[str, dict[str, Any]]
    truths: dict[str, dict[str, Any]]
    agreements: dict[str, dict[str, Any]]
    pictures: list[tuple[str, Path]]
    report: Path


def run_demo(
    out: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    processes: int = 2,
    say: Callable[[str], None] = lambda _: None,
) -> DemoResult:
    """Make the pattern, film three handhelds, measure them, and check photo against photodiode.

    Parameters
    ----------
    out : path-like
        Folder for everything; made if missing.
    overwrite : bool
        Replace the files of an earlier run.
    processes : int
        Handhelds worked on at once.
    say : callable
        Progress.

    Raises
    ------
    OutputError
        The folder holds something already, or can't be written.
    """
    from blurscope.pattern.budget import make_layouts
    from blurscope.pattern.write import write_pattern

    folder = _claim(out, overwrite)
    say("making the pattern")
    layouts, _ = make_layouts(*SCREEN, px_per_refresh=PX_PER_REFRESH, refresh_hz=REFRESH_HZ)
    write_pattern(folder / "pattern", layouts, overwrite=overwrite)
    jobs = [(film_and_measure, unit) for unit in UNITS] + [(record_and_reduce, unit) for unit in UNITS]
    if processes > 1:
        with (
            _one_thread_each(),
            ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_calm) as pool,
        ):
            futures = {pool.submit(job, folder, unit, overwrite): (job, unit) for job, unit in jobs}
            for future in as_completed(futures):
                future.result()
                job, unit = futures[future]
                say(f"{unit.capitalize()}: {'photo measured' if job is film_and_measure else 'photodiode reduced'}")
            say("checking photo against photodiode")
            list(pool.map(check_unit, [folder] * 3, UNITS, [overwrite] * 3))
    else:
        for job, unit in jobs:
            job(folder, unit, overwrite)
        for unit in UNITS:
            check_unit(folder, unit, overwrite)
    files = {
        kind: {unit: read_json(folder / unit / f"{kind}.json", f"blurscope.{kind}/1") for unit in UNITS}
        for kind in ("measurement", "truth", "agreement")
    }
    say("drawing")
    pictures = _draw(folder, files, overwrite)
    board, report = _publish(folder, overwrite)
    pictures.append(("the three side by side, with an instant panel and Alder at 120 Hz computed", board))
    return DemoResult(
        measurements=files["measurement"],
        truths=files["truth"],
        agreements=files["agreement"],
        pictures=pictures,
        report=report,
    )


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let the processes started here use one thread each: several of them share the machine already."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _calm() -> None:
    from blurscope._cv import cv2

    cv2.setNumThreads(1)


def _claim(out: str | os.PathLike[str], overwrite: bool) -> Path:
    """Make the folder, or refuse one that has something in it."""
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{show_path(folder)} is a file; give a folder: blurscope demo OUT")
    try:
        if folder.is_dir() and any(folder.iterdir()) and not overwrite:
            raise OutputError(
                f"the folder {show_path(folder)} is not empty; give another one (blurscope demo OUT) or add --overwrite"
            )
        folder.mkdir(exist_ok=True)
        for unit in UNITS:
            (folder / unit / "records").mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise OutputError(f"the folder {show_path(folder)} can't be made ({exc.strerror})") from None
    check_output(folder / "demo", overwrite=True)
    return folder


def _display(unit: str) -> Any:
    from blurscope.camera import Display, LightLaw, Response

    return Display(
        label=unit.capitalize(),
        law=LightLaw(kind="gamma", gamma=GAMMA, black=1 / CONTRAST),
        response=Response(shape="exponential", time_ms=6.0),
        unit=unit,
    )


def film_and_measure(folder: Path, unit: str, overwrite: bool) -> None:
    """Film one handheld and measure the photo as it was written."""
    from blurscope.camera import Camera, film
    from blurscope.camera.write import write_capture
    from blurscope.pipeline import measure, read_pattern

    layout = read_pattern(folder / "pattern")
    camera = Camera(campx_per_px=3.0, file_format="jpeg", vignetting=0.1, reflected_light=0.002, **CAMERAS[unit])
    # all three at nearly the same moment of the loop, so that a board can show one crop of the plate
    shot = film(layout, _display(unit), camera, start_refresh=40, seed=UNITS.index(unit) + 1)
    paths = write_capture(folder / unit, shot, overwrite=overwrite)
    result = measure(paths[0], pattern=layout, label=unit.capitalize(), notes={"case": STORY[unit]})
    write_json(folder / unit / "measurement.json", result.as_json(), overwrite=overwrite)


def record_and_reduce(folder: Path, unit: str, overwrite: bool) -> None:
    """Watch one handheld with the simulated photodiode and reduce the records."""
    from blurscope.photodiode import Detector, write_records
    from blurscope.pipeline import read_pattern
    from blurscope.trace import Settings, gamma_law, read_transitions, reduce_records

    layout, display = read_pattern(folder / "pattern"), _display(unit)
    times = SLOWER_TIMES if unit == SLOWER_UNIT else 1.0
    responses = {p: display.response_for(*p) for p in layout.transitions()}
    listed = write_records(
        folder / unit / "records",
        {p: lambda t, r=r: r.value(t / times) for p, r in responses.items()},
        lambda level: float(display.law.light(level)),
        refresh_hz=REFRESH_HZ,
        detector=Detector(sample_rate_hz=20_000.0, noise_of_white=0.002),
        dwell_s=max(0.25, times * max(r.settle_ms(1e-4) for r in responses.values()) / 1000 + 2 / REFRESH_HZ),
        seed=UNITS.index(unit) + 11,
        overwrite=overwrite,
    )
    settings = Settings(law=gamma_law(GAMMA, black=1 / CONTRAST), refresh_hz=REFRESH_HZ)
    response = reduce_records(read_transitions(listed), settings, label=unit.capitalize(), jobs=1)
    write_json(folder / unit / "response.json", response.as_json(), overwrite=overwrite)


def check_unit(folder: Path, unit: str, overwrite: bool) -> None:
    """Check one handheld's photo against its records."""
    from blurscope.crosscheck import cross_check

    report, _ = cross_check(folder / unit / "measurement.json", folder / unit / "response.json")
    write_json(folder / unit / "agreement.json", report, overwrite=overwrite)


def _draw(folder: Path, files: dict[str, dict[str, Any]], overwrite: bool) -> list[tuple[str, Path]]:
    from blurscope.plots import save_figure
    from blurscope.plots.dots import dots_and_matrices

    out = []
    for quantity, name in (("response_ms", "response times"), ("bet_ms", "blurred edge times")):
        truths = [{_pair(t): t[quantity] for t in files["truth"][unit]["transitions"]} for unit in UNITS]
        picture = dots_and_matrices([files["measurement"][u] for u in UNITS], quantity, truths=truths)
        path, _ = save_figure(picture, folder, quantity.removesuffix("_ms"), overwrite=overwrite)
        out.append((f"{name} of the three, transition by transition", path))
    return out


def _publish(folder: Path, overwrite: bool) -> tuple[Path, Path]:
    """Write the board, with the slow unit at 120 Hz computed, and the report of everything with the side-by-side."""
    from blurscope.report import write_report
    from blurscope.sidebyside import build_board, write_board

    measured = [folder / unit / "measurement.json" for unit in UNITS]
    patterns = [folder / "pattern" / "pattern.json"]
    board = build_board(measured, patterns=patterns, what_if=["120hz"])
    write_board(board, folder / "board.png", overwrite=overwrite)
    inputs = [folder / unit / f"{kind}.json" for unit in UNITS for kind in ("measurement", "response", "agreement")]
    return folder / "board.png", Path(write_report(inputs, folder / "report.html", board=board, overwrite=overwrite))


def _pair(entry: dict[str, Any]) -> tuple[int, int]:
    return entry["from_level"], entry["to_level"]


def comparison(result: DemoResult) -> Iterator[tuple[str, list[tuple[dict[str, Any] | None, float | None]]]]:
    """Yield each line of the table: its name, and for every unit the measured quantity and the truth.

    The truth of a mean or a largest value is taken over the transitions that were measured.
    """
    for key, how, title in COMPARED:
        cells: list[tuple[dict[str, Any] | None, float | None]] = []
        for unit in UNITS:
            data, truth = result.measurements[unit], result.truths[unit]
            used = {_pair(e) for e in data["edges"] if e["quality"]["ok"] and e[key]["value"] is not None}
            true = [t[key] for t in truth["transitions"] if _pair(t) in used and t[key] is not None]
            value = None if not true else max(true) if how == "max" else sum(true) / len(true)
            cells.append((data["summary"][f"{key}_{how}"], value))
        yield title, cells
    yield (
        "tracking error, px per refresh",
        [
            (
                result.measurements[u]["tracking"]["error_px_per_refresh"],
                result.truths[u]["tracking"]["error_px_per_refresh"],
            )
            for u in UNITS
        ],
    )
    yield (
        "exposure, refreshes",
        [
            (
                result.measurements[u]["tracking"]["exposure_refreshes"],
                result.truths[u]["capture"]["exposure_refreshes"],
            )
            for u in UNITS
        ],
    )
