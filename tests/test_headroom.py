"""Joints that are said to end below a bound do: held against the ends that are worked out."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import headroom, settling
from lugwatch.estimator import OFFSET, OWN, SHAPES_PER_JOINT
from test_settling import METAL, OWN_KELVIN, SHARE, asked, bank, inputs, tracked

NAN = float("nan")
amperes = st.sampled_from([0.0, 40.0, 80.0, 120.0, 300.0, 900.0, NAN])


@given(
    rise=st.floats(-5.0, 400.0),
    offset=st.floats(-30.0, 30.0),
    amps=st.tuples(amperes, amperes, amperes),
    share=st.tuples(*[st.sampled_from([0.0, 0.3, 0.9, 1.0])] * 3),
    air=st.tuples(*[st.sampled_from([-40.0, 0.0, 20.0, 50.0, NAN])] * 3),
    probe=st.tuples(*[st.sampled_from([5.0, 30.0, 95.0, NAN])] * 3),
    neighbour=st.tuples(*[st.sampled_from([30.0, NAN])] * 3),
    begun=st.tuples(st.booleans(), st.booleans(), st.booleans()),
    bound=st.tuples(*[st.floats(-10.0, 200.0)] * 3),
)
def test_who_is_said_to_end_below_does(
    rise: float,
    offset: float,
    amps: tuple[float, ...],
    share: tuple[float, ...],
    air: tuple[float, ...],
    probe: tuple[float, ...],
    neighbour: tuple[float, ...],
    begun: tuple[bool, ...],
    bound: tuple[float, ...],
) -> None:
    of = bank(np.array(share))
    now = tracked(of)
    mean = now.mean.copy()
    mean[:, OWN] = rise * np.linspace(0.5, 1.5, of.rows)  # rows of a joint disagree
    mean[:, OFFSET] = offset
    now = replace(now, mean=mean, started=np.array(begun))
    seen = replace(
        inputs(probe=np.array(probe)), air_celsius=np.array(air), neighbour_celsius=np.array(neighbour)
    )
    of_it = asked(amps=np.array(amps))
    if headroom.surely_below(of, now, seen, of_it, np.array(bound)):
        assert (settling.settle(of, now, seen, of_it).celsius <= np.array(bound) + 1e-9).all()


def test_the_usual_joint_needs_no_more_than_the_bound() -> None:
    of, now = bank(), tracked(bank())
    ends = settling.settle(of, now, inputs(), asked()).celsius
    assert headroom.surely_below(of, now, inputs(), asked(), ends + 1.0)
    assert not headroom.surely_below(of, now, inputs(), asked(), ends - 0.01)


@pytest.mark.parametrize("joint", range(3))
def test_one_joint_that_runs_away_is_not_below_anything(joint: int) -> None:
    of, now = bank(), tracked(bank())
    mean = now.mean.copy()
    rows = slice(joint * SHAPES_PER_JOINT, (joint + 1) * SHAPES_PER_JOINT)
    mean[rows, OWN] = 1e3 * OWN_KELVIN[joint]
    everywhere = asked(amps=np.full(3, 80.0))
    assert METAL[joint].any()
    assert SHARE[joint] > 0.0
    assert not headroom.surely_below(of, replace(now, mean=mean), inputs(), everywhere, np.full(3, 1e6))
