"""Morris screening: which inputs move a number at all, before more is spent on them. The only user of SALib, an extra.

Morris, Factorial sampling plans for preliminary computational experiments, Technometrics 33 (1991); mean of absolute
elementary effects after Campolongo, Cariboni, Saltelli, Environmental Modelling & Software 22 (2007); both from memory.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netlists.errors import SetupError

LEVELS = 4  # of the grid each input moves on, Morris's own choice: steps of two thirds of the range
CONFIDENCE = 0.95
RESAMPLES = 200  # of the bootstrap that gives the confidence interval
LEAST_SHARE = 0.03  # of the largest effect: an input that stays below even with its confidence is left out

Matrix = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Effect:
    """How much one input moves a number over its whole range.

    Parameters
    ----------
    mu_star : mean of its absolute elementary effects, in the number's unit
    confidence : half width of the interval around it
    sigma : standard deviation of the effects: how far it bends, or depends on the others
    """

    path: str
    mu_star: float
    confidence: float
    sigma: float


def check_salib() -> None:
    """SetupError where SALib is not installed: asked before anything is calculated."""
    if importlib.util.find_spec("SALib") is None:
        raise SetupError("needs SALib, which is not here; install the extra: pip install 'bulkrail[screening]'")


def screen(number: Callable[[Matrix], Matrix], paths: Sequence[str], trajectories: int, seed: int) -> list[Effect]:
    """Effect of every input on a number, in the order of the paths.

    Parameters
    ----------
    number : of inputs as shares 0..1 of their ranges, shape (points, inputs), to shape (points,)
    trajectories : each costs one point more than there are inputs
    """
    if not paths:
        return []
    from SALib.analyze import morris as analysis  # an extra, and slow to load
    from SALib.sample import morris as sampling

    problem = {"num_vars": len(paths), "names": list(paths), "bounds": [[0.0, 1.0]] * len(paths)}
    shares = sampling.sample(problem, trajectories, num_levels=LEVELS, seed=seed)
    found = analysis.analyze(
        problem, shares, np.asarray(number(shares), dtype=float), num_levels=LEVELS, num_resamples=RESAMPLES,
        conf_level=CONFIDENCE, seed=seed,
    )  # fmt: skip
    return [
        Effect(path, float(mu_star), float(confidence), float(sigma))
        for path, mu_star, confidence, sigma in zip(
            paths, found["mu_star"], found["mu_star_conf"], found["sigma"], strict=True
        )
    ]


def moving(effects: Sequence[Effect]) -> list[str]:
    """The inputs that are kept: those whose effect may reach ``LEAST_SHARE`` of the largest."""
    largest = max((effect.mu_star for effect in effects), default=0.0)
    return [
        effect.path
        for effect in effects
        if effect.mu_star > 0 and effect.mu_star + effect.confidence >= LEAST_SHARE * largest
    ]
