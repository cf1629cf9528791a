"""What to measure next: by how much one reading more would bring down the number of undecided verdicts.

Imagined is one input read at a time: its range shrinks to what its instrument leaves around its value, all other inputs
keep their ends as the verdict takes them. Its value comes from joint samples of all unread inputs, without those a
measurement on the bench rules out. Since metrics are monotonic in each input, as the plan's ends suppose too, a verdict
needs no calculation a sample: two crossings an input tell from which value on it is within whatever the others are,
and up to which it is over whatever they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from harness.judge.instruments import measured_range, told
from harness.judge.open_verdicts import Left, Margin, OpenVerdict, margins
from harness.judge.screening import Effect, Matrix, moving, screen
from harness.plan.plan import Corner
from netlists.record import SupplyRecord

TRAJECTORIES = 4  # of the screening, a verdict
SAMPLES = 128
SEED = 1
TOGETHER = 16  # samples of all readings at once, each of which needs hand calculations of its own
PIECE = 4  # of them a task
NORMAL_95 = 1.959964  # two-sided quantile of the normal distribution at 95 %
CROSSING_TOLERANCE = 1e-3  # of the input's range

Compute = Callable[[Callable[..., Any], Sequence[tuple[Any, ...]]], list[Any]]  # as Campaign.calculate
Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Crossings:
    """Values of one input at which a verdict is decided; None where no value of its range does.

    Parameters
    ----------
    within : from here on to the better end it is within, all others at their worse ends
    over : from here on to the worse end it is over, all others at their better ends
    """

    within: float | None
    over: float | None


@dataclass(frozen=True, slots=True)
class Gain:
    """What one reading would bring.

    Parameters
    ----------
    fall : verdicts it settles on average;  low, high : 95 % confidence interval of that
    settles : for each verdict, in their order, the share of the samples in which it is settled
    can_settle : some value in its range decides a verdict alone; else the fall is 0 for certain
    effect : largest mu_star of the screening among the verdicts, as a share of the verdict's largest
    """

    path: str
    effort: float
    fall: float
    low: float
    high: float
    settles: tuple[float, ...]
    effect: float
    how: str
    can_settle: bool

    @property
    def per_effort(self) -> float:
        """What readings are ranked by."""
        return self.fall / self.effort


@dataclass(frozen=True, slots=True)
class NextValues:
    """Readings in the order they are worth it, and how that was found.

    Parameters
    ----------
    left : undecided verdicts that no reading is known to decide
    still : inputs the screening left out: they move no verdict enough
    together : for each verdict, the share of the first ``together_of`` samples in which reading all ranked inputs
        settles it: what readings can do at all
    accepted, drawn : joint samples used, and of how many;  why_not : reasons of the others
    """

    verdicts: tuple[OpenVerdict, ...]
    left: tuple[Left, ...]
    gains: tuple[Gain, ...]
    still: tuple[str, ...]
    together: tuple[float, ...]
    together_of: int
    accepted: int
    drawn: int
    why_not: tuple[str, ...]
    trajectories: int
    seed: int


def here(function: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> list[Any]:
    """Calculates in this process, as ``Campaign.calculate`` does side by side."""
    return [function(*one, 1) for one in arguments]


def _all(compute: Compute, function: Callable[..., Any], tasks: Sequence[tuple[Any, ...]]) -> list[Any]:
    """What a function gives for each task; what was lost side by side is calculated here."""
    found = compute(function, tasks)
    return [function(*task, 1) if one is None else one for task, one in zip(tasks, found, strict=True)]


def next_values(
    record: SupplyRecord,
    verdicts: Sequence[OpenVerdict],
    margin_of: Margin,
    samples: Sequence[Values],
    *,
    trajectories: int = TRAJECTORIES,
    seed: int = SEED,
    compute: Compute = here,
) -> tuple[list[Gain], list[str]]:
    """Gains of the inputs worth a look, best first, and the inputs the screening left out.

    Parameters
    ----------
    samples : values of all unread inputs the verdicts rest on, jointly; at least one
    """
    screened = [_screened(margin_of, verdict, trajectories, seed, compute) for verdict in verdicts]
    kept = [moving(effects) for effects in screened]
    paths = sorted({path for one in kept for path in one})
    crossings = _all_crossings(margin_of, verdicts, kept, compute)
    gains = [
        _gain(record, path, [one.get(path) for one in crossings], verdicts, samples, _share(path, screened))
        for path in paths
    ]
    gains.sort(key=lambda gain: (-gain.per_effort, -gain.effect, gain.path))
    still = sorted({path for verdict in verdicts for path in verdict.unread} - set(paths))
    return gains, still


def _screened(margin_of: Margin, verdict: OpenVerdict, trajectories: int, seed: int, compute: Compute) -> list[Effect]:
    """Morris screening of a verdict's margin over its unread inputs, one task a trajectory."""
    paths = list(verdict.unread)

    def number(shares: Matrix) -> Matrix:
        points = [
            {path: at(verdict.unread[path], share) for path, share in zip(paths, row, strict=True)} for row in shares
        ]
        size = len(paths) + 1
        tasks = [
            (margin_of, verdict, points[first : first + size]) for first in range(0, len(points), size)
        ]  # fmt: skip
        found = _all(compute, margins, tasks)
        return np.concatenate([np.asarray(one, dtype=float) for one in found])

    return screen(number, paths, trajectories, seed)


def at(ends: tuple[float, float], share: float) -> float:
    """The value a share of the way from the worse to the better end, exact at both."""
    return float((1 - share) * ends[0] + share * ends[1])


def _share(path: str, screened: Sequence[Sequence[Effect]]) -> float:
    shares = [0.0]
    for effects in screened:
        largest = max((effect.mu_star for effect in effects), default=0.0)
        shares += [effect.mu_star / largest for effect in effects if effect.path == path and largest > 0]
    return max(shares)


def _all_crossings(
    margin_of: Margin, verdicts: Sequence[OpenVerdict], kept: Sequence[Sequence[str]], compute: Compute
) -> list[dict[str, Crossings]]:
    """Crossings of every verdict by the inputs kept for it, one task a verdict and input."""
    wanted = [(index, path) for index, paths in enumerate(kept) for path in paths]
    tasks = [(margin_of, verdicts[index], path) for index, path in wanted]
    found: list[dict[str, Crossings]] = [{} for _ in verdicts]
    for (index, path), one in zip(wanted, _all(compute, crossings_of, tasks), strict=True):
        found[index][path] = one
    return found


def crossings_of(margin_of: Margin, verdict: OpenVerdict, path: str, _try: int) -> Crossings:
    """Where one input decides a verdict alone: a task for a worker."""
    return Crossings(_crossing(margin_of, verdict, path, "adverse"), _crossing(margin_of, verdict, path, "rescued"))


def _crossing(margin_of: Margin, verdict: OpenVerdict, path: str, corner: Corner) -> float | None:
    """The value at which the margin changes its sign, or jumps across zero, all else at a corner; None: nowhere."""
    worse, better = verdict.unread[path]

    def room(value: float) -> float:
        return margin_of(verdict, corner, {path: value})

    if not room(worse) < 0 <= room(better):
        return None
    return float(brentq(room, worse, better, xtol=CROSSING_TOLERANCE * abs(better - worse)))


def is_settled(record: SupplyRecord, verdict: OpenVerdict, path: str, crossings: Crossings, value: float) -> bool:
    """Whether a verdict is decided once an input was read as a value, within its instrument's uncertainty."""
    worse, better = verdict.unread[path]
    worst, best = _read_ends(record, verdict, path, value)
    towards = 1.0 if better > worse else -1.0
    within = crossings.within is not None and towards * (worst - crossings.within) >= 0
    over = crossings.over is not None and towards * (best - crossings.over) < 0
    return within or over


def together(
    record: SupplyRecord,
    verdicts: Sequence[OpenVerdict],
    margin_of: Margin,
    samples: Sequence[Values],
    paths: Sequence[str],
    compute: Compute = here,
) -> tuple[float, ...]:
    """For each verdict, the share of some samples in which it is decided once all of some inputs were read."""
    tasks = [
        (record, margin_of, verdict, tuple(paths), samples[first : first + PIECE])
        for verdict in verdicts
        for first in range(0, len(samples), PIECE)
    ]
    found = _all(compute, decided_together, tasks)
    pieces = len(tasks) // len(verdicts)
    return tuple(
        sum(sum(piece) for piece in found[index * pieces : (index + 1) * pieces]) / len(samples)
        for index in range(len(verdicts))
    )


def decided_together(
    record: SupplyRecord,
    margin_of: Margin,
    verdict: OpenVerdict,
    paths: Sequence[str],
    samples: Sequence[Values],
    _try: int,
) -> list[bool]:
    """Whether each of some samples, read all at once, decides a verdict: a task for a worker."""
    decided = []
    for sample in samples:
        ends = {path: _read_ends(record, verdict, path, sample[path]) for path in paths if path in verdict.unread}
        within = margin_of(verdict, "adverse", {path: worst for path, (worst, _) in ends.items()}) >= 0
        over = not within and margin_of(verdict, "rescued", {path: best for path, (_, best) in ends.items()}) < 0
        decided.append(within or over)
    return decided


def _read_ends(record: SupplyRecord, verdict: OpenVerdict, path: str, value: float) -> tuple[float, float]:
    """(Worse end, better end) of what is left of an input's range once it was read as a value."""
    worse, better = verdict.unread[path]
    low, high = measured_range(record, path, value)
    return (low, high) if better > worse else (high, low)


def _gain(
    record: SupplyRecord,
    path: str,
    crossings: Sequence[Crossings | None],
    verdicts: Sequence[OpenVerdict],
    samples: Sequence[Values],
    effect: float,
) -> Gain:
    settled = [
        [
            one is not None and is_settled(record, verdict, path, one, sample[path])
            for verdict, one in zip(verdicts, crossings, strict=True)
        ]
        for sample in samples
    ]
    shares = tuple(float(share) for share in np.mean(settled, axis=0))
    fall = math.fsum(shares)
    low, high = wilson(fall / len(verdicts), len(samples))
    effort = record.quantities[path].effort
    can_settle = any(one is not None and (one.within, one.over) != (None, None) for one in crossings)
    low, high = (low * len(verdicts), high * len(verdicts)) if can_settle else (0.0, 0.0)
    return Gain(path, effort, fall, low, high, shares, effect, told(record, path), can_settle)


def wilson(share: float, count: int) -> tuple[float, float]:
    """95 % score interval of a mean share of independent numbers between 0 and 1.

    Wilson, Journal of the American Statistical Association 22 (1927), from memory. Its variance s (1 - s) is that of
    numbers that are 0 or 1, the largest there is, so for others the interval is wide rather than narrow.

    >>> [round(end, 3) for end in wilson(0.5, 64)]
    [0.381, 0.619]
    """
    z2 = NORMAL_95**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = NORMAL_95 / (1 + z2 / count) * math.sqrt(share * (1 - share) / count + z2 / (4 * count**2))
    return max(0.0, middle - half), min(1.0, middle + half)


def short(path: str) -> str:
    """The end of a path as people call it: a designator with its field, or an instance with its own."""
    words = path.split(".")
    return ".".join(words[3:]) if len(words) > 4 and words[2] == "parts" else path.removeprefix("stages.")


def sentence(gain: Gain, verdicts: Sequence[OpenVerdict]) -> str:
    """What to measure, how well and with what, and what that would settle."""
    many = f"{len(verdicts)} undecided verdict{'' if len(verdicts) == 1 else 's'}"
    what = f"{short(gain.path)} {gain.how}"
    if not gain.can_settle:
        return f"Measuring {what} would settle none of {many} by itself, whatever it turns out to be."
    if gain.fall == 0:
        return f"Measuring {what} settled none of {many} by itself in any sample (0 to {gain.high:.2g})."
    often = max(range(len(verdicts)), key=lambda index: gain.settles[index])
    average = f"{gain.fall:.2g} ({gain.low:.2g} to {gain.high:.2g}) would be settled on average"
    most = f"most often {verdicts[often].words} ({gain.settles[often] * 100:.0f} % of samples)"
    return f"Measure {what}: of {many} {average}, {most}."
