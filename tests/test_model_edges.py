"""Blurred edges against closed forms, published tables and straight sums over time."""

import csv
from pathlib import Path

import numpy as np
import pytest

from blurscope.shapes import bank, emission, steps
from blurscope.shapes.blurred import BlurredEdge, instant_tail

HOLD = 1000 / 60
TABLE = Path(__file__).parent / "data" / "closed_form_figures.csv"
FAMILIES = {
    "instant": lambda response, hold: steps.instant_step(),
    "exponential": lambda response, hold: steps.exponential(response),
    "erf": lambda response, hold: steps.gaussian(response),
    "linear ramp": lambda response, hold: steps.linear_ramp(response),
    "raised cosine": lambda response, hold: steps.raised_cosine(response),
    "delayed two-stage": lambda response, hold: steps.two_stage(response, hold),
    "overshoot": lambda response, hold: steps.overshooting(response),
}


def table_rows() -> list[dict[str, str]]:
    with TABLE.open() as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


@pytest.mark.parametrize("family", FAMILIES)
def test_every_row_of_the_closed_form_table(family):
    # Source: closed forms I(t) - I(t - T) checked against adaptive quadrature at 1e-11; more than eight digits agree.
    rows = [r for r in table_rows() if r["response"] == family]
    assert len(rows) == (4 if family == "instant" else 16)
    for row in rows:
        hold, response = float(row["T_ms"]), float(row["tr_ms"])
        edge = BlurredEdge(step=FAMILIES[family](response, hold), hold=hold)
        found = edge.figures()
        got = {"BET": found.bet, "EBET": found.ebet, "GET": found.get, "t10": found.t10, "t50": found.t50}
        for percent in (10, 5, 2):
            tail = instant_tail(hold, settle_band=percent / 100)
            got[f"ghost_length{percent}"] = edge.settle(percent / 100) - found.t10 - tail
        for name, value in got.items():
            assert value == pytest.approx(float(row[name]), rel=1e-9, abs=1e-9), (name, row)


def test_blurred_overshoot_peaks():
    # Source: physics notes, section 3, "blurred overshoot peak"; the step itself peaks at 1/9 [derived].
    expected = {(60, 1): 0.01576568772, (60, 21): 0.1066730332, (120, 6): 0.0988689671, (240, 33): 0.1109925098}
    for (rate, response), peak in expected.items():
        edge = BlurredEdge(step=steps.overshooting(response), hold=1000 / rate)
        assert edge.excursions()[0] == pytest.approx(peak, abs=2e-10)
    assert steps.overshoot_share(steps.overshooting(6)) == pytest.approx(1 / 9, abs=1e-9)
    assert steps.rise_ms(steps.overshooting(6)) == pytest.approx(0.533491287353 * 6, rel=1e-9)


def test_strobe_gives_copies_at_the_published_levels():
    # Source: physics notes, section 2: 10 % flash at the end of a 60 Hz refresh, exponential of 21 ms.
    edge = BlurredEdge(step=steps.exponential(21), hold=HOLD, emission=emission.strobe(0.1))
    assert edge.esf(HOLD * np.arange(1, 5)) == pytest.approx([0.8089788, 0.96660002, 0.99416003, 0.99897888], abs=1e-8)
    # Between flashes the edge does not move at all.
    flat = edge.esf(np.linspace(1.01 * HOLD, 1.89 * HOLD, 7))
    assert np.ptp(flat) < 1e-12


def test_strobe_of_an_instant_pixel_is_a_shorter_hold():
    for duty in (0.1, 0.25, 0.5):
        found = BlurredEdge(step=steps.instant_step(), hold=HOLD, emission=emission.strobe(duty)).figures()
        assert found.bet == pytest.approx(0.8 * duty * HOLD, abs=1e-9)
        assert found.ghost == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("whole", "part", "smallest", "largest"),
    [(1, 0.5, 0.7, 0.85), (2, 0.5, 0.75, 0.8333333333), (4, 0.1, 0.795, 0.82), (4, 0.25, 0.7875, 0.83),
     (4, 0.5, 0.775, 0.82), (8, 0.5, 0.7875, 0.8111111111)],
)  # fmt: skip
def test_part_refreshes_move_the_width_as_tabulated(whole, part, smallest, largest):
    # Source: physics notes, section 2, table of non-integer exposures of an instant pixel.
    widths = []
    for phase in np.linspace(0, 1, 41)[:-1]:
        seen = emission.exposed(emission.HOLD, whole + part, phase)
        edge = BlurredEdge(step=steps.instant_step(), hold=1.0, emission=seen)
        widths.append(edge.crossing(0.9) - edge.crossing(0.1))
    assert min(widths) == pytest.approx(smallest, abs=1e-9)
    assert max(widths) == pytest.approx(largest, abs=1e-9)


@pytest.mark.parametrize(
    "lit", [emission.HOLD, emission.strobe(0.3, 0.55), emission.strobe(0.4, 0.8), emission.strobe(0.5, 0.1, flashes=3)]
)
def test_edge_is_the_mean_light_of_a_stepped_exposure(lit):
    """A second road: sum the light that a moving camera sees moment by moment, no integral of the step used."""
    step = steps.two_stage(9.0, 12.0)
    lag = np.linspace(-5, 90, 60)
    moments = (np.arange(6000) + 0.5) / 6000
    light = np.zeros_like(lag)
    for start, end, weight in lit.pieces:
        for part in moments[(moments >= start) & (moments < end)]:
            age = HOLD * (part + np.floor(lag / HOLD - part))
            light += weight * step.value(age)
    light /= 6000 * lit.mean_weight
    edge = BlurredEdge(step=step, hold=HOLD, emission=lit)
    assert edge.esf(lag) == pytest.approx(light, abs=4e-4)


def test_gaussian_edge_time_is_the_least_squares_fit():
    """A second road: fit the curve itself on a wide fine grid."""
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    edge = BlurredEdge(step=steps.exponential(9), hold=HOLD, emission=emission.strobe(0.6, 0.2))
    t = np.arange(-120, 250, 0.02)
    esf = edge.esf(t)
    fit = least_squares(lambda p: ndtr((t - p[0]) / p[1]) - esf, [10.0, 6.0], xtol=1e-14, ftol=1e-14)
    assert edge.gaussian_edge_time() == pytest.approx(
        2.563103131089201 * fit.x[1], rel=3e-6
    )  # the sum's own error at this spacing: 1.2e-6


def test_sampled_step_is_exact_between_its_samples():
    t = np.array([-3.0, 0.0, 1.0, 2.5, 7.0, 30.0])
    y = np.array([0.0, 0.02, 0.5, 1.2, 0.97, 1.0])
    step = steps.sampled_step(t, y)
    fine = np.linspace(-6, 45, 510_001)
    area = np.concatenate([[0.0], np.cumsum(0.5 * (step.value(fine)[1:] + step.value(fine)[:-1]) * np.diff(fine))])
    where = np.array([-4.0, -1.0, 0.4, 2.2, 5.0, 29.0, 31.0, 44.0])
    assert step.integral(where) == pytest.approx(np.interp(where, fine, area), abs=1e-6)
    edge = BlurredEdge(step=step, hold=4.0)
    dense = np.linspace(-4, 40, 200_001)
    curve = edge.esf(dense)
    found = edge.figures()
    assert found.t10 == pytest.approx(dense[np.argmax(curve >= 0.1)], abs=3e-4)
    assert found.t_settle == pytest.approx(dense[np.nonzero(np.abs(curve - 1) > 0.05)[0][-1]], abs=3e-4)
    assert found.overshoot == pytest.approx(curve.max() - 1, abs=1e-7)


def test_bank_agrees_with_the_exact_edge():
    several = [steps.instant_step(), steps.exponential(21), steps.raised_cosine(33), steps.overshooting(6)]
    for lit in (emission.HOLD, emission.strobe(0.3, 0.4)):
        tail = instant_tail(HOLD, lit)
        figures = bank.make_bank(several, HOLD, lit).figures(tail)
        for i, step in enumerate(several):
            exact = BlurredEdge(step=step, hold=HOLD, emission=lit).figures()
            assert figures["bet_ms"][i] == pytest.approx(exact.bet, abs=2e-3)
            assert figures["get_ms"][i] == pytest.approx(exact.get, abs=4e-3)
            assert figures["ghost_ms"][i] == pytest.approx(exact.ghost, abs=2e-3)
            assert figures["overshoot_pct"][i] == pytest.approx(100 * exact.overshoot, abs=2e-3)


def test_smears_of_a_hold():
    # Source: physics notes, section 2: 10-90 % widths of box * Gaussian and of box * box (16 px).
    edge = bank.make_bank([steps.instant_step()], HOLD)
    for width, expected in ((1, 13.3333349486), (3, 13.4218233769), (6, 14.2302604578), (10, 16.2353915409)):
        found = edge.smeared(bank.gaussian_transfer(width / 2.563103131089201)).figures(0.0)["bet_ms"][0]
        assert found == pytest.approx(expected, abs=5e-4)
    edge = bank.make_bank([steps.instant_step()], 16.0)
    for width, expected in ((3.2, 12.8), (4, 12.844582472), (8, 13.8807114875), (16, 17.689164944)):
        found = edge.smeared(bank.box_transfer(width)).figures(0.0)["bet_ms"][0]
        assert found == pytest.approx(expected, abs=5e-4)


def test_mean_and_variance_of_the_line_spread():
    # Centroid = centroid(s') + T/2, variance = var(s') + T^2/12 (physics notes, section 2) [derived].
    tau = 9.0 / np.log(9)
    edge = BlurredEdge(step=steps.exponential(9.0), hold=HOLD)
    t = np.linspace(0, 250, 500_001)
    lsf = edge.lsf(t)
    mass = lsf.sum()
    mean = (t * lsf).sum() / mass
    assert mean == pytest.approx(tau + HOLD / 2, abs=1e-3)
    assert ((t - mean) ** 2 * lsf).sum() / mass == pytest.approx(tau**2 + HOLD**2 / 12, rel=1e-4)


def test_free_pwm_is_hold_and_locked_pwm_is_not():
    assert emission.pwm(0.3, 217.0, 60.0) is emission.HOLD
    assert len(emission.pwm(0.3, 240.0, 60.0).pieces) == 4
    assert emission.strobe(1.0) is emission.HOLD


def test_time_scale_law():
    """Everything in time by two: every figure by two."""
    one = BlurredEdge(step=steps.overshooting(7.0), hold=10.0, emission=emission.strobe(0.5)).figures()
    two = BlurredEdge(step=steps.overshooting(7.0).scaled(2.0), hold=20.0, emission=emission.strobe(0.5)).figures()
    for name in ("bet", "get", "ghost", "t_settle"):
        assert getattr(two, name) == pytest.approx(2 * getattr(one, name), rel=1e-9)


def test_impossible_inputs_are_refused():
    with pytest.raises(ValueError, match="increasing"):
        steps.sampled_step(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.5, 1.0]))
    with pytest.raises(ValueError, match="hold"):
        BlurredEdge(step=steps.instant_step(), hold=0.0)
    with pytest.raises(ValueError, match="duty"):
        emission.strobe(0.0)
    with pytest.raises(ValueError, match="shorter than a refresh"):
        emission.exposed(emission.HOLD, 0.5)


@pytest.mark.parametrize("tail", [-0.25, 0.0, 0.3])
def test_streak_is_freed_of_its_slit(tail):
    """A curve seen through a 9 ms slit with 1 % noise gives back the pixel's own step."""
    from blurscope.model.streak import tailed, unblurred_streak

    rng = np.random.default_rng(20240618)
    true = tailed(14.0, tail)
    t = np.arange(-25, 160, 0.5)
    seen = (true.integral(t + 4.5) - true.integral(t - 4.5)) / 9.0 + 0.01 * rng.standard_normal(t.size)
    seen_step = unblurred_streak(steps.sampled_step(t, seen), 14.0, 1.0, HOLD)
    step, alternatives, noise = seen_step.step, seen_step.alternatives, seen_step.noise
    assert steps.rise_ms(step) == pytest.approx(14.0, rel=1e-6)
    assert noise == pytest.approx(0.01, rel=0.15)
    exact = BlurredEdge(step=true, hold=HOLD).figures()
    found = BlurredEdge(step=step, hold=HOLD).figures()
    assert found.bet == pytest.approx(exact.bet, rel=0.02)
    assert found.get == pytest.approx(exact.get, rel=0.02)
    raw = BlurredEdge(step=steps.sampled_step(t, seen), hold=HOLD).figures()
    assert abs(raw.get - exact.get) > 3 * abs(found.get - exact.get)  # taking the slit out matters
    assert len(alternatives) == 2


@pytest.mark.parametrize(("second", "stage_ms"), [(0.3, 2.0), (-0.14, 1.0), (0.2, 6.0)])
def test_a_streak_in_two_stages(second, stage_ms):
    """A drive that changes once more at the next refresh: neither a tail nor an S describes what it does to an edge."""
    from blurscope.model.streak import staged, staged_rise, unblurred_streak

    rng = np.random.default_rng(20240619)
    stage = steps.exponential(stage_ms)
    true = steps.weighted([(1 - second, 0.0, stage), (second, HOLD, stage)])
    rise = steps.rise_ms(true)
    assert staged_rise(stage_ms, second, HOLD) == pytest.approx(rise, rel=1e-6)
    assert steps.rise_ms(staged(stage_ms, second, HOLD)) == pytest.approx(rise, rel=1e-9)
    t = np.arange(-14, 150, 0.8)
    seen = (true.integral(t + 1.5) - true.integral(t - 1.5)) / 3.0 + 0.01 * rng.standard_normal(t.size)
    found = unblurred_streak(steps.sampled_step(t, seen), rise, 0.15 * rise, HOLD)
    exact = BlurredEdge(step=true, hold=HOLD).figures()
    for step in (found.step, *found.alternatives, *found.ends):
        figures = BlurredEdge(step=step, hold=HOLD).figures()
        assert figures.bet == pytest.approx(exact.bet, rel=0.1)
    figures = BlurredEdge(step=found.step, hold=HOLD).figures()
    assert figures.bet == pytest.approx(exact.bet, rel=0.02)
    assert figures.ghost == pytest.approx(exact.ghost, abs=0.02 * HOLD)
    assert figures.overshoot == pytest.approx(exact.overshoot, abs=0.015)


def test_a_streak_that_misses_the_step_is_left_out():
    """Between 8 and 27 ms nothing is seen, and a fifth of the step happens there: at once, or at the next refresh."""
    from blurscope.model import responses_of

    t = np.arange(-14, 150, 0.8)
    light = 1 - np.exp(-np.maximum(t, 0) / 5.0)
    whole = {"from_level": 0, "to_level": 255, "response_ms": {"value": 11.0, "u95": 1.0},
             "t_ms": t.tolist(), "light": light.tolist()}  # fmt: skip
    keep = (t < 8) | (t > 27)
    cut = whole | {"from_level": 255, "to_level": 0, "t_ms": t[keep].tolist(), "light": light[keep].tolist()}
    data = {"schema": "blurscope.measurement/1", "capture": {"refresh_hz": 60.0, "hold_ms": HOLD}, "edges": [],
            "streaks": [whole, cut]}  # fmt: skip
    found = responses_of(data, "m", streaks_only=True)
    assert [t.pair for t in found.transitions] == [(0, 255)]
