"""`iceopt check`: what a fit of a campaign will leave out, and why."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from iceopt.campaign.model import Campaign, Verdicts


def check(
    campaign: Annotated[Path, typer.Argument(help="Campaign folder, or an HDF5 file holding its tables.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON alone.")] = False,
) -> None:
    """Validate a campaign's tables, find its faults, and say what a fit will leave out and why."""
    from iceopt.campaign.check import find_faults
    from iceopt.campaign.read import read_campaign

    content = read_campaign(campaign)
    verdicts = find_faults(content)
    if as_json:
        import json

        typer.echo(json.dumps(_report(str(campaign), content, verdicts), indent=1))
    else:
        _print_tables(content, verdicts)


def _report(name: str, campaign: "Campaign", verdicts: "Verdicts") -> dict[str, object]:
    def listed(kind: str, key: str) -> list[dict[str, str]]:
        return [
            {key: finding.name, "state": finding.state, "reason": finding.reason}
            for finding in verdicts.findings
            if finding.kind == kind
        ]

    return {
        "campaign": name,
        "modules": listed("module", "module"),
        "runs": listed("run", "run"),
        "pairs": {"left_out": _numbers(verdicts, "pair"), "list": listed("pair", "pair")},
        "bins": {"saturated": listed("bin", "pair")},
        "usable": {
            "pairs": int(verdicts.usable.any(axis=1).sum()),
            "of_pairs": campaign.counts.shape[0],
            "bins": int(verdicts.usable.sum()),
            "of_bins": int(campaign.counts.size),
        },
    }


def _numbers(verdicts: "Verdicts", kind: str) -> dict[str, int]:
    states = [finding.state for finding in verdicts.findings if finding.kind == kind]
    return {state: states.count(state) for state in sorted(set(states))}


_WHY = {
    "near": "saturated from their first light on",
    "far": "less light expected than the dark noise lets see",
    "behind": "too far behind their LED: light there has been turned round",
    "saturated": "above the linear range from some bin on; that bin and the later ones are left out",
}


def _print_tables(campaign: "Campaign", verdicts: "Verdicts") -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    settings, console = campaign.settings, Console()
    console.print(
        f"{escape(settings.site)} {escape(settings.season)}: {len(campaign.modules.name)} modules, "
        f"{len(campaign.flashes.run)} runs, {campaign.counts.shape[0]} pairs of run and receiver",
        highlight=False,
    )
    table = Table("left out", "state", "why", title="What a fit will leave out", title_justify="left")
    for finding in verdicts.findings:
        if finding.kind in ("module", "run"):
            table.add_row(escape(f"{finding.kind} {finding.name}"), finding.state, escape(finding.reason))
    for kind, what in (("pair", "pairs"), ("bin", "pairs, in part")):
        for state, number in _numbers(verdicts, kind).items():
            table.add_row(f"{number} {what}", state, _WHY[state])
    if table.row_count:
        console.print(table)
    usable = verdicts.usable
    console.print(
        f"Usable: {usable.any(axis=1).sum()} of {usable.shape[0]} pairs and {usable.sum()} of {usable.size} "
        "bins; bins before the flash tell the dark noise only.",
        highlight=False,
    )
