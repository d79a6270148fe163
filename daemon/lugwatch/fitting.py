"""What a check of the fitting found, as it is kept, and what of the fitting is left to do.

From a bag of probes to trust: names by a finger, a cold check of all probes, zero and sign of each current,
the mounting of each probe. Each check is a row that is never changed; the latest one of a subject counts.
Not here: how anything is found out (`cold_check`, `current_check`, `mounting`), sentences
(`fitting_words`). May import: model.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from lugwatch.model import Boat, Quantity


class CheckKind(StrEnum):
    NAMED = "named"  # a probe was warmed with a finger, and is where the file says
    COLD = "cold"  # a probe against its space, after hours without current
    ZERO = "zero"  # what a shunt says when nothing flows
    SIGN = "sign"  # which way and by how much it goes with a known load
    RANGE = "range"  # what flows against the shunt's rating
    MOUNTING = "mounting"  # whether a joint's probe answers to load as its twins do
    WRITTEN = "written"  # an offset or zero was written into the configuration


class Outcome(StrEnum):
    GOOD = "good"
    WRONG = "wrong"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingCheck:
    """One check of one probe, current or joint; the row of `fitting_check`.

    time: when it was done; start_time, end_time: of the readings that it rests on [ms], None: of none.
    value with its 95 % interval in `unit` ("K", "A"), None where there is no figure. finding: one word.
    """

    check_id: int  # counts up from 1; 0: not kept
    time: int
    kind: CheckKind
    subject: str  # id of a probe, current or joint, as `kind` has it
    outcome: Outcome
    finding: str
    text: str  # what was told
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    start_time: int | None = None
    end_time: int | None = None
    who: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLeft:
    """One step of the fitting, in the order in which steps are sensible.

    good, wrong, untold, missing: ids of its subjects by how their latest check stands. outdated: of those
    that count as missing, the ones checked before something that this check rests on was changed.
    """

    kind: CheckKind
    good: tuple[str, ...]
    wrong: tuple[str, ...]
    untold: tuple[str, ...]
    missing: tuple[str, ...]
    outdated: tuple[str, ...] = ()

    @property
    def is_done(self) -> bool:
        return not (self.wrong or self.untold or self.missing)


ORDER = (CheckKind.NAMED, CheckKind.COLD, CheckKind.ZERO, CheckKind.SIGN, CheckKind.RANGE, CheckKind.MOUNTING)


def subjects(boat: Boat, kind: CheckKind) -> tuple[str, ...]:
    """What a step is about: probes, currents or joints, in the order of the configuration."""
    if kind in (CheckKind.NAMED, CheckKind.COLD):
        return tuple(c.channel for c in boat.channels if c.quantity is Quantity.CELSIUS)
    if kind is CheckKind.MOUNTING:
        return tuple(j.joint for j in boat.joints)
    return tuple(c.channel for c in boat.channels if c.quantity is Quantity.AMPS)


def latest(checks: Sequence[FittingCheck]) -> dict[tuple[CheckKind, str], FittingCheck]:
    """The check that counts of each kind and subject; checks in the order in which they were kept."""
    return {(check.kind, check.subject): check for check in checks}


def steps(boat: Boat, checks: Sequence[FittingCheck]) -> list[StepLeft]:
    """All steps, in order, with what is done of each."""
    standing = latest(checks)
    return [_step(boat, kind, standing) for kind in ORDER]


def following(steps_left: Sequence[StepLeft]) -> StepLeft | None:
    """What to do next; what cannot be told yet waits until all else is done. None: nothing is left."""
    urgent = next((step for step in steps_left if step.wrong or step.missing), None)
    return urgent or next((step for step in steps_left if step.untold), None)


def _step(boat: Boat, kind: CheckKind, standing: Mapping[tuple[CheckKind, str], FittingCheck]) -> StepLeft:
    by: dict[Outcome | None, list[str]] = {}
    outdated: list[str] = []
    for subject in subjects(boat, kind):
        check = standing.get((kind, subject))
        if check is not None and _is_outdated(check, standing):
            outdated.append(subject)
            check = None
        by.setdefault(None if check is None else check.outcome, []).append(subject)
    return StepLeft(
        kind=kind,
        good=tuple(by.get(Outcome.GOOD, ())),
        wrong=tuple(by.get(Outcome.WRONG, ())),
        untold=tuple(by.get(Outcome.CANNOT_TELL, ())),
        missing=tuple(by.get(None, ())),
        outdated=tuple(outdated),
    )


def _is_outdated(check: FittingCheck, standing: Mapping[tuple[CheckKind, str], FittingCheck]) -> bool:
    """An offset or zero that was written since makes the check to be done again."""
    written = standing.get((CheckKind.WRITTEN, check.subject))
    if written is None or check.kind not in (CheckKind.COLD, CheckKind.ZERO):
        return False
    return written.check_id > check.check_id


def last_written(checks: Sequence[FittingCheck], of: Sequence[str]) -> int | None:
    """When [ms] an offset or zero of any of these channels was written last; None: never.

    Readings from before were taken with other figures: judged again, what was taken off would be taken twice.
    """
    times = [c.time for c in checks if c.kind is CheckKind.WRITTEN and c.subject in of]
    return max(times, default=None)
