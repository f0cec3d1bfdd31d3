"""What is said of a light model: errors that it owns up to, and errors that a fit finds beside them."""

import pytest

from iceopt.fit.verdict import doubt_of_light


@pytest.mark.parametrize(("own", "fitted"), [(0.007, 0.001), (0.007, 0.019), (0.06, 0.05), (0.2, 0.2)])
def test_a_model_that_explains_its_errors_is_not_doubted(own, fitted):
    assert doubt_of_light("layered", own, fitted) == ""


@pytest.mark.parametrize("fitted", [0.001, 0.6])
def test_a_model_that_is_wrong_by_its_own_account_is_doubted(fitted):
    assert "itself wrong by about 50 %" in doubt_of_light("layered", 0.5, fitted)


@pytest.mark.parametrize(
    ("own", "fitted"), [(0.007, 0.021), (0.007, 0.3), (0.06, 0.07), (0.007, float("nan"))]
)
def test_errors_that_a_model_does_not_own_up_to_are_doubted(own, fitted):
    assert "intervals do not know of it" in doubt_of_light("layered", own, fitted)
