"""What hangs on this board. The only file to change."""

ONE_WIRE_PIN = 15
# transducer name as in lugwatch.toml (capitals, digits, _) and the probe's id (its label)
PROBES = (
    ("BAR_ALT", "28-0123456789ab"),
    ("AIR_LOCKER", "28-0123456789ac"),
)

# transducer name, chip, I2C address, resistance of the shunt in micro-ohm (50 mV at 200 A: 250); or None
SHUNT = ("ALTERNATOR", "ina226", 0x40, 250)
I2C_NUMBER, SDA_PIN, SCL_PIN = 0, 4, 5
