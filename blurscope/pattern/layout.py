"""The `Layout`: what stands where on the plate and what each slit does at each refresh.

Plate coordinates are ``u`` (right) and ``v_row`` (down) in display px; integer = left/top border of a display pixel.
At refresh ``n`` the plate coordinate of the screen column ``x`` is ``u = x - sign * px_per_refresh * n`` with sign +1
for a plate moving right and -1 for one moving left. Rows never move, so ``v_row`` is the screen row.
"""

from __future__ import annotations

import math
from copy import deepcopy
from dataclasses import dataclass, field, fields
from functools import lru_cache
from typing import Any

from blurscope.errors import PatternError

SCHEMA = "blurscope.pattern/1"
BLOCK_KINDS = ("black", "grey", "halftone", "dither", "band", "lane", "picture")
SLIT_KINDS = ("lit", "clock", "response")
MAX_SIDE_PX = 16384


@dataclass(frozen=True, slots=True, kw_only=True)
class Slit:
    """A vertical slit that stands still on the screen.

    It shows ``high_level`` while ``(n - phase_refreshes) mod period_refreshes < on_refreshes``, else ``low_level``;
    ``period_refreshes = 1`` with ``on_refreshes = 1`` is always lit.
    """

    x_px: int
    width_px: int
    kind: str
    low_level: int
    high_level: int
    period_refreshes: int
    on_refreshes: int
    phase_refreshes: int

    def level_at(self, refresh: int) -> int:
        """Return the level shown at a refresh."""
        on = (refresh - self.phase_refreshes) % self.period_refreshes < self.on_refreshes
        return self.high_level if on else self.low_level


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A block of whole rows across the screen.

    Attributes
    ----------
    kind : str
        ``black``; ``grey`` (one level); ``halftone`` (rows alternate black and white, period ``period_px``, the
        rows in ``lit`` white); ``dither`` (columns that stand still on the screen: in row ``i`` of the block the
        column ``x`` is white where ``(x - i * offset_px) mod period_px`` is in ``lit``; the moving camera smears them
        into a known share of white); ``band`` (the circuit of levels, shifted by ``offset_px``); ``lane`` (below
        ``surround_px`` black rows, slits on black); ``picture`` (the drawing).
    """

    kind: str
    top_row: int
    height_px: int
    level: int = 0
    period_px: int = 0
    lit: tuple[int, ...] = ()
    offset_px: int = 0
    surround_px: int = 0
    slits: tuple[Slit, ...] = ()

    @property
    def end_row(self) -> int:
        """First row below the block."""
        return self.top_row + self.height_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One boundary on the plate: ``u_px`` within the loop, band block index, and what a fixed screen pixel sees."""

    id: str
    block: int
    u_px: int
    from_level: int
    to_level: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Everything that frames, player, video, pattern file and measurement need."""

    width_px: int
    height_px: int
    px_per_refresh: int
    direction: str
    refresh_hz: float
    levels: tuple[int, ...]
    circuit: tuple[int, ...]
    field_refreshes: int
    slowest_ms: float
    max_exposure_refreshes: int
    loop_refreshes: int
    repeats: int
    blocks: tuple[Block, ...]
    plate: int = 1
    plates: int = 1
    picture_seed: int = 0
    safety: dict[str, Any] = field(default_factory=dict)

    @property
    def sign(self) -> int:
        """+1 for a plate moving right, -1 for one moving left."""
        return 1 if self.direction == "right" else -1

    @property
    def field_px(self) -> int:
        """Length of one field of the bands along the motion."""
        return self.field_refreshes * self.px_per_refresh

    @property
    def circuit_px(self) -> int:
        """Length after which the bands repeat."""
        return len(self.circuit) * self.field_px

    def transitions(self) -> list[tuple[int, int]]:
        """Return the ordered (from, to) pairs of this plate, sorted."""
        return sorted({(e.from_level, e.to_level) for e in self.edges()})

    def edges(self) -> list[Edge]:
        """Return every boundary of every band over one loop of the circuit."""
        offsets = tuple((b, block.offset_px) for b, block in enumerate(self.blocks) if block.kind == "band")
        return list(_edges_of(offsets, self.circuit, self.sign, self.field_px))

    def edge_copies(self, low_u: float, high_u: float) -> list[tuple[int, Edge, float]]:
        """Return (index in `edges`, edge, ``u``) of every repeat of every edge from ``low_u`` to ``high_u``."""
        period = self.circuit_px
        return [
            (i, edge, float(edge.u_px + k * period))
            for i, edge in enumerate(self.edges())
            for k in range(math.ceil((low_u - edge.u_px) / period), math.floor((high_u - edge.u_px) / period) + 1)
        ]

    def as_json(self, *, edges: bool = True) -> dict[str, Any]:
        """Return the content of ``pattern.json``, without the list of edges if they aren't wanted."""
        return {
            "schema": SCHEMA,
            **{k: getattr(self, k) for k in ("width_px", "height_px", "px_per_refresh", "direction", "refresh_hz")},
            "levels": list(self.levels),
            "circuit": list(self.circuit),
            "field_refreshes": self.field_refreshes,
            "slowest_ms": self.slowest_ms,
            "planned_max_exposure_refreshes": self.max_exposure_refreshes,
            "loop_refreshes": self.loop_refreshes,
            "repeats": self.repeats,
            "plate": self.plate,
            "plates": self.plates,
            "picture_seed": self.picture_seed,
            "safety": deepcopy(self.safety),
            "blocks": [_block_json(b) for b in self.blocks],
            **({"edges": [_fields(e) for e in self.edges()]} if edges else {}),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Layout:
        """Return the layout that a pattern file describes.

        Raises
        ------
        PatternError
            A key is missing, of the wrong type, or says something impossible.
        """
        try:
            layout = cls(
                width_px=_whole(data, "width_px", 64, MAX_SIDE_PX),
                height_px=_whole(data, "height_px", 64, MAX_SIDE_PX),
                px_per_refresh=_whole(data, "px_per_refresh", 1, 512),
                direction=str(data["direction"]),
                refresh_hz=_number(data, "refresh_hz", 1, 2000),
                levels=tuple(_code(x) for x in data["levels"]),
                circuit=tuple(_code(x) for x in data["circuit"]),
                field_refreshes=_whole(data, "field_refreshes", 1, 10000),
                slowest_ms=_number(data, "slowest_ms", 0, 1e5),
                max_exposure_refreshes=_whole(data, "planned_max_exposure_refreshes", 1, 1000),
                loop_refreshes=_whole(data, "loop_refreshes", 1, 10**8),
                repeats=_whole(data, "repeats", 1, 1000),
                blocks=tuple(_read_block(b) for b in data["blocks"]),
                plate=_whole(data, "plate", 1, 1000),
                plates=_whole(data, "plates", 1, 1000),
                picture_seed=_whole(data, "picture_seed", 0, 2**31),
                safety=dict(data["safety"]),
            )
            layout.check()
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as exc:
            what = f"{exc.args[0]!s:.80}" if exc.args else type(exc).__name__
            raise PatternError(
                f"the pattern file is not usable ({what}); make it again with 'blurscope pattern'"
            ) from None
        return layout

    def check(self) -> None:
        """Raise ``ValueError`` if the parts contradict each other."""
        if self.direction not in ("right", "left"):
            raise ValueError("direction is neither right nor left")
        if len(self.circuit) < 2 or len(self.circuit) > 10000 or len(self.blocks) > 10000:
            raise ValueError("impossible number of fields or blocks")
        if any(a == b for a, b in zip(self.circuit, self.circuit[1:] + self.circuit[:1], strict=True)):
            raise ValueError("two neighbouring fields have the same level")
        row = 0
        for block in self.blocks:
            if block.kind not in BLOCK_KINDS or block.height_px < 1:
                raise ValueError(f"unknown block {block.kind!r:.40}")
            if block.top_row != row:
                raise ValueError("blocks overlap or leave a gap")
            row = block.end_row
            if block.kind in ("halftone", "dither") and not (
                1 <= block.period_px <= MAX_SIDE_PX and all(0 <= i < block.period_px for i in block.lit)
            ):
                raise ValueError("a halftone has an impossible period")
            for s in block.slits:
                if s.kind not in SLIT_KINDS or not 1 <= s.on_refreshes <= s.period_refreshes:
                    raise ValueError("a slit has an impossible period")
                if not (0 <= s.x_px and 1 <= s.width_px and s.x_px + s.width_px <= self.width_px):
                    raise ValueError("a slit stands outside the screen")
        if row != self.height_px:
            raise ValueError("the blocks do not fill the screen")
        if not any(b.kind == "band" for b in self.blocks):
            raise ValueError("there is no band of edges")


@lru_cache(maxsize=8)
def _edges_of(
    offsets: tuple[tuple[int, int], ...], circuit: tuple[int, ...], sign: int, field_px: int
) -> tuple[Edge, ...]:
    """Return the edges of bands, given as block and offset: they are asked for many times over."""
    out = []
    for b, offset in offsets:
        for i, right in enumerate(circuit):
            left = circuit[i - 1]
            first, then = (right, left) if sign > 0 else (left, right)
            u = (offset + i * field_px) % (len(circuit) * field_px)
            out.append(Edge(id=f"b{b}e{i}", block=b, u_px=u, from_level=first, to_level=then))
    return tuple(out)


def _fields(record: Any) -> dict[str, Any]:
    """Return the fields of a flat record."""
    return {name: getattr(record, name) for name in _names(type(record))}


@lru_cache(maxsize=8)
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


def _block_json(block: Block) -> dict[str, Any]:
    out: dict[str, Any] = {"kind": block.kind, "top_row": block.top_row, "height_px": block.height_px}
    if block.kind == "grey":
        out["level"] = block.level
    if block.kind in ("halftone", "dither"):
        out["period_px"] = block.period_px
        out["lit"] = list(block.lit)
    if block.kind in ("band", "dither"):
        out["offset_px"] = block.offset_px
    if block.kind == "lane":
        out["surround_px"] = block.surround_px
        out["slits"] = [_fields(s) for s in block.slits]
    return out


def _read_block(data: dict[str, Any]) -> Block:
    slits = tuple(
        Slit(
            kind=str(s["kind"]),
            low_level=_code(s["low_level"]),
            high_level=_code(s["high_level"]),
            **{
                k: _whole(s, k, 0, 10**6)
                for k in ("x_px", "width_px", "period_refreshes", "on_refreshes", "phase_refreshes")
            },
        )
        for s in data.get("slits", ())
    )
    return Block(
        kind=str(data["kind"]),
        top_row=_whole(data, "top_row", 0, MAX_SIDE_PX),
        height_px=_whole(data, "height_px", 1, MAX_SIDE_PX),
        level=_code(data.get("level", 0)),
        period_px=_whole(data, "period_px", 0, MAX_SIDE_PX) if "period_px" in data else 0,
        lit=tuple(int(i) for i in data.get("lit", ())),
        offset_px=_whole(data, "offset_px", 0, 10**8) if "offset_px" in data else 0,
        surround_px=_whole(data, "surround_px", 0, 1000) if "surround_px" in data else 0,
        slits=slits,
    )


def _whole(data: dict[str, Any], key: str, low: int, high: int) -> int:
    value = data[key]
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{key} must be a whole number from {low} to {high}")
    return value


def _number(data: dict[str, Any], key: str, low: float, high: float) -> float:
    value = data[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise ValueError(f"{key} must be a number from {low} to {high}")
    return float(value)


def _code(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 255:
        raise ValueError("a level must be a whole number from 0 to 255")
    return value


def common_loop(*periods: int) -> int:
    """Return the least common multiple of the periods."""
    return math.lcm(*periods)
