"""`iceopt doctor`: what is good is said to be, what is missing is named, and nothing is left behind."""

from tests.batch.sites import environment, iceopt, site


def test_a_good_site(tmp_path):
    jobs = site(tmp_path)
    done = iceopt("doctor", jobs)
    assert done.returncode == 0, done.stdout
    lines = done.stdout.splitlines()
    assert all(line.startswith("ok ") for line in lines)
    assert len(lines) == 8
    assert list((tmp_path / "results").iterdir()) == []


def test_an_absent_scheduler_is_bad(tmp_path):
    jobs = site(tmp_path, engine='name = "pbs"')
    done = iceopt("doctor", jobs, env=environment(PATH="/nowhere"))
    assert done.returncode == 1
    assert "BAD  engine pbs: qsub not found on the PATH" in done.stdout


def test_a_node_that_never_answers_is_bad(tmp_path):
    jobs = site(tmp_path, engine='name = "pbs"')
    (tmp_path / "qsub").write_text("#!/bin/sh\necho 12.here\n")
    (tmp_path / "qsub").chmod(0o755)
    done = iceopt("doctor", jobs, "--wait", 1, env=environment(PATH=f"{tmp_path}:/usr/bin:/bin"))
    assert done.returncode == 1
    assert "BAD  answer from a node: none within 1 s: 12.here" in done.stdout


def test_a_node_with_other_packages_is_named(tmp_path):
    """The stand-in for a node has an iceopt of another version."""
    jobs = site(tmp_path, engine='name = "pbs"')
    (tmp_path / "qsub").write_text(
        '#!/bin/bash\nexport PYTHONPATH="$(dirname "$0")/other:$PYTHONPATH"; bash "${@: -1}"\n'
    )
    (tmp_path / "qsub").chmod(0o755)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "sitecustomize.py").write_text(
        "import importlib.metadata as m\n_true = m.version\n"
        "m.version = lambda name: '9.9' if name == 'numba' else _true(name)\n"
    )
    done = iceopt("doctor", jobs, "--wait", 30, env=environment(PATH=f"{tmp_path}:/usr/bin:/bin"))
    assert done.returncode == 1
    assert "BAD  same Python and packages there: numba 9.9 there" in done.stdout
