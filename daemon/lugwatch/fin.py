"""A cable as a fin: what heat it takes away from a joint, and what it brings.

A long cable that carries current settles far from the joint where its own heat goes into the air. Near
the joint it is warmer or colder than that, over about a healing length, and the difference flows. Not
here: the joint, uncertainty. Scalars or arrays of conductor temperatures; units in brackets. May
import numpy, units, materials and thermal only.
"""

import math
from dataclasses import dataclass

import numpy as np

from lugwatch import materials, thermal
from lugwatch.materials import Conductor
from lugwatch.thermal import Array
from lugwatch.units import ZERO_CELSIUS_KELVIN

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m² K⁴), CODATA 2018
COPPER_CONDUCTIVITY = 390.0  # W/(m K), annealed, near 50 °C; textbook, from memory
PLASTIC_CONDUCTIVITY = 0.19  # W/(m K): soft PVC 0.17, rubbers 0.2 to 0.25; handbooks, from memory
PLASTIC_EMISSIVITY = 0.9  # dull plastic of any colour; textbook, from memory

# Air at 1 bar: °C, kinematic viscosity [m²/s], conductivity [W/(m K)], Prandtl number.
# Incropera, Fundamentals of Heat and Mass Transfer, table A.4; from memory.
_AIR_CELSIUS = np.array([-23.15, 26.85, 76.85, 126.85, 176.85])
_AIR_VISCOSITY = np.array([11.44e-6, 15.89e-6, 20.92e-6, 26.41e-6, 32.39e-6])
_AIR_CONDUCTIVITY = np.array([22.3e-3, 26.3e-3, 30.0e-3, 33.8e-3, 37.3e-3])
_AIR_PRANDTL = np.array([0.720, 0.707, 0.700, 0.690, 0.686])

# Insulation of a flexible cable [mm] against its mm²: between thin wiring (1.4 mm at 50 mm²,
# EN 50525-2-31) and rubbery battery and welding cable (2.2 mm, EN 50525-2-81); from memory.
_INSULATION_MM2 = np.array([1.5, 6.0, 16.0, 35.0, 70.0, 120.0, 240.0])
_INSULATION_MILLIMETRES = np.array([0.8, 1.0, 1.2, 1.6, 1.9, 2.1, 2.4])
# diameter over the strands [mm] is this times √mm²: 0.70 of it is copper, as in bunched fine strands
_STRANDS_RATIO = 1.35

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """One cable, as heat sees it."""

    ohms_per_metre: float  # at 20 °C
    watt_metres_per_kelvin: float  # k·A, along the copper
    outside_metres: float  # diameter over the insulation
    insulation_kelvin_metres_per_watt: float  # from copper to surface, of one metre
    emissivity: float = PLASTIC_EMISSIVITY


def usual_insulation_millimetres(mm2: float) -> float:
    """Thickness of insulation [mm] that a flexible cable of this size usually has; ± a third."""
    return float(np.interp(mm2, _INSULATION_MM2, _INSULATION_MILLIMETRES))


def copper_cable(
    mm2: float, *, conductor: Conductor = Conductor.FLEXIBLE, insulation_millimetres: float | None = None
) -> Cable:
    """A copper cable of this cross-section [mm²], its resistance from IEC 60228.

    Its k·A follows from the same resistance (Wiedemann and Franz: what the strands' twist and tolerance
    take from the one they take from the other). ValueError outside the conductor table.
    """
    ohms = materials.ohms_per_metre(mm2, conductor)
    thickness = (
        usual_insulation_millimetres(mm2) if insulation_millimetres is None else insulation_millimetres
    )
    inside = _STRANDS_RATIO * 1e-3 * math.sqrt(mm2)
    outside = inside + 2e-3 * thickness
    return Cable(
        ohms_per_metre=ohms,
        watt_metres_per_kelvin=COPPER_CONDUCTIVITY * materials.COPPER_OHM_METRES / ohms,
        outside_metres=outside,
        insulation_kelvin_metres_per_watt=math.log(outside / inside) / (2.0 * math.pi * PLASTIC_CONDUCTIVITY),
    )


# ---- heat into the air -----------------------------------------------------------------------


def churchill_chu(rayleigh: Array, prandtl: Array) -> Array:
    """Nusselt number of a long horizontal cylinder in free convection, Ra < 10¹².

    (0.60 + 0.387·Ra^(1/6) / (1 + (0.559/Pr)^(9/16))^(8/27))²: Churchill and Chu 1975, in Incropera as
    equation 9.34; from memory.
    """
    shape = (1.0 + (0.559 / prandtl) ** (9.0 / 16.0)) ** (8.0 / 27.0)
    result: Array = (0.60 + 0.387 * rayleigh ** (1.0 / 6.0) / shape) ** 2
    return result


def morgan(rayleigh: Array) -> Array:
    """The same for 10² < Ra < 10⁴, where cables are: 0.850·Ra^0.188.

    Morgan 1975, in Incropera as equation 9.33; from memory.
    """
    result: Array = 0.850 * rayleigh**0.188
    return result


def convection_coefficient(diameter_metres: float, surface_celsius: Array, air_celsius: float) -> Array:
    """Free convection from a long horizontal cylinder [W/(m² K)]; 2 to 25 in gases (Çengel, read).

    The geometric mean of two laws that lie up to 20 % apart where cables are; their difference belongs
    into any uncertainty. Properties at the film temperature.
    """
    film = 0.5 * (surface_celsius + air_celsius)
    viscosity = np.interp(film, _AIR_CELSIUS, _AIR_VISCOSITY)
    conductivity = np.interp(film, _AIR_CELSIUS, _AIR_CONDUCTIVITY)
    prandtl = np.interp(film, _AIR_CELSIUS, _AIR_PRANDTL)
    buoyancy = 9.81 / (film + ZERO_CELSIUS_KELVIN) * np.abs(surface_celsius - air_celsius)
    rayleigh = buoyancy * diameter_metres**3 / viscosity**2 * prandtl
    # at no difference at all convection is conduction into the air around: not nothing
    rayleigh = np.maximum(rayleigh, 1.0)
    nusselt = np.sqrt(churchill_chu(rayleigh, prandtl) * morgan(rayleigh))
    result: Array = nusselt * conductivity / diameter_metres
    return result


def radiation_coefficient(emissivity: float, surface_celsius: Array, air_celsius: float) -> Array:
    """Grey radiation to walls at the air's temperature, per kelvin of difference [W/(m² K)]. Textbook."""
    hot = surface_celsius + ZERO_CELSIUS_KELVIN
    wall = air_celsius + ZERO_CELSIUS_KELVIN
    result: Array = emissivity * STEFAN_BOLTZMANN * (hot * hot + wall * wall) * (hot + wall)
    return result


def loss_coefficient(
    cable: Cable, conductor_celsius: Array, air_celsius: float, film_ratio: float = 1.0
) -> Array:
    """Heat from a metre of copper through insulation and film into the air [W/(m K)].

    1/(h·p) and the insulation stand in series; h depends on the surface, which five rounds of
    substitution find to far below a per cent. film_ratio: what multiplies h (draught, loom, conduit).
    """
    perimeter = math.pi * cable.outside_metres
    surface: Array = np.asarray(conductor_celsius, dtype=np.float64)
    for _ in range(6):
        film = convection_coefficient(cable.outside_metres, surface, air_celsius)
        film = film + radiation_coefficient(cable.emissivity, surface, air_celsius)
        per_metre: Array = film_ratio * perimeter * film
        whole: Array = per_metre / (1.0 + cable.insulation_kelvin_metres_per_watt * per_metre)
        surface = air_celsius + (conductor_celsius - air_celsius) * whole / per_metre
    return whole


# ---- the linear fin --------------------------------------------------------------------------


def healing_length_metres(cable: Cable, loss_per_metre: float) -> float:
    """L = √(k·A/(h·p)) [m]: over this length a difference falls to 1/e. Incropera, section 3.6.

    loss_per_metre: h·p with the insulation in it [W/(m K)].
    """
    return math.sqrt(cable.watt_metres_per_kelvin / loss_per_metre)


def fin_conductance(cable: Cable, loss_per_metre: float) -> float:
    """G = √(h·p·k·A) [W/K] of a cable of more than two healing lengths. Incropera, table 3.4."""
    return math.sqrt(cable.watt_metres_per_kelvin * loss_per_metre)


def profile_celsius(
    cable: Cable,
    loss_per_metre: float,
    amps: float,
    root_celsius: float,
    air_celsius: float,
    metres: Array,
    length_metres: float = math.inf,
) -> Array:
    """Temperature along a cable with its own heating [°C] at these distances from the root [m].

    k·A·T″ = h·p·(T − Ta) − I²·r′·(1 + α·(T − 20)), linear and therefore exact: T∞ + (T0 − T∞)·e^(−x/L),
    or cosh for a cable of finite length with an end that no heat passes. Its own L is longer than
    without current, since α·I²·r′ takes from h·p. ValueError when nothing is left: the cable itself
    runs away.
    """
    alpha = thermal.COPPER_ALPHA_PER_KELVIN
    heat = amps * amps * cable.ohms_per_metre
    net = loss_per_metre - alpha * heat
    if net <= 0.0:
        raise ValueError("at this current the cable never settles")
    far = air_celsius + heat * (1.0 + alpha * (air_celsius - thermal.REFERENCE_CELSIUS)) / net
    healing = math.sqrt(cable.watt_metres_per_kelvin / net)
    if math.isinf(length_metres):
        return far + (root_celsius - far) * np.exp(-metres / healing)
    result: Array = far + (root_celsius - far) * np.cosh((length_metres - metres) / healing) / math.cosh(
        length_metres / healing
    )
    return result


# ---- the fin as it is ------------------------------------------------------------------------


def _net_loss(cable: Cable, celsius: Array, air_celsius: float, amps: float, film_ratio: float) -> Array:
    lost = loss_coefficient(cable, celsius, air_celsius, film_ratio) * (celsius - air_celsius)
    made = amps * amps * cable.ohms_per_metre * thermal.resistance_factor(celsius)
    result: Array = lost - made
    return result


def far_celsius(cable: Cable, amps: float, air_celsius: float, film_ratio: float = 1.0) -> float:
    """Where the cable settles far from any joint [°C]. ValueError above 400 K of rise: it burns.

    Newton's steps inside a bracket; halved where a step would leave it.
    """

    def net(celsius: float) -> float:
        return float(_net_loss(cable, np.array([celsius]), air_celsius, amps, film_ratio)[0])

    low, high = air_celsius, air_celsius + 400.0
    if net(high) <= 0.0:
        raise ValueError(f"{amps:g} A is more than this cable can carry at all")
    celsius = low
    for _ in range(40):
        value = net(celsius)
        low, high = (celsius, high) if value < 0.0 else (low, celsius)
        slope = (net(celsius + 0.01) - value) / 0.01
        following = celsius - value / slope if slope > 0.0 else low
        if not low <= following <= high:
            following = 0.5 * (low + high)
        if abs(following - celsius) < 1e-9:
            break
        celsius = following
    return celsius


def root_watts(
    cable: Cable, amps: float, root_celsius: Array, air_celsius: float, film_ratio: float = 1.0
) -> Array:
    """Heat that flows from the joint into one long cable [W]; negative: the cable warms the joint.

    root_celsius: (...) [°C], and so the result. Nothing linearised: k·A·T″ = q(T) with q what a metre
    loses less what it makes has the first integral (k·A·T′)² = 2·k·A·∫ q dT from T∞ to T0, taken by Gauss
    and Legendre. Good for cables of more than about two healing lengths (0.4 m for 50 mm²).
    """
    far = far_celsius(cable, amps, air_celsius, film_ratio)
    half = 0.5 * (np.asarray(root_celsius, dtype=np.float64) - far)
    celsius = far + half[..., None] * (1.0 + _NODES)
    integral = half * (_net_loss(cable, celsius, air_celsius, amps, film_ratio) @ _WEIGHTS)
    # q has the sign of T − T∞ on the whole way, so the integral is never below nothing but by rounding
    watts = np.sqrt(np.maximum(0.0, 2.0 * cable.watt_metres_per_kelvin * integral))
    result: Array = np.copysign(watts, half)
    return result
