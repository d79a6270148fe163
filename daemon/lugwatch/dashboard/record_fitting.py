"""How the fitting stands: what was checked, when, what was told then, and what is still to be done.

Good ones are one line a step, all others a line each. Pure. May import: fitting, fitting_words, json_shapes,
model, units.
"""

from collections.abc import Sequence

from lugwatch import fitting, fitting_words
from lugwatch.fitting import CheckKind, FittingCheck
from lugwatch.json_shapes import JsonObject
from lugwatch.model import Boat, Part
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


def fitting_left(boat: Boat, checks: Sequence[FittingCheck], parts: Sequence[Part]) -> list[JsonObject]:
    """What is still to be done, in the order in which it is sensible: `step`, `stands`, `what_next`.

    what_next: pieces, every second of them a command.
    """
    on_parts = {joint for part in parts for joint in part.joints}
    placed = sum(j.joint in on_parts for j in boat.joints)
    left: list[JsonObject] = []
    if placed < len(boat.joints):
        left.append(
            {
                "step": "circuit",
                "stands": f"{placed} of {len(boat.joints)} joints stand on a part",
                "what_next": ["", "lugwatch circuit", " asks what they sit on, for the drawing"],
            }
        )
    return left + [
        {
            "step": fitting_words.title(step.kind),
            "stands": fitting_words.step_line(step),
            "what_next": fitting_words.what_next(step).split("`"),
        }
        for step in fitting.steps(boat, checks)
        if not step.is_done
    ]


def _name(boat: Boat, kind: CheckKind, subject: str) -> str:
    if kind is CheckKind.MOUNTING:
        return next((j.name for j in boat.joints if j.joint == subject), subject)
    return next((c.name for c in boat.channels if c.channel == subject), subject)
