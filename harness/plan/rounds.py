"""Studies made side by side in a campaign's workers, and run in rounds until none asks for more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from harness.plan.converters import forget
from harness.plan.study import Study
from harness.simulate.campaign import Campaign, Request
from netlists.errors import BulkrailError, DeckError

Making = tuple[Callable[[Any], Study], Any]  # a kind of study, and the situation it is about


@dataclass(frozen=True, slots=True)
class Begun:
    """A study and what it asks for first."""

    study: Study
    first: list[Request]


def begin(campaign: Campaign, wanted: Sequence[Making]) -> list[Begun]:
    """Studies made and asked in the workers, since the hand calculations their first cases start from may be long."""
    found = campaign.calculate(_begun, wanted)
    return [
        begun_here(made(situation)) if one is None else one
        for (made, situation), one in zip(wanted, found, strict=True)
    ]


def begun_here(study: Study) -> Begun:
    """A study asked in this process, as if it were the only one."""
    forget()
    return Begun(study, _requests(study))


def _begun(made: Callable[[Any], Study], situation: Any, _try: int) -> Begun | None:
    """One study begun in a worker; None where it cannot be made, so that the parent meets the error itself."""
    try:
        return begun_here(made(situation))
    except (BulkrailError, ArithmeticError):
        return None


def _requests(study: Study) -> list[Request]:
    """What a study asks for; a case that cannot even be put as a deck is that study's failure, not the check's."""
    try:
        return study.ask()
    except DeckError as error:
        study.result.error = str(error)
        return []


def run_rounds(campaign: Campaign, begun: Sequence[Begun]) -> None:
    """Runs rounds of studies together until none asks for more."""
    asked = [(one.study, one.first) for one in begun]
    while waiting := [(study, requests) for study, requests in asked if requests]:
        outcomes = iter(campaign.run([request for _, requests in waiting for request in requests]))
        for study, requests in waiting:
            study.tell([next(outcomes) for _ in requests])
        asked = [(study, _requests(study)) for study, _ in waiting]
