"""What is told every few seconds and need not be written as often: each writing wears the card.

An open passage is written when it begins, ends, or with a snapshot, which remembers it as well; what
joints are still to be learned from, a minute together; the word on a source, when its state changes or, the
latest one, with a snapshot; what is believed of a joint without enough current, each five minutes: its
figures stand still but for the temperature, and that the readings tell (`queries.History.estimates`).
Not here: the connection. May import: model.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lugwatch.model import Estimate, JointState, LearningWindow, Passage, SourceHealth

WINDOWS_TOGETHER = 6  # a minute of them
AT_REST_MS = 300_000  # between two words on a joint without load

Resting = tuple[tuple[str, tuple[str | None, int]], ...]  # joint, why its figures are missing, time [ms]


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What waits, and which of it is to be written now."""

    waiting: tuple[LearningWindow, ...] = ()
    known: frozenset[int] = frozenset()  # open passages that the file knows of
    windows: tuple[LearningWindow, ...] = ()
    passages: tuple[Passage, ...] = ()
    states: tuple[tuple[str, str], ...] = ()  # source and state as they stand in the file
    healths: tuple[SourceHealth, ...] = ()
    unsaid: tuple[SourceHealth, ...] = ()  # the latest word on each source that was not worth a writing
    estimates: tuple[Estimate, ...] = ()
    at_rest: Resting = ()  # joints that stand without load in the file
    resting: Resting = ()  # and will, when this is written

    def with_more(
        self,
        passages: Sequence[Passage],
        windows: Sequence[LearningWindow],
        healths: Sequence[SourceHealth],
        estimates: Sequence[Estimate] = (),
        *,
        at_once: bool,
    ) -> "HeldBack":
        """Of what waits and what came now, that which is to be written with this batch."""
        every = (*self.waiting, *windows)
        latest = {health.source: health for health in (*self.unsaid, *healths)}
        told = {
            source: health
            for source, health in latest.items()
            if at_once or (source, health.state) not in self.states
        }
        worth, resting = _worth_writing(estimates, dict(self.at_rest))
        due = at_once or len(every) >= WINDOWS_TOGETHER or any(window.body is None for window in windows)
        return replace(
            self,
            waiting=() if due else every,
            windows=every if due else (),
            passages=tuple(
                passage
                for passage in passages
                if at_once or passage.end_time is not None or passage.passage_id not in self.known
            ),
            healths=tuple(told.values()),
            unsaid=tuple(health for source, health in latest.items() if source not in told),
            estimates=worth,
            resting=resting,
        )

    def after_writing(self) -> "HeldBack":
        """The batch is in the file."""
        known = self.known | {passage.passage_id for passage in self.passages}
        states = dict(self.states) | {health.source: health.state for health in self.healths}
        return HeldBack(
            waiting=self.waiting,
            known=known,
            states=tuple(states.items()),
            unsaid=self.unsaid,
            at_rest=self.resting,
        )


def _worth_writing(
    estimates: Sequence[Estimate], at_rest: dict[str, tuple[str | None, int]]
) -> tuple[tuple[Estimate, ...], Resting]:
    """Without those that soon say again that a joint is without load; and who then stands so in the file."""
    worth = []
    for estimate in estimates:
        before = at_rest.pop(estimate.joint, None)
        if estimate.state is JointState.NO_LOAD:
            # either way: a clock may be set back
            if (
                before is not None
                and before[0] == estimate.reason
                and abs(estimate.time - before[1]) < AT_REST_MS
            ):
                at_rest[estimate.joint] = before
                continue
            at_rest[estimate.joint] = (estimate.reason, estimate.time)
        worth.append(estimate)
    return tuple(worth), tuple(at_rest.items())
