"""The simulated display: levels to light, pixel responses, scan-out, backlight and dropped refreshes."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from blurscope.camera.response import Response
from blurscope.errors import SettingsError
from blurscope.files import show_path
from blurscope.tables import find_level_columns, number_of, read_rows


@dataclass(frozen=True, slots=True, kw_only=True)
class LightLaw:
    """The display's own level-to-light law; light is relative luminance, white = 1, ``black`` included.

    Attributes
    ----------
    kind : str
        ``gamma`` (black + (1 - black) signal^gamma); ``srgb`` (IEC 61966-2-1 above the black);
        ``bt1886`` (ITU-R BT.1886 with this black); ``table`` (``table`` of (level, light), straight between).
    """

    kind: str = "gamma"
    gamma: float = 2.2
    black: float = 0.001
    table: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in ("gamma", "srgb", "bt1886", "table"):
            raise SettingsError(f"light law {self.kind!r:.40} is unknown; take gamma, srgb, bt1886 or table")
        if not (0 <= self.black < 0.5 and 0.5 <= self.gamma <= 5):
            raise SettingsError("the black must be 0-0.5 of white and the gamma 0.5-5")
        if self.kind == "table":
            levels = [a for a, _ in self.table]
            light = [b for _, b in self.table]
            if len(levels) < 2 or levels[0] > 0 or levels[-1] < 255 or min(np.diff(levels)) <= 0:
                raise SettingsError("a light table needs rising levels from 0 to 255")
            if min(np.diff(light)) <= 0 or light[0] < 0:
                raise SettingsError("a light table needs light that rises with the level")

    def light(self, level: np.ndarray | float) -> np.ndarray:
        """Return the light of levels (0-255, not necessarily whole)."""
        s = np.clip(np.asarray(level, float) / 255, 0, 1)
        if self.kind == "gamma":
            return self.black + (1 - self.black) * s**self.gamma
        if self.kind == "srgb":
            return self.black + (1 - self.black) * np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
        if self.kind == "bt1886":
            lw, lb = 1.0, self.black ** (1 / self.gamma)
            b = lb / (lw - lb)
            return (lw - lb) ** self.gamma * np.maximum(s + b, 0) ** self.gamma
        levels, light = np.array(self.table, float).T
        return np.interp(s * 255, levels, light / light[-1])

    def signal(self, light: np.ndarray | float) -> np.ndarray:
        """Return the signal (level / 255) that gives this light; below black 0, above white extrapolated."""
        y = np.asarray(light, float)
        if self.kind == "gamma":
            return np.maximum((y - self.black) / (1 - self.black), 0) ** (1 / self.gamma)
        if self.kind == "srgb":
            v = np.maximum((y - self.black) / (1 - self.black), 0)
            return np.where(v <= 0.04045 / 12.92, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)
        if self.kind == "bt1886":
            lb = self.black ** (1 / self.gamma)
            return np.maximum(np.maximum(y, 0) ** (1 / self.gamma) / (1 - lb) - lb / (1 - lb), 0)
        levels, table = np.array(self.table, float).T
        table = table / table[-1]
        slope = (levels[-1] - levels[-2]) / (table[-1] - table[-2])
        inside = np.interp(y, table, levels)
        return np.where(y > 1, 255 + (y - 1) * slope, inside) / 255


def read_light_table(path: str | os.PathLike[str]) -> tuple[tuple[float, float], ...]:
    """Read a table of light against level: CSV with the columns ``level,light``."""
    rows = read_rows(path)
    columns = find_level_columns(rows[0])
    try:
        if columns is None:
            raise ValueError("no such columns")
        return tuple(sorted((number_of(r[columns[0]]), number_of(r[columns[1]])) for r in rows[1:]))
    except (ValueError, IndexError):
        raise SettingsError(
            f"{show_path(path)} is not a table with the columns level,light; check --light-table"
        ) from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlight:
    """When the panel emits; the mean over time is always 1.

    Attributes
    ----------
    kind : str
        ``hold``; ``strobe`` (one flash per refresh, starting ``phase_refreshes`` after the first row's switch and
        ``duty`` of a refresh long); ``pwm`` (``frequency_hz``, ``duty``, off-light ``1 - depth`` of the on-light).
    locked : bool
        PWM only: the frequency is rounded to a whole multiple of the refresh rate and starts with it.
    follows_scan : bool
        The emission of a row is late by the row's own switch delay (else it is one for the whole screen).
    """

    kind: str = "hold"
    duty: float = 0.25
    phase_refreshes: float = 0.0
    frequency_hz: float = 240.0
    depth: float = 1.0
    locked: bool = False
    follows_scan: bool = False

    def __post_init__(self) -> None:
        if self.kind not in ("hold", "strobe", "pwm"):
            raise SettingsError(f"backlight {self.kind!r:.40} is unknown; take hold, strobe or pwm")
        if not (0 < self.duty <= 1 and 0 <= self.depth <= 1 and 0 < self.frequency_hz < 1e7):
            raise SettingsError("a backlight needs a duty above 0 up to 1, a depth of 0-1 and a frequency above 0")
        if not abs(self.phase_refreshes) <= 1e6:
            raise SettingsError("the backlight's phase must be a number of refreshes")

    def period_refreshes(self, refresh_hz: float) -> float:
        """Return the period of the emission in refreshes."""
        if self.kind != "pwm":
            return 1.0
        ratio = self.frequency_hz / refresh_hz
        return 1 / max(round(ratio), 1) if self.locked else 1 / ratio

    def levels(self) -> tuple[float, float]:
        """Return the emission while on and while off."""
        if self.kind == "hold":
            return 1.0, 1.0
        low = 0.0 if self.kind == "strobe" else 1 - self.depth
        on = 1 / (self.duty + (1 - self.duty) * low)
        return on, on * low

    def steady(self) -> bool:
        """Return whether the emission is constant."""
        on, off = self.levels()
        return self.duty >= 1 or math.isclose(on, off)

    def total(self, t: np.ndarray, refresh_hz: float) -> np.ndarray:
        """Return the integral of the emission from time 0 to ``t`` (refreshes), exactly."""
        t = np.asarray(t, float)
        if self.steady():
            return t.copy()
        period = self.period_refreshes(refresh_hz)
        on, off = self.levels()
        cycles = (t - self.phase_refreshes) / period
        whole = np.floor(cycles)
        part = np.minimum(cycles - whole, self.duty)
        lit = (whole * self.duty + part) * period
        return lit * (on - off) + off * t

    def breaks(self, start: float, end: float, refresh_hz: float) -> np.ndarray:
        """Return the times (refreshes) between ``start`` and ``end`` at which the emission jumps."""
        if self.steady():
            return np.empty(0)
        period = self.period_refreshes(refresh_hz)
        first = math.floor((start - self.phase_refreshes) / period) - 1
        last = math.ceil((end - self.phase_refreshes) / period) + 1
        ons = self.phase_refreshes + period * np.arange(first, last + 1)
        both = np.sort(np.concatenate([ons, ons + self.duty * period]))
        return both[(both > start) & (both < end)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """A display under test.

    Attributes
    ----------
    label : str
    law : LightLaw
    response : Response
        Of every transition that ``transitions`` doesn't name.
    transitions : mapping of (from_level, to_level) to Response
    unit : str or None
        Name of an invented unit in `blurscope.camera.units`, whose description gives each transition's response.
    scan_out_refreshes : float
        From the first row's switch to the last row's, extrapolated to the full screen, -1 to 1; positive when lower
        rows (``scan_axis="rows"``) or columns further right (``"columns"``) switch later.
    backlight : Backlight
    stripes : str
        ``none``, ``rgb`` or ``bgr``: sub-pixel stripes shift the colours by a third of a px along the rows.
    dropped, doubled : tuple of int
        Refreshes counted from the one in which the exposure starts: at a *dropped* one the update is missed (the
        picture before it stays, the next one comes in time); a *doubled* one is shown twice and all later ones
        come one refresh late.
    refresh_hz : float or None
        ``None`` takes the pattern's.
    """

    label: str = "simulated"
    law: LightLaw = field(default_factory=LightLaw)
    response: Response = field(default_factory=Response)
    transitions: Mapping[tuple[int, int], Response] = field(default_factory=dict)
    unit: str | None = None
    scan_out_refreshes: float = 0.0
    scan_axis: str = "rows"
    backlight: Backlight = field(default_factory=Backlight)
    stripes: str = "none"
    dropped: tuple[int, ...] = ()
    doubled: tuple[int, ...] = ()
    refresh_hz: float | None = None

    def __post_init__(self) -> None:
        if not -1 <= self.scan_out_refreshes <= 1:
            raise SettingsError("the scan-out must be -1 to 1 refreshes")
        if self.scan_axis not in ("rows", "columns"):
            raise SettingsError("the scan axis is rows or columns")
        if self.refresh_hz is not None and not 1 <= self.refresh_hz <= 2000:
            raise SettingsError(f"a refresh rate of {self.refresh_hz:g} Hz is outside 1 to 2000")
        if self.unit is not None:
            from blurscope.camera.units import unit_response

            unit_response(self.unit, 0, 255)
        if self.stripes not in ("none", "rgb", "bgr"):
            raise SettingsError("stripes are none, rgb or bgr")

    def response_for(self, from_level: int, to_level: int) -> Response:
        """Return the response of a transition."""
        found = self.transitions.get((from_level, to_level))
        if found is not None:
            return self._within_light(found, from_level, to_level)
        if self.unit is not None:
            from blurscope.camera.units import unit_response

            return self._within_light(unit_response(self.unit, from_level, to_level), from_level, to_level)
        return self._within_light(self.response, from_level, to_level)

    def _within_light(self, response: Response, from_level: int, to_level: int) -> Response:
        """Cut an overshoot that would need less than no light."""
        if response.overshoot_pct == 0 or to_level >= from_level:
            return response
        start, end = (float(self.law.light(x)) for x in (from_level, to_level))
        room_pct = 95 * end / max(start - end, 1e-12)
        if response.overshoot_pct <= room_pct:
            return response
        from dataclasses import replace

        return replace(response, overshoot_pct=math.floor(room_pct * 100) / 100)

    def delay(self, position: np.ndarray, size: int) -> np.ndarray:
        """Return the switch delay in refreshes (0 or later) of rows or columns ``position`` of ``size``."""
        share = (np.asarray(position, float) + 0.5) / size
        scan = self.scan_out_refreshes
        return scan * share if scan >= 0 else -scan * (1 - share)

    def shown(self, refresh: int) -> int:
        """Return the frame shown at a refresh, both counted from the one in which the exposure starts."""
        late = sum(1 for d in self.doubled if refresh > d)
        frame = refresh - late
        while frame in self.dropped:
            frame -= 1
        return frame
