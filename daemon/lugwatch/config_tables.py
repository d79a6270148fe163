"""The tables of the configuration file as pydantic models: types, ranges, defaults, and no more.

Not here: what one table can't know of another (`config`). May import: nothing of ours.
"""

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

_Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]

# a stud that carries more lugs than this is a bar
MOST_CABLES = 6


def _cables(value: Any) -> tuple[float, ...]:
    """One number or a list of them, told of in one message whichever was meant."""
    listed = value if isinstance(value, list) else [value]
    if not 1 <= len(listed) <= MOST_CABLES:
        raise PydanticCustomError("cables", f"name each cable on the stud, 1 to {MOST_CABLES} of them")
    sizes: list[float] = []
    for mm2 in listed:
        # TOML's true is no number
        if isinstance(mm2, bool) or not isinstance(mm2, int | float) or not 0.0 < mm2 < math.inf:
            raise PydanticCustomError("cables", "give the copper in mm², a number above 0, or a list of them")
        sizes.append(float(mm2))
    return tuple(sizes)


_Cables = Annotated[tuple[float, ...], PlainValidator(_cables)]


class Table(BaseModel):
    # strict: TOML has types, so `rated_amps = "120"` is a mistake and not a number
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class BoatTable(Table):
    name: Annotated[str, Field(min_length=1, max_length=80)]


class WatchTable(Table):
    interval_seconds: _Positive = 5.0
    estimate_seconds: _Positive = 10.0
    no_data_seconds: _Positive = 60.0
    current_floor_ratio: Annotated[float, Field(gt=0, lt=1)] = 0.08
    rising_kelvin_per_minute: _Positive = 4.0
    passage_amps: _Positive | None = None
    passage_gap_seconds: _Positive = 1800.0


class GradingTable(Table):
    """From which figure on there is an alert; for all joints in [alerts], for one in its own table."""

    warming_ratio: Annotated[float, Field(ge=1.04, le=5)] | None = None
    warming_warning_ratio: Annotated[float, Field(gt=1.04, le=20)] | None = None
    warming_warning_kelvin: Annotated[float, Field(ge=1, le=200)] | None = None
    alarm_seconds: Annotated[float, Field(ge=0, le=3600)] | None = None
    rising_kelvin_per_minute: Annotated[float, Field(ge=0.5, le=60)] | None = None
    dead_band_kelvin: Annotated[float, Field(ge=0.5, le=20)] | None = None
    delay_seconds: Annotated[float, Field(ge=10, le=600)] | None = None


class AlertsTable(GradingTable):
    # MSC.302(87) and IEC 62923-1: after five minutes at most
    escalate_seconds: Annotated[float, Field(ge=30, le=300)] = 300.0
    repeat_most_seconds: Annotated[float, Field(ge=300, le=21_600)] = 1800.0
    shelve_seconds: Annotated[float, Field(ge=60, le=86_400)] = 3600.0
    service_seconds: Annotated[float, Field(ge=60, le=86_400)] = 7200.0


class StoreTable(Table):
    database: str = "lugwatch.db"
    largest_megabytes: Annotated[float, Field(ge=50, allow_inf_nan=False)] = 2000.0
    readings_days: _Positive | None = None
    minutes_days: _Positive = 2.0


class BackupTable(Table):
    folder: Annotated[str, Field(min_length=1)]
    keep: Annotated[int, Field(ge=1, le=1000)] = 7
    daily: bool = True


class MqttTable(Table):
    host: str = "localhost"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    username: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    fingerprint: str | None = None
    tls: bool = False
    protocol: Annotated[str, Field(pattern=r"^(5|3\.1\.1)$")] = "5"


Told = Literal["alarm", "warning", "caution"]  # the words of `model.Category`
_Told = Annotated[list[Told], Field(min_length=1)]
_Gpio = Annotated[int, Field(ge=0, le=53)]  # GPIO number of the processor, not the pin of the header


class PushTable(Table):
    urls_file: str
    categories: _Told = ["alarm", "warning"]
    most_in_ten_minutes: Annotated[int, Field(ge=2, le=9)] = 8


class BuzzerTable(Table):
    gpio: _Gpio
    button_gpio: _Gpio | None = None
    active_high: bool = True
    categories: _Told = ["alarm", "warning", "caution"]


class LampTable(Table):
    gpio: _Gpio
    active_high: bool = True
    categories: _Told = ["alarm", "warning", "caution"]


class NmeaAlertsTable(Table):
    device: str | None = None
    baud: Annotated[int, Field(ge=300, le=921_600)] = 4800
    udp_host: str | None = None
    udp_port: Annotated[int, Field(ge=1, le=65535)] = 10110
    listen: bool = False
    listen_udp_port: Annotated[int, Field(ge=1, le=65535)] | None = None
    sentences: Annotated[list[Literal["ALR", "ALF"]], Field(min_length=1)] = ["ALR", "ALF"]
    talker: Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]$")] = "II"
    categories: _Told = ["alarm", "warning", "caution"]


class WebTable(Table):
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8037
    temperature_unit: Annotated[str, Field(pattern=r"^(celsius|fahrenheit)$")] = "celsius"
    passphrase_file: Annotated[str, Field(min_length=1)] = "lugwatch.passphrase"
    passphrase_for: Annotated[str, Field(pattern=r"^(changes|everything)$")] = "changes"
    time_zone: str | None = None
    names: list[str] = []
    certificate_file: Annotated[str, Field(min_length=1)] | None = None
    key_file: Annotated[str, Field(min_length=1)] | None = None
    hsts_days: Annotated[int, Field(ge=0, le=730)] = 0


class OneWireTable(Table):
    path: str = "/sys/bus/w1/devices"


class ChannelTable(Table):
    # keys beyond these belong to the source and are checked by it
    model_config = ConfigDict(extra="allow", strict=True, frozen=True)
    id: _Id
    name: str | None = None
    source: str | None = None


class ProbeTable(ChannelTable):
    pass


class CurrentTable(ChannelTable):
    rated_amps: _Positive | None = None
    one_way: bool = False


class StackTable(Table):
    """A joint from bar to nut, in the words of `lugwatch stack`; read by `config_stack`."""

    lugs: Annotated[list[str], Field(min_length=1, max_length=MOST_CABLES)]
    stud: str | None = None
    torque_newton_metres: _Positive | None = None
    surface: str = "bright"
    bar: str = "copper"
    bar_mm: str = "25x5"
    through: list[str] = []
    hardware: str = "stainless 304"


class JointTable(GradingTable):
    id: _Id
    name: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    probe: str
    current: str | None = None
    air: str | None = None
    neighbours: list[str] = []
    rated_amps: _Positive | None = None
    limit_celsius: Annotated[float, Field(gt=30, le=250)] | None = None
    cable_mm2: _Cables = ()
    cable_insulation: str | int | None = None
    stud: str | None = None
    hardware: str | list[str] | None = None
    torque_newton_metres: _Positive | None = None
    lug: str | None = None
    cable_metres: _Positive | None = None
    metal_grams: Annotated[float, Field(ge=1, le=20_000)] | None = None
    note: str | None = None
    stack: StackTable | None = None


class PartTable(Table):
    name: Annotated[str, Field(min_length=1, max_length=80)]
    kind: Annotated[
        str, Field(pattern=r"^(battery|alternator|charger|inverter|consumer|fuse|isolator|shunt|bar|part)$")
    ] = "part"
    joints: list[str]


class Document(Table):
    boat: BoatTable
    watch: WatchTable = WatchTable()
    alerts: AlertsTable = AlertsTable()
    store: StoreTable = StoreTable()
    backup: BackupTable | None = None
    mqtt: MqttTable | None = None
    push: PushTable | None = None
    buzzer: BuzzerTable | None = None
    lamp: LampTable | None = None
    nmea_alerts: NmeaAlertsTable | None = None
    web: WebTable = WebTable()
    onewire: OneWireTable = OneWireTable()
    probe: list[ProbeTable] = []
    current: list[CurrentTable] = []
    joint: list[JointTable] = []
    part: list[PartTable] = []
