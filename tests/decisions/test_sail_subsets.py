"""The exact search over lists of sails against brute force."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.decisions.sail_subsets import MOST_SAILS, best, subset_values, sums, trade_off

BOATS = [(n, seed) for n in (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12) for seed in (0, 1)]


class RandomBoat:
    """`n` sails, each in a set of its own, further sets of up to three, one perhaps of none; holes in what is known."""

    def __init__(self, n: int, seed: int) -> None:
        rng = np.random.default_rng([n, seed])
        more = [rng.choice(n, min(n, int(rng.integers(0, 4))), replace=False) for _ in range(int(rng.integers(0, 9)))]
        self.n = n
        self.needs = np.array([*(1 << k for k in range(n)), *(sum(1 << int(b) for b in m) for m in more)])
        seconds = rng.uniform(300, 400, (len(self.needs), int(rng.integers(3, 40))))
        seconds[rng.random(seconds.shape) > rng.uniform(0.2, 1.0)] = np.inf
        self.seconds = seconds[:, np.isfinite(seconds).any(axis=0)]
        self.sure = rng.random(self.seconds.shape) < 0.7
        self.hours = rng.uniform(0.1, 2.0, self.seconds.shape[1])
        self.weights = rng.integers(5, 60, n).astype(float)

    def value(self, subset: int) -> tuple[float, float, float, float]:
        """Loss, uncovered hours, mean seconds and unsure hours of one list, set by set."""
        lost = total = time = uncovered = unsure = 0.0
        for c, hours in enumerate(self.hours):
            aboard = [k for k, need in enumerate(self.needs) if int(need) & ~subset == 0]
            here = [k for k in aboard if np.isfinite(self.seconds[k, c])]
            if not here:
                uncovered += hours
                continue
            flown = min(here, key=lambda k: self.seconds[k, c])
            lost += hours * (self.seconds[flown, c] - self.seconds[:, c].min())
            total += hours * self.seconds[flown, c]
            unsure += hours * (not self.sure[flown, c])
            time += hours
        return (lost / time if time else np.nan), uncovered, (total / time if time else np.nan), unsure


@pytest.mark.parametrize(("n", "seed"), BOATS)
def test_every_list_has_the_value_that_brute_force_gives(n: int, seed: int) -> None:
    boat = RandomBoat(n, seed)
    found = subset_values(boat.needs, boat.seconds, boat.sure, boat.hours, n)
    few = range(2**n) if n <= 8 else np.random.default_rng(seed).choice(2**n, 300, replace=False)
    expected = np.array([boat.value(int(s)) for s in few])
    mine = np.column_stack([found.loss_s_per_nm, found.uncovered_hours, found.seconds_per_nm, found.unsure_hours])
    np.testing.assert_allclose(mine[list(few)], expected, atol=1e-9)


def all_values(boat: RandomBoat) -> np.ndarray:
    """Loss, uncovered, seconds of all lists by another route: sets ruled out list by list, whole columns."""
    out = np.empty((2**boat.n, 2))
    for subset in range(2**boat.n):
        aboard = (boat.needs & ~subset) == 0
        time = boat.seconds[aboard].min(axis=0, initial=np.inf)
        known = np.isfinite(time)
        lost = boat.hours[known] @ (time - boat.seconds.min(axis=0))[known]
        out[subset] = lost / boat.hours[known].sum() if known.any() else np.inf, boat.hours[~known].sum()
    return out


@pytest.mark.parametrize(("n", "seed"), BOATS)
def test_best_lists_are_those_of_brute_force(n: int, seed: int) -> None:
    boat = RandomBoat(n, seed)
    values = subset_values(boat.needs, boat.seconds, boat.sure, boat.hours, n)
    loss, uncovered = np.nan_to_num(values.loss_s_per_nm, nan=np.inf), values.uncovered_hours
    weight, number = sums(boat.weights), sums(np.ones(n))
    expected = all_values(boat)
    lists = [
        (s, expected[s, 0], expected[s, 1], sum(boat.weights[k] for k in range(n) if s >> k & 1), s.bit_count())
        for s in range(2**n)
    ]
    covering = [r for r in lists if r[2] < 1e-9]
    for limit in (0.5, 5.0, 20.0):
        found = best((uncovered < 1e-9) & (loss <= limit), weight, loss)
        brute = min((r for r in covering if r[1] <= limit), key=lambda r: (r[3], r[1]))
        assert found is not None and (weight[found], loss[found]) == pytest.approx((brute[3], brute[1]), abs=1e-9)
    for most in range(1, n + 1):
        found = best(number <= most, np.round(uncovered, 9), loss)
        brute = min((r for r in lists if r[4] <= most), key=lambda r: (round(r[2], 9), r[1]))
        assert found is not None
        assert (uncovered[found], loss[found]) == pytest.approx((brute[2], brute[1]), abs=1e-8)
        assert found.bit_count() <= most
    heaviest = 0.6 * boat.weights.sum()
    found = best(weight <= heaviest, np.round(uncovered, 9), loss)
    brute = min((r for r in lists if r[3] <= heaviest), key=lambda r: (round(r[2], 9), r[1]))
    assert found is not None and (uncovered[found], loss[found]) == pytest.approx((brute[2], brute[1]), abs=1e-8)
    front = trade_off(uncovered < 1e-9, weight, loss)
    undominated = {
        (r[3], round(r[1], 7))
        for r in covering
        if not any((o[3] <= r[3] and o[1] < r[1] - 1e-9) or (o[3] < r[3] and o[1] <= r[1] + 1e-9) for o in covering)
    }
    assert {(weight[s], round(loss[s], 7)) for s in front} == undominated


def test_eighteen_sails_agree_with_brute_force_on_lists_drawn_at_random() -> None:
    boat = RandomBoat(18, 3)
    found = subset_values(boat.needs, boat.seconds, boat.sure, boat.hours, 18)
    for subset in np.random.default_rng(1).choice(2**18, 150, replace=False):
        loss, uncovered, seconds, unsure = boat.value(int(subset))
        assert found.loss_s_per_nm[subset] == pytest.approx(loss, abs=1e-9, nan_ok=True)
        assert found.uncovered_hours[subset] == pytest.approx(uncovered, abs=1e-9)
        assert found.seconds_per_nm[subset] == pytest.approx(seconds, abs=1e-8, nan_ok=True)
        assert found.unsure_hours[subset] == pytest.approx(unsure, abs=1e-9)


def test_a_set_of_no_free_sails_covers_every_list() -> None:
    found = subset_values(np.array([0, 1]), np.array([[400.0], [300.0]]), np.ones((2, 1), dtype=bool), np.ones(1), 2)
    assert found.loss_s_per_nm.tolist() == [100.0, 0.0, 100.0, 0.0]
    assert found.uncovered_hours.tolist() == [0.0] * 4


def test_a_sail_that_adds_nothing_is_left_ashore() -> None:
    # Of two lists of the same loss the lighter one, of two as light the shorter.
    loss, weight = np.array([9.0, 0.0, 9.0, 0.0]), np.array([0.0, 10.0, 0.0, 10.0])
    assert best(np.ones(4, dtype=bool), loss, weight, sums(np.ones(2))) == 1
    assert best(np.zeros(4, dtype=bool), loss) is None


def test_too_many_sails_are_refused() -> None:
    with pytest.raises(ValueError, match="searched exactly"):
        subset_values(np.array([1]), np.array([[1.0]]), np.ones((1, 1), dtype=bool), np.ones(1), MOST_SAILS + 1)
