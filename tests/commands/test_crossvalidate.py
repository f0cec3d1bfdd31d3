"""crossvalidate at the command line."""

import csv

from typer.testing import CliRunner

from iceopt.campaign.write import write_campaign_folder
from iceopt.cli import app
from tests.synthetic import draw_campaign, two_layers_toml

CONFIG = two_layers_toml(kind="laplace", ensembles=2, draws=40)


def test_table_and_figure_of_named_runs(tmp_path):
    campaign, _ = draw_campaign(modules_per_line=6, line_spacing_m=110.0, photons_per_pulse=2e9)
    write_campaign_folder(campaign, tmp_path / "campaign")
    (tmp_path / "fit.toml").write_text(CONFIG)
    out = tmp_path / "out"
    arguments = ["crossvalidate", tmp_path / "campaign", "-o", out, "--config", tmp_path / "fit.toml"]
    arguments += ["--hold-out", "R02", "--hold-out", "R04"]
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code in (0, 3), done.output
    assert "R02" in done.output
    assert "68 % if right" in done.output
    assert {p.name for p in out.iterdir()} == {"held_out.csv", "held_out.pdf", "held_out.png"}
    lines = [s for s in (out / "held_out.csv").read_text().splitlines() if not s.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert {row["run"] for row in rows} == {"R02", "R04"}
    assert all(float(row["seen"]) >= 0 and float(row["expected"]) > 0 for row in rows)
