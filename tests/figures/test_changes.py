"""Figures of a comparison: depth down, medians where they belong, doubt in the title."""

import numpy as np

from iceopt.compare.comparison import compare
from iceopt.figures.changes import change_profile, profiles_together
from tests.compare.seasons import EDGES_M, season, unchanged_truth


def compared(doubt=""):
    rng = np.random.default_rng(1)
    changed = unchanged_truth()
    changed[0, 10:16] += 0.3
    return compare(season(unchanged_truth(), rng, doubt=doubt), season(changed, rng), 0.05, 1)


def test_change_is_drawn_in_per_cent_with_its_band():
    c = compared()
    figure = change_profile(c)
    scattering = figure.axes[0]
    assert scattering.get_ylim() == (EDGES_M[-1], EDGES_M[0])
    median = 100 * (np.exp(np.median(c.change[:, 0], axis=0)) - 1)
    np.testing.assert_allclose(scattering.lines[0].get_xdata(), np.repeat(median, 2))
    (band,) = [b for b in c.bands if b.kind == 0]
    (drawn,) = [p for p in scattering.patches if p.get_label() == "band that changed"]
    assert (drawn.get_y(), drawn.get_y() + drawn.get_height()) == (
        EDGES_M[band.first],
        EDGES_M[band.last + 1],
    )
    assert "(%)" in scattering.get_xlabel()
    assert "scattering length changed by" in figure.get_suptitle()


def test_seasons_are_drawn_each_on_its_layers_and_told_apart_without_colour():
    c = compared()
    figure = profiles_together([c])
    lines = figure.axes[0].lines
    assert [line.get_label() for line in lines] == ["Skarv Dome 2040 (a.h5)"] * 2
    assert len({line.get_linestyle() for line in lines}) == 2
    assert figure.axes[0].yaxis_inverted()
    median = np.exp(np.median(-c.old.log_coefficient[0], axis=(0, 1)))
    np.testing.assert_allclose(lines[0].get_xdata(), np.repeat(median, 2))


def test_doubt_is_in_the_titles():
    c = compared("it has NOT converged")
    assert "NOT final" in change_profile(c).get_suptitle()
    assert "NOT final" in profiles_together([c]).get_suptitle()
