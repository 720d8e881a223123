"""From the instances of every transition to one profile each: averages, grouped samples, operators."""

from __future__ import annotations

import numpy as np

from blurscope.blur.operator import EMISSION_STEPS, capture_operator
from blurscope.blur.profiles import Profiles
from blurscope.coder import coded_variance

PHASE_STEPS = 16
FLASH_STEPS = 32  # per refresh
OFF_STEPS = 10  # per px of smear by tracking
BLUR_STEP_PX = 0.04
MODEL_FLOOR = 8e-4  # what flat field, JPEG and model leave of a profile at best, share of the step
CODER_SHARE = 0.25  # of the step of a JPEG's coder: what it leaves of slow changes within its blocks
PLATEAU_GAIN, PLATEAU_FLARE = 0.004, 0.001  # doubt of the flat field and of stray light between stripes and bands


def lag_groups(lag_px: np.ndarray, px_per_refresh: float) -> np.ndarray:
    """Return the first sample of each group: narrow ones around the edge, wider ones on plateaus and tail."""
    step = float(lag_px[1] - lag_px[0])
    places = (lag_px / px_per_refresh).tolist()
    starts, i = [], 0
    while i < len(places):
        starts.append(i)
        place = places[i]
        width = 1 / 20 if -0.4 < place < 2.0 else 1 / 10 if -1.0 < place < 4.0 else 1 / 4
        i += max(1, round(width * px_per_refresh / step))
    return np.array(starts)


def pool_instances(edges, pairs, layout, tone, capture, ages, motion, shift, cells=None, coded=None):
    """Average the instances of each transition, group the samples, and build the operators.

    Parameters
    ----------
    edges : EdgeProfiles
    pairs : list of (from, to)
    layout : Layout
    tone : Tone
    capture : Capture
    ages : (k + 1,) float
    motion : Motion or None
    shift : float
        ``x_screen = u + shift`` at the middle of the exposure.
    cells : (n, k) float, optional
        Responses found, by which instances that the shutter saw at other moments differ.
    coded : (n, g) float, optional
        See `coded_variances`.

    Returns
    -------
    profiles : Profiles
    instances : (n,) int
    spread : (n,) float
        Scatter of the instances over what their noise explains.
    groups : list of (g,) int
        Which edges make up each transition.
    """
    groups = _instances(edges, pairs)
    starts = lag_groups(edges.lag_px, layout.px_per_refresh)
    size = np.diff(np.append(starts, len(edges.lag_px)))
    n, m = len(pairs), len(starts)
    esf, sigma = np.empty((n, m)), np.empty((n, m))
    spread, share, floor = np.zeros(n), np.zeros(n), np.full(n, MODEL_FLOOR)
    lag = edges.lag_px
    operators, mixed = _operators(edges, layout, capture, ages, motion, shift, lag, starts)
    stack = operators[0] if not mixed else np.empty((n, m, len(ages) - 1))
    grouped = np.add.reduceat(edges.esf, starts, axis=1) / size
    by_coder = np.zeros((n, m)) if coded is None else coded
    for i, g in enumerate(groups):
        if mixed:
            own = np.array([operators[mixed[k]] for k in g])
        var_from = edges.sigma_from[g] ** 2
        var_to = edges.sigma_to[g] ** 2
        w = 1 / (var_from + var_to)
        w = w / w.sum()
        esf[i] = w @ grouped[g]
        x = esf[i].clip(0, 1)
        noise = ((w**2 @ var_from) * (1 - x) + (w**2 @ var_to) * x) / size
        own_coder = by_coder[i] * (w @ w)
        sigma[i] = np.sqrt(noise + own_coder + MODEL_FLOOR**2)
        share[i] = (own_coder / sigma[i] ** 2).mean()
        if len(g) > 1:
            res = grouped[g] - esf[i]
            if mixed and cells is not None:
                seen = own @ cells[i]
                res = res - (seen - w @ seen)
            expect = (var_from[:, None] * (1 - x) + var_to[:, None] * x) * (1 - w)[:, None] / size
            expect = expect + by_coder[i] * (1 - w)[:, None]
            expect = expect + MODEL_FLOOR**2  # where there is hardly any noise, the model is what differs
            spread[i] = float(np.sqrt(np.mean(res**2 / expect) / edges.correlation))
            if not mixed:  # instances that disagree know less than they claim (Birge ratio)
                doubt = min(max(spread[i], 1.0), 10.0)
                sigma[i] *= doubt
                floor[i] *= doubt
        if mixed:
            stack[i] = np.tensordot(w, own, 1)
    profiles = Profiles(
        lag_px=np.add.reduceat(lag, starts) / size,
        esf=esf,
        sigma=sigma,
        operator=stack,
        ages=ages,
        correlation=edges.correlation,
        length=float(layout.field_refreshes + 2),
        levels=_known_levels(edges, pairs, groups, tone),
        floor=floor,
        coder=_coder_share(pairs, tone),
        coded=share,
    )
    return profiles, np.array([len(g) for g in groups]), spread, groups


def _instances(edges, pairs) -> list[np.ndarray]:
    """Return which edges make up each transition."""
    return [np.nonzero((edges.from_level == a) & (edges.to_level == b))[0] for a, b in pairs]


def _light_of(pairs, tone) -> np.ndarray:
    """Return the light of both levels of each transition as the photo shows it, (pairs, 2)."""
    return float(np.exp(tone.flat[0])) * tone.law(np.array(pairs, float))


def _coder_share(pairs, tone) -> np.ndarray:
    """Return what the coder of a JPEG may have changed the light of each transition by, share of its step."""
    if tone.coder_steps is None:
        return np.zeros(len(pairs))
    light = _light_of(pairs, tone)
    code = np.interp(light, tone.decode, np.linspace(0, 255, len(tone.decode)))
    return CODER_SHARE * tone.coder_steps[0] / 8 / np.maximum(np.abs(np.diff(code)[:, 0]), 1.0)


def coded_variances(edges, pairs, layout, tone) -> np.ndarray | None:
    """Return the variance of one instance's grouped samples by the coder of a JPEG, as correlated as their noise is.

    (pairs, groups) in shares of the step; None without a coder. Parameters are those of `pool_instances`.
    """
    if tone.coder_steps is None or not len(edges.esf):
        return None
    starts = lag_groups(edges.lag_px, layout.px_per_refresh)
    groups = _instances(edges, pairs)
    esf = np.array([edges.esf[g].mean(axis=0) for g in groups])
    light = _light_of(pairs, tone)
    per_code = np.interp(light.mean(axis=1), tone.decode, np.gradient(tone.decode.astype(float)))
    sigma = np.array([np.hypot(edges.sigma_from[g], edges.sigma_to[g]).mean() for g in groups]) / np.sqrt(2)
    noise = sigma * np.sqrt(edges.rows * edges.samples_per_bin) * np.abs(np.diff(light)[:, 0]) / per_code
    lag = edges.lag_px * float(edges.campx_per_px.mean())
    variance, correlation = coded_variance(esf, lag, starts, light, tone.decode, tone.coder_steps, noise)
    return variance * correlation / edges.correlation


def _known_levels(edges, pairs, groups, tone) -> np.ndarray:
    """Where the static greys put the plateaus of each transition, in units of its normalised profile."""
    white = float(np.exp(tone.flat[0]))
    out = np.empty((len(pairs), 4))
    laws = _light_of(pairs, tone)
    counts = np.array([len(g) for g in groups])
    every = np.concatenate(groups)
    away = np.repeat(laws, counts, axis=0) - edges.from_light[every, None]
    firsts = np.cumsum(counts) - counts
    out[:, :2] = np.add.reduceat(away / edges.step_light[every, None], firsts) / counts[:, None]
    doubt = (PLATEAU_GAIN * laws.sum(axis=1) + PLATEAU_FLARE * white) / np.abs(laws[:, 1] - laws[:, 0])
    out[:, 2:] = doubt[:, None]
    return out


def _operators(edges, layout, capture, ages, motion, shift, lag, starts):
    """Return the operators needed and, unless one serves all, which one each edge takes."""
    if motion is None or not capture.phase_known:
        return [capture_operator(lag, ages, capture, starts)], []
    x = edges.u_px + shift
    late = motion.delay_at(x, edges.v_row, layout)
    opening = motion.start_at(x, edges.v_row, layout)
    phase = opening - late
    late = late - late.mean()
    off = motion.error_at(x, edges.v_row, layout)
    phase_key = np.round((phase % 1.0) * PHASE_STEPS).astype(int) % PHASE_STEPS
    late_key = np.round(late * 40).astype(int)
    off_key = np.round(off * capture.exposure_refreshes * OFF_STEPS).astype(int)
    blur = np.sqrt(np.maximum(capture.blur_sigma_px**2 + edges.extra_px2, 0.01))
    blur_key = np.round(blur / BLUR_STEP_PX).astype(int)
    flash = motion.flash_at(x, edges.v_row, layout) * bool(capture.emission)
    # a lamp that runs freely isn't alike from refresh to refresh
    whole = np.floor(phase) if len(capture.emission) > EMISSION_STEPS else np.zeros(len(phase))
    flash_key = np.round((flash - whole) * FLASH_STEPS).astype(int)
    keys = list(zip(*(k.tolist() for k in (phase_key, late_key, off_key, blur_key, flash_key)), strict=True))
    distinct = sorted(set(keys))
    made = []
    for key in distinct:
        mine = [i for i, k in enumerate(keys) if k == key]
        turn = np.angle(np.mean(np.exp(2j * np.pi * phase[mine]))) / (2 * np.pi) % 1.0
        offset = float(late[mine].mean()) * layout.px_per_refresh
        error = capture.error_px_per_refresh + float(off[mine].mean())
        sigma = float(np.sqrt(np.mean(blur[mine] ** 2)))
        start = float(turn + np.round(np.mean(phase[mine]) - turn))
        seen = capture.opened(start, float(np.mean(flash[mine])))
        seen = seen.changed(error_px_per_refresh=error, blur_sigma_px=sigma)
        made.append(capture_operator(lag - offset, ages, seen, starts))
    if len(made) == 1 or max(float(np.abs((a - made[0]).cumsum(axis=1)).max()) for a in made[1:]) < 5e-4:
        return made[:1], []
    index = {k: i for i, k in enumerate(distinct)}
    return made, [index[k] for k in keys]
