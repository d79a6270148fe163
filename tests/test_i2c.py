"""Chips on I2C through the real driver, over a bus that answers register by register and fails when told."""

import errno
import random
import threading
from collections.abc import Sequence

import pytest

from lugwatch.clock import ManualClock
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.simulator.chips import ChipBus, ConverterDevice, ShuntDevice
from lugwatch.sources import shunt_registers as shunt
from lugwatch.sources.base import AS_SENT, Calibration
from lugwatch.sources.i2c import I2cChips
from lugwatch.sources.i2c_bus import SystemBus, explain
from lugwatch.sources.i2c_chips import Chip, ShuntAmplifier, ThermistorConverter, ThermistorInput
from lugwatch.sources.thermistor import Divider, beta_curve

OHMS = 50e-3 / 200  # a shunt of 50 mV at 200 A
SERIES_OHMS, OHMS_AT_25, BETA_KELVIN = 10_000.0, 10_000.0, 3435.0
CURVE = beta_curve(OHMS_AT_25, BETA_KELVIN)


class Rig:
    """Two shunts (a 226 at 40h, a 228 at 41h) and four thermistors (48h), as one bus and one source."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.stop = threading.Event()
        self.amps = {0x40: 95.0, 0x41: -40.0}
        self.volts = [1.65, 1.2, 0.9, 0.6]
        seconds = self.clock.monotonic_seconds
        self.shunts = {
            address: ShuntDevice(lambda a=address: self.amps[a] * OHMS, seconds, wide=address == 0x41)
            for address in self.amps
        }
        self.converter = ConverterDevice([lambda i=i: self.volts[i] for i in range(4)], seconds)
        self.bus = ChipBus({**self.shunts, 0x48: self.converter}, self.clock.advance)
        self.source = self.source_of(self.chips())

    def chips(self, supply_input: int | None = None) -> list[Chip]:
        return [
            amplifier(0x40, shunt.INA226),
            amplifier(0x41, shunt.INA228_NARROW),
            ThermistorConverter(
                address=0x48,
                inputs=[thermistor(i) for i in range(4) if i != supply_input],
                supply_volts=3.3,
                supply_input=supply_input,
                clock=self.clock,
                stop=self.stop,
            ),
        ]

    def source_of(self, chips: Sequence[Chip]) -> I2cChips:
        return I2cChips(
            name="i2c /dev/i2c-1",
            path="/dev/i2c-1",
            chips=chips,
            interval_seconds=5.0,
            clock=self.clock,
            stop=self.stop,
            bus=self.bus,
        )

    def poll(self) -> tuple[dict[str, float], dict[str | None, Fault]]:
        """One cycle, five seconds after the last: readings and faults by channel."""
        self.clock.advance(5.0)
        events = self.source.poll()
        readings = {e.channel: e.value for e in events if isinstance(e, Reading)}
        return readings, {e.channel: e for e in events if isinstance(e, Fault)}


def amplifier(address: int, chip: shunt.ShuntChip, calibration: Calibration = AS_SENT) -> ShuntAmplifier:
    return ShuntAmplifier(
        channel=f"amps_{address:x}", address=address, chip=chip, ohms=OHMS, calibration=calibration
    )


def thermistor(number: int) -> ThermistorInput:
    divider = Divider(series_ohms=SERIES_OHMS, curve=CURVE)
    return ThermistorInput(
        channel=f"probe_{number}", input_number=number, divider=divider, calibration=AS_SENT
    )


def celsius_of(volts: float, supply: float = 3.3) -> float:
    ohms = SERIES_OHMS * volts / (supply - volts)
    return CURVE.celsius(ohms)


CHANNELS = {"amps_40", "amps_41", "probe_0", "probe_1", "probe_2", "probe_3"}


def test_everything_on_the_bus_is_read_to_its_step() -> None:
    rig = Rig()
    readings, faults = rig.poll()
    assert not faults
    assert readings.keys() == CHANNELS
    assert readings["amps_40"] == pytest.approx(95.0, abs=2.5e-6 / OHMS)
    assert readings["amps_41"] == pytest.approx(-40.0, abs=78.125e-9 / OHMS)
    for number, volts in enumerate(rig.volts):
        assert readings[f"probe_{number}"] == pytest.approx(celsius_of(volts), abs=0.02)
    rig.amps[0x40] = -12.5
    assert rig.poll()[0]["amps_40"] == pytest.approx(-12.5, abs=0.01)


def test_no_thermistor_ever_shows_its_neighbours_value() -> None:
    """The converter keeps the value of the input before until its time has passed (C25)."""
    rig = Rig()
    random_of = random.Random(5)
    for cycle in range(200):
        rig.converter.slowness = random_of.choice([0.9, 1.0, 1.1, 1.19])
        rig.volts[:] = [random_of.uniform(0.3, 2.5) for _ in range(4)]
        readings, faults = rig.poll()
        assert not faults, cycle
        for number, volts in enumerate(rig.volts):
            assert readings[f"probe_{number}"] == pytest.approx(celsius_of(volts), abs=0.05)


def test_a_converter_that_never_gets_ready_is_a_fault() -> None:
    rig = Rig()
    rig.poll()
    rig.converter.slowness = 100.0
    readings, faults = rig.poll()
    assert readings.keys() == {"amps_40", "amps_41"}
    assert {f.kind for c, f in faults.items() if c and c.startswith("probe")} == {FaultKind.TIMED_OUT}


def test_somebody_else_using_the_converter_is_noticed() -> None:
    """Another program selects its own input between our question and our answer (C25)."""
    rig = Rig()
    rig.poll()
    original = rig.converter.read

    def meddled(read_bytes: int) -> bytes:
        answer = original(read_bytes)
        rig.converter.write(bytes([0x01]) + (0x8000 | 0x4583).to_bytes(2, "big"))
        return answer

    rig.converter.read = meddled  # type: ignore[method-assign]
    readings, faults = rig.poll()
    assert readings.keys() == {"amps_40", "amps_41"}
    assert faults["probe_0"].kind is FaultKind.RESTARTED
    rig.converter.read = original  # type: ignore[method-assign]
    assert rig.poll()[0].keys() == CHANNELS


@pytest.mark.parametrize("address", [0x40, 0x41])
def test_a_chip_that_restarts_in_a_dip_is_set_up_anew_and_said_once(address: int) -> None:
    """It answers politely with its power-on settings (C28): no current is invented, the next cycle reads."""
    rig = Rig()
    assert rig.poll()[0].keys() == CHANNELS
    rig.shunts[address].power_on()
    readings, faults = rig.poll()
    assert f"amps_{address:x}" not in readings and len(readings) == 5
    assert faults[f"amps_{address:x}"].kind is FaultKind.RESTARTED
    assert faults[None].kind is FaultKind.RESTARTED and f"{address:#04x}" in faults[None].detail
    readings, faults = rig.poll()
    assert not faults
    assert readings[f"amps_{address:x}"] == pytest.approx(rig.amps[address], abs=0.01)


def test_a_chip_that_answers_and_measures_no_more_is_stale() -> None:
    rig = Rig()
    rig.poll()
    rig.shunts[0x40].measures = False
    rig.poll()
    rig.amps[0x40] = 150.0
    readings, faults = rig.poll()
    assert "amps_40" not in readings
    assert faults["amps_40"].kind is FaultKind.STALE


def test_beyond_the_range_is_clipped_and_no_reading() -> None:
    rig = Rig()
    rig.poll()
    rig.amps[0x40] = 330.0  # 82.5 mV
    readings, faults = rig.poll()
    assert "amps_40" not in readings and faults["amps_40"].kind is FaultKind.CLIPPED


@pytest.mark.parametrize("address", [0x40, 0x41, 0x48])
def test_a_wrong_chip_gives_no_numbers(address: int) -> None:
    """A wrong address answers too: identity first, and again when a chip comes back."""
    rig = Rig()
    seconds = rig.clock.monotonic_seconds
    stranger = ShuntDevice(lambda: 0.01, seconds, wide=address != 0x41)
    stranger.part = 0x2260 if address == 0x41 else 0x2281
    rig.poll()
    device = rig.bus.devices.pop(address)
    _, faults = rig.poll()
    assert {f.kind for f in faults.values()} == {FaultKind.NO_ANSWER}
    rig.bus.devices[address] = stranger
    readings, faults = rig.poll()
    assert {f.kind for f in faults.values()} == {FaultKind.WRONG_CHIP}
    assert f"{address:#04x}" in next(iter(faults.values())).detail
    assert not any(c in readings for c in faults)
    rig.bus.devices[address] = device
    assert rig.poll()[0].keys() == CHANNELS


@pytest.mark.parametrize("number", [errno.EIO, errno.EREMOTEIO])
def test_an_error_now_and_then_costs_nothing(number: int) -> None:
    """One transfer in fifty fails (C26): tried again within the cycle."""
    rig = Rig()
    count = iter(range(10**9))
    rig.bus.error = lambda address: number if next(count) % 50 == 49 else None
    for _ in range(100):
        readings, faults = rig.poll()
        assert readings.keys() == CHANNELS and not faults


def test_a_chip_that_is_away_for_a_minute_comes_back_by_itself() -> None:
    rig = Rig()
    rig.bus.error = lambda address: errno.EREMOTEIO if address == 0x41 else None  # at the start already
    for _ in range(12):
        readings, faults = rig.poll()
        assert readings.keys() == CHANNELS - {"amps_41"}
        assert faults["amps_41"].kind is FaultKind.NO_ANSWER
    rig.bus.error = lambda address: None
    assert rig.poll()[0].keys() == CHANNELS


def test_a_stuck_bus_costs_little_and_is_said_once_until_it_is_free() -> None:
    """Each call hangs for a second and times out (C27)."""
    rig = Rig()
    rig.poll()
    rig.bus.error = lambda address: errno.ETIMEDOUT
    told, spent, before = 0, 0.0, rig.bus.transfers
    for _ in range(120):  # ten minutes
        began = rig.clock.monotonic_seconds()
        readings, faults = rig.poll()
        spent += rig.clock.monotonic_seconds() - began - 5.0
        assert not readings and faults.keys() >= CHANNELS
        told += None in faults
        assert faults["amps_40"].kind in (FaultKind.TIMED_OUT, FaultKind.BUS_STUCK)
    assert told == 1
    assert rig.bus.transfers - before < 25 and spent < 25.0
    rig.bus.error = lambda address: None
    for _ in range(13):  # it is looked at again at least once a minute
        readings, faults = rig.poll()
        if readings:
            break
    assert readings.keys() == CHANNELS and not faults
    rig.bus.error = lambda address: errno.ETIMEDOUT
    assert None in rig.poll()[1]  # the next time is told again


def test_a_sagging_supply_that_is_measured_changes_no_temperature() -> None:
    rig = Rig()
    rig.source = rig.source_of(rig.chips(supply_input=3))
    rig.volts[3] = 3.30
    before = rig.poll()[0]
    rig.volts[:] = [v * 2.9 / 3.3 for v in rig.volts]
    after = rig.poll()[0]
    assert "probe_3" not in before
    for number in range(3):
        assert after[f"probe_{number}"] == pytest.approx(before[f"probe_{number}"], abs=0.02)
    rig.volts[3] = 0.4
    readings, faults = rig.poll()
    assert "probe_0" not in readings and faults["probe_0"].kind is FaultKind.STARVED


def test_broken_wires_are_faults_of_their_own_probe() -> None:
    rig = Rig()
    rig.volts[1], rig.volts[2] = 3.3, 0.0
    readings, faults = rig.poll()
    assert faults["probe_1"].kind is FaultKind.OPEN and faults["probe_2"].kind is FaultKind.SHORTED
    assert readings.keys() == CHANNELS - {"probe_1", "probe_2"}


def test_sign_and_zero_are_the_owners() -> None:
    rig = Rig()
    turned = Calibration(scale=-1.0, offset=-0.25)  # zero_amps = 0.25
    rig.source = rig.source_of([amplifier(0x40, shunt.INA226, turned)])
    assert rig.poll()[0]["amps_40"] == pytest.approx(-95.25, abs=0.01)


def test_stopping_in_the_middle_waits_for_nothing() -> None:
    rig = Rig()
    rig.stop.set()
    assert rig.source.poll() == []
    rig.source.close()
    rig.source.close()
    assert rig.bus.closed == 2


def test_a_machine_without_the_bus_is_told_what_there_is(tmp_path) -> None:
    (tmp_path / "i2c-20").touch()
    bus = SystemBus(str(tmp_path / "i2c-1"))
    with pytest.raises(OSError) as caught:
        bus.transfer(0x40, b"\0", 2)
    refused = explain(caught.value, str(tmp_path / "i2c-1"), 0x40)
    assert refused.kind is FaultKind.VANISHED
    assert str(tmp_path / "i2c-20") in refused.detail
    bus.close()


def test_a_file_that_is_no_bus_is_an_error_and_no_crash(tmp_path) -> None:
    (tmp_path / "i2c-1").write_bytes(b"")
    source = I2cChips(
        name="i2c",
        path=str(tmp_path / "i2c-1"),
        chips=[amplifier(0x40, shunt.INA226)],
        interval_seconds=5.0,
        clock=ManualClock(),
        stop=threading.Event(),
    )
    (fault,) = source.poll()
    assert isinstance(fault, Fault) and fault.kind is FaultKind.UNREADABLE and fault.channel == "amps_40"
    source.close()


@pytest.mark.parametrize(
    ("number", "kind", "said"),
    [
        (errno.EACCES, FaultKind.UNREADABLE, "group i2c"),
        (errno.ENXIO, FaultKind.NO_ANSWER, "0x40"),
        (errno.EREMOTEIO, FaultKind.NO_ANSWER, "errno 121"),
        (errno.ETIMEDOUT, FaultKind.TIMED_OUT, "holds its lines"),
        (errno.EIO, FaultKind.UNREADABLE, "errno 5"),
    ],
)
def test_each_error_says_what_it_means(number: int, kind: FaultKind, said: str) -> None:
    refused = explain(OSError(number, "Some error"), "/dev/i2c-1", 0x40)
    assert refused.kind is kind and said in refused.detail
