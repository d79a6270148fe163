"""Nobody whom the screen passes over could have been accused by a rule."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

import boats
from lugwatch import alert_rules, screening
from lugwatch.alert_rules import JOINT_RULES, JointFacts, Thresholds
from lugwatch.alert_states import Finding, Verdict

T = Thresholds()
BAR = boats.joint("bar")
LIMIT = BAR.limit_celsius
SOUND = JointFacts(
    joint=BAR,
    probe_celsius=40.0,
    loaded=True,
    ratio=1.0,
    ratio_sd=0.05,
    change_ratio=1.0,
    unrest_ratio=1.0,
    settles_celsius=45.0,
    settles_sd_kelvin=1.0,
    runaway=False,
    seconds_to_limit=None,
    rising_kelvin_per_minute=0.0,
    rising_limit_kelvin_per_minute=4.0,
)


def _near(*values: float) -> st.SearchStrategy[float | None]:
    """Unknown, a threshold, just beside one, or anything."""
    beside = [v * f for v in values for f in (1.0, 1.0 - 1e-12, 1.0 + 1e-12, 0.9, 1.1)]
    return st.one_of(st.none(), st.sampled_from(beside), st.floats(0.0, 200.0))


@st.composite
def facts(draw: st.DrawFn) -> JointFacts:
    settles = draw(_near(LIMIT))
    return JointFacts(
        joint=BAR,
        probe_celsius=draw(_near(LIMIT)),
        loaded=draw(st.booleans()),
        ratio=draw(_near(T.warming_ratio, T.warming_warning_ratio, T.off_joint_ratio)),
        ratio_sd=draw(_near(0.01, 0.1)),
        change_ratio=draw(_near(T.warming_ratio)) or 1.0,
        climb_ratio=draw(st.floats(1.0, 3.0)),
        climbing=draw(st.booleans()),
        unrest_ratio=draw(_near(T.unrest_ratio)),
        settles_celsius=settles,
        settles_sd_kelvin=draw(_near(0.1, 5.0)),
        runaway=settles is None and draw(st.booleans()),
        seconds_to_limit=None,
        rising_kelvin_per_minute=draw(_near(4.0)),
        rising_limit_kelvin_per_minute=4.0 + draw(st.sampled_from([0.0, 1.0, 50.0])),
    )


def figures(of: JointFacts) -> screening.Figures:
    """As `judgement` would have had them for these facts."""

    def one(value: float | None) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([np.nan if value is None else value])

    return screening.Figures(
        probe_celsius=one(of.probe_celsius),
        limit_celsius=one(of.joint.limit_celsius),
        ratio=one(of.ratio),
        change_ratio=one(of.change_ratio),
        climbing=np.array([of.climbing]),
        unrest_ratio=one(of.unrest_ratio),
        settles_celsius=one(np.inf if of.runaway else of.settles_celsius),
        rising_kelvin_per_minute=one(of.rising_kelvin_per_minute),
        rising_limit_kelvin_per_minute=4.0,
    )


@given(facts())
def test_who_is_passed_over_could_not_have_been_accused(of: JointFacts) -> None:
    true = [rule for rule in JOINT_RULES if rule(of, T).verdict is Verdict.TRUE]
    for rule in true:
        assert screening.may_accuse(figures(of), T, [rule]) == [True], rule.__name__
    assert not true or screening.may_accuse(figures(of), T, JOINT_RULES) == [True]


def test_every_rule_has_a_screen_and_one_without_is_always_asked() -> None:
    assert set(screening.SCREENS) == set(JOINT_RULES)

    def another(of: JointFacts, t: Thresholds) -> Finding:
        return alert_rules.hot(of, t)

    sound = figures(SOUND)
    assert screening.may_accuse(sound, T, JOINT_RULES) == [False]
    assert screening.may_accuse(sound, T, [another]) == [True]
