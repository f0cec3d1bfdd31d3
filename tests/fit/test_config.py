"""The configuration: defaults, and one clear sentence for what is wrong."""

import pytest

from iceopt.errors import InputError
from iceopt.fit.config import FitConfig, read_config


def written(tmp_path, text):
    path = tmp_path / "fit.toml"
    path.write_text(text)
    return path


def test_every_setting_has_a_default():
    assert read_config(None) == FitConfig()


def test_settings_are_read(tmp_path):
    config = read_config(
        written(tmp_path, "seed = 7\n[layers]\nthickness_m = 20\n[prior.dust]\non = false\n")
    )
    assert config.seed == 7
    assert config.layers.thickness_m == 20
    assert not config.prior.dust.on
    assert config.sampler == FitConfig().sampler


def test_one_number_of_a_prior_can_be_given_alone(tmp_path):
    slope = read_config(written(tmp_path, "[prior.dust.slope]\nsd = 0.1\n")).prior.dust.slope
    assert (slope.mean, slope.sd) == (FitConfig().prior.dust.slope.mean, 0.1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[layers]\nthicknes_m = 20\n", ["layers.thicknes_m", "is not a setting", "thickness_m"]),
        ("[priors]\n", ["priors is not a setting", "prior"]),
        ("[layers]\nthickness_m = -1\n", ["layers.thickness_m", "greater than 0", "-1"]),
        ("[layers]\nedges_m = [1500, 1400]\n", ["layers", "increase"]),
        ("[layers]\ntop_m = 1500\nbottom_m = 1400\n", ["layers", "bottom_m must be deeper"]),
        ("[sampler]\nkind = 'magic'\n", ["sampler.kind", "ensemble", "magic"]),
        ("seed = nan\n", ["seed"]),
        ("[error]\nprofile_memory = inf\n", ["error.profile_memory", "finite"]),
        ("layers = 5\n", ["layers"]),
        ("not toml", ["is not TOML"]),
    ],
)
def test_what_is_wrong_is_one_sentence(tmp_path, text, words):
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_config(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    for word in words:
        assert word in message


def test_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"nowhere\.toml: cannot be read"):
        read_config(tmp_path / "nowhere.toml")


def test_options_go_before_the_file():
    config = FitConfig(seed=3).with_options(seed=None, kind=None, time_limit_s=5.0)
    assert (config.seed, config.sampler.time_limit_s) == (3, 5.0)
    with pytest.raises(InputError, match=r"sampler\.kind"):
        FitConfig().with_options(kind="magic")
