"""Proof tests as JSON-ready objects: the one under way, those that were kept, two of them compared.

Sentences are those of the command (`proof_words`). May import: proof_follow, proof_words, proving, store,
json_shapes, units.
"""

from collections.abc import Mapping
from dataclasses import asdict
from itertools import combinations

from lugwatch import proof_words, proving
from lugwatch.dashboard.proof_follow import Following, wanted_of
from lugwatch.json_shapes import JsonObject, proof_object
from lugwatch.proof import LEAST_AMPS_RATIO
from lugwatch.proof_trial import JointNow, last_before
from lugwatch.proving import REST_RATIO, REST_SECONDS, ProofTest, cable_rise_kelvin
from lugwatch.store.queries import History
from lugwatch.store.trials import TrialRow
from lugwatch.units import format_time

AIR_CELSIUS = 30.0  # for a cable's own rise while nothing is known of the surroundings


def kept(test: ProofTest, names: Mapping[str, str], before: ProofTest | None = None) -> JsonObject:
    """One test with its sentences, compared with the good one before it."""
    told = proof_words.told(names.get(test.joint, test.joint), test, names)
    compared = None
    if before is not None:
        old = f"the test of {format_time(before.time // 1000 * 1000)}"
        compared = proof_words.compared("this test", old, proving.difference(test, before))
    return {
        **proof_object(test),
        "name": names.get(test.joint, test.joint),
        "conditions": proof_words.conditions(test),
        "told": [line.strip() for line in told[1:]],
        "against_before": compared,
    }


def all_kept(history: History, joint: str | None = None) -> list[JsonObject]:
    """Every test that was kept, newest first."""
    names = _names(history)
    tests = history.proofs(joint)
    shown = []
    for test in reversed(tests):
        before = last_before([t for t in tests if t.joint == test.joint], test)
        shown.append(kept(test, names, before))
    return shown


def compared(history: History, one: int, other: int) -> JsonObject | None:
    """Two kept tests beside each other; None where either is not there."""
    tests = {t.proof_id: t for t in history.proofs()}
    if one not in tests or other not in tests:
        return None
    names = _names(history)
    first, second = tests[one], tests[other]
    labels = [f"{names.get(t.joint, t.joint)} (test {t.proof_id})" for t in (first, second)]
    found = proving.difference(first, second)
    return {
        "one": kept(first, names),
        "other": kept(second, names),
        "told": proof_words.compared(labels[0], labels[1], found),
        "difference": None if found is None else asdict(found),
    }


def against_each_other(tests: list[ProofTest], names: Mapping[str, str]) -> list[str]:
    """Joints under the same load, two by two."""
    return [
        proof_words.compared(
            names.get(a.joint, a.joint), names.get(b.joint, b.joint), proving.difference(a, b)
        )
        for a, b in combinations(tests, 2)
    ]


def trial(history: History, following: Following | None, problem: str | None) -> JsonObject:
    """The test under way, else the last one that was followed."""
    row = history.last_trial() if following is None else following.row
    told: JsonObject = {"caution": proof_words.CAUTION, "problem": problem, "trial": None}
    if row is None:
        return told
    names = _names(history)
    shown: JsonObject = {**_row(row), "joints": [], "kept": [], "compared": []}
    if following is not None and following.progress is not None:
        courses = following.courses
        joints = following.progress.joints
        shown["joints"] = [_joint_now(j, names, courses.get(j.joint.joint, {})) for j in joints]
    else:
        tests = history.proofs()
        ours = [t for t in tests if t.proof_id in row.proofs]
        shown["kept"] = [
            kept(t, names, last_before([x for x in tests if x.joint == t.joint], t)) for t in ours
        ]
        shown["compared"] = against_each_other(ours, names)
    return {**told, "trial": shown}


def choices(history: History) -> list[JsonObject]:
    """Every joint, and whether it can be proved: its current has to be measured."""
    return [
        {
            "joint": j.joint,
            "name": j.name,
            "measured": j.current is not None,
            "rated_amps": j.rated_amps,
            "allowed_kelvin": proving.allowed_rise_kelvin(j),
        }
        for j in history.boat().joints
    ]


def _row(row: TrialRow) -> JsonObject:
    wanted = wanted_of(row)
    return {
        "trial_id": row.trial_id,
        "time": format_time(row.time),
        "over_time": None if row.over_time is None else format_time(row.over_time),
        "outcome": None if row.outcome is None else row.outcome.value,
        "trouble": row.trouble,
        "wanted": {**asdict(wanted), "joints": list(wanted.joints)},
    }


def _joint_now(now: JointNow, names: Mapping[str, str], course: Mapping[int, ProofTest]) -> JsonObject:
    joint, test = now.joint, now.test
    around = AIR_CELSIUS
    if test is not None and test.surroundings_celsius is not None:
        around = test.surroundings_celsius
    cable = None
    if joint.cable_mm2:
        cable = cable_rise_kelvin(min(joint.cable_mm2), now.asked_amps, around)
    return {
        "joint": joint.joint,
        "name": joint.name,
        "stage": stage(now),
        "current_amps": now.amps,
        "probe_celsius": now.celsius,
        "limit_celsius": joint.limit_celsius,
        "rest_seconds": now.rest_seconds,
        "rest_wanted_seconds": REST_SECONDS,
        "rest_amps": REST_RATIO * now.asked_amps,
        "least_amps": LEAST_AMPS_RATIO * now.asked_amps,
        "asked_amps": now.asked_amps,
        "most_minutes": now.most_minutes,
        "cable_kelvin": cable,
        "allowed_kelvin": None if test is None else test.allowed_kelvin,
        "test": None if test is None else kept(test, names),
        "course": [
            {
                "minutes": minutes,
                "kelvin": t.asked_kelvin,
                "low_kelvin": t.asked_low_kelvin,
                "high_kelvin": t.asked_high_kelvin,
            }
            for minutes, t in sorted(course.items())
            if t.asked_kelvin is not None
        ],
    }


def stage(now: JointNow) -> str:
    """Where it is on its way: silent, flows, resting, rested, loaded, over."""
    if now.test is not None:
        return "over" if now.is_over else "loaded"
    if now.amps is None or now.celsius is None:
        return "silent"
    if now.rest_seconds is None:
        return "flows"
    return "rested" if now.rest_seconds >= REST_SECONDS else "resting"


def _names(history: History) -> dict[str, str]:
    return {j.joint: j.name for j in history.boat().joints}
