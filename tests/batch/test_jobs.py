"""The table of fits: multiplied out exactly, refused in one sentence."""

import itertools
import shutil

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from iceopt.batch.jobs import plan_of, read_jobs
from iceopt.batch.plan import read_plan, write_plan
from iceopt.campaign.read import campaign_sha256, read_campaign
from iceopt.errors import InputError
from tests.batch.sites import FIT, site

SAME_FOLDER = settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def plan(jobs):
    return plan_of(jobs, read_jobs(jobs))[0]


def names(jobs):
    return [task.name for task in plan(jobs).tasks]


@pytest.fixture(scope="module")
def grid_site(tmp_path_factory):
    """Campaigns a_1 ... b_3 and settings coarse and fine."""
    folder = tmp_path_factory.mktemp("grid")
    site(folder)
    for letter, number in itertools.product("ab", "123"):
        shutil.copytree(folder / "campaign", folder / f"{letter}_{number}")
    for name, steps in (("coarse", 10), ("fine", 20)):
        (folder / f"{name}.toml").write_text(FIT.format(steps=steps))
    return folder


@given(
    letters=st.sets(st.sampled_from("ab"), min_size=1),
    numbers=st.sets(st.integers(1, 3), min_size=1),
    configs=st.sets(st.sampled_from(["coarse.toml", "fine.toml"]), max_size=2),
    seeds=st.sets(st.integers(0, 9), max_size=4),
)
@SAME_FOLDER
def test_a_grid_is_the_product_of_its_values(grid_site, letters, numbers, configs, seeds):
    jobs = grid_site / "grid.toml"
    jobs.write_text(
        f'[[fits]]\ncampaigns = ["{{letter}}_{{number}}"]\nconfigs = {sorted(configs)}\n'
        f"seeds = {sorted(seeds)}\ngrid = {{ letter = {sorted(letters)}, number = {sorted(numbers)} }}\n"
    )
    tasks = plan(jobs).tasks
    found = {(t.campaigns, t.configuration["sampler"]["most_steps"], t.configuration["seed"]) for t in tasks}
    paths = [(str(grid_site / f"{a}_{b}"),) for a in letters for b in numbers]
    steps = [10 * (name[0] == "c") + 20 * (name[0] == "f") for name in configs] or [200_000]
    assert found == set(itertools.product(paths, steps, seeds or {1}))
    assert len({t.name for t in tasks}) == len(tasks) == len(found)


def test_joint_fits_are_lists_within_the_list(grid_site):
    jobs = grid_site / "joint.toml"
    jobs.write_text('[[fits]]\ncampaigns = [["a_{n}", "b_{n}"], "a_1"]\ngrid = { n = [1, 2] }\n')
    assert sorted(len(t.campaigns) for t in plan(jobs).tasks) == [1, 2, 2]


def test_a_change_of_input_configuration_or_seed_is_another_name(tmp_path):
    jobs = site(tmp_path, seeds=1)
    first = names(jobs)
    assert names(jobs) == first
    text = jobs.read_text()
    jobs.write_text(text.replace("seeds = [1]", "seeds = [2]"))
    seed = names(jobs)
    jobs.write_text(text)
    (tmp_path / "fit.toml").write_text(FIT.format(steps=101))
    steps = names(jobs)
    (tmp_path / "fit.toml").write_text("# a comment changes nothing\n" + FIT.format(steps=100))
    assert names(jobs) == first
    flashes = tmp_path / "campaign" / "flashes.csv"
    flashes.write_text(flashes.read_text() + "\n")
    assert len({*first, *seed, *steps, *names(jobs)}) == 4


def test_hashes_are_those_of_the_campaign_that_is_read(tmp_path):
    campaign = site(tmp_path).parent / "campaign"
    assert campaign_sha256(campaign) == read_campaign(campaign).sha256


def test_a_plan_comes_back_as_it_was(tmp_path):
    before = plan(site(tmp_path))
    before.folder.mkdir()
    assert read_plan(write_plan(before)) == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "fits is missing"),
        ("[[fits]]\n", "campaigns is missing"),
        ('[[fits]]\ncampaigns = ["campaign"]\nseed = 1\n', "fits.0.seed is not a setting"),
        ('[[fits]]\ncampaigns = ["none"]\n', "no such folder or file"),
        ('[[fits]]\ncampaigns = ["campaign"]\nconfigs = ["none.toml"]\n', "cannot be read"),
        ('[[fits]]\ncampaigns = ["{what}"]\n', "{what} in '{what}' is not in its grid"),
        ('[[fits]]\ncampaigns = ["campaign"]\nseeds = [-1]\n', "fits.0.seeds.0"),
        ('[[fits]]\ncampaigns = ["campaign", "./campaign"]\n', "stands in it twice"),
        ('[engine]\nname = "cron"\n[[fits]]\ncampaigns = ["campaign"]\n', "engine.name"),
        ("[[fits]\n", "is not TOML"),
    ],
)
def test_bad_tables_are_one_sentence(tmp_path, text, words):
    jobs = site(tmp_path)
    jobs.write_text(text)
    with pytest.raises(InputError) as caught:
        plan(jobs)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "results").exists()


@given(data=st.data(), byte=st.integers(0, 255), cut=st.booleans())
@settings(SAME_FOLDER, max_examples=300)
def test_mangled_tables_are_refused_or_read(grid_site, data, byte, cut):
    content = bytearray(
        b'[batch]\nthreads = 1\n[engine]\nname = "slurm"\nbefore = ["x"]\n[[fits]]\ncampaigns = ["a_1"]\n'
        b'configs = ["fine.toml"]\nseeds = [1, 2]\ngrid = { n = [1] }\n'
    )
    place = data.draw(st.integers(0, len(content) - 1))
    if cut:
        del content[place:]
    else:
        content[place] = byte
    jobs = grid_site / "mangled.toml"
    jobs.write_bytes(content)
    try:
        tasks = plan(jobs).tasks
    except InputError as error:
        assert "\n" not in str(error)
        return
    assert all(len(task.campaigns) == 1 for task in tasks)


@given(place=st.floats(0, 1, exclude_max=True), byte=st.integers(0, 255))
@settings(SAME_FOLDER, max_examples=100)
def test_a_mangled_plan_is_refused_or_is_a_plan(grid_site, place, byte):
    jobs = grid_site / "whole.toml"
    jobs.write_text('[[fits]]\ncampaigns = ["a_1"]\n')
    whole = plan(jobs)
    path = write_plan(whole)
    content = bytearray(path.read_bytes())
    content[int(place * len(content))] = byte
    path.write_bytes(bytes(content))
    try:
        read_plan(path)
    except InputError as error:
        assert "start the batch again" in str(error)
