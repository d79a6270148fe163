"""The nouns: what a boat is made of, what comes in, what goes out. Plain frozen data, no behaviour.

Times: `monotonic_seconds` [s since an arbitrary moment of this boot] is what durations come from;
`time` [ms since 1970 UTC] is a label. Values: °C for temperatures, K for differences, A, Ω.
A value that is not known is None: never NaN, 0 or a sentinel. Longer than other files, so that all
nouns stand in one place. Imports nothing of ours.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Quantity(StrEnum):
    """What a channel measures; the value is the unit of its readings."""

    CELSIUS = "celsius"
    AMPS = "amps"


class FaultKind(StrEnum):
    """Why there is no reading. Each is a word that also stands in the database and on the page."""

    NO_CONVERSION = "no_conversion"  # power-on pattern: the probe answered and had not measured
    STARVED = "starved"  # conversion without enough power
    BAD_CHECKSUM = "bad_checksum"
    SHORTED = "shorted"  # data line held low: all zeros
    NO_ANSWER = "no_answer"  # data line never pulled low: all ones
    EMPTY = "empty"  # the file opened and held nothing
    VANISHED = "vanished"  # the folder or device is not there
    UNREADABLE = "unreadable"  # the system refused the read
    MALFORMED = "malformed"  # text or bytes not of the agreed form
    OUT_OF_RANGE = "out_of_range"  # a number the part cannot have measured
    NOT_FINITE = "not_finite"  # NaN or infinity as text
    CLIPPED = "clipped"  # the sensor itself says that it stands at the end of its range
    IMPLAUSIBLE = "implausible"  # a number no boat can have made, or an impossible step
    STALE = "stale"  # connected, and silent for too long
    RETAINED_OLD = "retained_old"  # a stored message without a time of its own
    DISCONNECTED = "disconnected"  # the far side of a line or a broker is away
    TIMED_OUT = "timed_out"
    OVERRUN = "overrun"  # the cycle took longer than its interval
    SUPPLY_DIP = "supply_dip"  # every probe of a bus restarted at once
    UNASSIGNED = "unassigned"  # something answers that the configuration does not know
    RESOLUTION_CHANGED = "resolution_changed"  # the probe measures in other steps than before
    OPEN = "open"  # a thermistor's wire is broken, or its plug is out
    WRONG_CHIP = "wrong_chip"  # something answers there that is not the chip it should be
    RESTARTED = "restarted"  # a chip lost its settings in a dip, or somebody else uses it
    BUS_STUCK = "bus_stuck"  # every call times out: something holds the lines
    CRASHED = "crashed"  # the source's own code failed; it was started again


class CableClass(StrEnum):
    """Insulation temperature classes of boat cable [°C]: the columns of 33 CFR 183.425 table 5."""

    C60 = "60"
    C75 = "75"
    C80 = "80"
    C90 = "90"
    C105 = "105"
    C125 = "125"
    C200 = "200"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One measured quantity, known by its id in the configuration."""

    channel: str
    quantity: Quantity
    name: str
    source: str | None  # name of the bus it is read from, e.g. "onewire" or "serial /dev/node"
    rated_amps: float | None = None  # of the shunt; currents only
    one_way: bool = False  # it can only flow one way, and reads positive then; currents only


@dataclass(frozen=True, slots=True, kw_only=True)
class Grading:
    """From which figure on there is an alert, where the owner has moved it; None: as usual."""

    warming_ratio: float | None = None
    warming_warning_ratio: float | None = None
    warming_warning_kelvin: float | None = None
    alarm_seconds: float | None = None
    rising_kelvin_per_minute: float | None = None
    dead_band_kelvin: float | None = None
    delay_seconds: float | None = None


AS_USUAL = Grading()


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """One joint with a probe on it."""

    joint: str
    name: str
    probe: str  # channel id
    current: str | None  # channel id; None: watched by limit and rate of rise alone
    air: str | None  # channel id; None: configured `air = "none"`
    neighbours: tuple[str, ...]  # joint ids on the same metal
    rated_amps: float | None
    limit_celsius: float
    limit_basis: str  # in words: where the limit comes from
    cable_mm2: tuple[float, ...] = ()  # of every cable on it, in any order
    cable_insulation: str | None = None
    grading: Grading = AS_USUAL
    facts: Mapping[str, object] = field(default_factory=dict)  # stud, hardware, torque…: kept, shown


class PartKind(StrEnum):
    """What a part of the circuit is; chooses its sign in the drawing and nothing else."""

    BATTERY = "battery"
    ALTERNATOR = "alternator"
    CHARGER = "charger"
    INVERTER = "inverter"
    CONSUMER = "consumer"
    FUSE = "fuse"
    ISOLATOR = "isolator"
    SHUNT = "shunt"
    BAR = "bar"
    PART = "part"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Something that joints sit on, for the drawing of the circuit alone."""

    name: str
    kind: PartKind
    joints: tuple[str, ...]  # joint ids


@dataclass(frozen=True, slots=True, kw_only=True)
class Watching:
    """How often, and when something counts as missing."""

    interval_seconds: float = 5.0  # sources are asked this often
    estimate_seconds: float = 10.0  # readings are averaged to this before the filter steps
    no_data_seconds: float = 60.0  # at least this long, and at least five usual intervals
    current_floor_ratio: float = 0.08  # of the shunt's rating: nothing is estimated below
    rising_kelvin_per_minute: float = 4.0  # faster than this is `rising_fast`
    passage_amps: float | None = None  # a passage is when a current is above this; None: the floor
    passage_gap_seconds: float = 1800.0  # a pause shorter than this does not end a passage


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """How long alerts wait, and how long they can be put aside."""

    # MSC.302(87): a sound that was silenced returns after 30 s, unless acknowledged
    silence_seconds: float = 30.0
    # MSC.302(87), IEC 62923-1: an unanswered warning is repeated or becomes an alarm, after 5 min at most
    escalate_seconds: float = 300.0
    # after that alarms and warnings are said again, each time after twice as long, up to this
    repeat_most_seconds: float = 1800.0
    # IEC 62682: a shelf has a limit; how long it is common practice, no source
    shelve_seconds: float = 3600.0
    shelve_most_seconds: float = 86_400.0
    shelve_alarm_most_seconds: float = 3600.0
    service_seconds: float = 7200.0  # a joint that was forgotten out of service is back by itself
    service_most_seconds: float = 86_400.0


WELL_MANNERED = Manners()


@dataclass(frozen=True, slots=True, kw_only=True)
class Boat:
    """What is watched: the part of the configuration that the core needs."""

    name: str
    slug: str
    channels: tuple[Channel, ...]
    joints: tuple[Joint, ...]
    watching: Watching
    grading: Grading = AS_USUAL
    manners: Manners = WELL_MANNERED


# ---- events: what comes in -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One good measurement [°C or A by its channel], stamped when it was measured."""

    channel: str
    value: float
    monotonic_seconds: float
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One failed measurement, or a failure of a whole source (`channel` None)."""

    source: str
    channel: str | None
    kind: FaultKind
    detail: str
    monotonic_seconds: float
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time has passed, whether or not anything was read."""

    monotonic_seconds: float
    time: int
    closing: bool = False  # the last one: judge what has come so far, however little


class CrewDeed(StrEnum):
    """What the crew can do about an alert, or about a joint that is being worked on."""

    ACKNOWLEDGE = "acknowledge"  # I have seen it, and I am on it
    SILENCE = "silence"  # no sound for 30 s; it has not been seen
    SHELVE = "shelve"  # say no more of it for so long, unless it becomes worse
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out_of_service"  # a joint is worked on: nothing is said of it meanwhile
    BACK_IN_SERVICE = "back_in_service"


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewAction:
    """Somebody did something: on the page, on a phone, with a button or on the command line.

    Whatever way it came it is this one thing. ACKNOWLEDGE, SHELVE and UNSHELVE need `alert_id`; SILENCE
    without one silences everything that sounds; OUT_OF_SERVICE and BACK_IN_SERVICE need `joint`.
    """

    deed: CrewDeed
    alert_id: int | None = None
    who: str  # a name, or the way it came: "page", "MQTT", "button"
    monotonic_seconds: float
    time: int
    joint: str | None = None
    for_seconds: float | None = None  # SHELVE and OUT_OF_SERVICE; None: the usual time


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """Readings of one instant, taken in together: one row of a recording, one cycle of a bus.

    As an output: those of them that are good. One object for all of them, since there are millions.
    """

    values: tuple[tuple[str, float], ...]  # (channel, value)
    monotonic_seconds: float
    time: int


class JournalKind(StrEnum):
    """What an entry of the journal says of a joint."""

    WORK = "work"  # opened, cleaned, retightened, a part changed: baseline and shape begin anew
    GOOD = "good"  # good as it is: its baseline begins anew
    MILLIVOLTS = "millivolts"  # a voltage was measured across it while current flowed
    NOTE = "note"  # words alone


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """What somebody did to a joint or found on it; the row of `journal`. Entries are never changed."""

    entry_id: int  # counts up from 1
    joint: str | None  # None: of the boat
    time: int  # when it was done
    kind: JournalKind
    note: str | None
    who: str = ""
    volts: float | None = None  # across the joint…
    amps: float | None = None  # …at this current, both without a sign…
    celsius: float | None = None  # …and at this temperature of the joint, if that was measured too


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photo of a journal entry, but for its pixels."""

    photo_id: int
    entry_id: int
    width_pixels: int
    height_pixels: int
    jpeg_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchmanReport:
    """A part of the watch itself is in trouble, or is well again: the shell tells, an alert comes of it.

    Telling the same again is no news: the alert's text is renewed. The shell decides what lasts long enough
    to be told; what comes and goes is calmed here as every alert is.
    """

    condition: "Condition"
    troubled: bool
    part: str | None = None  # where there may be several: the name of a path, a file; else None
    category: "Category | None" = None  # None: the usual one of the condition
    text: str = ""  # what was noticed; not needed when all is well again
    advice: str = ""  # what to do, in order
    monotonic_seconds: float
    time: int


Event = Reading | Scan | Fault | Tick | CrewAction | JournalEntry | WatchmanReport


# ---- outputs: what the core says -------------------------------------------------------------


class JointState(StrEnum):
    """One word for a joint, worst first; the order here is the order on the page."""

    HOT = "hot"  # over its limit
    HEADING_HOT = "heading_hot"  # will cross its limit at this current
    WARMING = "warming"  # trending above its baseline
    RISING_FAST = "rising_fast"
    INTERMITTENT = "intermittent"  # its contact comes and goes
    PROBE_OFF = "probe_off"  # hardly answers to current: its probe has come off
    CREEPING = "creeping"  # heats more from passage to passage
    SILENT = "silent"  # no reading
    OUT_OF_SERVICE = "out_of_service"  # being worked on: nothing is said of it
    STEADY = "steady"  # as its baseline
    LEARNING = "learning"  # too little load seen so far to have a baseline
    NO_LOAD = "no_load"  # too little current now to judge
    LIMIT_ONLY = "limit_only"  # air or current not configured or not read: limit and rate of rise alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """All that is believed of one joint at one time; the row of `estimate`, the object of the JSON."""

    joint: str
    time: int
    state: JointState
    reason: str | None  # in words: why a figure is missing
    probe_time: int | None  # of the last good reading
    probe_celsius: float | None
    reference_celsius: float | None
    rise_kelvin: float | None
    current_amps: float | None
    rise_coefficient: float | None  # K/A²
    rise_coefficient_sd: float | None
    resistance_ohms: float | None
    resistance_sd_ohms: float | None
    resistance_basis: str | None
    baseline_ratio: float | None
    baseline_ratio_sd: float | None
    settles_at_celsius: float | None  # with the air as it is now
    settles_at_sd_kelvin: float | None
    settles_at_rated_celsius: float | None
    settles_at_rated_sd_kelvin: float | None
    seconds_to_limit: float | None
    limit_celsius: float
    ends_at_celsius: float | None = None  # with the air where it is heading
    ends_at_sd_kelvin: float | None = None
    baseline_rise_coefficient: float | None = None  # K/A²; these three have a table of their own
    baseline_rise_coefficient_sd: float | None = None
    baseline_time: int | None = None  # when what it rests on begins


class Condition(StrEnum):
    """What an alert is about."""

    WARMING = "warming"
    HEADING_HOT = "heading_hot"
    HOT = "hot"
    RISING_FAST = "rising_fast"
    CREEPING = "creeping"
    INTERMITTENT = "intermittent"
    PROBE_OFF_JOINT = "probe_off_joint"
    NO_DATA = "no_data"
    PROBE_FAULT = "probe_fault"
    CURRENT_FAULT = "current_fault"
    CURRENT_DOUBTFUL = "current_doubtful"
    COMMON_MODE = "common_mode"
    NOT_RECORDING = "not_recording"
    HISTORY_DAMAGED = "history_damaged"
    CLOCK_UNTRUSTED = "clock_untrusted"
    OUT_OF_SERVICE = "out_of_service"  # of a joint: a reminder that nobody watches it
    STALLED = "stalled"  # a part of the watch itself hangs
    UNHEARD = "unheard"  # alerts cannot leave the box, or not on one of the ways on board
    FLOOD = "flood"  # more at once than can be told one by one


class Category(StrEnum):
    """Alert categories of IMO MSC.302(87)."""

    ALARM = "alarm"
    WARNING = "warning"
    CAUTION = "caution"


class AlertState(StrEnum):
    """Alert states of IMO MSC.302(87) and IEC 62923, and the shelf of IEC 62682, in words."""

    ACTIVE_UNACKNOWLEDGED = "active-unacknowledged"  # sounds
    ACTIVE_SILENCED = "active-silenced"  # sounds again after 30 s
    ACTIVE_ACKNOWLEDGED = "active-acknowledged"
    RECTIFIED_UNACKNOWLEDGED = "rectified-unacknowledged"  # over, and nobody has seen it: shown, no sound
    SHELVED = "shelved"  # active, and put aside by somebody for a time
    SHELVED_RECTIFIED = "shelved-rectified"  # over; should it come back meanwhile, it is still put aside
    OUT_OF_SERVICE = "out-of-service"  # of a joint that is being worked on
    NORMAL = "normal"


# In these the condition is true, as far as is known; in the first two it asks for somebody.
ACTIVE_STATES = frozenset(
    {
        AlertState.ACTIVE_UNACKNOWLEDGED,
        AlertState.ACTIVE_SILENCED,
        AlertState.ACTIVE_ACKNOWLEDGED,
        AlertState.SHELVED,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One situation, from its first moment to its last; the row of `alert`, the object of the JSON.

    `text` and the last figures are kept as they are now; what was said at each change stands with the change.
    Figures are of the joint; None: not known, or the alert is of none.
    """

    alert_id: int
    joint: str | None
    channel: str | None  # what is accused where it is not a joint
    condition: Condition
    category: Category
    state: AlertState
    raised_time: int
    rectified_time: int | None
    acknowledged_time: int | None
    acknowledged_by: str | None
    text: str
    advice: str
    # as it was when it began (at raised_time), at its worst, and when it was last true
    first_celsius: float | None = None
    first_baseline_ratio: float | None = None
    worst_category: Category | None = None
    worst_celsius: float | None = None
    worst_baseline_ratio: float | None = None
    worst_time: int | None = None
    last_celsius: float | None = None
    last_baseline_ratio: float | None = None
    last_time: int | None = None
    # labels for people: the watch itself counts in seconds that no clock can move
    silenced_until_time: int | None = None
    silenced_by: str | None = None
    shelved_until_time: int | None = None  # also: out of service until
    shelved_by: str | None = None  # also: taken out of service by
    escalated_time: int | None = None  # since when an unanswered warning has been an alarm
    said_count: int = 0  # how often it has spoken
    change_count: int = 0  # the number of its changes so far


class AlertChangeKind(StrEnum):
    """What happened to an alert."""

    RAISED = "raised"
    WORSENED = "worsened"  # a higher category
    EASED = "eased"  # a lower category
    ESCALATED = "escalated"  # nobody answered a warning: it is an alarm now
    REPEATED = "repeated"  # nobody has answered yet: said again
    ACKNOWLEDGED = "acknowledged"
    SILENCED = "silenced"
    SOUNDING = "sounding"  # the silence is over
    SHELVED = "shelved"
    UNSHELVED = "unshelved"  # by somebody
    SHELF_OVER = "shelf_over"  # its time is up, and the condition is still true
    TAKEN_OUT = "taken_out"  # out of service
    PUT_BACK = "put_back"  # back in service, and the condition is as it was
    RECTIFIED = "rectified"
    MERGED = "merged"  # a worse alert of the same joint tells it too
    RETURNED = "returned"  # the condition is back before anybody acknowledged


# What is brought to people: a sound begins, a phone is told. All else is for the record and who looks.
SPEAKING = frozenset(
    {
        AlertChangeKind.RAISED,
        AlertChangeKind.WORSENED,
        AlertChangeKind.ESCALATED,
        AlertChangeKind.REPEATED,
        AlertChangeKind.SHELF_OVER,
        AlertChangeKind.PUT_BACK,
        AlertChangeKind.RETURNED,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertChange:
    """One change of one alert; published once, with its sequence number."""

    sequence: int
    time: int
    change: AlertChangeKind
    alert: Alert  # as it is after the change
    who: str | None = None  # did it; None: nobody, it came by itself
    # to be brought to people: a SPEAKING kind that no flood holds back (the alert `flood` names those)
    speaks: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertUpdate:
    """What an alert says now, for who looks: its text and its last figures are newer, and it is no news."""

    alert: Alert
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertMemory:
    """Timers and delays of all alerts, to outlive a restart; the one row of `alert_memory`."""

    body: str
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHealth:
    """How one source is doing; written when it changes and every so often."""

    source: str
    time: int
    state: str  # "reading", "faulty", "silent", "starting"
    readings_count: int
    faults_count: int
    last_fault: str | None  # kind and detail


class RiseUnknown(StrEnum):
    """Why a passage does not tell a joint's rise."""

    UNTRACKED = "untracked"  # no current or no air to tell it by
    NOT_LEARNED = "not_learned"  # its thermal shape
    TOO_LITTLE_LOAD = "too_little_load"
    BEGUN_ANEW = "begun_anew"  # it changed, was worked on or learned anew, and little load came since


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPassage:
    """One joint on one passage."""

    max_celsius: float | None
    rise_coefficient: float | None  # K/A²
    rise_coefficient_sd: float | None  # against the truth: for what is shown
    rise_coefficient_repeat_sd: float | None = None  # against other passages; None: an older version's row
    rise_coefficient_reason: RiseUnknown | None = None  # why it is None, where that is known

    @property
    def against_others_sd(self) -> float | None:
        """Deviation [K/A²] for what passages say against each other, where what errs alike cancels."""
        return (
            self.rise_coefficient_sd
            if self.rise_coefficient_repeat_sd is None
            else self.rise_coefficient_repeat_sd
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentPassage:
    """One current on one passage."""

    amp_hours: float
    max_amps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """Current flowed from here to there; `end_time` None while it still does."""

    passage_id: int
    start_time: int
    end_time: int | None
    amp_hours: float  # of the current that carried most
    max_amps: float
    currents: Mapping[str, CurrentPassage]
    joints: Mapping[str, JointPassage]
    # by hand; see `passage_cuts`
    name: str | None = None
    note: str | None = None
    found_ids: tuple[int, ...] = ()  # found passages of which it is made; (): it stands as it was found


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedShape:
    """The thermal shape of one joint as it was learned at one time, with what it rests on."""

    joint: str
    time: int
    tau_fast_seconds: float
    tau_slow_seconds: float
    fast_weight: float  # share of the surroundings that comes through the fast path
    neighbour_weight: float  # share of the neighbours in the reference
    tau_fast_ratio_sd: float  # deviation of its logarithm
    tau_slow_ratio_sd: float
    windows_count: int  # of ten seconds
    stage: int  # 1 first hour of load, 2 first passage, 3 second passage
    log_likelihood_gain: float  # per window, against the default shapes


class CreepVerdict(StrEnum):
    """What the passages of a joint say when they are looked at together."""

    TOO_FEW_PASSAGES = "too_few_passages"
    STEADY = "steady"  # no trend
    UNSURE = "unsure"  # a trend that is too small or too uncertain to act on
    CREEPING = "creeping"


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """How one joint's rise coefficient has moved over passages, as judged at one time.

    Gains are shares of the baseline, 0 where nothing has changed; ends of intervals are of 95 %.
    """

    joint: str
    time: int
    verdict: CreepVerdict
    passages_count: int
    first_time: int | None  # of the first passage that counts
    last_time: int | None
    rise_coefficient: float | None  # of the line at the last passage [K/A²]
    gain_ratio: float | None  # from the first passage to the last
    gain_ratio_low: float | None  # None: the passages lie too close together to tell
    gain_ratio_high: float | None
    gain_ratio_per_100_days: float | None
    gain_ratio_per_100_days_low: float | None
    gain_ratio_per_100_days_high: float | None
    p_value: float | None  # one-sided, of a rise
    baseline_coefficient: float | None  # K/A²; None: the level at the first passage stands in for it
    baseline_coefficient_sd: float | None
    reaches_ratio: float  # against the baseline
    reaches_time: int | None  # None: it does not creep, or not within ten years
    reaches_earliest_time: int | None
    reaches_latest_time: int | None  # None beside a reaches_time: perhaps never


@dataclass(frozen=True, slots=True, kw_only=True)
class JointBaseline:
    """What a joint's rise was while it was known to be good; told again while its evidence grows."""

    joint: str
    taken_time: int  # since when a joint is compared with it
    baseline_time: int  # when the load that it rests on began
    ended_time: int | None  # by an entry of the journal; None: it stands, or a later one took its place
    rise_coefficient: float  # K/A²
    rise_coefficient_sd: float
    evidence_seconds: float  # of load


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningWindow:
    """A window that joints are still to be learned from, kept until they are: a restart loses none.

    body None: nothing is left to learn, what was kept before may go.
    """

    time: int  # of its end
    record_seconds: float  # its end, on the record's own time, which no reboot sets back
    joints: tuple[str, ...]
    body: bytes | None  # see `learning_windows`


Output = (
    Scan
    | Reading
    | Fault
    | Estimate
    | AlertChange
    | AlertUpdate
    | AlertMemory
    | SourceHealth
    | Passage
    | LearnedShape
    | Creep
    | JointBaseline
    | LearningWindow
)
