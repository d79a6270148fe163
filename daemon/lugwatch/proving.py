"""A proof test of one joint, found in its readings: where the load began, what it says, against what.

The weighing is in `proof`; here is which stretch of a record is a test, what a sound joint may do (its
limit, its own cable), and how two tests compare. Not here: words, files, clocks. May import: model,
proof, fin, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from lugwatch import fin, proof
from lugwatch.model import Joint
from lugwatch.proof import Judgement, Poor, Rise, Verdict

Array = NDArray[np.float64]
Series = Sequence[tuple[int, float]]  # time [ms] and value, in time order

# Limits of terminals and cables are rises over this air (IEC 60947-1 table 2: ambient of 40 °C).
STANDARD_AIR_CELSIUS = 40.0
REST_RATIO = 0.15  # of the rated current: 2 % of its heat
REST_SECONDS, LOOK_BACK_SECONDS = 300.0, 900.0
LULL_SECONDS = 60.0  # a load that is gone for longer has ended
LONGEST_MINUTES = 60.0
ROW_SECONDS = 10.0
# still going somewhere before the load: no start to count from
_DRIFT_KELVIN_PER_MINUTE = 0.15
# what the conductor table, insulation and still air leave open of a cable's own rise
CABLE_RATIO = 0.15
SAME_LOAD_RATIO = 0.1  # of the current, between two tests that are compared as they are
WARMER_KELVIN = 2.0  # that a neighbour is at the end of a test, to be named


class AgainstCable(StrEnum):
    """The joint beside its own cable at the same current: a sound joint is no warmer (common practice)."""

    NO_WARMER = "no_warmer"
    WARMER = "warmer"
    NOT_YET = "not_yet"  # the interval straddles
    NOT_KNOWN = "not_known"  # no cable configured, or no figure yet


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofTest:
    """One test and its verdict, as it is kept. Rises are above the surroundings; None: not known.

    time: when the load began [ms]. tested: at the mean current of the test; asked: at the current that it
    will really carry. `_high_kelvin` None beside a median: thermal runaway is not excluded.
    """

    joint: str
    time: int
    minutes: float
    verdict: Verdict
    poor: Poor | None
    allowed_kelvin: float
    asked_amps: float
    tested_amps: float | None
    surroundings_celsius: float | None
    tested_kelvin: float | None
    tested_low_kelvin: float | None
    tested_high_kelvin: float | None
    asked_kelvin: float | None
    asked_low_kelvin: float | None
    asked_high_kelvin: float | None
    cable_kelvin: float | None  # its own cable's rise at `asked_amps`
    against_cable: AgainstCable
    hottest_celsius: float | None  # so far
    warmer_neighbour: str | None = None  # joint on the same metal that is warmer: its heat is in this rise
    proof_id: int = 0  # 0: not kept
    note: str | None = None
    who: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A load after rest: times [ms] of its beginning and of its last reading."""

    began: int
    ended: int

    @property
    def minutes(self) -> float:
        return (self.ended - self.began) / 60e3


def allowed_rise_kelvin(joint: Joint) -> float:
    """What a joint may settle at above its surroundings, so that its limit holds in air of 40 °C."""
    return max(5.0, joint.limit_celsius - STANDARD_AIR_CELSIUS)


def loads(amps: Series, rated_amps: float) -> list[Stretch]:
    """Every load of at least 30 % of the rating that follows at least five minutes of rest, oldest first.

    A record that begins under load holds no test for that load.
    """
    found: list[Stretch] = []
    rest_since: int | None = None
    began: int | None = None
    last_loaded = 0
    for time, value in amps:
        size = abs(value)
        if began is not None:
            if size >= proof.LEAST_AMPS_RATIO * rated_amps:
                last_loaded = time
                continue
            if time - last_loaded <= 1e3 * LULL_SECONDS:
                continue
            found.append(Stretch(began=began, ended=last_loaded))
            began, rest_since = None, None
        if size >= proof.LEAST_AMPS_RATIO * rated_amps:
            if rest_since is not None and time - rest_since >= 1e3 * REST_SECONDS:
                began, last_loaded = time, time
            rest_since = None
        elif size < REST_RATIO * rated_amps:
            rest_since = time if rest_since is None else rest_since
        else:
            rest_since = None
    if began is not None:
        found.append(Stretch(began=began, ended=max(last_loaded, began)))
    return found


def rest_since(amps: Series, rated_amps: float) -> int | None:
    """Since when [ms] the current has been so small that it counts as rest; None: it is not."""
    since: int | None = None
    for time, value in reversed(amps):
        if abs(value) >= REST_RATIO * rated_amps:
            break
        since = time
    return since


def worth(stretches: Sequence[Stretch]) -> Stretch | None:
    """The latest that lasted long enough to say something, else the latest."""
    long_enough = [s for s in stretches if s.minutes >= proof.SHORTEST_MINUTES]
    return (long_enough or list(stretches) or [None])[-1]  # type: ignore[list-item]


def judge(
    joint: Joint,
    stretch: Stretch,
    probe: Series,
    air: Series | None,
    amps: Series,
    *,
    asked_amps: float,
    allowed_kelvin: float,
    minutes: float = LONGEST_MINUTES,
    neighbours: Mapping[str, Series] = MappingProxyType({}),
) -> ProofTest:
    """One test of a joint. Series reach from some minutes before the load; `minutes` of it are used.

    neighbours: readings of the joints on the same metal, by their ids. A joint that is warmed by a warmer
    one is not called bad: whose heat it is, this test cannot tell.
    """
    end = min(stretch.ended, stretch.began + round(60e3 * min(minutes, LONGEST_MINUTES)))
    start = stretch.began - round(1e3 * LOOK_BACK_SECONDS)
    edges = np.arange(start, end + 1e3 * ROW_SECONDS, 1e3 * ROW_SECONDS)
    # the load begins between two rows, never inside one
    edges = edges - (edges[np.searchsorted(edges, stretch.began)] - stretch.began)
    seconds, celsius = _binned(probe, edges)
    current = _at(amps, edges, seconds)
    reference = None if air is None else _at(air, edges, seconds)
    ok = np.isfinite(current) & np.isfinite(celsius)
    if reference is not None:
        ok &= np.isfinite(reference)
        reference = reference[ok]
    seconds, celsius, current = seconds[ok], celsius[ok], current[ok]
    began_seconds = stretch.began / 1e3
    judgement = proof.judge(
        seconds,
        celsius,
        reference,
        current,
        load_began_seconds=began_seconds,
        rated_amps=asked_amps,
        allowed_rise_kelvin=allowed_kelvin,
    )
    if judgement.poor is None and _was_moving(seconds, celsius, reference, began_seconds):
        judgement = Judgement(verdict=Verdict.POOR_TEST, poor=Poor.NOT_RESTED, forecast=judgement.forecast)
    loaded = celsius[seconds > began_seconds]
    warmer = _warmer(celsius, {name: _binned(series, edges)[1][ok] for name, series in neighbours.items()})
    if warmer is not None and judgement.verdict is Verdict.BAD:
        judgement = replace(judgement, verdict=Verdict.DOUBTFUL)
    test = _kept(
        joint,
        stretch,
        judgement,
        asked_amps=asked_amps,
        allowed_kelvin=allowed_kelvin,
        minutes=(end - stretch.began) / 60e3,
        hottest_celsius=float(loaded.max()) if len(loaded) else None,
    )
    return replace(test, warmer_neighbour=warmer)


def _warmer(celsius: Array, neighbours: Mapping[str, Array]) -> str | None:
    """The warmest neighbour where it is warmer than the joint itself over the last minute."""
    rows = round(60.0 / ROW_SECONDS)
    if len(celsius) < rows:
        return None
    own = float(np.mean(celsius[-rows:]))
    ends = {n: float(np.nanmean(c[-rows:])) for n, c in neighbours.items() if np.isfinite(c[-rows:]).any()}
    warmest = max(ends, key=lambda name: ends[name], default=None)
    return warmest if warmest is not None and ends[warmest] > own + WARMER_KELVIN else None


def _binned(series: Series, edges: Array) -> tuple[Array, Array]:
    """Means over rows of ten seconds, at the middle of each [s]; NaN where a row is empty."""
    middle = (edges[:-1] + edges[1:]) / 2e3
    if not len(series):
        return middle, np.full(len(middle), math.nan)
    times, values = (np.array(column, dtype=np.float64) for column in zip(*series, strict=True))
    row = np.searchsorted(edges, times, side="right") - 1
    inside = (row >= 0) & (row < len(middle)) & np.isfinite(values)
    count = np.bincount(row[inside], minlength=len(middle))
    total = np.bincount(row[inside], weights=values[inside], minlength=len(middle))
    mean = np.where(count > 0, total / np.maximum(count, 1), math.nan)
    return middle, mean


def _at(series: Series, edges: Array, seconds: Array) -> Array:
    """A slower or faster series on the rows: its mean there, else the line between its neighbours."""
    middle, mean = _binned(series, edges)
    known = np.isfinite(mean)
    if not known.any():
        return np.full(len(seconds), math.nan)
    filled = np.interp(middle, middle[known], mean[known])
    # a line over a long silence is nobody's measurement
    nearest = np.abs(middle[:, None] - middle[known][None, :]).min(axis=1)
    result: Array = np.where(nearest <= 3 * ROW_SECONDS, filled, math.nan)
    return result


def _was_moving(seconds: Array, celsius: Array, reference: Array | None, began_seconds: float) -> bool:
    """Whether the joint was still cooling from something before the load."""
    rest = (seconds < began_seconds) & (seconds > began_seconds - REST_SECONDS)
    if np.count_nonzero(rest) < 6:
        return True
    over = celsius[rest] - (0.0 if reference is None else reference[rest])
    slope = float(np.polyfit((seconds[rest] - began_seconds) / 60.0, over, 1)[0])
    return abs(slope) > _DRIFT_KELVIN_PER_MINUTE


def _kept(
    joint: Joint,
    stretch: Stretch,
    judgement: Judgement,
    *,
    asked_amps: float,
    allowed_kelvin: float,
    minutes: float,
    hottest_celsius: float | None,
) -> ProofTest:
    forecast = judgement.forecast
    tested = None if forecast is None else forecast.tested
    asked = None if forecast is None else forecast.asked
    cable = None
    if forecast is not None and joint.cable_mm2:
        cable = cable_rise_kelvin(min(joint.cable_mm2), asked_amps, forecast.surroundings_celsius)
    return ProofTest(
        joint=joint.joint,
        time=stretch.began,
        minutes=minutes,
        verdict=judgement.verdict,
        poor=judgement.poor,
        allowed_kelvin=allowed_kelvin,
        asked_amps=asked_amps,
        tested_amps=None if tested is None else tested.current_amps,
        surroundings_celsius=None if forecast is None else forecast.surroundings_celsius,
        tested_kelvin=None if tested is None else tested.kelvin,
        tested_low_kelvin=None if tested is None else tested.low_kelvin,
        tested_high_kelvin=None if tested is None else tested.high_kelvin,
        asked_kelvin=None if asked is None else asked.kelvin,
        asked_low_kelvin=None if asked is None else asked.low_kelvin,
        asked_high_kelvin=None if asked is None else asked.high_kelvin,
        cable_kelvin=cable,
        against_cable=_against_cable(asked, cable, judgement.poor),
        hottest_celsius=hottest_celsius,
    )


def cable_rise_kelvin(mm2: float, amps: float, air_celsius: float) -> float | None:
    """Own rise of a cable far from its joints; None for more than it can carry at all."""
    try:
        return fin.far_celsius(fin.copper_cable(mm2), amps, air_celsius) - air_celsius
    except ValueError:
        return None


def _against_cable(asked: Rise | None, cable_kelvin: float | None, poor: Poor | None) -> AgainstCable:
    if asked is None or cable_kelvin is None or poor is not None:
        return AgainstCable.NOT_KNOWN
    if asked.low_kelvin > (1.0 + CABLE_RATIO) * cable_kelvin:
        return AgainstCable.WARMER
    if asked.high_kelvin is not None and asked.high_kelvin < (1.0 + CABLE_RATIO) * cable_kelvin:
        return AgainstCable.NO_WARMER
    return AgainstCable.NOT_YET


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One test less another at one current [K], with its 95 % interval."""

    amps: float
    kelvin: float
    low_kelvin: float
    high_kelvin: float

    @property
    def certain(self) -> bool:
        return self.low_kelvin > 0.0 or self.high_kelvin < 0.0


def difference(one: ProofTest, other: ProofTest) -> Difference | None:
    """How much warmer `one` ends than `other`; None where either is poor or without end.

    At the currents they were tested at where these are alike, else at `one`'s asked current, `other`'s rise
    taken there by its square, which hides no more than the intervals do. These are taken to err apart: two
    tests of one joint err partly alike, so this is on the wide side.
    """
    if one.poor is not None or other.poor is not None:
        return None
    amps, other_amps = one.tested_amps, other.tested_amps
    alike = amps is not None and other_amps is not None and abs(amps / other_amps - 1.0) < SAME_LOAD_RATIO
    if alike:
        sides = [(t.tested_kelvin, t.tested_low_kelvin, t.tested_high_kelvin) for t in (one, other)]
    else:
        amps, other_amps = one.asked_amps, other.asked_amps
        sides = [(t.asked_kelvin, t.asked_low_kelvin, t.asked_high_kelvin) for t in (one, other)]
    assert amps is not None and other_amps is not None
    scales = (1.0, (amps / other_amps) ** 2)
    known = [[s * v for v in side if v is not None] for s, side in zip(scales, sides, strict=True)]
    if any(len(side) < 3 for side in known):
        return None
    (kelvin, low, high), (other_kelvin, other_low, other_high) = known
    apart = kelvin - other_kelvin
    return Difference(
        amps=amps,
        kelvin=apart,
        low_kelvin=apart - math.hypot(kelvin - low, other_high - other_kelvin),
        high_kelvin=apart + math.hypot(high - kelvin, other_kelvin - other_low),
    )
