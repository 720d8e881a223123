"""The truth of the simulator against published tables and closed forms (physics notes, sections 2 to 4)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from blurscope.camera import Backlight, Display, LightLaw, Response
from blurscope.camera.figures import Blurred, blur_figures, response_figures
from blurscope.camera.truth import transition_truth
from blurscope.camera.units import UNITS, unit_response

HOLD = Backlight()
# Own 10-90 % time over tau ln 9 of the step 1 - 1.5 exp(-t/tau) + 0.5 exp(-t/3 tau) (physics.md, section 3)
OVERSHOOT_OWN = 0.533491287353


def shape_of(name: str, tr_ms: float, hold_ms: float) -> Response:
    return {
        "instant": Response(shape="instant"),
        "exponential": Response(shape="exponential", time_ms=tr_ms),
        "erf": Response(shape="gaussian", time_ms=tr_ms),
        "linear ramp": Response(shape="ramp", time_ms=tr_ms),
        "raised cosine": Response(shape="s-shaped", time_ms=tr_ms),
        "delayed two-stage": Response(shape="two-stage", time_ms=tr_ms, second_delay_ms=hold_ms),
        "overshoot": Response(shape="overdriven", time_ms=OVERSHOOT_OWN * tr_ms, overshoot_pct=100 / 9, tail_ratio=3.0),
    }[name]


# Lines of physics_tables.csv: response, refresh, tr, BET, EBET, GET, ghost_length5 (closed forms, checked there against
# adaptive quadrature at 1e-11)
TABLE = [
    ("instant", 60, 0.0, 13.3333333333, 16.6666666667, 13.6623468806, 0),
    ("instant", 120, 0.0, 6.66666666667, 8.33333333333, 6.83117344031, 0),
    ("instant", 144, 0.0, 5.55555555556, 6.94444444444, 5.69264453359, 0),
    ("instant", 240, 0.0, 3.33333333333, 4.16666666667, 3.41558672015, 0),
    ("exponential", 60, 1.0, 13.3376741261, 16.6720926577, 13.6979244828, 0.00434079280422),
    ("exponential", 60, 6.0, 14.318294909, 17.8978686363, 14.8723407207, 2.04441750307),
    ("exponential", 60, 33.0, 36.0010938761, 45.0013673451, 33.3824027035, 32.2447681433),
    ("exponential", 120, 1.0, 6.69523535276, 8.36904419095, 6.90223674151, 0.0302908515202),
    ("exponential", 120, 6.0, 8.99092780496, 11.2386597562, 8.90549756918, 3.80038373234),
    ("exponential", 120, 33.0, 33.6441818119, 42.0552272649, 31.0538326329, 36.9711894125),
    ("erf", 60, 1.0, 13.3333349486, 16.6666686857, 13.6885331285, 0.00232311375777),
    ("erf", 60, 6.0, 14.2302604578, 17.7878255723, 14.6449139872, 1.49031298439),
    ("erf", 60, 33.0, 35.2653214228, 44.0816517785, 35.2708872512, 26.0767556689),
    ("erf", 120, 1.0, 6.67131127893, 8.33913909866, 6.88381046734, 0.0359766769682),
    ("erf", 120, 6.0, 8.750042742, 10.9375534275, 8.81744432564, 2.78490069762),
    ("erf", 120, 33.0, 33.5736953732, 41.9671192165, 33.5739991111, 31.2478490146),
    ("linear ramp", 60, 1.0, 13.3333333333, 16.6666666667, 13.6847468859, -3.5527136788e-15),
    ("linear ramp", 60, 6.0, 14.1666666667, 17.7083333333, 14.5113819065, 1.46446609407),
    ("linear ramp", 60, 33.0, 34.4645878675, 43.0807348344, 35.4935754569, 23.7323986246),
    ("linear ramp", 120, 1.0, 6.66666666667, 8.33333333333, 6.87620663335, 0.021045940507),
    ("linear ramp", 120, 6.0, 8.76226552147, 10.9528319018, 8.64750606816, 2.71446609407),
    ("linear ramp", 120, 33.0, 33.0002093816, 41.2502617269, 34.2208611503, 28.3454183243),
    ("raised cosine", 60, 1.0, 13.3333333333, 16.6666666667, 13.6857243591, 7.28130423511e-07),
    ("raised cosine", 60, 6.0, 14.1692959341, 17.7116199176, 14.54582015, 1.43660159393),
    ("raised cosine", 60, 33.0, 34.8445429151, 43.5556786439, 35.1670143335, 24.6834859101),
    ("raised cosine", 120, 1.0, 6.66666812293, 8.33333515366, 6.87816861439, 0.0263308026751),
    ("raised cosine", 120, 6.0, 8.70390725376, 10.8798840672, 8.68680588653, 2.68819305967),
    ("raised cosine", 120, 33.0, 33.4400690269, 41.8000862837, 33.6981087853, 29.906367183),
    ("delayed two-stage", 60, 1.0, 25.3977221663, 31.7471527079, 24.2222407104, 14.0088332774),
    ("delayed two-stage", 60, 6.0, 25.9249295438, 32.4061619298, 25.1544268454, 14.521642719),
    ("delayed two-stage", 60, 33.0, 41.500784937, 51.8759811712, 40.3513699221, 37.7444592043),
    ("delayed two-stage", 120, 1.0, 12.7109983371, 15.8887479214, 12.1518375467, 7.01655283001),
    ("delayed two-stage", 120, 6.0, 13.7571002981, 17.1963753727, 13.7816678536, 8.56655622552),
    ("delayed two-stage", 120, 33.0, 35.5540870688, 44.442608836, 33.1073759331, 38.8810946694),
    ("overshoot", 60, 1.0, 13.1671820144, 16.4589775179, 13.465746406, -0.166156600474),
    ("overshoot", 60, 6.0, 12.4319704009, 15.5399630011, 12.2896739508, 10.6093277503),
    ("overshoot", 60, 33.0, 21.4322242806, 26.7902803508, 20.8390218376, 90.0317214461),
    ("overshoot", 120, 1.0, 6.42351401606, 8.02939252007, 6.52381763053, -0.243888864824),
    ("overshoot", 120, 6.0, 6.67748553206, 8.34685691507, 6.62218807712, 13.8449135809),
    ("overshoot", 120, 33.0, 18.6109588337, 23.2636985422, 18.2357002663, 94.8429473692),
]


@pytest.mark.parametrize(("name", "hz", "tr_ms", "bet", "ebet", "get", "ghost"), TABLE)
def test_figures_of_the_table(name, hz, tr_ms, bet, ebet, get, ghost):
    hold = 1000 / hz
    figures = blur_figures(shape_of(name, tr_ms, hold), hold, HOLD, hz, 0.0)
    tight = 2e-6 if name == "erf" else 1e-9  # the causal Gaussian starts 4.5 sigma late and cut off there
    assert figures["bet_ms"] == pytest.approx(bet, rel=tight)
    assert figures["ebet_ms"] == pytest.approx(ebet, rel=tight)
    assert figures["get_ms"] == pytest.approx(get, rel=5e-6)
    assert figures["ghost_ms"] == pytest.approx(ghost, rel=tight, abs=1e-5 if name == "erf" else 1e-9)


# Peak of the blurred overshoot, fraction of the step, physics.md section 3
@pytest.mark.parametrize(
    ("hz", "tr_ms", "peak"),
    [(60, 1, 0.01576568772), (60, 6, 0.07674857147), (60, 33, 0.1092540254), (120, 6, 0.0988689671)],
)
def test_overshoot_is_averaged_by_the_hold(hz, tr_ms, peak):
    response = shape_of("overshoot", tr_ms, 1000 / hz)
    assert blur_figures(response, 1000 / hz, HOLD, hz, 0.0)["overshoot_pct"] == pytest.approx(100 * peak, rel=1e-7)
    own = response_figures(response, 0.2, 0.7, LightLaw())
    assert own["response_overshoot_pct"] == pytest.approx(100 / 9, rel=1e-7)
    assert own["response_ms"] == pytest.approx(OVERSHOOT_OWN * tr_ms, rel=1e-9)


# Whole two-stage step at 60 Hz, physics.md section 3
@pytest.mark.parametrize(("tr_ms", "whole"), [(1, 17.0965096689), (6, 19.2599299617), (33, 39.4201602793)])
def test_two_stage_response_is_longer_than_its_stages(tr_ms, whole):
    own = response_figures(shape_of("delayed two-stage", tr_ms, 1000 / 60), 0.1, 0.9, LightLaw())
    assert own["response_ms"] == pytest.approx(whole, rel=1e-9)


# Signal 10-90 % over tau by a plain power of 2.2, physics.md section 4
@pytest.mark.parametrize(
    ("a", "b", "signal_over_tau"),
    [
        (0, 128, 1.56923930367),
        (128, 0, 4.83389407014),
        (128, 255, 1.92630630375),
        (255, 128, 2.58582728238),
        (64, 192, 1.81727030662),
        (200, 220, 2.15264020925),
        (220, 200, 2.24413298123),
    ],
)
def test_signal_domain_by_a_plain_power(a, b, signal_over_tau):
    law = LightLaw(gamma=2.2, black=0.0)
    tau = 5.0
    own = response_figures(Response(time_ms=tau * math.log(9)), float(law.light(a)), float(law.light(b)), law)
    assert own["response_signal_ms"] == pytest.approx(tau * signal_over_tau, rel=1e-9)
    assert own["response_ms"] == pytest.approx(tau * math.log(9), rel=1e-9)


def test_signal_domain_takes_the_laws_own_black():
    """An exponential 6 ms fall from 128 to 0 is 13.2 ms by the law with its black of 1/1000 (design notes, 2)."""
    law = LightLaw(gamma=2.2, black=0.001)
    own = response_figures(Response(time_ms=6.0), float(law.light(128)), float(law.light(0)), law)
    assert own["response_signal_ms"] == pytest.approx(13.2, abs=0.01)


@pytest.mark.parametrize(
    ("response", "scale"),
    [(Response(shape=s, time_ms=7.0), 7.0) for s in ("exponential", "ramp", "s-shaped", "gaussian", "cascade")]
    + [
        (Response(shape="overdriven", time_ms=7.0, overshoot_pct=8, tail_ratio=1.5), 7.0),
        (Response(shape="boosted", time_ms=20.0, overshoot_pct=8), 20.0),
        (Response(shape="two-stage", time_ms=7.0, delay_ms=2.0), 7.0),
        (Response(shape="instant", delay_ms=3.0), 1.0),
    ],
    ids=lambda x: x.shape if isinstance(x, Response) else "",
)
def test_integral_is_the_integral_of_the_step(response, scale):
    kinks = sorted({d for _, _, d, _ in response.parts()} | {d + s for _, _, d, s in response.parts()})
    for t in (0.3 * scale, 1.1 * scale, 6 * scale):
        parts = [0.0, *[k for k in kinks if 0 < k < t], t]
        steps = zip(parts, parts[1:], strict=False)
        expected = sum(quad(lambda x: float(response.value(x)), a, b, epsabs=1e-12)[0] for a, b in steps)
        assert float(response.integral(t)) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    end = response.settle_ms(1e-5)
    assert np.abs(response.value(end + np.linspace(0, 3 * end + 1, 200)) - 1).max() < 1.2e-5
    assert float(response.value(-0.1)) == 0


def test_times_and_overshoots_are_those_asked_for():
    for shape in ("exponential", "ramp", "s-shaped", "gaussian", "cascade", "overdriven"):
        response = Response(shape=shape, time_ms=9.0, overshoot_pct=6.0)
        own = response_figures(response, 0.1, 0.8, LightLaw())
        assert own["response_ms"] == pytest.approx(9.0, rel=1e-6), shape
        assert own["response_overshoot_pct"] == pytest.approx(6.0 if shape == "overdriven" else 0.0, abs=1e-6)
    boosted = Response(shape="boosted", time_ms=20.0, overshoot_pct=6.0, second_delay_ms=10.0)
    assert float(boosted.value(10.0)) == pytest.approx(1.06, rel=1e-12)
    assert response_figures(boosted, 0.1, 0.8, LightLaw())["response_overshoot_pct"] == pytest.approx(6.0, rel=1e-6)


def test_strobe_gives_a_staircase():
    """Flash levels of a 21 ms panel, duty 10 % at the end of the refresh (physics.md, section 2)."""
    hold = 1000 / 60
    strobe = Backlight(kind="strobe", duty=0.1, phase_refreshes=0.9)
    esf = Blurred(Response(time_ms=21.0), hold, strobe, 60.0)
    levels = esf(hold * (np.arange(4) + 1.5))
    assert levels == pytest.approx([0.8089788, 0.96660002, 0.99416003, 0.99897888], abs=1e-8)


def test_instant_panel_under_a_strobe_smears_by_its_duty():
    """BEW = 0.8 v p with p = duty T (physics.md, section 2); its ghost length is 0 by definition."""
    for duty in (0.1, 0.25, 0.5):
        figures = blur_figures(
            Response(shape="instant"), 10.0, Backlight(kind="strobe", duty=duty, phase_refreshes=0.3), 100.0, 0.0
        )
        assert figures["bet_ms"] == pytest.approx(0.8 * duty * 10, rel=1e-9)
        assert figures["ghost_ms"] == pytest.approx(0, abs=1e-9)


def test_full_duty_and_unlocked_pwm_are_plain_hold():
    response = Response(time_ms=6.0)
    plain = blur_figures(response, 10.0, HOLD, 100.0, 0.0)
    assert blur_figures(response, 10.0, Backlight(kind="strobe", duty=1.0), 100.0, 0.0) == plain
    assert blur_figures(response, 10.0, Backlight(kind="pwm", duty=0.3), 100.0, 0.0) == plain


def test_a_locked_pwm_is_the_raw_light_over_one_refresh():
    """B = integral of emission times step over the last refresh / that of the emission, by plain sums."""
    hold, hz = 1000 / 60, 60.0
    pwm = Backlight(kind="pwm", frequency_hz=120, duty=0.3, depth=0.8, locked=True, phase_refreshes=0.1)
    response = Response(time_ms=6.0)
    n = 200_000
    t = (np.arange(5 * n) + 0.5) * hold / n
    on, off = pwm.levels()
    lit = np.where(((t / hold - 0.1) * 2) % 1 < 0.3, on, off)
    running = np.concatenate([[0], np.cumsum(lit * response.value(t))]) / n
    esf = Blurred(response, hold, pwm, hz)
    for lag in (0.2, 0.77, 1.4, 3.0):
        i = round(lag * n)
        assert float(esf(lag * hold)) == pytest.approx(running[i] - running[max(i - n, 0)], abs=2e-5)


def test_a_global_flash_meets_each_row_at_another_age():
    strobe = Backlight(kind="strobe", duty=0.05, phase_refreshes=0.95)
    panel = Display(response=Response(time_ms=12.0), backlight=strobe, scan_out_refreshes=0.9)
    tau = 12.0 / math.log(9)
    for delay in (0.0, 0.45, 0.9):
        a, b = (0.95 - delay) * 1000 / 60, (1 - delay) * 1000 / 60
        expected = 1 - tau * (math.exp(-a / tau) - math.exp(-b / tau)) / (b - a)  # mean of the step over the flash
        esf = Blurred(Response(time_ms=12.0), 1000 / 60, strobe, 60.0, delay)
        assert float(esf(b + 1.0)) == pytest.approx(expected, rel=1e-9)
    rows = transition_truth(panel, 0, 255, 8, 60.0)["rows"]
    truth = transition_truth(panel, 0, 255, 8, 60.0)
    assert {k: truth[k] for k in rows[1]} == rows[1] != rows[0]
    assert rows[0]["ghost_ms"] != pytest.approx(rows[2]["ghost_ms"], rel=1e-3)
    upwards = Display(response=Response(time_ms=12.0), backlight=strobe, scan_out_refreshes=-0.9)
    assert transition_truth(upwards, 0, 255, 8, 60.0)["rows"] == rows[::-1]


def test_units_are_what_they_are_said_to_be():
    pairs = [(a, b) for a in range(0, 256, 51) for b in range(0, 256, 51) if a != b]
    spans = {u: [unit_response(u, *p) for p in pairs] for u in UNITS}
    for unit, low, high in (("alder", 15, 35), ("birch", 5, 14), ("cedar", 0.3, 1.0)):
        times = [r.time_ms for r in spans[unit]]
        assert low <= min(times) and max(times) <= high and max(times) > 1.3 * min(times)
    assert any(r.overshoot_pct > 8 for r in spans["birch"])
    assert not any(r.overshoot_pct for u in ("alder", "cedar") for r in spans[u])


def test_an_overshoot_never_needs_less_than_no_light():
    panel = Display(response=Response(shape="overdriven", time_ms=5.0, overshoot_pct=20.0))
    for a in range(0, 256, 15):
        for b in range(0, 256, 15):
            if a != b:
                start, end = (float(panel.law.light(x)) for x in (a, b))
                response = panel.response_for(a, b)
                t = np.linspace(0, 60, 3000)
                assert (start + (end - start) * response.value(t)).min() >= 0
    assert panel.response_for(0, 255).overshoot_pct == 20.0


@pytest.mark.parametrize(
    "law",
    [
        LightLaw(),
        LightLaw(kind="srgb", black=0.002),
        LightLaw(kind="bt1886", gamma=2.4, black=0.001),
        LightLaw(kind="table", table=((0, 0.5), (100, 30.0), (200, 120.0), (255, 250.0))),
    ],
    ids=lambda law: law.kind,
)
def test_laws_and_their_inverses(law):
    levels = np.arange(256)
    light = law.light(levels)
    assert light[-1] == pytest.approx(1.0)
    assert (np.diff(light) > 0).all()
    assert law.signal(light) * 255 == pytest.approx(levels, abs=1e-9)


def test_laws_against_a_colour_library():
    """sRGB (IEC 61966-2-1) and ITU-R BT.1886 as a general-purpose colour library has them."""
    colour = pytest.importorskip("colour")
    signal = np.linspace(0, 1, 52)
    srgb = LightLaw(kind="srgb", black=0.0)
    assert srgb.light(signal * 255) == pytest.approx(colour.models.eotf_sRGB(signal), abs=1e-12)
    bt1886 = LightLaw(kind="bt1886", gamma=2.4, black=0.01)
    expected = colour.models.eotf_BT1886(signal, L_B=1.0, L_W=100.0) / 100
    assert bt1886.light(signal * 255) == pytest.approx(expected, abs=1e-12)
