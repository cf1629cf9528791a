"""What a rule of review is, and what it has to say of a record. Rules are pure functions of ``Facts``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from harness.judge.review_facts import Facts
from harness.judge.review_tables import OF_A_ROLE, OF_A_STAGE, USUAL
from netlists.quantity import engineering

Severity = Literal["wrong", "doubtful", "note"]
SEVERITIES: tuple[Severity, ...] = ("wrong", "doubtful", "note")  # the worst first
PRACTICE = "common practice, no source"
FAR = 10.0  # so many times outside what is usual, a value is called wrong and not doubtful
SLACK = 1e-9  # relative: a value at the edge is inside


@dataclass(frozen=True, slots=True)
class Said:
    """What a rule found.

    Parameters
    ----------
    severity : ``wrong`` cannot be, ``doubtful`` hardly is, ``note`` is worth a look
    paths : of the record; the first is what it is about
    says : one line with numbers;  likely : what it probably should be; empty where nothing suggests itself
    """

    severity: Severity
    paths: tuple[str, ...]
    says: str
    likely: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule by name.

    Parameters
    ----------
    about : what it looks at, in one line
    source : where it comes from, or that there is none
    """

    name: str
    about: str
    source: str
    check: Callable[[Facts], Iterable[Said]]


@dataclass(frozen=True, slots=True)
class Usual:
    """A number that has a usual range, and the record's values it was made of.

    Parameters
    ----------
    what : in words, with its number left to ``judged``
    made_of : path -> power with which that value goes into the number; the first is what the remark is about
    counts : path of a part -> how often it was counted, for what is likely
    beside : further paths a person has to look at
    far : times outside the range from which it is wrong
    """

    what: str
    value: float
    unit: str
    low: float
    high: float
    made_of: Mapping[str, float]
    beside: tuple[str, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    far: float = FAR


# what a factor between the written and the likely value comes of
SLIPS: Sequence[tuple[float, str]] = (
    (1e-3, "if the prefix is one step too large"),
    (1e3, "if the prefix is one step too small"),
    (1e-9, "if M was written for m"),
    (0.1, "if a point was lost or a zero added"),
    (10.0, "if a zero was lost or the point moved"),
    (1e-6, "if the prefix is two steps too large, such as a code read literally"),
    (1e6, "if the prefix is two steps too small, such as a code read literally"),
)


def judged(facts: Facts, usual: Usual) -> Iterator[Said]:
    """Doubtful outside the usual range, wrong where far outside; with the slip that would explain it, if one does."""
    value = usual.value
    if usual.low * (1 - SLACK) <= value <= usual.high * (1 + SLACK):
        return
    beyond = max(usual.low / value if value > 0 else float("inf"), value / usual.high)
    span = f"usual {engineering(usual.low, usual.unit, 3)} to {engineering(usual.high, usual.unit, 3)}"
    if usual.high == float("inf"):
        span = f"at least {engineering(usual.low, usual.unit, 3)}"
    says = f"{usual.what} is {engineering(value, usual.unit, 3)}; {span}"
    paths = tuple(dict.fromkeys((*usual.made_of, *usual.beside)))
    severity: Severity = "wrong" if beyond >= usual.far else "doubtful"
    yield Said(severity, paths, says, likely(facts, usual))


MOST_LIKELY, EITHER = 2, "; or "  # explanations that are told, and what stands between them


def likely(facts: Facts, usual: Usual) -> str:
    """Slips of one value, or of a count, that would bring the number into its usual range; the commonest first."""
    found: list[tuple[int, str]] = []
    for path, power in usual.made_of.items():
        quantity = facts.record.quantities.get(path)
        band = usual_band(facts, path)
        for rank, (factor, why) in enumerate(SLIPS if quantity is not None and power else ()):
            value = quantity.nominal * factor if quantity is not None else 0.0
            inside = band is None or band[0] <= value <= band[1]
            if inside and usual.low <= usual.value * factor**power <= usual.high:
                assert quantity is not None  # else there are no slips
                found.append((rank, f"{facts.short(path)} {engineering(value, quantity.unit, 3)}, {why}"))
                break
    for path, count in usual.counts.items():
        if count > 1 and usual.low <= usual.value * count <= usual.high:
            found.append((len(SLIPS), f"{facts.short(path)}: one piece where the value is of all {count}"))
        elif count > 1 and usual.low <= usual.value / count <= usual.high:
            found.append((len(SLIPS), f"{facts.short(path)}: 1 and not {count} pieces, or the value is of all {count}"))
    return EITHER.join(text for _, text in sorted(found)[:MOST_LIKELY])


def usual_band(facts: Facts, path: str) -> tuple[float, float] | None:
    """Usual range of a part's value by its role and kind; None where there is none."""
    owner, _, field_name = path.rpartition(".")
    held = next((one for one in facts.parts if one.path == owner), None)
    if held is None:
        return OF_A_STAGE.get(field_name)
    of_roles = (OF_A_ROLE[role][field_name] for role in held.roles if field_name in OF_A_ROLE.get(role, {}))
    return next(of_roles, USUAL.get(held.kind, {}).get(field_name))


def all_judged(facts: Facts, numbers: Iterable[Usual]) -> Iterator[Said]:
    """What ``judged`` says of several numbers."""
    for usual in numbers:
        yield from judged(facts, usual)
