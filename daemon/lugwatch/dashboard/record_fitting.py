"""How the fitting stands, for the boat's sheet: what was checked, when, and what was told then.

Good ones are one line a step, all others a line each. Pure. May import: fitting, fitting_words, json_shapes,
model, units.
"""

from collections.abc import Sequence

from lugwatch import fitting, fitting_words
from lugwatch.fitting import CheckKind, FittingCheck
from lugwatch.json_shapes import JsonObject
from lugwatch.model import Boat
from lugwatch.units import format_time


def fitting_rows(boat: Boat, checks: Sequence[FittingCheck]) -> list[JsonObject]:
    """Rows of `step`, `state` ("good", "wrong", "cannot_tell", "missing"), `names`, `all`, `time`, `text`.

    Empty where nothing was ever checked. time: of the check, the latest of several; None: there is none.
    """
    standing = fitting.latest(checks)
    if not any(check.kind is not CheckKind.WRITTEN for check in standing.values()):
        return []
    rows: list[JsonObject] = []
    for step in fitting.steps(boat, checks):
        title, count = fitting_words.title(step.kind), len(fitting.subjects(boat, step.kind))
        for state, ids in (("wrong", step.wrong), ("cannot_tell", step.untold)):
            rows += [
                {
                    "step": title,
                    "state": state,
                    "names": [_name(boat, step.kind, subject)],
                    "all": False,
                    "time": format_time(standing[step.kind, subject].time),
                    "text": standing[step.kind, subject].text,
                }
                for subject in ids
            ]
        for state, ids in (("good", step.good), ("missing", step.missing)):
            times = [standing[step.kind, subject].time for subject in ids] if state == "good" else []
            if ids:
                rows.append(
                    {
                        "step": title,
                        "state": state,
                        "names": [_name(boat, step.kind, subject) for subject in ids],
                        "all": len(ids) == count > 1,
                        "time": format_time(max(times)) if times else None,
                        "text": None,
                    }
                )
    return rows


def _name(boat: Boat, kind: CheckKind, subject: str) -> str:
    if kind is CheckKind.MOUNTING:
        return next((j.name for j in boat.joints if j.joint == subject), subject)
    return next((c.name for c in boat.channels if c.channel == subject), subject)
