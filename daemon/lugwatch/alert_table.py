"""The one table: what becomes of an alert in each state when each thing happens, and what is told of it.

Every cell is written out; a dot is "nothing happens". States and categories are those of IMO MSC.302(87) and
IEC 62923 (silence for a while, acknowledgement, an unseen end that waits for eyes, a warning that nobody
answers); shelf and out of service are those of IEC 62682. The diagram in DEVELOPERS.md is made from here.
Not here: when events happen (`alert_states`), whose they are, timers (`alert_book`). May import: model.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from lugwatch.model import SPEAKING, AlertChangeKind, AlertState


class AlertEvent(StrEnum):
    """What can happen to an alert."""

    CONDITION = "condition"  # it is true, and has been for its on-delay
    WORSE = "worse"  # it now deserves a higher category
    EASED = "eased"  # it deserves a lower one, dead band allowed for, and has for its off-delay
    RECTIFIED = "rectified"  # it is no longer true, and has not been for its off-delay
    RECTIFIED_CAUTION = "rectified_caution"  # the same of a caution, which needs no acknowledgement
    MERGED = "merged"  # a worse alert of the same joint has begun, and tells it too
    ACKNOWLEDGE = "acknowledge"  # somebody has seen it
    SILENCE = "silence"  # somebody wants quiet, to think
    SILENCE_OVER = "silence_over"  # 30 s later
    REPEAT = "repeat"  # nobody has answered for so long
    ESCALATE = "escalate"  # the same of a warning that must not wait
    SHELVE = "shelve"  # somebody puts it aside for a time
    UNSHELVE = "unshelve"  # somebody takes it back
    SHELF_OVER = "shelf_over"  # the time is up
    OUT_OF_SERVICE = "out_of_service"  # its joint is worked on
    BACK_IN_SERVICE = "back_in_service"


@dataclass(frozen=True, slots=True)
class Cell:
    """The state after the event; change is None where nothing happens."""

    state: AlertState
    change: AlertChangeKind | None

    @property
    def speaks(self) -> bool:
        """Whether it is brought to people: only what asks for somebody is."""
        return self.change in SPEAKING and self.state is AlertState.ACTIVE_UNACKNOWLEDGED


_S, _K = AlertState, AlertChangeKind
_Written = tuple[AlertState, AlertChangeKind] | None
_NO: _Written = None

_raised, _returned = (_S.ACTIVE_UNACKNOWLEDGED, _K.RAISED), (_S.ACTIVE_UNACKNOWLEDGED, _K.RETURNED)
_worse, _ease = (_S.ACTIVE_UNACKNOWLEDGED, _K.WORSENED), (_S.ACTIVE_ACKNOWLEDGED, _K.EASED)
_unseen, _over = (_S.RECTIFIED_UNACKNOWLEDGED, _K.RECTIFIED), (_S.NORMAL, _K.RECTIFIED)
_seen, _gone = (_S.ACTIVE_ACKNOWLEDGED, _K.ACKNOWLEDGED), (_S.NORMAL, _K.ACKNOWLEDGED)
_quiet, _sound = (_S.ACTIVE_SILENCED, _K.SILENCED), (_S.ACTIVE_UNACKNOWLEDGED, _K.SOUNDING)
_again, _higher = (_S.ACTIVE_UNACKNOWLEDGED, _K.REPEATED), (_S.ACTIVE_UNACKNOWLEDGED, _K.ESCALATED)
_shelf, _kept = (_S.SHELVED, _K.SHELVED), (_S.SHELVED_RECTIFIED, _K.SHELVED)
_resting, _back = (_S.SHELVED_RECTIFIED, _K.RECTIFIED), (_S.SHELVED, _K.RETURNED)
_taken, _dropped = (_S.ACTIVE_ACKNOWLEDGED, _K.UNSHELVED), (_S.NORMAL, _K.UNSHELVED)
_up, _expired = (_S.ACTIVE_UNACKNOWLEDGED, _K.SHELF_OVER), (_S.NORMAL, _K.SHELF_OVER)
_merged = (_S.NORMAL, _K.MERGED)
_out, _put = (_S.OUT_OF_SERVICE, _K.TAKEN_OUT), (_S.ACTIVE_UNACKNOWLEDGED, _K.PUT_BACK)

# The order of the columns; rows below.
STATES = (
    _S.NORMAL,
    _S.ACTIVE_UNACKNOWLEDGED,
    _S.ACTIVE_SILENCED,
    _S.ACTIVE_ACKNOWLEDGED,
    _S.RECTIFIED_UNACKNOWLEDGED,
    _S.SHELVED,
    _S.SHELVED_RECTIFIED,
    _S.OUT_OF_SERVICE,
)

# A category that nobody has seen does not ease: what was an alarm stays one until it was seen. A shelved
# alert does not ease either, or it would speak when it is back where it was put aside. Work on a joint does
# not answer for what was over before and unseen. A repetition waits until a silence is over.
# fmt: off
_ROWS: Mapping[AlertEvent, tuple[_Written, ...]] = {
    #                             normal   unack.   silenced acknow.  rectif.   shelved  sh.rect.  out of s.
    AlertEvent.CONDITION:         (_raised, _NO,     _NO,     _NO,     _returned, _NO,    _back,    _NO),
    AlertEvent.WORSE:             (_raised, _worse,  _worse,  _worse,  _worse,   _worse,  _worse,   _NO),
    AlertEvent.EASED:             (_NO,     _NO,     _NO,     _ease,   _NO,      _NO,     _NO,      _NO),
    AlertEvent.RECTIFIED:         (_NO,     _unseen, _unseen, _over,   _NO,      _resting, _NO,     _over),
    AlertEvent.RECTIFIED_CAUTION: (_NO,     _over,   _over,   _over,   _NO,      _resting, _NO,     _over),
    AlertEvent.MERGED:            (_NO,     _merged, _merged, _merged, _merged,  _merged, _merged,  _NO),
    AlertEvent.ACKNOWLEDGE:       (_NO,     _seen,   _seen,   _NO,     _gone,    _NO,     _NO,      _NO),
    AlertEvent.SILENCE:           (_NO,     _quiet,  _quiet,  _NO,     _NO,      _NO,     _NO,      _NO),
    AlertEvent.SILENCE_OVER:      (_NO,     _NO,     _sound,  _NO,     _NO,      _NO,     _NO,      _NO),
    AlertEvent.REPEAT:            (_NO,     _again,  _NO,     _NO,     _NO,      _NO,     _NO,      _NO),
    AlertEvent.ESCALATE:          (_NO,     _higher, _higher, _NO,     _NO,      _NO,     _NO,      _NO),
    AlertEvent.SHELVE:            (_NO,     _shelf,  _shelf,  _shelf,  _kept,    _shelf,  _kept,    _NO),
    AlertEvent.UNSHELVE:          (_NO,     _NO,     _NO,     _NO,     _NO,      _taken,  _dropped, _NO),
    AlertEvent.SHELF_OVER:        (_NO,     _NO,     _NO,     _NO,     _NO,      _up,     _expired, _NO),
    AlertEvent.OUT_OF_SERVICE:    (_out,    _out,    _out,    _out,    _NO,      _out,    _dropped, _out),
    AlertEvent.BACK_IN_SERVICE:   (_NO,     _NO,     _NO,     _NO,     _NO,      _NO,     _NO,      _put),
}
# fmt: on


def _cell(state: AlertState, written: _Written) -> Cell:
    return Cell(state, None) if written is None else Cell(*written)


TABLE: Mapping[tuple[AlertState, AlertEvent], Cell] = {
    (state, event): _cell(state, written)
    for event, row in _ROWS.items()
    for state, written in zip(STATES, row, strict=True)
}


def as_table() -> str:
    """The whole table in Markdown: a row an event, a column a state; "·" is nothing happens."""
    lines = [f"| event | {' | '.join(STATES)} |", f"| --- |{' --- |' * len(STATES)}"]
    for event in AlertEvent:
        cells = [_told(state, TABLE[state, event]) for state in STATES]
        lines.append(f"| {event.value} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _told(state: AlertState, cell: Cell) -> str:
    if cell.change is None:
        return "·"
    mark = "**" if cell.speaks else ""
    where = "" if cell.state is state else f" → {cell.state}"
    return f"{mark}{cell.change.value.replace('_', ' ')}{mark}{where}"


def as_diagram() -> str:
    """The ways between states as a Mermaid diagram; what stays where it is stands in the table."""
    names = {state: state.value.replace("-", "_") for state in STATES}
    lines = ["stateDiagram-v2", f"    [*] --> {names[AlertState.NORMAL]}"]
    ways: dict[tuple[AlertState, AlertState], list[str]] = {}
    for (state, event), cell in TABLE.items():
        if cell.state is not state:
            ways.setdefault((state, cell.state), []).append(event.value)
    for start in STATES:
        for end in STATES:
            if (start, end) in ways:
                lines.append(f"    {names[start]} --> {names[end]}: {', '.join(ways[start, end])}")
    return "\n".join(lines)
