"""What a stack of parts should measure, in words: how it is described, what is told of it, advice.

For the command, the page and the configuration alike. May import: stack, materials, units.
"""

from dataclasses import dataclass, replace

from lugwatch.materials import IEC_60228_OHMS_PER_KM, RISE_LIMITS
from lugwatch.stack import MOST_LUGS, USUAL_TORQUE_NEWTON_METRES, Expected, Lug, Stack, expect
from lugwatch.units import parse_number

BAR_METALS = ("copper", "brass, 63 % copper", "brass, 58 % copper", "aluminium")
AIR_CELSIUS = 30.0
LEAST_TORQUE, MOST_TORQUE = 0.1, 200.0  # N m


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A stack, what is expected of it, and the same without what lies in the current's way."""

    stack: Stack
    expected: Expected
    direct: Expected  # the very same where nothing lies in the way


def find(stack: Stack, air_celsius: float = AIR_CELSIUS) -> Found:
    """Work out both."""
    direct = expect(replace(stack, in_path=()), air_celsius)
    expected = expect(stack, air_celsius) if stack.in_path else direct
    return Found(stack=stack, expected=expected, direct=direct)


def lug(text: str) -> Lug:
    """ "50:150": 50 mm² of copper and 150 A. Raises ValueError that says how to write it."""
    size, _, current = text.partition(":")
    mm2, amps = parse_number(size), parse_number(current)
    least, most = min(IEC_60228_OHMS_PER_KM), max(IEC_60228_OHMS_PER_KM)
    if mm2 is None or amps is None or not least <= mm2 <= most or not 0 <= amps <= 2000:
        raise ValueError(
            f"write the copper of its cable ({least:g} to {most:g} mm²) and its current in A, as 50:150"
        )
    return Lug(cable_mm2=mm2, amps=amps)


def bar(text: str) -> tuple[float, float]:
    """ "25x5": width and thickness [mm]. Raises ValueError that says how to write it."""
    width, _, thickness = text.lower().partition("x")
    numbers = parse_number(width), parse_number(thickness)
    if numbers[0] is None or numbers[1] is None or not all(1 <= n <= 300 for n in numbers if n is not None):
        raise ValueError("write width and thickness in mm, as 25x5")
    return numbers[0], numbers[1]


def ohms(value: float) -> str:
    """Micro-ohms with two digits."""
    return f"{value * 1e6:.2g} µΩ" if value < 99.5e-6 else f"{value * 1e6:.0f} µΩ"


def amps(stack: Stack) -> str:
    """What flows through it."""
    return f"{stack.amps:g} A"


def micro_ohms(found: Expected) -> str:
    """Its resistance with the interval."""
    figures = (found.resistance_ohms, found.low_ohms, found.high_ohms)
    middle, low, high = (f"{1e6 * x:.2g}" if x < 99.5e-6 else f"{1e6 * x:.0f}" for x in figures)
    return f"{middle} µΩ ({low} to {high})"


def kelvin(found: Expected) -> str:
    """Its rise with the interval."""
    low, middle, high = (
        "without end" if k is None else f"{k:.0f} K"
        for k in (found.low_kelvin, found.rise_kelvin, found.high_kelvin)
    )
    return f"{middle} ({low} to {high})"


def rows(expected: Expected) -> list[tuple[str, str, str, str, str]]:
    """The current's way: what, contact or metal, resistance, what it carries, what heat it makes."""
    return [
        (
            layer.what,
            "contact" if layer.contact else "metal",
            ohms(layer.ohms),
            f"{layer.amps:g} A",
            f"{layer.amps**2 * layer.ohms:.2g} W",
        )
        for layer in expected.layers
    ]


ROWS_HEADER = ("from the top lug to the bar", "", "median", "carries", "makes")


def lines(found: Found) -> list[str]:
    """All that is expected, a sentence each."""
    stack, expected = found.stack, found.expected
    told = [
        f"clamped with {expected.clamp_newtons / 1e3:.1f} kN by {stack.torque:g} N m on {stack.stud}",
        f"resistance: {micro_ohms(expected)} at 20 °C, {expected.contact_share:.0%} of it in contacts",
        f"measured from the cable's copper it is some {expected.crimp_ohms * 1e6:.0f} µΩ more, "
        "for lug and crimp",
        f"rise at {amps(stack)}: {kelvin(expected)}; 95 %, torque, faces and air together",
    ]
    if found.expected is not found.direct:
        parts = ", ".join(part.value.replace("_", " ") for part in stack.in_path)
        told.append(f"the same without the {parts}: {micro_ohms(found.direct)}, rise {kelvin(found.direct)}")
    if expected.cable_kelvin is None:
        told.append("its cable cannot carry that current at all")
    else:
        told.append(f"its warmest cable by itself: {expected.cable_kelvin:.0f} K; a sound joint is no warmer")
    limit = next(x for x in RISE_LIMITS if "tinned" in x.what)
    allowed = f"{limit.rise_kelvin:.0f} K over 40 °C on a {limit.what} ({limit.source})"
    told.append(f"allowed: {allowed}, or the cable's class")
    return told


def advice(stack: Stack) -> list[str]:
    """Order, number, washers, torque: each with where it is from."""
    told = []
    if stack.in_path:
        told.append(
            "take it out of the current's way: lug on bar, bare metal on bare metal (common practice)"
        )
    sizes = [lug.cable_mm2 for lug in stack.lugs]
    if sizes != sorted(sizes, reverse=True):
        told.append("put the largest lug nearest the bar (common practice, no source)")
    if len(sizes) > MOST_LUGS:
        told.append(f"{len(sizes)} lugs on one stud: no more than {MOST_LUGS} (ABYC E-11, as reported)")
    told.append("flat washer only under the lock washer, on top of the lugs (common practice, no source)")
    usual = USUAL_TORQUE_NEWTON_METRES[stack.stud]
    told.append(
        f"torque: as the maker of the stud says; {usual:g} N m is usual for {stack.stud} of brass "
        "or stainless (common practice, no source)"
    )
    told.append("work on it only with the circuit dead and the battery isolated; local codes come first")
    return told
