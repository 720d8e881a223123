"""The area budget: what a screen can hold, in which order things go, and the layout that follows from it."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace

import numpy as np

from blurscope.errors import PatternError
from blurscope.pattern.circuit import edge_levels, find_circuit, split_pairs
from blurscope.pattern.layout import Block, Layout, Slit, common_loop
from blurscope.pattern.safety import safety_figures

MIN_BAND_ROWS = 12
MIN_FIELD_S = 1 / 6  # so that no pixel flashes more than three times a second
SETTLED = 0.003
LN9 = math.log(9.0)
ROW_HALFTONES = ((4, (0,)), (3, (1,)), (2, (0,)), (2, (1,)), (3, (0, 2)), (4, (0, 1, 3)))
DITHER_SHARES = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 3 / 4)
CLOCK_PERIOD = 4  # refreshes; no slit repeats faster than a third of the refresh rate
RESPONSE_PHASE_STEP = 4
GREY_STEPS = 16


def field_refreshes(refresh_hz: float, px_per_refresh: int, slowest_ms: float, allow_flashing: bool = False) -> int:
    """Return the length of a field in refreshes.

    An exponential of ``slowest_ms`` (10-90 %) comes within 0.3 %, one hold and 2 px of camera blur are added, and a
    fixed pixel keeps its level for at least 1/6 s unless ``allow_flashing``.
    """
    hold_ms = 1000 / refresh_hz
    settle = -math.log(SETTLED) * slowest_ms / LN9 / hold_ms + 1 + 2 / px_per_refresh
    least = 0 if allow_flashing else math.ceil(MIN_FIELD_S * refresh_hz - 1e-9)
    return max(math.ceil(settle), least, 2)


def make_layouts(
    width_px: int,
    height_px: int,
    *,
    px_per_refresh: int = 12,
    levels: int = 5,
    refresh_hz: float = 60.0,
    direction: str = "right",
    slowest_ms: float = 40.0,
    max_exposure_refreshes: int = 8,
    plates: int | str = 1,
    allow_flashing: bool = False,
) -> tuple[list[Layout], list[str]]:
    """Return the layouts of all plates and the budget in words.

    Parameters
    ----------
    width_px, height_px : int
        Screen in display px, 320 x 240 to 16384.
    px_per_refresh : int
        Displacement per refresh, 1 to 64.
    levels : int
        Number of levels; all ordered pairs are shown.
    plates : int or "auto"
        ``auto`` takes the fewest plates on which everything fits twice (once, if twice never fits).

    Raises
    ------
    PatternError
        It doesn't fit; the message says what would.
    """
    if not (320 <= width_px <= 16384 and 240 <= height_px <= 16384):
        raise PatternError(f"a screen of {width_px}x{height_px} is outside 320x240 to 16384x16384; check --size")
    if not 1 <= px_per_refresh <= 64:
        raise PatternError(f"{px_per_refresh} px per refresh is outside 1 to 64; check --px-per-refresh")
    if not 10 <= refresh_hz <= 1000:
        raise PatternError(f"a refresh rate of {refresh_hz:g} Hz is outside 10 to 1000; check --refresh-hz")
    if direction not in ("right", "left"):
        raise PatternError(f"direction {direction!r:.40} is neither right nor left")
    if not 1 <= max_exposure_refreshes <= 64:
        raise PatternError("the longest exposure must be 1 to 64 refreshes; check --max-exposure-refreshes")
    if not 0 < slowest_ms <= 5000:
        raise PatternError("the slowest response must be above 0 and at most 5000 ms; check --slowest-ms")
    codes = edge_levels(levels)
    base = dict(
        width_px=width_px,
        height_px=height_px,
        px_per_refresh=px_per_refresh,
        refresh_hz=float(refresh_hz),
        direction=direction,
        slowest_ms=float(slowest_ms),
        max_exposure_refreshes=max_exposure_refreshes,
        levels=codes,
        allow_flashing=allow_flashing,
    )
    most = levels * (levels - 1) // 2 // 2 or 1
    if plates != "auto":
        if not isinstance(plates, int) or not 1 <= plates <= max(most, 1):
            raise PatternError(f"{levels} levels can be shared among 1 to {most} plates; check --plates")
        return _all_plates(base, plates)
    fallback = None
    refusal = None
    for count in range(1, most + 1):
        try:
            made = _all_plates(base, count)
        except PatternError as exc:
            refusal = exc
            continue
        if all(layout.repeats >= 2 for layout in made[0]):
            return made
        fallback = fallback or made
    if fallback is None:
        assert refusal is not None
        raise refusal
    return fallback


def _all_plates(base: dict, count: int) -> tuple[list[Layout], list[str]]:
    shares = split_pairs(base["levels"], count)
    made, words = [], []
    for number, pairs in enumerate(shares, start=1):
        layout, text = _one_plate(pairs=pairs, plate=number, plates=count, **base)
        made.append(layout)
        words += text
    return made, words


def _seed_of(*parts: object) -> int:
    digest = hashlib.sha256("|".join(map(str, parts)).encode()).digest()
    return int.from_bytes(digest[:4], "big") >> 1


def _one_plate(
    *,
    pairs: list[tuple[int, int]],
    plate: int,
    plates: int,
    width_px: int,
    height_px: int,
    px_per_refresh: int,
    refresh_hz: float,
    direction: str,
    slowest_ms: float,
    max_exposure_refreshes: int,
    levels: tuple[int, ...],
    allow_flashing: bool,
) -> tuple[Layout, list[str]]:
    v, height = px_per_refresh, height_px
    seed = _seed_of(width_px, height_px, v, levels, refresh_hz, direction, plate, plates, slowest_ms)
    rng = np.random.default_rng(seed)
    fields = field_refreshes(refresh_hz, v, slowest_ms, allow_flashing)
    circuit = find_circuit(pairs, seed)
    circuit_px = len(circuit) * fields * v

    grey_rows = max(5, round(height / 120))
    lane_rows = max(6, round(height / 100))
    surround = 3
    periods = max(3, round(height / 240))
    dither_rows = max(6, grey_rows)
    places = _slit_places(width_px, v, max_exposure_refreshes)
    groups = 3
    lanes_per_group = 1 if len(places) >= 6 else 2

    greys = sorted({math.floor(255 * i / (GREY_STEPS - 1) + 0.5) for i in range(1, GREY_STEPS - 1)} | set(levels))
    greys = [g for g in greys if 0 < g < 255]
    dithers = _dither_blocks(v, dither_rows)
    halftones = [
        Block(kind="halftone", top_row=0, height_px=n * periods, period_px=n, lit=lit) for n, lit in ROW_HALFTONES
    ]
    fixed = (
        grey_rows * (len(greys) + 2 * groups)
        + sum(b.height_px for b in halftones)
        + sum(b.height_px for b in dithers)
        + groups * (lanes_per_group * (lane_rows + surround) + surround)
    )
    room = height - fixed
    words = [
        f"plate {plate} of {plates}: {width_px}x{height} px, {len(pairs)} transitions, fields of {fields} refreshes "
        f"({fields * v} px), circuit of {circuit_px} px",
        f"  greys, halftones and travel lanes take {fixed} rows, leaving {room}",
    ]

    chosen = 0
    least = max(MIN_BAND_ROWS, round(height / 64))
    for repeats in (2, 1):
        count = _bands_needed(width_px, fields * v, circuit_px, repeats, limit=max(room // least, 1))
        if count and count * least <= room:
            chosen = count
            break
        words.append(f"  {'two instances' if repeats == 2 else 'one instance'} of every transition: no room")
    if not chosen:
        raise PatternError(_what_would_fit(width_px, height, v, len(levels), refresh_hz, plates))
    comfortable = min(max(height // 36, least + 2), 40)
    words.append(f"  {chosen} bands hold every transition at least {repeats} time(s) at every refresh")
    room -= chosen * min(comfortable, room // chosen)

    slots = _response_slots(levels, fields, v, rng)
    lane_pitch = lane_rows + surround
    wanted = math.ceil(len(slots) / len(places))
    fit = max(0, min(wanted, min(room, round(0.16 * height)) // lane_pitch))
    room -= fit * lane_pitch
    phases = max(1, math.ceil(2 * fields / RESPONSE_PHASE_STEP))
    kept = (min(len(slots), fit * len(places)) // phases) * phases
    words.append(f"  response slits: {kept // phases} of {len(slots) // phases} pairs of levels in {fit} lanes")
    slots = slots[:kept]
    fit = math.ceil(kept / len(places)) if kept else 0
    picture_rows = min(round(height / 15), room)
    if picture_rows < 24:
        picture_rows = 0
    room -= picture_rows
    words.append(f"  drawing and bars: {picture_rows} rows" if picture_rows else "  drawing and bars: no room")

    free = height - fixed - picture_rows - fit * lane_pitch
    count = chosen
    while free // count > 2 * comfortable and free // (count + 1) >= comfortable:
        count += 1
    if count > chosen and _coverage(width_px, fields * v, circuit_px, count) < repeats:
        count = chosen
    heights = [free // count + (1 if i < free % count else 0) for i in range(count)]
    words.append(f"  in the end {count} bands of {min(heights)} to {max(heights)} rows")

    order = _spread(count)
    bands = [
        Block(kind="band", top_row=0, height_px=h, offset_px=round(order[i] * circuit_px / count) % circuit_px)
        for i, h in enumerate(heights)
    ]
    lanes = _travel_lanes(places, groups * lanes_per_group, v, lane_rows, surround, rng)
    response = _response_lanes(places, slots, fit, fields, lane_rows, surround, rng)
    blocks = _stack(
        rng, greys, grey_rows, halftones, dithers, lanes, response, bands, picture_rows, groups, lanes_per_group
    )
    blocks = _close_lanes(blocks, surround)
    # few bands leave runs of lanes side by side, which close once
    spare = height - sum(b.height_px for b in blocks)
    widest = max((i for i, b in enumerate(blocks) if b.kind == "band"), key=lambda i: blocks[i].height_px)
    blocks[widest] = replace(blocks[widest], height_px=blocks[widest].height_px + max(spare, 0))
    used = sum(b.height_px for b in blocks)
    if used != height:
        raise AssertionError(f"the budget adds up to {used} rows, not {height}")
    row, placed = 0, []
    for block in blocks:
        placed.append(replace(block, top_row=row))
        row += block.height_px
    layout = Layout(
        width_px=width_px,
        height_px=height,
        px_per_refresh=v,
        direction=direction,
        refresh_hz=refresh_hz,
        levels=levels,
        circuit=circuit,
        field_refreshes=fields,
        slowest_ms=slowest_ms,
        max_exposure_refreshes=max_exposure_refreshes,
        loop_refreshes=common_loop(len(circuit) * fields, CLOCK_PERIOD, 2 * fields),
        repeats=repeats,
        blocks=tuple(placed),
        plate=plate,
        plates=plates,
        picture_seed=seed,
    )
    figures = safety_figures(layout)
    if not figures["passes"] and not allow_flashing:
        raise PatternError(
            f"this plate would flash above the WCAG limits ({figures['worst_field_hz']:.2f} flashes/s on fields, "
            f"{100 * figures['flashing_share_10deg']:.0f} % of a 10 degree field): take a lower --refresh-hz or fewer "
            "--px-per-refresh, or allow it with --allow-flashing where nobody at risk can see it"
        )
    words.append(
        f"  flashes: {figures['worst_field_hz']:.2f}/s at most on the fields, {figures['worst_pixel_hz']:.1f}/s on "
        f"slits and drawing, which fill {100 * figures['flashing_share_10deg']:.1f} % of a 10 degree field (limit 25 %)"
    )
    return replace(layout, safety=figures), words


def _slit_places(width: int, v: int, longest: int) -> list[int]:
    """Screen columns of slits: pitch for the longest streak at 2 px/refresh tracking error, off the screen's ends."""
    pitch = (v + 2) * longest + 2 * v + max(2, v // 3)
    margin = min(longest * v // 2 + v, width // 7)
    count = max(2, (width - 2 * margin) // pitch + 1)
    last = width - margin - max(2, v // 3)
    return [round(margin + i * (last - margin) / (count - 1)) for i in range(count)]


def _dither_blocks(v: int, rows: int) -> list[Block]:
    period = v * max(1, math.ceil(8 / v))
    step = _spread_step(period)
    counts = sorted({min(period - 1, max(1, round(period * share))) for share in DITHER_SHARES})
    return [
        Block(
            kind="dither",
            top_row=0,
            height_px=rows,
            period_px=period,
            lit=tuple(i * period // k for i in range(k)),
            offset_px=step,
        )
        for k in counts
    ]


def _indicator(width: int, field_px: int, circuit_px: int, offset: int, low: int, high: int) -> np.ndarray:
    """Which circuit positions show an edge with both fields on screen between ``low`` and ``high``."""
    seen = np.zeros(circuit_px, bool)
    first, last = max(low, field_px), min(high, width - field_px)
    if last >= first:
        if last - first + 1 >= circuit_px:
            seen[:] = True
        else:
            seen[(np.arange(first, last + 1) - offset) % circuit_px] = True
    return seen


def _coverage(width: int, field_px: int, circuit_px: int, count: int) -> int:
    """Fewest rows in which any transition is wholly on screen at any refresh; 1 at most if in one third only."""
    if count < 1:
        return 0
    total = np.zeros(circuit_px, int)
    thirds = np.zeros((3, circuit_px), bool)
    for j in range(count):
        offset = round(j * circuit_px / count) % circuit_px
        total += _indicator(width, field_px, circuit_px, offset, 0, width)
        for k in range(3):
            thirds[k] |= _indicator(width, field_px, circuit_px, offset, k * width // 3, (k + 1) * width // 3 - 1)
    fewest = int(total.min())
    if fewest >= 2 and int(thirds.sum(axis=0).min()) < 2:
        return 1
    return fewest


def _bands_needed(width: int, field_px: int, circuit_px: int, repeats: int, limit: int) -> int:
    span = width - 2 * field_px
    if span <= 0:
        return 0
    for count in range(max(repeats, repeats * circuit_px // (span + 1)), limit + 1):
        if _coverage(width, field_px, circuit_px, count) >= repeats:
            return count
    return 0


def _spread(count: int) -> list[int]:
    """A permutation that keeps neighbouring offsets in rows far from each other."""
    step = _spread_step(count)
    return [(i * step) % count for i in range(count)]


def _spread_step(count: int) -> int:
    step = max(1, round(0.382 * count))
    while math.gcd(step, count) != 1:
        step += 1
    return step


def _travel_lanes(places: list[int], lanes: int, v: int, rows: int, surround: int, rng: np.random.Generator) -> list:
    wide = max(2, round(v / 4))
    n = len(places)
    phases: list[int] = []
    out = []
    for lane in range(lanes):
        if n >= 6:
            lit_at = {0, n - 1, n // 2}
        else:
            lit_at = {0, n - 1} if lane % 2 == 0 else {n // 2}
        slits = []
        for i, x in enumerate(places):
            if i in lit_at:
                thin = i == n // 2
                slits.append(_slit(x, 1 if thin else wide, "lit", 0, 255, 1, 1, 0))
            else:
                if not phases:
                    phases = [int(p) for p in rng.permutation(CLOCK_PERIOD)]
                slits.append(_slit(x, wide, "clock", 0, 255, CLOCK_PERIOD, CLOCK_PERIOD // 2, phases.pop()))
        out.append(Block(kind="lane", top_row=0, height_px=rows + surround, surround_px=surround, slits=tuple(slits)))
    return out


def _slit(x: int, width: int, kind: str, low: int, high: int, period: int, on: int, phase: int) -> Slit:
    return Slit(
        x_px=x,
        width_px=width,
        kind=kind,
        low_level=low,
        high_level=high,
        period_refreshes=period,
        on_refreshes=on,
        phase_refreshes=phase,
    )


def _response_slots(levels: tuple[int, ...], fields: int, v: int, rng: np.random.Generator) -> list[tuple[int, ...]]:
    """Slits wanted for the response road, pair by pair, those with the most light first: (low, high, phase, width)."""
    pairs = [(a, b) for i, a in enumerate(levels) for b in levels[i + 1 :]]
    pairs.sort(key=lambda p: (p[0] / 255) ** 2.2 - (p[1] / 255) ** 2.2)
    wide = max(2, round(v / 3))
    count = max(1, math.ceil(2 * fields / RESPONSE_PHASE_STEP))
    return [(a, b, round(k * 2 * fields / count), wide) for a, b in pairs for k in range(count)]


def _response_lanes(
    places: list[int], slots: list, lanes: int, fields: int, rows: int, surround: int, rng: np.random.Generator
) -> list[Block]:
    order = [slots[i] for i in rng.permutation(len(slots))]
    out = []
    for lane in range(lanes):
        mine = order[lane * len(places) : (lane + 1) * len(places)]
        shift = int(rng.integers(-places[0] // 2, places[0] // 2 + 1))
        slits = tuple(
            _slit(x + shift, wide, "response", low, high, 2 * fields, fields, phase)
            for x, (low, high, phase, wide) in zip(places, mine, strict=False)
        )
        out.append(Block(kind="lane", top_row=0, height_px=rows + surround, surround_px=surround, slits=slits))
    return out


def _stack(rng, greys, grey_rows, halftones, dithers, lanes, response, bands, picture_rows, groups, lanes_per_group):
    """Order the blocks: three groups of greys, halftones and a travel lane, the bands between them."""
    best, spread = list(greys), -1
    for _ in range(200):
        trial = [greys[i] for i in rng.permutation(len(greys))]
        apart = min(abs(a - b) for a, b in zip(trial, trial[1:], strict=False))
        if apart > spread:
            best, spread = trial, apart
    third = math.ceil(len(best) / groups)

    def grey(level: int) -> Block:
        return Block(kind="grey", top_row=0, height_px=grey_rows, level=level)

    parts: list[list[Block]] = []
    for g in range(groups):
        mine = [grey(level) for level in best[g * third : (g + 1) * third]]
        half = halftones[g * 2 : g * 2 + 2]
        cols = dithers[g::groups]
        lane = lanes[g * lanes_per_group : (g + 1) * lanes_per_group]
        ends = [grey(255), grey(0)]
        if g < groups - 1:
            parts.append(ends[:1] + mine[:2] + ends[1:] + mine[2:] + half + cols + lane)
        else:
            parts.append(lane + cols + half + mine[:-2] + ends[1:] + mine[-2:] + ends[:1])
    split = math.ceil(len(bands) / 2)
    upper, lower = bands[:split], bands[split:]
    picture = [Block(kind="picture", top_row=0, height_px=picture_rows)] if picture_rows else []
    return parts[0] + upper + parts[1] + response + picture + lower + parts[2]


def _close_lanes(blocks: list[Block], surround: int) -> list[Block]:
    """Give each run of lanes its closing black rows below."""
    out: list[Block] = []
    for i, block in enumerate(blocks):
        out.append(block)
        if block.kind == "lane" and (i + 1 == len(blocks) or blocks[i + 1].kind != "lane"):
            out.append(Block(kind="black", top_row=0, height_px=surround))
    return out


def _what_would_fit(width: int, height: int, v: int, levels: int, hz: float, plates: int) -> str:
    return (
        f"{levels} levels ({levels * (levels - 1)} transitions) at {v} px per refresh and {hz:g} Hz do not fit "
        f"{'one plate' if plates == 1 else f'{plates} plates'} of {width}x{height}: take fewer --levels, fewer "
        "--px-per-refresh, or let them be shared with --plates auto"
    )
