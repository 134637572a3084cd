"""The share of dirt that costs light, learned from what removing dirt won."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.dirt_costs import FEWEST_FOUND, REMOVED, costing_share, found_at_touches

TOUCHES = 6_000


def falls_at_touches(share: float, seed: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Falls of the loss where dirt was found and where none was; every new mating moves it by .05 dB or so."""
    rng = np.random.default_rng(seed)
    cleaned = np.arange(TOUCHES) < TOUCHES // 2
    costs = cleaned & (rng.random(TOUCHES) < share * REMOVED)
    fall = 0.05 * rng.normal(size=TOUCHES) + np.where(costs, 0.35 * np.exp(0.6 * rng.normal(size=TOUCHES)), 0.0)
    return fall, cleaned, ~cleaned


@pytest.mark.parametrize("share", [0.1, 0.3, 0.6])
def test_the_share_is_found_again(share: float) -> None:
    """The share that the falls were drawn with comes back within a sixth."""
    assert costing_share(*falls_at_touches(share)) == pytest.approx(share, rel=1 / 6)


def test_too_few_touches_tell_nothing() -> None:
    """Without enough dirt found, or enough found clean, there is no share."""
    fall, cleaned, clean = falls_at_touches(0.3)
    few = np.cumsum(cleaned) < FEWEST_FOUND
    assert costing_share(fall, cleaned & few, clean) is None
    assert costing_share(fall, cleaned, clean & (np.cumsum(clean) < FEWEST_FOUND)) is None
    assert costing_share(np.zeros(0), np.zeros(0, np.bool_), np.zeros(0, np.bool_)) is None


def test_a_few_touches_move_the_usual_share_a_little() -> None:
    """Of forty cleanings none may have won anything by chance: at a true tenth the share stays near it."""
    rng = np.random.default_rng(6)
    found = []
    for seed in range(60):
        fall, cleaned, clean = falls_at_touches(0.1, seed)
        some = np.sort(np.concatenate([rng.choice(np.flatnonzero(own), 50, replace=False) for own in (cleaned, clean)]))
        share = costing_share(fall[some], cleaned[some], clean[some])
        assert share is not None
        found.append(share)
    assert min(found) > 0.05 and max(found) < 0.35
    assert 0.08 < np.median(found) < 0.18


def test_falls_of_new_matings_are_not_taken_for_dirt() -> None:
    """Where matings alone move the loss by .15 dB the share comes back less surely, and not larger."""
    for share in (0.1, 0.4):
        fall, cleaned, clean = falls_at_touches(share)
        fall = fall + 0.15 * np.random.default_rng(8).normal(size=len(fall))
        assert costing_share(fall, cleaned, clean) == pytest.approx(share, rel=0.35)


def test_what_a_day_at_a_joint_came_to() -> None:
    """Dirt found and cleaned counts, a clean look counts; not so work after an alarm, without looks, at two joints."""
    looks = pd.DataFrame(
        [
            (0, 3, "inspection", True, False, False),
            (0, 3, "cleaning", False, False, False),
            (0, 3, "inspection", False, False, False),
            (1, 5, "inspection", False, False, False),
            (1, 8, "inspection", True, False, True),
            (1, 8, "cleaning", False, False, True),
            (0, 9, "cleaning", False, False, False),
            (1, 11, "inspection", False, True, False),
            (0, 13, "inspection", False, False, False),
            (0, 13, "cleaning", False, False, False),
            (0, 15, "inspection", False, False, False),
            (2, 15, "inspection", False, False, False),
        ],
        columns=["element", "day", "what", "dirty", "damaged", "suspected"],
    )
    faces = pd.DataFrame({"circuit": [7, 7, 8, 7], "element": [0, 1, 1, 2], "joint": [3, 3, 3, 4]})
    found = found_at_touches(looks, faces).set_index(["circuit", "day"])
    assert list(found.index[found["cleaned"]]) == [(7, 3)]
    assert list(found.index[found["clean"]]) == [(7, 5), (8, 5)]
    assert (7, 8) not in found.index and (7, 15) not in found.index and not found.loc[(7, 13)].any()
    assert not found.loc[(7, 9)].any() and not found.loc[(8, 11)].any()
