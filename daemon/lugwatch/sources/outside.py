"""What drivers reach the world by, in one place, so that it can be written down and played back.

Not here: MQTT, whose library owns its socket. May import: i2c_bus, onewire_bus, serial_nmea.
"""

from collections.abc import Callable
from dataclasses import dataclass

from lugwatch.sources.i2c_bus import Bus, SystemBus
from lugwatch.sources.onewire_bus import Files, SystemFiles
from lugwatch.sources.serial_nmea import Port, open_port


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """files: of the one-wire folder. open_port: device, baud. open_bus: the path of an I2C bus."""

    files: Callable[[], Files] = SystemFiles
    open_port: Callable[[str, int], Port] = open_port
    open_bus: Callable[[str], Bus] = SystemBus


WORLD = Outside()
