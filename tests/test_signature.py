"""What the changes of several joints have in common; errors carried alongside are tested with `jump`."""

import numpy as np

from lugwatch import signature

# a current with three joints in an air of five, another air
GROUPS = np.array(
    [
        [True, True, True, True, True, False, False, False],
        [True, True, True, False, False, False, False, False],
        [False, False, False, False, False, True, True, True],
    ]
)
ALL = np.ones(8, dtype=bool)


def ways(deviations: list[float], told: np.ndarray[tuple[int], np.dtype[np.bool_]] = ALL) -> list[int]:
    return signature.together(np.array(deviations), told, GROUPS, 5.0).tolist()


def test_a_fan_is_told_of_the_air_and_not_of_a_current_whose_joints_all_stand_in_it() -> None:
    assert ways([6.0, 7.0, 9.0, 6.0, 5.5, 0.5, -1.0, 0.2]) == [1, 0, 0]
    # before the others are as clear as that, nothing is said of the shunt
    assert ways([6.0, 7.0, 9.0, 3.0, 2.5, 0.5, -1.0, 0.2]) == [1, 0, 0]
    assert ways([-6.0, -7.0, -9.0, 0.3, -0.5, 0.5, -1.0, 0.2]) == [0, -1, 0], "this is the shunt"


def test_of_an_air_and_a_current_in_two_airs_that_is_told_which_the_rest_shows() -> None:
    """An air of three, of which two are on a current that has two more in another air."""
    groups = np.array([[True, True, True, False, False], [True, True, False, True, True]])
    told = np.ones(5, dtype=bool)
    fan = np.array([8.0, 7.0, 6.0, 0.2, 0.1])
    assert signature.together(fan, told, groups, 5.0).tolist() == [1, 0]
    slight = np.array([12.0, 11.0, 10.0, 0.4, 0.3])
    assert signature.together(slight, told, groups, 5.0).tolist() == [1, 0]
    shunt = np.array([-8.0, -7.0, -0.2, -6.0, -9.0])
    assert signature.together(shunt, told, groups, 5.0).tolist() == [0, -1]
    # the third in that air carries nothing, so nobody knows of it
    known = np.array([True, True, False, True, True])
    assert signature.together(shunt, known, groups, 5.0).tolist() == [0, -1]


def test_one_that_goes_the_other_way_or_is_quiet_breaks_the_company() -> None:
    assert ways([0.0] * 5 + [8.0, 9.0, -0.1]) == [0, 0, 0]
    assert ways([0.0] * 5 + [8.0, 2.0, 3.0]) == [0, 0, 0], "one of them is bad"
    two = ALL.copy()
    two[5] = False
    assert ways([0.0] * 5 + [8.0, 9.0, 7.0], two) == [0, 0, 0], "two are no company"


def test_weighted_median() -> None:
    values, weights = np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 1.0])
    assert signature.weighted_median(values, weights) == 2.0
    assert signature.weighted_median(values, np.array([5.0, 1.0, 1.0])) == 3.0
