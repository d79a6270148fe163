"""Whether each probe sits where the configuration says: does it answer to its current as its twins do?

What a joint does within five minutes of a change is its own: heat of neighbours on a bar, of engine and air
comes later. So readings and currents are taken without what is slower than that, and each probe's course is
explained five times: by the quick heat of each current, or of none, always beside the slow heat of all
currents and all airs. Which of these explains it best is whose current it feels. The learned shapes of the
watch cannot say this: they were learned with the very assignment that is in question.

Not here: which hours are looked at (`fitting_spans`), words (`fitting_words`). May import: lagging, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from lugwatch.lagging import Array, lagged, nonnegative

ROW_SECONDS = 20.0
QUICK_SECONDS = 300.0  # slower than this is somebody else's heat, or the air's
_OWN_SECONDS = (60.0, 200.0, 500.0)  # lug and stud, by their metal and what they shed
_MACHINE_SECONDS = 400.0  # what stands behind a terminal loses heat as the current itself, not its square
_ON_ITS_WAY_SECONDS = 300.0
_SLOW_SECONDS = (900.0, 3600.0)
_AIR_SECONDS = (5.0, 60.0, 600.0, 3600.0)  # a probe that hangs in it follows at once
_FOLLOW_SECONDS = (30.0, 100.0, 300.0, 1200.0, 3600.0)
_FREEDOM = 4.0  # of the t distribution of errors: an engine that starts is no normal error
_LEAST_SD_KELVIN = 0.02  # a third of a sensor's step of 1/16 K
_ROUNDS = 3
# log likelihood ratios; one mistake was assumed in a hundred probes before anything was seen
ANSWERS_LOG, CERTAIN_LOG, PRIOR_ODDS = 8.0, 12.0, 100.0
SMALL_RATIO = 0.25  # of its twins' answer: contacts of a boat differ by a factor of two either way
OTHER_RATIO = (
    0.4  # that an answer to another current must have: a late probe is explained a little by anything
)
# it hangs in its air: so near to it at most, or so small a part of what its company departs from theirs
FOLLOWS_KELVIN, FOLLOWS_TIMES, FAR_FOLLOWS_TIMES, ITS_TWINS_KELVIN = 0.25, 3.0, 6.0, 0.5
_LEAST_OTHER_KELVIN = 0.3  # swing that another current's answer must have where it has no twin to go by
FEWEST_ROWS = 180  # an hour


class Mounted(StrEnum):
    SOUND = "sound"  # answers to its current
    FALLEN_OFF = "fallen_off"  # follows its air while its twins do not
    BADLY_PRESSED = "badly_pressed"  # warms with the load, but late and by little
    SWAPPED = "swapped"  # answers to another circuit's current
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the configuration says that a probe sits. Currents and airs by channel; None: none there."""

    joint: str
    probe: str
    current: str | None
    air: str | None
    neighbours: tuple[str, ...] = ()  # joints on the same metal


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Rows `ROW_SECONDS` apart without gaps, (n,) each: °C by probe, A by current."""

    celsius: Mapping[str, Array]
    amps: Mapping[str, Array]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """What one probe's answer to load says.

    swing_kelvin: how far its current moves it within five minutes, from the least to the most; twins_kelvin:
    the same of its twins. certainty: that the verdict is right (0 to 1), None where it cannot be told.
    answers_to: the other current of a swapped one; perhaps_with: the joint whose probe it may be.
    needs: of "cannot tell", one of "readings", "load", "calm", "twins".
    """

    joint: str
    verdict: Mounted
    certainty: float | None = None
    swing_kelvin: float | None = None
    twins_kelvin: float | None = None
    answers_to: str | None = None
    perhaps_with: str | None = None
    needs: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """Log likelihood less that of no current at all, and the quick part (n,) [K], by current."""

    gain: Mapping[str, float]
    part: Mapping[str, Array]
    follows_kelvin: float | None  # rms from its air


def judge(places: Sequence[Place], chunks: Sequence[Chunk]) -> list[Mounting]:
    """One verdict a place, in their order. Chunks need every probe, air and current of the places."""
    rows = sum(len(next(iter(c.celsius.values()))) for c in chunks if c.celsius)
    if rows < FEWEST_ROWS:
        return [Mounting(joint=p.joint, verdict=Mounted.CANNOT_TELL, needs="readings") for p in places]
    field = _Field.of(places, chunks)
    answers = {p.joint: field.answer(p, chunks) for p in places}
    found = [_verdict(place, places, answers, field) for place in places]
    named = [_paired(m, place, places, found) for m, place in zip(found, places, strict=True)]
    there = {m.perhaps_with: m.joint for m in named if m.verdict is Mounted.SWAPPED and m.perhaps_with}
    return [
        replace(m, perhaps_with=there[m.joint]) if m.joint in there and m.perhaps_with is None else m
        for m in named
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """Columns (n, k) that explain any probe, and the probes themselves, all without what is slow."""

    quick: Mapping[str, Array]  # by current
    shared: Array
    probes: Mapping[str, Array]

    @classmethod
    def of(cls, places: Sequence[Place], chunks: Sequence[Chunk]) -> "_Field":
        currents = list(dict.fromkeys(p.current for p in places if p.current is not None))
        airs = list(dict.fromkeys(p.air for p in places if p.air is not None))
        slow = [
            _joined([lagged(lagged(c.amps[name] ** 2, _ON_ITS_WAY_SECONDS, ROW_SECONDS), tau, ROW_SECONDS)
                     for c in chunks])
            for name in currents for tau in _SLOW_SECONDS
        ]  # fmt: skip
        air = [
            _joined([lagged(c.celsius[name], tau, ROW_SECONDS) for c in chunks])
            for name in airs
            for tau in _AIR_SECONDS
        ]
        return cls(
            quick={
                name: np.column_stack(
                    [
                        *(
                            _joined([lagged(c.amps[name] ** 2, tau, ROW_SECONDS) for c in chunks])
                            for tau in _OWN_SECONDS
                        ),
                        _joined(
                            [lagged(np.abs(c.amps[name]), _MACHINE_SECONDS, ROW_SECONDS) for c in chunks]
                        ),
                    ]
                )
                for name in currents
            },
            shared=np.column_stack([*slow, *air])
            if slow or air
            else np.zeros((sum(len(next(iter(c.celsius.values()))) for c in chunks), 0)),
            probes={p.probe: _joined([c.celsius[p.probe] for c in chunks]) for p in places},
        )

    def answer(self, place: Place, chunks: Sequence[Chunk]) -> _Answer:
        values = self.probes[place.probe]
        _, errors = _fitted(self.shared, values)
        fits = {
            name: _fitted(np.column_stack([columns, self.shared]), values)
            for name, columns in self.quick.items()
        }
        all_errors: dict[str | None, Array] = {None: errors}
        all_errors.update({name: error for name, (_, error) in fits.items()})
        sd, share = _scale(all_errors)
        none = _log(errors, sd)
        gain = {name: share * (_log(error, sd) - none) for name, (_, error) in fits.items()}
        return _Answer(
            gain=gain,
            part={
                name: self.quick[name] @ parts[: self.quick[name].shape[1]]
                for name, (parts, _) in fits.items()
            },
            follows_kelvin=_follows(place, chunks),
        )

    def less_if_larger(self, place: Place, current: str, least_kelvin: float) -> float:
        """How much less likely its course is if its current moves it by `least_kelvin` or more."""
        values = self.probes[place.probe]
        columns = np.column_stack([self.quick[current], self.shared])
        _, free = _fitted(columns, values)
        held = {}
        for number in range(len(_OWN_SECONDS)):
            shape = self.quick[current][:, number]
            swing = _swing(shape)
            if swing > 0.0:
                held[str(number)] = _fitted(columns, values - shape * (least_kelvin / swing))[1]
        if not held:
            return 0.0
        sd, share = _scale({"free": free, **held})
        return share * (_log(free, sd) - max(_log(left, sd) for left in held.values()))


def _joined(parts: Sequence[Array]) -> Array:
    """Without what is slower than `QUICK_SECONDS`, one chunk after the other."""
    return np.concatenate([part - lagged(part, QUICK_SECONDS, ROW_SECONDS) for part in parts])


def _fitted(columns: Array, values: Array) -> tuple[Array, Array]:
    """Parts ≥ 0 and what is left, with large errors weighed down (Huber)."""
    weight = np.ones(len(values))
    parts, left = np.zeros(columns.shape[1]), values
    for _ in range(_ROUNDS):
        weighted = columns * weight[:, None]
        parts = nonnegative(weighted.T @ columns, weighted.T @ values)
        left = values - columns @ parts
        usual = 2.5 * max(1.4826 * float(np.median(np.abs(left))), _LEAST_SD_KELVIN)
        weight = np.minimum(1.0, usual / np.maximum(np.abs(left), 1e-12))
    return parts, left


def _scale(errors: Mapping[str | None, Array] | Mapping[str, Array]) -> tuple[float, float]:
    """Deviation of the best explanation, and which share of the rows counts as independent."""
    sds = {name: 1.4826 * float(np.median(np.abs(left))) for name, left in errors.items()}
    best = min(sds, key=lambda name: sds[name])
    sd = max(sds[best], _LEAST_SD_KELVIN)
    left = np.clip(errors[best], -3.0 * sd, 3.0 * sd)  # type: ignore[index]
    power = float(left @ left)
    alike = float(left[1:] @ left[:-1]) / power if power > 0.0 else 0.0
    # nothing slower than this was left in, so errors cannot be alike for longer
    return sd, max((1.0 - alike) / (1.0 + alike), ROW_SECONDS / (2.0 * QUICK_SECONDS))


def _log(left: Array, sd: float) -> float:
    return float(-0.5 * (_FREEDOM + 1.0) * np.sum(np.log1p((left / sd) ** 2 / _FREEDOM)))


def _follows(place: Place, chunks: Sequence[Chunk]) -> float | None:
    """How far [K rms] a probe departs from its air, lag and a constant allowed; None: it has no air."""
    if place.air is None:
        return None
    air = place.air
    return min(
        math.sqrt(
            float(
                np.mean(
                    np.concatenate(
                        [_about_middle(c.celsius[place.probe] - lagged(c.celsius[air], tau, ROW_SECONDS))
                         for c in chunks]
                    ) ** 2
                )
            )
        )
        for tau in _FOLLOW_SECONDS
    )  # fmt: skip


def _about_middle(values: Array) -> Array:
    return values - float(np.median(values))


def _swing(part: Array) -> float:
    return float(np.percentile(part, 99.0) - np.percentile(part, 1.0))


def _certainty(log_ratio: float) -> float:
    return 1.0 / (1.0 + PRIOR_ODDS * math.exp(-min(log_ratio, 500.0)))


def _verdict(
    place: Place, places: Sequence[Place], answers: Mapping[str, _Answer], field: _Field
) -> Mounting:
    answer = answers[place.joint]
    own = 0.0 if place.current is None else answer.gain[place.current]
    swing = None if place.current is None else _swing(answer.part[place.current])
    twins = _twins_kelvin(place, place.current, places, answers)
    known = {"joint": place.joint, "swing_kelvin": swing, "twins_kelvin": twins}
    off = _is_off(place, places, answers)
    if off is not None:
        # first: an engine starts with its alternator, so its air seems to answer to that current
        return Mounting(**known, verdict=Mounted.FALLEN_OFF, certainty=_certainty(off))  # type: ignore[arg-type]
    others = {name: gain for name, gain in answer.gain.items() if name != place.current}
    other = max(others, key=lambda name: others[name], default=None)
    if (
        other is not None
        and others[other] - max(own, 0.0) >= CERTAIN_LOG
        and _swing(answer.part[other]) >= _enough_kelvin(place, other, places, answers)
    ):
        return Mounting(
            joint=place.joint,
            verdict=Mounted.SWAPPED,
            certainty=_certainty(others[other] - max(own, 0.0)),
            swing_kelvin=swing,
            twins_kelvin=twins,
            answers_to=other,
        )
    if place.current is not None and twins is not None and (swing or 0.0) < SMALL_RATIO * twins:
        small = field.less_if_larger(place, place.current, SMALL_RATIO * twins)
        if small >= CERTAIN_LOG:
            return Mounting(
                **known,  # type: ignore[arg-type]
                verdict=Mounted.BADLY_PRESSED,
                certainty=_certainty(small),
            )
    if own >= ANSWERS_LOG:
        return Mounting(**known, verdict=Mounted.SOUND, certainty=_certainty(own))  # type: ignore[arg-type]
    needs = "load" if place.current is None or (twins is None and (swing or 0.0) < 0.1) else "calm"
    return Mounting(**known, verdict=Mounted.CANNOT_TELL, needs=needs)  # type: ignore[arg-type]


def _answering(name: str, places: Sequence[Place], answers: Mapping[str, _Answer]) -> list[Place]:
    """Places on a current whose probes answer to it."""
    return [p for p in places if p.current == name and answers[p.joint].gain[name] >= ANSWERS_LOG]


def _twins_kelvin(
    place: Place, current: str | None, places: Sequence[Place], answers: Mapping[str, _Answer]
) -> float | None:
    if current is None:
        return None
    swings = [
        _swing(answers[p.joint].part[current])
        for p in _answering(current, places, answers)
        if p.joint != place.joint
    ]
    return float(np.median(swings)) if swings else None


def _enough_kelvin(
    place: Place, current: str, places: Sequence[Place], answers: Mapping[str, _Answer]
) -> float:
    """Swing that an answer to another current must have."""
    twins = _twins_kelvin(place, current, places, answers)
    return _LEAST_OTHER_KELVIN if twins is None else OTHER_RATIO * twins


def _is_off(place: Place, places: Sequence[Place], answers: Mapping[str, _Answer]) -> float | None:
    """Log ratio that it hangs in its air, by what its twins or neighbours do; None: it does not."""
    follows = answers[place.joint].follows_kelvin
    if follows is None:
        return None
    company = [
        answers[p.joint].follows_kelvin
        for p in places
        if p.joint != place.joint
        and p.current is not None
        and (p.joint in place.neighbours or p.current == place.current)
        and answers[p.joint].gain[p.current] >= ANSWERS_LOG
    ]
    known = sorted(kelvin for kelvin in company if kelvin is not None)
    usual = known[len(known) // 2] if known else 0.0
    times = FOLLOWS_TIMES if follows <= FOLLOWS_KELVIN else FAR_FOLLOWS_TIMES
    if usual < max(ITS_TWINS_KELVIN, times * follows):
        return None
    # contacts differ by a factor of two either way, so logs of departures scatter by some 0.5
    return 0.5 * (math.log(usual / max(follows, 1e-3)) / 0.5) ** 2 + CERTAIN_LOG / 2.0


def _paired(mounting: Mounting, place: Place, places: Sequence[Place], found: Sequence[Mounting]) -> Mounting:
    """A swapped one with the joint whose probe it may be: on the current that it answers to."""
    if mounting.verdict is not Mounted.SWAPPED:
        return mounting
    there = [
        (p, m)
        for p, m in zip(places, found, strict=True)
        if p.current == mounting.answers_to and p.joint != place.joint
    ]
    mutual = [p for p, m in there if m.verdict is Mounted.SWAPPED and m.answers_to == place.current]
    silent = [p for p, m in there if m.verdict in (Mounted.CANNOT_TELL, Mounted.BADLY_PRESSED)]
    partner = mutual if mutual else silent
    if len(partner) != 1:
        return mounting
    return replace(mounting, perhaps_with=partner[0].joint)
