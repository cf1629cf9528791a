"""What a fit may move: the values asked for, checked against the record, and the other open inputs of the waveform."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.judge.fitted import Input
from harness.plan.plan import structures
from harness.plan.rectifier_bulk import ANGLED
from harness.plan.study import Question
from harness.plan.trial import ANGLE, Trials
from netlists.errors import OptionError, nearest, shortened
from netlists.formulas import FITTED
from netlists.quantity import shown
from netlists.record import SupplyRecord

MOST_VALUES = 3
ABOUT = 30.0  # [deg] either way of the likest angle: as far as the next coarse one
LONGEST_LIST = 200


def structure_of(record: SupplyRecord, instance: str, said: Sequence[str]) -> Mapping[str, str]:
    """The alternatives to simulate: those said, where the record leaves several.

    Raises
    ------
    OptionError : several are left, or one said is none of the record's
    """
    left = structures(record, instance)
    for text in said:
        name, _, choice = text.partition("=")
        path = f"stages.{instance}.{name}"
        known = sorted({f"{one.rsplit('.', 1)[1]}={way[one]}" for way in left for one in way})
        fitting = [way for way in left if way.get(path) == choice]
        if not fitting:
            raise OptionError(f"--structure: no {shown(text)} in {instance}; {nearest(text, known)}")
        left = fitting
    if len(left) > 1:
        open_ones = sorted({f"{path.rsplit('.', 1)[1]}={way[path]}" for way in left for path in way if
                            len({other[path] for other in left}) > 1})  # fmt: skip
        raise OptionError(f"--structure: {instance} is recorded with alternatives, say which: {', '.join(open_ones)}")
    return left[0]


def inputs_of(
    record: SupplyRecord, instance: str, trials: Trials, names: Sequence[str], signal: str
) -> tuple[list[Input], list[Input]]:
    """The values asked for, and the other open inputs that change the case.

    Raises
    ------
    OptionError : none or too many, unknown, not assumed, without a range, or the signal does not rest on one
    """
    reads = trials.reads()
    open_ones = sorted(path for path in reads if path in record.quantities and not record.quantities[path].is_exact)
    offered = [path for path in open_ones if record.quantities[path].known == "assumed"]
    if not offered:
        raise OptionError(f"--values: {signal} of {instance} rests on no assumed value; there is nothing to fit")
    if not 1 <= len(names) <= MOST_VALUES:
        listed = shortened(", ".join(offered), LONGEST_LIST)
        raise OptionError(f"--values: 1 to {MOST_VALUES} may be fitted, found {len(names)}; assumed are {listed}")
    paths = [_path(record, name, offered) for name in names]
    if double := {path for path in paths if paths.count(path) > 1}:
        raise OptionError(f"--values: {min(double)} stands twice")
    for path in paths:
        if path not in reads or not trials.is_moved_by(path):
            resting = [one for one in offered if one != path and trials.is_moved_by(one)]
            raise OptionError(f"--values: {signal} of {instance} does not rest on {path}; {nearest(path, resting)}")
    others = [path for path in open_ones if path not in paths and trials.is_moved_by(path)]
    return [_input(record, path, "value") for path in paths], [_input(record, path, "other") for path in others]


def _path(record: SupplyRecord, name: str, offered: Sequence[str]) -> str:
    """The record path a name means: itself, or the one path that ends in it."""
    known = record.quantities
    found = [name] if name in known else [path for path in known if path.endswith(f".{name}")]
    if not found:
        raise OptionError(f"--values: no value at {shown(name)}; {nearest(name, offered)}")
    if len(found) > 1:
        raise OptionError(f"--values: {shown(name)} may be {' or '.join(sorted(found)[:4])}")
    (path,) = found
    quantity = known[path]
    if quantity.is_computed:
        sources = ", ".join(quantity.of.values())
        raise OptionError(f"--values: {path} is inferred by {quantity.formula}; fit what it is of: {sources}")
    if quantity.formula == FITTED:
        raise OptionError(f"--values: {path} is fitted already; to fit it anew put its assumed range back")
    if quantity.known != "assumed" or path.endswith(".deviation"):
        how = "a formula's tolerance" if path.endswith(".deviation") else quantity.known
        raise OptionError(f"--values: {path} is {how}; only assumed values are fitted")
    if quantity.is_exact:
        raise OptionError(f"--values: {path} has no range; give it low and high to be fitted in")
    return path


def _input(record: SupplyRecord, path: str, role: str) -> Input:
    quantity = record.quantities[path]
    return Input(path, quantity.unit, quantity.low, quantity.nominal, quantity.high, role)


def is_angle_open(question: Question) -> bool:
    """Whether a switch-on angle plays a part that nobody has said."""
    return question.study in ANGLED and question.angle is None and question.supply != "dc"


def angle_input(likest: float) -> Input:
    """The switch-on angle as something a fit moves, about the likest one [deg]."""
    return Input(ANGLE, "deg", likest - ABOUT, likest, likest + ABOUT, "angle")
