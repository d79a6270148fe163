"""A joint's rise from passage to passage as places on paper: dots with bars, baseline, trend, forecast.

The same picture as the page's script draws on a screen (`over_passages.js`), for a sheet without script.
Pure: numbers in, numbers out; the template draws. May import: json_shapes, model.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lugwatch.json_shapes import JsonObject
from lugwatch.model import Creep, JointBaseline, Passage

WIDTH, HEIGHT = 680.0, 230.0  # of the drawing, in its own units: a printed page is as wide
LEFT, RIGHT, TOP, BOTTOM = 52.0, 12.0, 12.0, 26.0
AT_100_AMPS = 1e4  # A²
DAY_MS = 86_400_000.0
LEAST_AHEAD_DAYS = 30.0
_STEPS_KELVIN = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
_MOST_TICKS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """One passage: time [ms], rise at 100 A [K] and two deviations of it against other passages, if known."""

    passage_id: int
    time: int
    kelvin: float
    spread: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """From time [ms] and kelvin to places."""

    first: float
    last: float
    low: float
    high: float

    def x(self, time: float) -> float:
        share = (time - self.first) / (self.last - self.first)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, kelvin: float) -> float:
        share = (self.high - kelvin) / (self.high - self.low)
        return round(TOP + share * (HEIGHT - TOP - BOTTOM), 1)


def dots(joint: str, passages: Sequence[Passage]) -> list[Dot]:
    """Passages that could tell the joint's rise, in their order."""
    found: list[Dot] = []
    for p in passages:
        told = p.joints.get(joint)
        if told is None or told.rise_coefficient is None:
            continue
        sd = told.against_others_sd
        found.append(
            Dot(
                passage_id=p.passage_id,
                time=p.start_time,
                kelvin=told.rise_coefficient * AT_100_AMPS,
                spread=None if sd is None else 2.0 * sd * AT_100_AMPS,
            )
        )
    return found


def chart(known: Sequence[Dot], creep: Creep | None, baseline: JointBaseline | None) -> JsonObject | None:
    """The drawing; None where no passage could tell.

    The forecast may lie far off: it is drawn as far ahead as the record goes back, and `forecast_shown`
    says whether its end is on the paper.
    """
    if not known:
        return None
    first, last = float(known[0].time), float(known[-1].time)
    slope = None if creep is None else _kelvin_per_ms(creep, known[0])
    reaches = None if creep is None or slope is None else creep.reaches_time
    end = last
    if reaches is not None and reaches > last:
        end = min(float(reaches), last + max(last - first, LEAST_AHEAD_DAYS * DAY_MS))

    def trend(time: float) -> float:
        assert creep is not None and creep.rise_coefficient is not None and slope is not None
        return creep.rise_coefficient * AT_100_AMPS + slope * (time - float(creep.last_time or last))

    values = [d.kelvin + sign * (d.spread or 0.0) for d in known for sign in (-1.0, 1.0)]
    if slope is not None:
        values += [trend(first), trend(end)]
    band = None if baseline is None else _band(baseline)
    if band is not None:
        values += band
    half_up = None
    if creep is not None and slope is not None and band is not None and creep.reaches_time is not None:
        half_up = creep.reaches_ratio * (band[0] + band[1]) / 2.0
        values.append(half_up)
    pad = max(DAY_MS / 4.0, 0.04 * (end - first))
    high = max(values) * 1.06
    low = min(0.0, *values)
    frame = _Frame(first=first - pad, last=end + pad, low=low, high=high if high > low else low + 1.0)
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "foot": HEIGHT - 8.0,
        "ticks": [{"kelvin": k, "y": frame.y(k), "digits": d} for k, d in _ticks(frame)],
        "dots": [
            {
                "passage_id": d.passage_id,
                "time": d.time,
                "kelvin": d.kelvin,
                "spread": d.spread,
                "x": frame.x(d.time),
                "y": frame.y(d.kelvin),
                "y_low": None if d.spread is None else frame.y(d.kelvin - d.spread),
                "y_high": None if d.spread is None else frame.y(d.kelvin + d.spread),
            }
            for d in known
        ],
        "band": None
        if band is None
        else {"y": frame.y(band[1]), "height": frame.y(band[0]) - frame.y(band[1])},
        "trend": None if slope is None else _stretch(frame, first, last, trend(first), trend(last)),
        "ahead": None
        if slope is None or end <= last
        else _stretch(frame, last, end, trend(last), trend(end)),
        "half_up_y": None if half_up is None else frame.y(half_up),
        "forecast_shown": reaches is not None and end >= reaches,
        "from": {"time": round(first), "x": frame.x(first)},
        "to": {"time": round(end), "x": frame.x(end)},
    }


def _kelvin_per_ms(creep: Creep, first: Dot) -> float | None:
    """The trend's slope: gains are shares of the baseline, or of the first passage where there is none."""
    if creep.rise_coefficient is None or creep.gain_ratio_per_100_days is None:
        return None
    base = first.kelvin
    if creep.baseline_coefficient is not None:
        base = creep.baseline_coefficient * AT_100_AMPS
    return creep.gain_ratio_per_100_days * base / (100.0 * DAY_MS)


def _band(baseline: JointBaseline) -> list[float]:
    middle, spread = baseline.rise_coefficient, 2.0 * baseline.rise_coefficient_sd
    return [AT_100_AMPS * (middle - spread), AT_100_AMPS * (middle + spread)]


def _stretch(frame: _Frame, a: float, b: float, kelvin_a: float, kelvin_b: float) -> JsonObject:
    return {"x1": frame.x(a), "y1": frame.y(kelvin_a), "x2": frame.x(b), "y2": frame.y(kelvin_b)}


def _ticks(frame: _Frame) -> list[tuple[float, int]]:
    """Round kelvins from the bottom up, each with the digits it needs."""
    span = frame.high - frame.low
    step = next((s for s in _STEPS_KELVIN if span / s <= _MOST_TICKS), 500.0)
    lowest, highest = math.ceil(frame.low / step), math.floor(frame.high / step)
    return [(n * step, 1 if step < 1.0 else 0) for n in range(lowest, highest + 1)]
