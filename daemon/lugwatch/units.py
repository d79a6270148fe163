"""Units and how numbers and times are read and written as text.

Base units inside: °C for a temperature, K for a difference, A, Ω, s. Imports nothing of ours.
"""

import math
import re
from datetime import UTC, datetime

ZERO_CELSIUS_KELVIN = 273.15
MICRO = 1e-6

# Python's float() also takes "nan", "inf", "1e999", "2_3.5" and full-width digits (case C13):
# none of them is a measurement, so numbers from outside pass this pattern first.
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


def parse_number(text: str) -> float | None:
    """A finite number written in plain ASCII digits with a point, else None."""
    if _NUMBER.fullmatch(text) is None:
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def parse_time(text: str) -> int | None:
    """RFC 3339 text with a zone, or epoch seconds, as ms since 1970-01-01 UTC; else None."""
    seconds = parse_number(text)
    if seconds is not None:
        return round(seconds * 1000.0) if abs(seconds) < 1e11 else None
    if len(text) < 16 or text[4:5] != "-" or text[10:11] not in "Tt ":
        return None
    try:
        moment = datetime.fromisoformat(text.replace("z", "Z"))
    except ValueError:
        return None
    if moment.tzinfo is None:
        return None
    return round(moment.timestamp() * 1000.0)


def format_time(time: int) -> str:
    """ms since 1970 as RFC 3339 UTC with Z, milliseconds only where they are not zero."""
    moment = datetime.fromtimestamp(time // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    milliseconds = time % 1000
    return f"{moment}.{milliseconds:03d}Z" if milliseconds else f"{moment}Z"


# fmt: off
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)
# fmt: on


def format_date(time: int, beside: int) -> str:
    """The UTC date of `time` [ms since 1970] as people say it: "3 June"; with its year if not `beside`'s."""
    moment = datetime.fromtimestamp(time // 1000, UTC)
    day = f"{moment.day} {_MONTHS[moment.month - 1]}"
    same = moment.year == datetime.fromtimestamp(beside // 1000, UTC).year
    return day if same else f"{day} {moment.year}"


def format_duration(seconds: float) -> str:
    """A duration as people say it: "40 s", "12 min", "2 h 10 min", "3 d 4 h"."""
    whole = round(seconds)
    if whole < 90:
        return f"{whole} s"
    minutes = round(seconds / 60.0)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def format_micro_ohms(ohms: float, sd_ohms: float | None = None) -> str:
    """A joint's resistance as people write it: "85 µΩ", and with its deviation "490 µΩ ± 310" (two of them).

    With a deviation both are rounded to its second digit: more would be made up.
    """
    micro = ohms / MICRO
    if sd_ohms is None or not sd_ohms > 0.0:
        return f"{micro:.1f} µΩ" if abs(micro) < 10 else f"{micro:.0f} µΩ"
    spread = 2.0 * sd_ohms / MICRO
    digits = 1 - math.floor(math.log10(spread))
    shown = max(0, min(digits, 1))
    return f"{round(micro, digits):.{shown}f} µΩ ± {round(spread, digits):.{shown}f}"
