"""The gas of a filling and emptying pot against computed cases, and fits of it against truth."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.exhaust_kernel import fit_exhausts
from analytics.fill_kernel import flow_share, run_gas
from analytics.fill_lanes import fit_fills

#: Fill cases: vessel, conductance, critical ratio, supply, leak, time to 90 % of the supply
#: (absolute), settled pressure. From 100 kPa, 293.15 K, isothermal, or adiabatic where the heat is
#: nil; scipy's solve_ivp at rtol 1e-10 [computed, outside this project].
FILLS = [
    (0.184, 2.0e-7, 0.35, 800e3, 0.0, 1e9, 8.1252, 800.0e3),
    (0.110, 2.0e-7, 0.35, 800e3, 0.0, 1e9, 4.8575, 800.0e3),
    (0.184, 2.0e-7, 0.35, 800e3, 1.0e-8, 1e9, 8.4143, 799.4e3),
    (0.184, 2.0e-7, 0.35, 800e3, 2.0e-8, 1e9, 8.7341, 797.4e3),
    (0.085, 1.5e-7, 0.40, 700e3, 0.0, 1e9, 4.8202, 700.0e3),
    (0.184, 2.0e-7, 0.35, 800e3, 0.0, 0.0, 5.8037, 800.0e3),
]
#: Exhausts: vessel, conductance, from, time to 10 % of the gauge pressure at the start [computed].
EXHAUSTS = [
    (0.184, 5e-7, 800e3, 5.7796),
    (0.110, 5e-7, 800e3, 3.4552),
    (0.085, 4e-7, 700e3, 3.1966),
]


def gas(
    at_s: np.ndarray, supply_pa: float, x: float, leak: float, heat: float, ratio: float,
    filling: bool = True, start_pa: float = 100e3, outside_pa: float = 100e3,
) -> np.ndarray:  # fmt: skip
    out = np.zeros(at_s.size)
    run_gas(
        at_s, np.full(at_s.size, supply_pa), 0.0, 0.0, start_pa, 293.15, 1.0 / x, leak, heat,
        ratio, 293.15, outside_pa, filling, out,
    )  # fmt: skip
    return out


@pytest.mark.parametrize(
    ("volume", "conductance", "ratio", "supply", "leak", "heat", "t90", "settles"), FILLS
)
def test_fills_of_the_reference_cases(
    volume: float, conductance: float, ratio: float, supply: float, leak: float, heat: float,
    t90: float, settles: float,
) -> None:  # fmt: skip
    # Isothermal gas is gas with much heat; so much that the step must be short to follow it.
    at_s = np.arange(0.0, 60.0, 0.002)
    heat_w_k_m3 = 3.0e5 if heat else 0.0
    p = gas(at_s, supply, volume / conductance, leak / conductance, heat_w_k_m3, ratio)
    crossed = float(np.interp(0.9 * supply, p[: 1 + int(np.argmax(p > 0.9 * supply))],
                              at_s[: 1 + int(np.argmax(p > 0.9 * supply))]))  # fmt: skip
    assert crossed == pytest.approx(t90, rel=2e-3)
    if heat:
        assert p[-1] == pytest.approx(settles, rel=3e-4)


@pytest.mark.parametrize(("volume", "conductance", "start", "t10"), EXHAUSTS)
def test_exhausts_of_the_reference_cases(
    volume: float, conductance: float, start: float, t10: float
) -> None:
    at_s = np.arange(0.0, 12.0, 0.002)
    p = gas(at_s, 0.0, volume / conductance, 0.0, 3.0e5, 0.3, False, start)
    level = 100e3 + 0.1 * (start - 100e3)
    first = int(np.argmax(p < level))
    assert at_s[first] == pytest.approx(t10, rel=3e-3)


def test_flow_share_is_that_of_iso_6358() -> None:
    # sqrt(1 - ((0.65 - 0.3)/0.7)^2) = sqrt(0.75), by hand
    assert flow_share(0.65, 0.3) == pytest.approx(np.sqrt(0.75))
    assert flow_share(0.29, 0.3) == 1.0 and flow_share(1.2, 0.3) == 0.0


def fitted(
    pot_pa: np.ndarray, at_s: np.ndarray, supply_pa: float, heat: float, noise_pa: float
) -> tuple[np.ndarray, np.ndarray]:
    size = np.array([at_s.size])
    own = np.array([[np.log(7e5), 0.3, 0.0]])
    full, slope, misfit = np.zeros((1, 6, 6)), np.zeros((1, 6)), np.zeros(1)
    for _ in range(2):
        fit_fills(
            np.array([0]), size, at_s, np.full(at_s.size, supply_pa), pot_pa,
            np.full(at_s.size, 1.0 / noise_pa), np.array([100e3]), np.array([293.15]), own,
            np.array([[0.35, np.log(heat), 0.0]]), own.copy(), np.full((1, 3), 1e-6), 293.15,
            100e3, 20, 0.01, 0.2, 0.965, full, slope, misfit,
        )  # fmt: skip
    return own[0], misfit


@pytest.mark.parametrize("leak", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("x", [6.5e5, 9.0e5])
@pytest.mark.parametrize("heat", [300.0, 8000.0])
def test_a_fill_gives_back_room_and_leak(leak: float, x: float, heat: float) -> None:
    # The truth comes from scipy's integrator, not from the kernel that fits.
    from scipy.integrate import solve_ivp

    supply, ratio, opening = 800e3, 0.35, 0.4

    def phi(r: float, b: float) -> float:
        return 1.0 if r <= b else np.sqrt(max(1.0 - ((r - b) / (1.0 - b)) ** 2, 0.0))

    def rates(_t: float, y: np.ndarray) -> list[float]:
        p, rho = y
        k = p / (287.05 * rho)
        into = 1.185 * supply * phi(p / supply, ratio) / x
        out = leak * 1.185 * np.sqrt(293.15 / k) * p * phi(100e3 / p, 0.3) / x
        flows = 1.4 * 287.05 * (into * 293.15 - out * k)
        return [flows + 0.4 * heat * (293.15 - k), into - out]

    at_s = np.arange(0.0, 12.0, 0.1)
    after = at_s[at_s >= opening]
    solved = solve_ivp(rates, (opening, 12.0), [100e3, 100e3 / (287.05 * 293.15)], t_eval=after,
                       rtol=1e-8, atol=1e-6, method="LSODA")  # fmt: skip
    p = np.concatenate((np.full(at_s.size - after.size, 100e3), solved.y[0]))
    noisy = p + np.random.default_rng(4).normal(0.0, 200.0, p.size)
    own, misfit = fitted(noisy, at_s, supply, heat, 200.0)
    assert np.exp(own[0]) == pytest.approx(x, rel=0.01)
    assert own[2] == pytest.approx(leak, abs=0.01)
    assert own[1] == pytest.approx(opening, abs=0.03)
    assert 0.6 < misfit[0] < 1.4


def test_an_emptier_pot_is_not_taken_for_a_leak() -> None:
    at_s = np.arange(0.0, 16.0, 0.1)
    for x, leak in ((6.5e5, 0.0), (8.5e5, 0.0), (6.5e5, 0.15)):
        own, _ = fitted(gas(at_s, 800e3, x, leak, 6000.0, 0.35), at_s, 800e3, 6000.0, 300.0)
        assert np.exp(own[0]) == pytest.approx(x, rel=0.01)
        assert own[2] == pytest.approx(leak, abs=0.01)


def test_an_exhaust_gives_back_its_conductance() -> None:
    at_s = np.arange(0.0, 8.0, 0.1)
    x = 0.15 / 5e-7
    p = gas(at_s, 0.0, x, 0.0, 5000.0, 0.3, False, 800e3)
    unknown = np.array([[-np.log(2.0 * x), 0.2]])
    variance, cost, end_k = np.zeros(1), np.zeros(1), np.zeros(1)
    fit_exhausts(
        np.array([0]), np.array([at_s.size]), at_s, p, np.full(at_s.size, 1e-3),
        np.array([800e3]), unknown, np.array([5000.0]), 0.3, 293.15, 100e3, 20, 0.01, variance,
        cost, end_k,
    )  # fmt: skip
    assert np.exp(-unknown[0, 0]) == pytest.approx(x, rel=3e-3)


def test_slopes_of_fills_side_by_side_are_differences_of_fills_one_by_one() -> None:
    random, count, each = np.random.default_rng(8), 11, 90
    lengths = random.integers(60, each, count)
    after = np.cumsum(lengths)
    first = after - lengths
    at_s = np.concatenate([np.sort(random.uniform(0.0, 9.0, n)) for n in lengths])
    supply = 7.5e5 + 2e4 * np.sin(at_s)
    own = np.stack(
        [np.log(random.uniform(6e5, 1e6, count)), random.uniform(0.1, 1.5, count),
         random.uniform(0.01, 0.3, count)], axis=1
    )  # fmt: skip
    held = np.stack(
        [random.uniform(0.2, 0.5, count), np.log(random.uniform(200.0, 9000.0, count)),
         random.uniform(-2e3, 2e3, count)], axis=1
    )  # fmt: skip

    def alone(m: int, unknown: np.ndarray) -> np.ndarray:
        log_x, opening_s, leak, ratio, log_heat, zero = unknown
        here = slice(first[m], after[m])
        out = np.zeros(lengths[m])
        run_gas(
            at_s[here], supply[here], zero, opening_s, 1.02e5, 288.0, np.exp(-log_x), leak,
            np.exp(log_heat), ratio, 291.0, 1.01e5, True, out,
        )  # fmt: skip
        return out

    runs = [alone(m, np.append(own[m], held[m])) for m in range(count)]
    off = random.normal(0.0, 300.0, at_s.size)
    full, slope, misfit = np.zeros((count, 6, 6)), np.zeros((count, 6)), np.zeros(count)
    at = own.copy()
    fit_fills(
        first, after, at_s, supply, np.concatenate(runs) + off, np.full(at_s.size, 1e-3),
        np.full(count, 1.02e5), np.full(count, 288.0), at, held, own.copy(), np.zeros((count, 3)),
        291.0, 1.01e5, 0, 0.0, 0.0, 0.95, full, slope, misfit,
    )  # fmt: skip
    assert (at == own).all()
    step = np.array([1e-4, 1e-3, 1e-4, 1e-4, 1e-3, 20.0])
    for m in range(count):
        unknown = np.append(own[m], held[m])
        jacobian = np.stack(
            [(alone(m, unknown + step * (np.arange(6) == c)) - runs[m]) / step[c] for c in range(6)]
        )
        jacobian *= np.where(runs[m] / supply[first[m] : after[m]] <= 0.95, 1e-3, 0.0)
        size = np.sqrt(np.sum(jacobian**2, axis=1))
        # Steps are cut a little otherwise side by side.
        assert full[m] / np.outer(size, size) == pytest.approx(
            jacobian @ jacobian.T / np.outer(size, size), abs=0.02
        )
        assert slope[m] / size == pytest.approx(
            jacobian @ off[first[m] : after[m]] * 1e-3 / size, abs=0.3
        )
