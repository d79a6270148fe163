"""What the readings of one current tell of the channel itself: how finely it reads, how it repeats, its end.

A shunt's amplifier has noise. Where a channel reads finely enough to show it, two readings under load are
hardly ever the same number; then a number that comes again and again is not a measurement, whatever flows.
A coarse channel may say the same for hours and be right, so nothing is concluded from its constancy.
Converters saturate: beyond the end of the range each reading is the same largest number.

Not here: what other currents and joints say (`current_doubt`), words. Thresholds are this project's own;
no source gives any. May import: nothing of ours.
"""

import math
from dataclasses import dataclass, replace

# Readings under load, each another than the one before, until a channel's habits are known.
KNOWN_READINGS = 60
# Of them so many may have been the same as the one before: 12 the same in a row are then no chance.
REPEATS_RATIO = 0.05
HABIT_READINGS = 100.0  # habits are followed over about so many
# Fine: the step between two numbers is less than this share of the number itself.
FINE_RATIO = 1.0 / 2000.0
STEP_FORGETS = 1.002  # the smallest step counts less with each reading that does not show it again
# So many equal readings in a row, on a channel that does not repeat itself, are held back until it moves…
HELD_READINGS = 4
# …and so many over so long are no accident.
STANDING_READINGS, STANDING_SECONDS = 12, 55.0
# This close to the rating a number that stands still is the end of the range.
RAIL_RATIO = 0.98
# A number that nothing exceeds is hit exactly, so often of the last readings: the end of the range.
CLIPPED_SHARE, TOP_READINGS, TOP_SECONDS = 0.3, 40.0, 1800.0
ENOUGH_SMALLER = 8  # readings below it and none above
# Back and forth by more than the rating from one reading to the next: no load of a boat does that for long.
LEAPING_SHARE, LEAP_READINGS = 0.5, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """The largest sizes of one sign, and whether one of them is the end of the range."""

    recent_amps: float = 0.0  # largest of the last half hour or less…
    before_amps: float = 0.0  # …and of the half hour before
    since_seconds: float = -math.inf
    hit_amps: float = math.nan  # said twice in a row, and nothing larger since
    hits_share: float = 0.0  # of the readings under load of this sign that were just that
    smaller_readings: int = 0  # under load, since
    end_amps: float | None = None  # known end of the range, until a reading goes beyond it

    def take(self, size: float, now: float, again: bool, known: bool) -> "Top":
        """One reading of this sign. again: as the one before; known: the channel hardly repeats itself."""
        recent, before, since = self.recent_amps, self.before_amps, self.since_seconds
        if now - since > TOP_SECONDS or now < since:
            # a sign that was not seen for longer has nothing recent at all
            before, recent, since = (recent if now - since <= 2.0 * TOP_SECONDS else 0.0), 0.0, now
        recent = max(recent, size)
        hit, share, smaller = self.hit_amps, self.hits_share, self.smaller_readings
        if size > hit or (again and not size <= hit):  # NaN: nothing hit yet
            hit, share, smaller = (size if again else math.nan), 0.0, 0
        elif again and size < hit and share < 1.0 / TOP_READINGS:
            hit, share, smaller = size, 0.0, 0  # the other was hit long ago
        share += ((1.0 if size == hit else 0.0) - share) / TOP_READINGS
        smaller += size < hit
        end = None if self.end_amps is not None and size > self.end_amps else self.end_amps
        largest = size >= max(recent, before)
        if known and size == hit and share > CLIPPED_SHARE and (largest or smaller >= ENOUGH_SMALLER):
            end = size
        return Top(
            recent_amps=recent,
            before_amps=before,
            since_seconds=since,
            hit_amps=hit,
            hits_share=share,
            smaller_readings=smaller,
            end_amps=end,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One current, as its readings came [A, monotonic s]; NaN: never read."""

    amps: float = math.nan
    run_readings: int = 0  # the same number in a row, the first included
    run_since_seconds: float = math.inf
    run_until_seconds: float = -math.inf
    fell_from_amps: float = math.nan  # what it said before the present run
    moved: bool = False  # has ever said another number than the one before
    step_amps: float = math.inf  # smallest difference seen between two readings, slowly forgotten
    varied_readings: int = 0
    repeats_share: float = 0.0
    repeated_amps: float = math.nan  # the number that was last said twice in a row
    leaps_share: float = 0.0
    positive: Top = Top()
    negative: Top = Top()
    # since the last window was closed
    window_readings: int = 0
    window_at_end: int = 0  # exactly at the known end of the range
    window_beyond: int = 0  # beyond what the shunt can carry for long

    @property
    def habits_known(self) -> bool:
        """It has shown that under load it does not repeat itself."""
        return self.varied_readings >= KNOWN_READINGS and self.repeats_share < REPEATS_RATIO

    @property
    def fine(self) -> bool:
        """It shows its noise, and would at the present value: standing still is no measurement."""
        return self.habits_known and self.step_amps <= FINE_RATIO * abs(self.amps)

    @property
    def at_top(self) -> bool:
        """Nothing of the last half hour or more was larger, and something was smaller."""
        top = self.positive if self.amps > 0.0 else self.negative
        return self.moved and abs(self.amps) >= max(top.recent_amps, top.before_amps)

    @property
    def run_seconds(self) -> float:
        return self.run_until_seconds - self.run_since_seconds

    @property
    def standing(self) -> bool:
        """The same number for longer than an accident."""
        return self.run_readings >= STANDING_READINGS and self.run_seconds >= STANDING_SECONDS


def take(
    trace: Trace, amps: float, now: float, floor_amps: float, largest_amps: float, rated_amps: float | None
) -> Trace:
    """One reading at `now` [monotonic s].

    floor_amps: less is no load; a channel may rest there on any number. largest_amps: what the shunt can
    carry for a moment; rated_amps: of the shunt, None where nobody said.
    """
    before = trace.amps
    loaded = abs(amps) >= floor_amps
    same = amps == before
    difference = 0.0 if math.isnan(before) else abs(amps - before)
    step, varied, repeats = trace.step_amps, trace.varied_readings, trace.repeats_share
    repeated = amps if same else trace.repeated_amps
    # one number over and over is no habit: it may be the end of the range, or a channel that is stuck
    if loaded and abs(before) >= floor_amps and not (same and amps == trace.repeated_amps):
        repeats += ((1.0 if same else 0.0) - repeats) / HABIT_READINGS
        varied += 0 if same else 1
    if difference > 0.0:
        step = min(step * STEP_FORGETS, difference)
    leap = rated_amps is not None and difference > rated_amps
    positive, negative = trace.positive, trace.negative
    if loaded:
        known = trace.habits_known and step <= FINE_RATIO * abs(amps)
        if amps > 0.0:
            positive = positive.take(amps, now, same, known)
        else:
            negative = negative.take(-amps, now, same, known)
    end = positive.end_amps if amps > 0.0 else negative.end_amps
    return Trace(
        amps=amps,
        run_readings=trace.run_readings + 1 if same else 1,
        run_since_seconds=trace.run_since_seconds if same else now,
        run_until_seconds=now,
        fell_from_amps=trace.fell_from_amps if same else before,
        moved=trace.moved or difference > 0.0,
        step_amps=step,
        varied_readings=varied,
        repeats_share=repeats,
        repeated_amps=repeated,
        leaps_share=trace.leaps_share + ((1.0 if leap else 0.0) - trace.leaps_share) / LEAP_READINGS,
        positive=positive,
        negative=negative,
        window_readings=trace.window_readings + 1,
        window_at_end=trace.window_at_end + (end is not None and abs(amps) == end),
        window_beyond=trace.window_beyond + (abs(amps) > largest_amps),
    )


def next_window(trace: Trace) -> Trace:
    """The same, with nothing in its window."""
    return replace(trace, window_readings=0, window_at_end=0, window_beyond=0)


def at_end(trace: Trace, rated_amps: float | None) -> bool:
    """Whether the readings of this window stood at the end of the range.

    Either at an end known from before, or on one number at the rating or beyond it.
    """
    if trace.window_readings and 2 * trace.window_at_end >= trace.window_readings:
        return True
    rail = rated_amps is not None and abs(trace.amps) >= RAIL_RATIO * rated_amps
    return rail and trace.standing


def held_back(trace: Trace, floor_amps: float, rated_amps: float | None) -> bool:
    """Whether it stands still where it should not, though not yet for long."""
    if trace.run_readings < HELD_READINGS or abs(trace.amps) < floor_amps:
        return False
    rail = rated_amps is not None and abs(trace.amps) >= RAIL_RATIO * rated_amps
    return trace.fine or (rail and trace.habits_known)
