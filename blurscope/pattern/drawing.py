"""The drawing for the eye: a still life of a harbour front with a timetable, drawn from scratch.

It is drawn on whole display pixels in greys. Along the strip stand houses, a store, moored boats' masts, a light
tower, a crane and the things that lie about on a quay; the ferry timetable carries small lettering, and one panel
carries the bars (at most five light-dark pairs in sight, on at most 1 % of the screen).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout
from blurscope.pattern.lettering import draw_text, text_width_px

MAX_BAR_PAIRS = 5
MAX_BAR_SHARE = 0.01  # of the screen
DESIGN_ROWS = 48  # the strip height that the measures below are written for
SAILINGS = (
    ("06:40", "GULL ISLE", "2"),
    ("07:15", "EAST MOLE", "1"),
    ("07:55", "SALT ROCK", "4"),
    ("08:20", "OLD STRAND", "3"),
    ("09:05", "HERON BAY", "2"),
    ("09:30", "MILL POINT", "1"),
    ("10:10", "FAR SKERRY", "4"),
    ("10:45", "GULL ISLE", "3"),
)
FARES = ("FARES    1 WAY  2 WAY", "ADULT      840   1520", "CHILD      420    760", "BICYCLE    200    360")
SIGNS = ("TICKETS", "NET LOFT", "CUSTOMS", "ROPE AND TAR", "HARBOUR OFFICE", "ICE", "SAILMAKER")


def draw_picture(layout: Layout, height_px: int) -> np.ndarray:
    """Return one repeat of the drawing: (height_px, length) uint8 codes, read-only.

    The length is a whole number of refreshes' travel and divides the circuit's: the shortest such that one repeat
    covers the screen, else the circuit itself.
    """
    length = picture_length_px(layout)
    return _draw(layout.picture_seed, height_px, length, layout.width_px, layout.height_px, layout.px_per_refresh)


def picture_length_px(layout: Layout) -> int:
    """Return the length of one repeat of the drawing in display px."""
    turns = len(layout.circuit) * layout.field_refreshes
    step = layout.px_per_refresh
    wanted = layout.width_px + layout.width_px // 8
    fitting = [d for d in range(1, turns + 1) if turns % d == 0 and d * step >= wanted]
    return min(fitting, default=turns) * step


def bar_pairs(width_px: int, height_px: int, length_px: int, rows: int, px_per_refresh: int) -> list[int]:
    """Return the half-periods (px) of the pairs of bars in one repeat, none if even one would be too many.

    Parameters
    ----------
    width_px, height_px : int
        Screen.
    length_px, rows : int
        One repeat of the drawing and the height of the bars.
    px_per_refresh : int
    """
    budget_px = MAX_BAR_SHARE * width_px * height_px / rows
    for quarters in ((1, 1.5, 2, 3, 4), (1, 1.5, 2, 4), (1, 2, 4), (2, 4), (4,), (2,)):
        halves, count = [max(1, round(px_per_refresh * k / 4)) for k in quarters], len(quarters)
        width = 2 * sum(halves)
        in_sight = (width_px + width) // length_px + 1
        if count * in_sight <= MAX_BAR_PAIRS and width * in_sight <= budget_px and width < length_px // 3:
            return halves
    return []


@lru_cache(maxsize=8)
def _draw(seed: int, height: int, length: int, screen_width: int, screen_height: int, step: int) -> np.ndarray:
    scene = _Scene(seed, height, length)
    scene.background()
    halves = bar_pairs(screen_width, screen_height, length, max(1, round(0.5 * height)), step)
    scene.fill(halves)
    scene.sheet.setflags(write=False)
    return scene.sheet


class _Scene:
    """The sheet being drawn on; measures are in 48ths of the strip's height."""

    def __init__(self, seed: int, height: int, length: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.height, self.length = height, length
        self.sheet = np.zeros((height, length), np.uint8)
        self.quay = self.px(37)  # row of the quay's edge, where everything stands
        self.scale = max(1, height // 60)

    def px(self, measure: float) -> int:
        return max(1, round(measure * self.height / DESIGN_ROWS))

    def pick(self, low: float, high: float) -> int:
        """A random measure in px."""
        return self.px(float(self.rng.uniform(low, high)))

    def grey(self, low: int, high: int) -> int:
        return int(self.rng.integers(low, high + 1))

    def box(self, x: int, top: int, width: int, height: int, level: int) -> None:
        self.sheet[max(0, top) : max(0, top + height), max(0, x) : max(0, x + width)] = level

    def line(self, x0: int, y0: int, x1: int, y1: int, level: int, width: int = 1) -> None:
        cv2.line(self.sheet, (x0, y0), (x1, y1), level, width, cv2.LINE_AA)

    def shape(self, points: list[tuple[int, int]], level: int) -> None:
        cv2.fillPoly(self.sheet, [np.array(points, np.int32)], level, cv2.LINE_AA)

    def background(self) -> None:
        """Sky, two ridges of hills, the quay wall with its stones, and the water."""
        h, n, rng = self.height, self.length, self.rng
        rows = np.arange(h)[:, None]
        self.sheet[:] = np.clip(172 - 34 * rows / self.quay, 0, 255)
        turn = 2 * math.pi * np.arange(n) / n
        for base, swing, level in ((25, 6, 126), (31, 4, 104)):
            ridge = np.full(n, float(base))
            for k in range(1, 9):
                waves = max(1, round(k * n / (7 * h)))
                ridge += swing / k * math.sin(k) * np.cos(waves * turn + rng.uniform(0, 6.28))
            self.sheet[rows >= np.round(ridge * h / DESIGN_ROWS)[None, :]] = level
        wall, water = self.quay, self.px(42)
        self.box(0, wall, n, water - wall, 92)
        self.box(0, wall, n, self.px(1), 148)
        course = max(3, self.px(2.4))
        for row in range(wall + self.px(1), water, course):
            x = int(rng.integers(0, 8))
            while x < n - 3:
                width = self.pick(4, 11)
                self.box(x, row, width - 1, course - 1, self.grey(76, 112))
                x += width
        self.sheet[water:] = np.clip(66 - 24 * (np.arange(h - water)[:, None] / max(1, h - water)), 0, 255)
        for _ in range(n * (h - water) // 60):
            x, row = int(rng.integers(0, n - 8)), int(rng.integers(water, h))
            self.box(x, row, self.pick(2, 9), 1, self.grey(58, 118))

    def fill(self, halves: list[int]) -> None:
        """Set the timetable first, then the bars, then whatever fits beside them."""
        makers: list[Callable[[int], int]] = [
            self.house,
            self.boats,
            self.store,
            self.house,
            self.crane,
            self.goods,
            self.house,
            self.tower,
            self.boats,
            self.goods,
        ]
        x = self.px(3)
        x += self.board(x) + self.px(5)
        if self.scale > 1 and x + self.px(60) < self.length:
            x += self.fares(x) + self.px(5)
        x += self.house(x) + self.px(3)
        if halves:
            x += self.bars(x, halves) + self.px(5)
        turn = 0
        while x < self.length:
            left = self.length - x
            from_px = x - self.px(2)
            before = self.sheet[:, from_px:].copy()
            width = makers[turn % len(makers)](x)
            turn += 1
            if width > left - self.px(2):
                self.sheet[:, from_px:] = before
                if left < self.px(16) or turn > 200:
                    break
                continue
            x += width + self.pick(1, 6)
        while x + self.px(8) < self.length:
            x += self.bollard(x) + self.pick(6, 12)

    def board(self, x: int) -> int:
        """The ferry timetable on two posts; 0 wide where there is no room for two lines."""
        scale, edge = self.scale, self.px(1)
        pitch = 9 * scale
        top = self.px(2)
        lines = min((self.quay - top - 2 * edge - scale) // pitch, len(SAILINGS) + 1)
        rows = [f"{at}  {name:<10}  {quay}" for at, name, quay in SAILINGS[: max(lines - 1, 0)]]
        width = text_width_px(rows[0] if rows else "", scale) + 6 * scale + 2 * edge
        if lines < 2 or x + width >= self.length:
            return 0
        tall = lines * pitch + scale + 2 * edge
        for post in (x + width // 6, x + width - width // 6):
            self.box(post, top, self.px(1.4), self.quay - top, 40)
        self.box(x, top, width, tall, 206)
        self.box(x + edge, top + edge, width - 2 * edge, tall - 2 * edge, 28)
        left, row = x + edge + 3 * scale, top + edge + scale
        self.box(x + edge, top + edge, width - 2 * edge, pitch, 84)
        draw_text(self.sheet, "FERRY  TO", left, row, 236, scale)
        draw_text(self.sheet, "QUAY", x + width - edge - 3 * scale - text_width_px("QUAY", scale), row, 236, scale)
        for text in rows:
            row += pitch
            draw_text(self.sheet, text, left, row, 226, scale)
        return width

    def fares(self, x: int) -> int:
        """A small board with finer lettering, for screens where the timetable's is large."""
        width = text_width_px(FARES[0]) + 8
        top, tall = self.px(9), 9 * len(FARES) + 5
        self.box(x + width // 2 - self.px(0.7), top, self.px(1.4), self.quay - top, 40)
        self.box(x, top, width, tall, 34)
        self.box(x + 2, top + 2, width - 4, tall - 4, 228)
        for k, text in enumerate(FARES):
            draw_text(self.sheet, text, x + 4, top + 4 + 9 * k, 30)
        return width

    def bars(self, x: int, halves: list[int]) -> int:
        """The panel with the bars, on two posts."""
        margin = self.px(3)
        width = 2 * sum(halves) + 2 * margin
        top, tall = self.px(6), round(0.5 * self.height)
        for post in (x + self.px(1), x + width - self.px(2.4)):
            self.box(post, top + tall, self.px(1.4), self.quay - top - tall, 40)
        self.box(x, top - self.px(2), width, tall + 2 * self.px(2), 150)
        at = x + margin
        for half in halves:
            self.box(at, top, half, tall, 32)
            self.box(at + half, top, half, tall, 232)
            at += 2 * half
        return width

    def house(self, x: int) -> int:
        """A gabled house with windows, a door and a chimney."""
        width, wall = self.pick(17, 27), self.grey(96, 214)
        eaves = self.pick(15, 21)
        ridge = max(1, eaves - self.pick(8, 13))
        self.box(x + width * 2 // 3, max(0, ridge - self.px(2)), self.px(2.5), eaves - ridge, 58)
        self.shape([(x - self.px(1), eaves), (x + width // 2, ridge), (x + width + self.px(1), eaves)], 50)
        self.box(x, eaves, width, self.quay - eaves, wall)
        self.box(x, eaves, width, 1, 30)
        for row in range(eaves + self.px(3), self.quay - self.px(1), max(2, self.px(2))):
            start = x + self.pick(0.5, 3)
            while start < x + width - 2:
                run = min(self.pick(2, 5), x + width - 1 - start)
                self.box(start, row, run, 1, max(0, wall - 12))
                start += run + self.pick(1, 3)
        columns = max(2, width // self.px(8))
        pane_w, pane_h = self.px(4), self.px(6)
        door = int(self.rng.integers(0, columns))
        for k in range(columns):
            middle = x + round((k + 0.5) * width / columns)
            if k != door or eaves + self.px(3.5) + pane_h < self.quay - self.px(8):
                self.window(middle - pane_w // 2, eaves + self.px(2.5), pane_w, pane_h)
            if k == door:
                self.box(middle - self.px(2), self.quay - self.px(8), self.px(4), self.px(8), 36)
                self.box(middle + self.px(1), self.quay - self.px(4), 1, 1, 230)
            elif self.quay - eaves > self.px(18):
                self.window(middle - pane_w // 2, self.quay - self.px(8), pane_w, pane_h)
        return width

    def window(self, x: int, top: int, width: int, height: int) -> None:
        pane = self.grey(24, 70) if self.rng.random() < 0.7 else 222
        bar = 238 if pane < 128 else 60
        self.box(x - 1, top - 1, width + 2, height + 2, bar)
        self.box(x, top, width, height, pane)
        self.box(x + width // 2, top, 1, height, bar)
        self.box(x, top + height // 2, width, 1, bar)

    def store(self, x: int) -> int:
        """A long plank-built store with a name over its gates."""
        name = SIGNS[int(self.rng.integers(0, len(SIGNS)))]
        wide = text_width_px(name, self.scale)
        width = max(wide + self.px(8), self.pick(44, 60))
        top, wall = self.pick(11, 14), self.grey(84, 130)
        out, slope, rise = self.px(2), self.px(3), self.px(6)
        roof = [(x - out, top), (x + slope, top - rise), (x + width - slope, top - rise), (x + width + out, top)]
        self.shape(roof, 72)
        self.box(x, top, width, self.quay - top, wall)
        plank = x
        while plank < x + width - 1:
            self.box(plank, top, 1, self.quay - top, wall - self.grey(8, 18))
            plank += self.pick(2.5, 8)
        plate_h = 9 * self.scale
        self.box(x + (width - wide) // 2 - 2 * self.scale, top + self.px(1.5), wide + 4 * self.scale, plate_h, 226)
        draw_text(self.sheet, name, x + (width - wide) // 2, top + self.px(1.5) + self.scale, 26, self.scale)
        gate_top = top + self.px(2.5) + plate_h
        for k in range(3):
            left = x + round((k + 0.5) * width / 3) - self.px(5)
            gate_h = self.quay - gate_top
            if gate_h > 3:
                self.box(left, gate_top, self.px(10), gate_h, 52)
                self.line(left + 1, self.quay - 1, left + self.px(10) - 2, gate_top + 1, 108)
                self.line(left + 1, gate_top + 1, left + self.px(10) - 2, self.quay - 1, 108)
        return width

    def boats(self, x: int) -> int:
        """Moored sailing boats: hulls at the quay, masts, stays and furled sails."""
        width = self.pick(30, 46)
        at = x + self.px(3)
        while at < x + width - self.px(10):
            hull = min(self.pick(11, 16), x + width - at)
            keel, deck = self.px(41), self.px(36.5)
            self.shape([(at, deck), (at + hull, deck), (at + hull - self.px(2), keel), (at + self.px(2), keel)],
                       self.grey(176, 236))  # fmt: skip
            self.box(at + 1, deck + self.px(1.4), hull - 2, 1, 44)
            mast, head = at + hull * 2 // 5, self.pick(2, 9)
            self.box(mast, head, max(1, self.px(0.7)), deck - head, 24)
            for foot in (at + 1, at + hull - 2):
                self.line(mast, head, foot, deck, 214)
            boom = self.px(30)
            self.box(mast, boom, hull // 2, self.px(1.6), 196)
            self.box(mast - self.px(2), head + self.px(7), self.px(5), 1, 24)
            at += hull + self.pick(2, 5)
        return width

    def tower(self, x: int) -> int:
        """A light tower on its plinth, lamp lit."""
        width = self.px(16)
        middle = x + width // 2
        top, half_top, half_foot = self.px(9), self.px(3), self.px(5)
        body = [(middle - half_top, top), (middle + half_top, top), (middle + half_foot, self.quay - self.px(3)),
                (middle - half_foot, self.quay - self.px(3))]  # fmt: skip
        self.shape(body, 224)
        mask = np.zeros_like(self.sheet)
        cv2.fillPoly(mask, [np.array(body, np.int32)], 255)
        for low, high in ((15, 20), (26, 31)):
            rows = slice(self.px(low), self.px(high))
            self.sheet[rows][mask[rows] > 0] = 62
        self.box(middle - half_top - self.px(1), top - 1, 2 * half_top + 2 * self.px(1), self.px(1), 34)
        self.box(middle - self.px(2), self.px(5), 2 * self.px(2), top - self.px(5) - 1, 250)
        self.box(middle, self.px(5), 1, top - self.px(5) - 1, 60)
        self.shape([(middle - self.px(3), self.px(5)), (middle, self.px(1.5)), (middle + self.px(3), self.px(5))], 34)
        self.box(x + self.px(1), self.quay - self.px(3), width - 2 * self.px(1), self.px(3), 132)
        self.box(middle - self.px(1), self.quay - self.px(9), 2 * self.px(1), self.px(6), 36)
        return width

    def crane(self, x: int) -> int:
        """A quay crane with a latticed jib and a crate on the hook."""
        width = self.px(34)
        foot, top = x + self.px(8), self.px(8)
        self.box(foot - self.px(3), self.quay - self.px(9), self.px(8), self.px(9), 70)
        self.box(foot - self.px(1), self.quay - self.px(7), self.px(3), self.px(3), 216)
        self.box(foot, top, self.px(1.6), self.quay - self.px(9) - top, 44)
        tip_x, tip_y = x + width - self.px(3), self.px(4)
        heel_y = self.px(17)
        self.line(foot, heel_y, tip_x, tip_y, 30)
        self.line(foot, heel_y + self.px(3), tip_x, tip_y + 1, 30)
        steps = 9
        for k in range(steps):
            a, b = k / steps, (k + 1) / steps
            self.line(round(foot + a * (tip_x - foot)), round(heel_y + self.px(3) * (1 - a) + a * (tip_y - heel_y)),
                      round(foot + b * (tip_x - foot)), round(heel_y + b * (tip_y - heel_y)), 52)  # fmt: skip
        self.line(foot, top, tip_x, tip_y, 78)
        hook = self.pick(17, 24)
        self.box(tip_x, tip_y, 1, hook - tip_y, 26)
        self.crate(tip_x - self.px(3), hook, self.px(7), self.px(6))
        return width + self.px(2)

    def crate(self, x: int, top: int, width: int, height: int) -> None:
        level = self.grey(150, 206)
        self.box(x, top, width, height, level)
        self.line(x + 1, top + height - 2, x + width - 2, top + 1, level - 62)
        for edge in ((x, top, width, 1), (x, top + height - 1, width, 1), (x, top, 1, height),
                     (x + width - 1, top, 1, height)):  # fmt: skip
            self.box(*edge, 58)

    def goods(self, x: int) -> int:
        """Crates and barrels under a lamp post."""
        width = self.pick(20, 30)
        post = x + self.px(3)
        self.box(post, self.px(12), max(1, self.px(0.8)), self.quay - self.px(12), 30)
        self.box(post - self.px(2), self.px(12), self.px(5), 1, 30)
        self.box(post - self.px(1.4), self.px(12) + 1, self.px(3), self.px(3), 246)
        at = x + self.px(7)
        while at < x + width - self.px(7):
            if self.rng.random() < 0.6:
                size = self.pick(6, 8)
                self.crate(at, self.quay - size, size, size)
                if self.rng.random() < 0.4:
                    self.crate(at + self.px(1), self.quay - 2 * size + 1, size - self.px(1), size - 1)
            else:
                size = self.px(5)
                self.box(at, self.quay - self.px(7), size, self.px(7), self.grey(66, 96))
                for row in (6, 2.4):
                    self.box(at, self.quay - self.px(row), size, 1, 182)
            at += size + self.pick(0.5, 2)
        return width

    def bollard(self, x: int) -> int:
        """A bollard with the end of a rope."""
        self.box(x, self.quay - self.px(3), self.px(2), self.px(3), 34)
        self.box(x - 1, self.quay - self.px(3), self.px(2) + 2, self.px(1), 34)
        self.line(x + self.px(2), self.quay - self.px(1), x + self.px(6), self.quay + self.px(3), 190)
        return self.px(6)
