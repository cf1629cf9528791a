"""Screening held against a function whose effects and indices are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.judge.screening import Effect, Matrix, moving, screen

# Ishigami and Homma, An importance quantification technique in uncertainty analysis for computer models, ISUMA 1990;
# from memory: y = sin x1 + a sin^2 x2 + b x3^4 sin x1, all x uniform on -pi..pi.
A, B = 7.0, 0.1
PATHS = ("x1", "x2", "x3", "dummy")


def ishigami(shares: Matrix) -> Matrix:
    x1, x2, x3 = (2 * math.pi * shares[:, :3] - math.pi).T
    found: Matrix = np.sin(x1) + A * np.sin(x2) ** 2 + B * x3**4 * np.sin(x1)
    return found


def total_indices() -> tuple[float, float, float]:
    """Variance-based total indices in closed form, from memory; they are checked by sampling below."""
    v1 = (1 + B * math.pi**4 / 5) ** 2 / 2
    v2 = A**2 / 8
    v13 = B**2 * math.pi**8 * (1 / 18 - 1 / 50)
    return (v1 + v13) / (v1 + v2 + v13), v2 / (v1 + v2 + v13), v13 / (v1 + v2 + v13)


def grid_effects() -> tuple[float, float, float]:
    """Mean absolute elementary effects on Morris's grid of four levels: -pi, -pi/3, pi/3, pi in steps of 2/3.

    In closed form: sin^2 moves by 3/4, |sin x1| by sin(pi/3), x3^4 by pi^4 (1 - 1/81), each between the only two pairs
    of levels there are; the other factor is averaged over its levels.
    """
    half, step = math.sin(math.pi / 3), 2 / 3
    fourth = math.pi**4 * (1 + 1 / 81) / 2
    mu1 = half * (1 + B * fourth) / step
    mu2 = A * 0.75 / step
    mu3 = B * math.pi**4 * (1 - 1 / 81) * half / 2 / step
    return mu1, mu2, mu3


def test_effects_are_those_of_the_grid() -> None:
    effects = screen(ishigami, PATHS, 500, seed=3)
    for effect, wanted in zip(effects, grid_effects(), strict=False):
        # 500 trajectories: the mean scatters by what its own confidence says, doubled here for three comparisons
        assert abs(effect.mu_star - wanted) <= 2 * effect.confidence + 1e-9
        assert effect.mu_star == pytest.approx(wanted, rel=0.1)
    assert effects[1].mu_star == pytest.approx(7.875, rel=1e-9)  # x2 has no partner: every effect has this size


def test_what_has_no_total_index_is_left_out_and_nothing_else() -> None:
    """x3 has no first-order index and acts through x1 alone: a screening that missed it would be useless."""
    assert moving(screen(ishigami, PATHS, 10, seed=1)) == ["x1", "x2", "x3"]
    # total index by Jansen's estimator (Computer Physics Communications 117 (1999), from memory)
    rng = np.random.default_rng(1)
    one, other = rng.random((2, 40_000, 4))
    variance = ishigami(one).var()
    for index, wanted in enumerate((*total_indices(), 0.0)):
        mixed = one.copy()
        mixed[:, index] = other[:, index]
        found = ((ishigami(one) - ishigami(mixed)) ** 2).mean() / 2 / variance
        assert found == pytest.approx(wanted, abs=0.02)  # 40,000 samples scatter by 0.005
    assert total_indices() == pytest.approx((0.5576, 0.4424, 0.2437), abs=1e-4)  # as often published


def test_same_seed_same_effects() -> None:
    assert screen(ishigami, PATHS, 4, seed=5) == screen(ishigami, PATHS, 4, seed=5)
    assert screen(ishigami, PATHS, 4, seed=5) != screen(ishigami, PATHS, 4, seed=6)


def test_a_wide_confidence_keeps_an_input() -> None:
    effects = [Effect("strong", 1.0, 0.1, 0.0), Effect("unsure", 0.01, 0.05, 0.0), Effect("weak", 0.01, 0.01, 0.0)]
    assert moving(effects) == ["strong", "unsure"]
    assert moving([Effect("still", 0.0, 0.0, 0.0)]) == []
    assert screen(ishigami, (), 4, seed=1) == []
