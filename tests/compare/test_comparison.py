"""Nothing is found where nothing changed, and what was planted is, over many synthetic seasons."""

import dataclasses
import itertools

import numpy as np
import pytest

from iceopt.compare.comparison import compare
from iceopt.errors import InputError
from iceopt.ice.attitude import Attitude
from tests.compare.seasons import EDGES_M, LAYERS, season, unchanged_truth

RATE = 0.05
TRIALS = 200
PLANTED = slice(14, 17)
"""Three layers of 10 m whose lengths fall by a fifth."""


def at_most(rate: float, trials: int) -> float:
    """Three standard deviations of a binomial above the rate."""
    return rate + 3 * np.sqrt(rate * (1 - rate) / trials)


def test_nothing_is_found_where_nothing_changed():
    rng = np.random.default_rng(1)
    truth = unchanged_truth()
    found = [compare(season(truth, rng), season(truth, rng), RATE, t) for t in range(TRIALS)]
    assert np.mean([c.changed.any() for c in found]) < at_most(RATE, TRIALS)
    assert np.mean([bool(c.bands) for c in found]) < at_most(RATE, TRIALS)
    assert np.mean([c.joint < RATE for c in found]) < at_most(RATE, TRIALS)
    # Nor are the tests blind: probabilities of single layers are uniform.
    probability = np.array([c.probability for c in found])
    for level in (0.05, 0.3, 0.7):
        np.testing.assert_allclose(np.mean(probability < level), level, atol=0.03)


def test_a_planted_band_is_found_with_its_size():
    rng = np.random.default_rng(2)
    truth = unchanged_truth()
    changed = truth.copy()
    changed[0, PLANTED] += np.log(1.25)
    inside, outside, joint, covered, false = [], [], [], [], []
    for trial in range(40):
        c = compare(season(truth, rng), season(changed, rng), RATE, trial)
        hits = [b for b in c.bands if b.kind == 0 and b.first < 17 and b.last > 13]
        inside.append(len(hits) == 1)
        outside.append(any(b not in hits for b in c.bands))
        joint.append(c.joint)
        middle = c.change[:, 0, PLANTED].mean(axis=1)
        low, high = np.quantile(middle, [0.025, 0.975])
        covered.append(low < -np.log(1.25) < high)
        named = c.changed.copy()
        named[0, PLANTED] = False
        false.append(named.sum() / max(c.changed.sum(), 1))
    assert np.mean(inside) > 0.95
    assert np.mean(outside) < at_most(RATE, 40)
    assert np.median(joint) < 1e-4
    assert np.mean(covered) > 0.95 - 3 * np.sqrt(0.05 * 0.95 / 40)
    assert np.mean(false) < at_most(RATE, 40)


def test_correlations_inside_a_result_count():
    """Draws shuffled layer by layer, as a table has them, claim another error for a band's mean."""
    rng = np.random.default_rng(3)
    truth = unchanged_truth()
    old, new = season(truth, rng), season(truth, rng)
    shuffled = [
        dataclasses.replace(p, log_coefficient=rng.permuted(p.log_coefficient, axis=2)) for p in (old, new)
    ]
    apart = compare(old, new, RATE, 1).change[:, 0, :10].mean(axis=1).std()
    alone = compare(*shuffled, RATE, 1).change[:, 0, :10].mean(axis=1).std()
    # sd of the mean of ten: from the covariance drawn with, and as if its diagonal were all
    within = (-0.5) ** abs(np.subtract.outer(np.arange(10), np.arange(10))) + 0.2
    np.testing.assert_allclose(apart, 0.05 * np.sqrt(2 * within.mean()), rtol=0.1)
    np.testing.assert_allclose(alone, 0.05 * np.sqrt(2 * 1.2 / 10), rtol=0.1)


@pytest.mark.parametrize("nested", [True, False])
def test_other_grids_of_the_same_ice_find_nothing(nested):
    """Layers of 10 m against layers of 30 m, whose edges are among the fine ones or 5 m beside them."""
    rng = np.random.default_rng(4)
    start = 1400.0 if nested else 1405.0
    coarse = np.arange(start, 1701.0, 30.0)
    fine_truth = unchanged_truth()
    metre = np.repeat(np.exp(fine_truth), 10, axis=1)  # a value a metre
    cut = (coarse - 1400.0).astype(int)
    coarse_truth = np.log([[row[a:b].mean() for a, b in itertools.pairwise(cut)] for row in metre])
    found = []
    for trial in range(60):
        fine, thick = season(fine_truth, rng, 0.03), season(coarse_truth, rng, 0.01, coarse)
        c = compare(fine, thick, RATE, trial)
        np.testing.assert_array_equal(c.cells_m, coarse)
        assert any("averaged over" in note or "cut by the common grid" in note for note in c.notes)
        found.append(c.anything)
    assert np.mean(found) < at_most(2 * RATE, 60)


def test_not_converged_same_counts_and_other_light_models_are_said():
    rng = np.random.default_rng(5)
    truth = unchanged_truth()
    old = season(
        truth, rng, doubt="it has NOT converged", name="old.h5", inputs=frozenset("a"), light_model="one"
    )
    new = season(truth, rng, inputs=frozenset("a"), light_model="another")
    said = compare(old, new, RATE, 1).notes
    assert said[0].startswith("old.h5: it has NOT converged, so this comparison is not final")
    assert any("come of the same counts" in note for note in said)
    assert any("light models differ" in note for note in said)


@pytest.mark.parametrize(
    ("sd", "said"),
    [(0.004, False), (0.001, True), (0.0, True)],
)
def test_ice_that_is_taken_to_lie_differently_is_said(sd, said):
    """Slopes of 0.04 and 0.05: 1.8, 7 and any number of standard deviations apart."""
    rng, truth = np.random.default_rng(8), unchanged_truth()
    old, new = (
        season(truth, rng, attitude=Attitude(slope_x=slope), attitude_sd=np.array([sd, sd, sd, sd]))
        for slope in (0.04, 0.05)
    )
    notes = [note for note in compare(old, new, RATE, 1).notes if "taken to lie differently" in note]
    assert bool(notes) == said
    assert all("40.0 m a km" in note and "50.0 m a km" in note for note in notes)


def test_tables_do_not_say_how_their_ice_lies():
    rng, truth = np.random.default_rng(9), unchanged_truth()
    old = season(truth, rng, attitude=Attitude(slope_x=0.04), attitude_sd=np.zeros(4))
    assert not any("lie differently" in note for note in compare(old, season(truth, rng), RATE, 1).notes)


def test_the_same_seed_gives_the_same_answer():
    rng = np.random.default_rng(6)
    old, new = season(unchanged_truth(), rng), season(unchanged_truth(), rng)
    np.testing.assert_array_equal(compare(old, new, RATE, 7).change, compare(old, new, RATE, 7).change)


def test_what_cannot_be_compared_is_refused():
    rng = np.random.default_rng(7)
    old = season(unchanged_truth(), rng, name="old.h5", wavelength_nm=405.0)
    with pytest.raises(InputError, match=r"old\.h5 is at 405 nm and a\.h5 at 370 nm"):
        compare(old, season(unchanged_truth(), rng, wavelength_nm=370.0), RATE, 1)
    with pytest.raises(InputError, match="have no layer in common"):
        compare(old, season(unchanged_truth(LAYERS), rng, edges_m=EDGES_M + 1000.0), RATE, 1)
