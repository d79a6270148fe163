"""What every source is, and the edge that each number from outside passes.

Not here: threads, retries of crashed sources and counting (the runner). May import: model, units.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Protocol

from pydantic import BaseModel, ConfigDict, Field, field_validator

from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.units import parse_number

# One sanity layer after any checksum: what no joint or cable of a boat can do and still answer.
PLAUSIBLE_CELSIUS = (-60.0, 400.0)
PLAUSIBLE_AMPS = (-5000.0, 5000.0)

# What one channel may bring in the long run, and at once after a pause. Sensors of a boat speak ten times
# a second at most (common practice, no source); what a hostile or broken one adds must not fill the card.
READINGS_A_SECOND = 20.0
READINGS_AT_ONCE = 1000.0

_NON_FINITE_WORDS = {"nan", "inf", "infinity"}


class Source(Protocol):
    """One bus, line or broker. Everything it needs is given when it is made."""

    @property
    def name(self) -> str:
        """As `model.Channel.source` has it: "onewire", "serial /dev/node", "mqtt"."""

    @property
    def interval_seconds(self) -> float:
        """How long to wait between polls; 0 where the poll itself waits (at most about 1 s)."""

    def poll(self) -> Sequence[Reading | Fault]:
        """All that was measured or went wrong since the last poll. Bounded; never raises for the world."""

    def close(self) -> None:
        """Give the bus back. Harmless when called twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """Why something that was read is not a measurement."""

    kind: FaultKind
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """value = raw · scale + offset, the offset in the channel's own unit [K or A]."""

    scale: float = 1.0
    offset: float = 0.0


AS_SENT = Calibration()
Finite = Annotated[float, Field(allow_inf_nan=False)]


class Keys(BaseModel):
    """The keys of one `source`, as the configuration has them."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class CalibratedKeys(Keys):
    """Those of a source whose numbers may need a scale or an offset."""

    scale: Finite = 1.0
    offset_kelvin: Finite | None = None  # probes
    offset_date: date | None = None  # when `offset_kelvin` was found
    zero_amps: Finite | None = None  # currents: what it shows when none flows, after the scale
    zero_date: date | None = None  # when `zero_amps` was found

    @field_validator("scale")
    @classmethod
    def _not_nothing(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError("every reading would be the same; −1 turns a sign round")
        return scale

    def calibration(self) -> Calibration:
        return Calibration(scale=self.scale, offset=(self.offset_kelvin or 0.0) - (self.zero_amps or 0.0))


class Allowance:
    """How much each channel may bring: a bucket of tokens that fills by the clock. Of one thread."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}  # channel -> readings left, and when that was

    def take(self, channel: str, now_seconds: float) -> bool:
        """Whether one more may come now [monotonic s]; if so it is counted."""
        left, then = self._left.get(channel, (READINGS_AT_ONCE, now_seconds))
        left = min(READINGS_AT_ONCE, left + READINGS_A_SECOND * max(0.0, now_seconds - then))
        self._left[channel] = (left - 1.0 if left >= 1.0 else left, now_seconds)
        return left >= 1.0


def number_from_text(text: str) -> float | Refused:
    """A finite number in plain digits, or why not: empty, not finite, not a number."""
    if not text:
        return Refused(kind=FaultKind.EMPTY, detail="no value was sent")
    value = parse_number(text)
    if value is not None:
        return value
    if text.lstrip("+-").lower() in _NON_FINITE_WORDS or _is_plain_number_shape(text):
        return Refused(kind=FaultKind.NOT_FINITE, detail=f"{text[:40]!r} is not a finite number")
    return Refused(kind=FaultKind.MALFORMED, detail=f"{text[:40]!r} is not a number")


def _is_plain_number_shape(text: str) -> bool:
    """True for text such as 1e999: digits right, size beyond any number the machine can hold."""
    mantissa, _, exponent = text.lower().partition("e")
    power = exponent.lstrip("+-")
    return parse_number(mantissa) is not None and power.isascii() and power.isdigit()


def measured(raw: float, quantity: Quantity, calibration: Calibration) -> float | Refused:
    """The calibrated value [°C or A] of a raw one, unless no boat can have made it."""
    value = raw * calibration.scale + calibration.offset
    low, high = PLAUSIBLE_CELSIUS if quantity is Quantity.CELSIUS else PLAUSIBLE_AMPS
    if low <= value <= high:
        return value
    unit = "°C" if quantity is Quantity.CELSIUS else "A"
    detail = f"{value:g} {unit} is outside {low:g} to {high:g} {unit}"
    return Refused(kind=FaultKind.IMPLAUSIBLE, detail=detail)
