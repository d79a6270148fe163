"""A proof test looked for in the history, once or again and again while the load is on: what was asked for,
which load is the test, how far it is, when it is over.

The command line and the page both stand on this, so what one says the other says. The page's tests that are
under way are kept as rows (`store.trials`).
Not here: weighing (`proving`), words of a result (`proof_words`), waiting, threads.
May import: proving, proof, model, store's queries, errors.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from lugwatch import proving
from lugwatch.errors import UserError
from lugwatch.model import Joint
from lugwatch.proof import SHORTEST_MINUTES, Poor, Verdict
from lugwatch.proving import LONGEST_MINUTES, ProofTest, Series, Stretch
from lugwatch.store.queries import History

SEARCH_MS = 24 * 3_600_000
LIVE_SEARCH_MS = 2 * 3_600_000
LOOK_SECONDS = 10.0
WAIT_MINUTES = 30.0  # for the load to come on
OLDEST_LIVE_SECONDS = 120.0
GONE_SECONDS = 90.0  # a load that was not read for so long is off
MOST_JOINTS = 16
LONGEST_NOTE, LONGEST_WHO = 2000, 80
_CERTAIN = (Verdict.SOUND, Verdict.BAD, Verdict.DOUBTFUL)
# these do not mend by themselves while the load goes on
_STAYS = (Poor.TOO_LITTLE_CURRENT, Poor.NOT_RESTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked for."""

    joints: tuple[str, ...]
    amps: float | None  # the current it will really carry; None: its rated one
    minutes: float
    allowed_kelvin: float | None  # None: its limit less 40 °C
    note: str | None
    who: str


def check(wanted: Wanted, label: Callable[[str], str]) -> None:
    """Figures that can be meant. label: how the reader knows a field. Raises UserError."""
    for name in ("amps", "minutes", "allowed_kelvin"):
        value = getattr(wanted, name)
        if value is not None and not 0 < value < 1e5:
            raise UserError(f"{label(name)} {value:g} is no such value; give a number above 0")
    if not 0 < len(wanted.joints) <= MOST_JOINTS:
        raise UserError(f"{label('joints')}: name 1 to {MOST_JOINTS} of them")
    if len(set(wanted.joints)) != len(wanted.joints):
        raise UserError(f"{label('joints')}: each one once")


# ---- a load in the record --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Readings of the joints that were asked for, of their airs, currents and neighbours."""

    joints: tuple[Joint, ...]
    probes: Mapping[str, str]  # of every joint of the boat
    readings: Mapping[str, Series]
    wanted: Wanted

    def stretches(self, joint: Joint) -> list[Stretch]:
        """Every load of this joint after rest, oldest first."""
        assert joint.current is not None
        return proving.loads(self.readings[joint.current], asked_amps(joint, self.wanted))

    def judge(self, joint: Joint, stretch: Stretch, minutes: float | None = None) -> ProofTest:
        """The test of one load, by all of it that was asked for, or by its first `minutes`."""
        assert joint.current is not None
        allowed = self.wanted.allowed_kelvin
        neighbours = [n for n in joint.neighbours if n in self.probes]
        test = proving.judge(
            joint,
            stretch,
            self.readings[joint.probe],
            None if joint.air is None else self.readings[joint.air],
            self.readings[joint.current],
            asked_amps=asked_amps(joint, self.wanted),
            allowed_kelvin=proving.allowed_rise_kelvin(joint) if allowed is None else allowed,
            minutes=self.wanted.minutes if minutes is None else minutes,
            neighbours={n: self.readings[self.probes[n]] for n in neighbours},
        )
        return replace(test, note=self.wanted.note, who=self.wanted.who)


def read(history: History, wanted: Wanted, start: int, end: int) -> Record:
    """Readings from a little before `start` to `end` [ms]. Raises UserError for a joint without a current."""
    joints = tuple(find_joint(history, name) for name in wanted.joints)
    probes = {j.joint: j.probe for j in history.boat().joints}
    channels = {c for j in joints for c in (j.probe, j.air, j.current) if c is not None}
    channels |= {probes[n] for j in joints for n in j.neighbours if n in probes}
    record: dict[str, list[tuple[int, float]]] = {channel: [] for channel in channels}
    for time, channel, value in history.readings(start - 1_000 * round(proving.LOOK_BACK_SECONDS), end):
        if channel in record:
            record[channel].append((time, value))
    return Record(joints=joints, probes=probes, readings=MappingProxyType(record), wanted=wanted)


def prove(history: History, wanted: Wanted, first: int | None) -> list[ProofTest]:
    """One test a joint: of the first load from `first` [ms] on, else of the latest that says something.

    Empty where no load after rest is found. Raises UserError.
    """
    for name in wanted.joints:
        asked_amps(find_joint(history, name), wanted)
    span = history.data_span()
    if span is None:
        return []
    start = max(span[0], span[1] - SEARCH_MS) if first is None else first
    record = read(history, wanted, start, start + SEARCH_MS)
    tests = []
    for joint in record.joints:
        stretches = record.stretches(joint)
        if first is None:
            stretch = proving.worth(stretches)
        else:
            stretch = next((s for s in stretches if s.began >= first), None)
        if stretch is not None:
            tests.append(record.judge(joint, stretch))
    return tests


def find_joint(history: History, name: str) -> Joint:
    """A joint that can be proved. Raises UserError."""
    boat = history.boat()
    joint = next((j for j in boat.joints if j.joint == name), None)
    if joint is None:
        known = ", ".join(j.joint for j in boat.joints)
        raise UserError(f"there is no joint {name!r} in {history.path}; there are {known}")
    if joint.current is None:
        raise UserError(f"{name}: its current is not measured, so it cannot be proved; configure `current`")
    return joint


def asked_amps(joint: Joint, wanted: Wanted) -> float:
    """The current it will really carry. Raises UserError."""
    amps = wanted.amps if wanted.amps is not None else joint.rated_amps
    if amps is None:
        raise UserError(f"{joint.joint}: its rated current is not configured; name the current (--amps)")
    return amps


def last_before(kept: Sequence[ProofTest], test: ProofTest) -> ProofTest | None:
    """The latest good test of the same joint that began before this one."""
    earlier = [t for t in kept if t.time < test.time and t.poor is None]
    return earlier[-1] if earlier else None


# ---- while the load is on --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class JointNow:
    """One joint of a test that is under way."""

    joint: Joint
    asked_amps: float
    most_minutes: float
    amps: float | None  # last reading
    celsius: float | None
    rest_seconds: float | None  # at rest for so long; None: a current flows, or nothing was read
    stretch: Stretch | None  # the load of this test; None: not on yet
    test: ProofTest | None
    load_is_on: bool

    @property
    def is_over(self) -> bool:
        """Whether more minutes of this load would say nothing more, or there are none."""
        test = self.test
        if test is None:
            return False
        if test.verdict in _CERTAIN or test.minutes >= self.most_minutes or not self.load_is_on:
            return True
        return test.poor in _STAYS and test.minutes > SHORTEST_MINUTES


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a test under way is. trouble: why it has to end now, one sentence."""

    joints: tuple[JointNow, ...]
    record: Record
    trouble: str | None
    over: bool

    @property
    def tests(self) -> list[ProofTest]:
        return [j.test for j in self.joints if j.test is not None]


def look(history: History, wanted: Wanted, *, began: int, waited_seconds: float, now: int) -> Progress:
    """How far the test is that was begun at `began` [ms], `waited_seconds` ago. Raises UserError.

    All of a load that goes on is used, however late somebody began to look; `minutes` ends the looking.
    """
    last = history.last_batch()
    newest = now if last is None else last[0]
    record = read(history, replace(wanted, minutes=LONGEST_MINUTES), newest - LIVE_SEARCH_MS, newest)
    latest = history.latest_readings()
    joints = tuple(_joint_now(record, j, wanted, latest, began=began, now=now) for j in record.joints)
    trouble = None
    if last is None or now - last[0] > 1e3 * OLDEST_LIVE_SECONDS:
        where, old = history.path.name, f"{OLDEST_LIVE_SECONDS:g} s"
        trouble = f"nothing was recorded in {where} for {old}; is `lugwatch watch` running?"
    trouble = _too_hot(joints) or trouble
    late = waited_seconds > 60.0 * WAIT_MINUTES and not any(j.load_is_on for j in joints)
    some = any(j.is_over for j in joints)
    if late and not some and trouble is None:
        trouble = f"no load came on for {WAIT_MINUTES:g} minutes after rest; nothing was tested"
    over = all(j.is_over for j in joints) or (late and some)
    return Progress(joints=joints, record=record, trouble=trouble, over=over)


def _joint_now(
    record: Record,
    joint: Joint,
    wanted: Wanted,
    latest: Mapping[str, tuple[int, float]],
    *,
    began: int,
    now: int,
) -> JointNow:
    assert joint.current is not None
    asked = asked_amps(joint, wanted)
    gone = round(1e3 * GONE_SECONDS)
    stretch = next((s for s in reversed(record.stretches(joint)) if s.ended >= began - gone), None)
    is_on = stretch is not None and now - stretch.ended < gone
    if stretch is not None and not is_on and stretch.minutes < SHORTEST_MINUTES:
        stretch = None  # a pump that ran for a moment is no test
    amps = record.readings[joint.current]
    rest = proving.rest_since(amps, asked)
    fresh = {c: v for c, (t, v) in latest.items() if now - t <= 1e3 * OLDEST_LIVE_SECONDS}
    return JointNow(
        joint=joint,
        asked_amps=asked,
        most_minutes=wanted.minutes,
        amps=fresh.get(joint.current),
        celsius=fresh.get(joint.probe),
        rest_seconds=None if rest is None or joint.current not in fresh else (amps[-1][0] - rest) / 1e3,
        stretch=stretch,
        test=None if stretch is None else record.judge(joint, stretch),
        load_is_on=is_on,
    )


def _too_hot(joints: Sequence[JointNow]) -> str | None:
    for now in joints:
        hottest = None if now.test is None else now.test.hottest_celsius
        limit = now.joint.limit_celsius
        if hottest is not None and hottest >= limit:
            return (
                f"{now.joint.name} is at {hottest:.0f} °C, its limit is {limit:.0f} °C: "
                "stop the load now (lower the alternator's field first), and let it cool"
            )
    return None


def course(record: Record, joint: JointNow, minutes: Sequence[int]) -> list[tuple[int, ProofTest]]:
    """What the test said after so many whole minutes, as far as the load has been on."""
    if joint.stretch is None:
        return []
    return [(m, record.judge(joint.joint, joint.stretch, m)) for m in minutes if m <= joint.stretch.minutes]
