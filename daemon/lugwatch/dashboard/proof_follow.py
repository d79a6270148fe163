"""Follows the proof test that somebody began on the page, whether or not anybody looks, until it is over.

One thread of the page's process takes turns; the test itself is a row of the database, so a page that is
started anew goes on with it. What a test is and when it is over is `proof_trial`, as for the command.
Not here: addresses (`proof_deeds`), how it is told (`proof_view`). May import: proof_trial, store, clock,
publishers.loop, errors.
"""

import json
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from lugwatch import proof_trial
from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.proof_trial import Progress, Wanted
from lugwatch.proving import ProofTest
from lugwatch.publishers.loop import nobody
from lugwatch.store.queries import History
from lugwatch.store.trials import Outcome, TrialRow, end_trial, put_trial

# real seconds between two looks for new readings; nothing is worked out where there are none
TURN_SECONDS = 2.0


def wanted_of(row: TrialRow) -> Wanted:
    """What was asked for, of a row that this version or an earlier one wrote."""
    told = json.loads(row.wanted)
    return Wanted(**{**told, "joints": tuple(told["joints"])})


@dataclass(slots=True)
class Following:
    """The test under way as it was last looked at. courses: tests after whole minutes, by joint."""

    row: TrialRow
    progress: Progress | None = None
    batch: object = None
    courses: dict[str, dict[int, ProofTest]] = field(default_factory=dict)


class Follower:
    """Used from several threads."""

    def __init__(self, database: Path, clock: Clock) -> None:
        self._database = database
        self._clock = clock
        self._lock = threading.RLock()
        self._following: Following | None = None
        self.problem: str | None = None  # why nothing can be told or kept now
        self.wake: Callable[[], None] = nobody

    def turn(self) -> float:
        """One look; how many seconds the next may wait."""
        with self._lock:
            try:
                self._turn()
                self.problem = None
            except (UserError, OperationFailed) as error:
                self.problem = str(error)
            return TURN_SECONDS

    def now(self) -> Following | None:
        """The test under way, as it was last looked at; None where there is none."""
        with self._lock:
            return None if self._following is None else replace(self._following)

    def begin(self, wanted: Wanted) -> int:
        """Begin to follow; the number of the test. Raises UserError where one is under way or cannot be."""
        with self._lock:
            with History.open(self._database) as history:
                row = history.last_trial()
                if row is not None and row.outcome is None:
                    names = ", ".join(wanted_of(row).joints)
                    raise UserError(f"a test of {names} is under way; end that one first")
                for name in wanted.joints:
                    proof_trial.asked_amps(proof_trial.find_joint(history, name), wanted)
            number = put_trial(self._database, self._clock.time(), json.dumps(asdict(wanted)))
            self.turn()
        self.wake()
        return number

    def end(self, *, keep: bool) -> bool:
        """End it now; False where none is under way. Raises UserError, OperationFailed."""
        with self._lock:
            self._turn()
            following = self._following
            if following is None:
                return False
            tests = following.progress.tests if keep and following.progress is not None else []
            self._end(following, Outcome.STOPPED if tests else Outcome.DROPPED, None, tests)
            return True

    def _turn(self) -> None:
        with History.open(self._database) as history:
            row = history.last_trial()
            if row is None or row.outcome is not None:
                self._following = None
                return
            if self._following is None or self._following.row.trial_id != row.trial_id:
                self._following = Following(row=row)
            following = self._following
            batch, now = history.last_batch(), self._clock.time()
            old = batch is None or now - batch[0] > 1e3 * proof_trial.OLDEST_LIVE_SECONDS
            if following.progress is not None and batch == following.batch and not old:
                return
            following.batch = batch
            following.progress = proof_trial.look(
                history,
                wanted_of(row),
                began=row.time,
                waited_seconds=(now - row.time) / 1e3,
                now=now,
            )
        self._lengthen(following, following.progress)
        if following.progress.trouble is not None:
            self._end(following, Outcome.TROUBLE, following.progress.trouble, [])
        elif following.progress.over:
            self._end(following, Outcome.DONE, None, following.progress.tests)

    def _lengthen(self, following: Following, progress: Progress) -> None:
        """The course of each joint up to now: what was known after each whole minute."""
        for joint in progress.joints:
            known = following.courses.setdefault(joint.joint.joint, {})
            if joint.test is None or (known and next(iter(known.values())).time != joint.test.time):
                known.clear()  # another load
            if joint.test is not None:
                new = [m for m in range(1, int(joint.test.minutes) + 1) if m not in known]
                known.update(proof_trial.course(progress.record, joint, new))

    def _end(
        self, following: Following, outcome: Outcome, trouble: str | None, tests: list[ProofTest]
    ) -> None:
        end_trial(self._database, following.row.trial_id, self._clock.time(), outcome, trouble, tests)
        self._following = None
