"""What the terminal and the page say of a plan, as plain values."""

from typing import Any

import numpy as np

from iceopt.plan.plan import Plan

_WORTH_SAYING = 0.01


def percent(value: float) -> str:
    """Two digits, or all before the point."""
    return f"{value:.2g}" if value < 100 else f"{value:.0f}"


def sources(plan: Plan) -> list[str]:
    """Name of the emitter of each chosen flash, in order, and where its LED points if it is a single one."""
    flashes, modules = plan.scenario.candidates.flashes, plan.scenario.site.modules
    return [
        modules.name[flashes.emitter[i]]
        + ("" if np.isnan(flashes.azimuth_deg[i]) else f" {flashes.azimuth_deg[i]:g}\N{DEGREE SIGN}")
        for i in plan.choice.which
    ]


def headline(plan: Plan) -> list[str]:
    """Sentences that sum a plan up."""
    scenario, choice, sd = plan.scenario, plan.choice, 100 * plan.forecast.sd
    lines = [
        f"{choice.which.size} flashes of {scenario.candidates.size} candidates in {choice.hours[-1]:.3g} h "
        f"of detector time"
        + ("." if scenario.flasher_hours is None else f", of a budget of {scenario.flasher_hours:g} h."),
        *(
            f"Standard deviation of the {name} length of {sd.shape[1]} layers: {percent(values.min())} to "
            f"{percent(values.max())} %, median {percent(np.median(values))} % (prior alone: median "
            f"{percent(before)} %)."
            for name, values, before in zip(
                ("effective scattering", "absorption"),
                sd,
                100 * np.median(plan.prior_sd, axis=1),
                strict=True,
            )
        ),
    ]
    if not scenario.site.attitude.is_level:
        words = scenario.site.attitude.words
        lines.append(f"{words[0].upper()}{words[1:]} (from +x towards +y); layers are those at x = y = 0.")
    off = plan.shared_errors - 1.0
    if abs(off) > _WORTH_SAYING:
        side = "wider" if off > 0 else "narrower"
        lines.append(
            "Pairs of different flashes that lie alike share errors of the light model. The forecast counts "
            f"them exactly; it is {100 * abs(off):.2g} % {side} than the ranking and its figure, which scale "
            "flash by flash."
        )
    comparison = plan.comparison
    if comparison is not None:
        others = {"evenly spaced": comparison.evenly[-1], "at random": np.median(comparison.random[-1])}
        wider = ", ".join(
            f"{100 * np.expm1(0.5 * (value - choice.value[-1])):.2g} % wider {name}"
            for name, value in others.items()
        )
        what = "of the worst layer" if scenario.criterion.worst else "in the mean of the layers that matter"
        lines.append(
            f"As many flashes with the same settings leave standard deviations, {what}, that are {wider}; "
            f"the exchanges after greed narrowed them by "
            f"{100 * -np.expm1(0.5 * (choice.value[-1] - choice.greedy_value)):.2g} %."
        )
    return lines


def nuisance_words(plan: Plan) -> str:
    """Sentence on efficiencies and clock offsets."""
    alive = plan.scenario.site.modules.alive
    efficiency, offset = plan.forecast.efficiency_sd[alive], plan.forecast.offset_sd_ns[alive]
    return (
        f"Relative efficiencies of {alive.sum()} modules: {100 * efficiency.min():.2g} to "
        f"{100 * efficiency.max():.2g} %, median {100 * np.median(efficiency):.2g} %; clock offsets: "
        f"{offset.min():.2g} to {offset.max():.2g} ns, median {np.median(offset):.2g} ns."
    )


def flash_rows(plan: Plan) -> list[dict[str, Any]]:
    """One row a flash, in the order of gain for its time."""
    flashes, modules = plan.scenario.candidates.flashes, plan.scenario.site.modules
    share, names = plan.share.mean(axis=0), sources(plan)
    edges = plan.scenario.site.ice.edges_m
    rows = []
    for k, i in enumerate(plan.choice.which):
        block, best = plan.blocks[k], int(share[k].argmax())
        rows.append(
            {
                "run": f"R{k + 1:03d}",
                "emitter": names[k],
                "depth": f"{modules.position_m[flashes.emitter[i], 2]:.0f}",
                "photons": f"{flashes.photons_per_pulse[i]:.3g}",
                "pulses": f"{flashes.pulses[i]}",
                "hours": f"{plan.choice.hours[k + 1]:.3g}",
                "gain": f"{100 * -np.expm1(-0.5 * plan.choice.gain[k]):.2g}",
                "receivers": f"{block.modules.size}",
                "saturated": f"{block.saturated}",
                "lost": f"{block.lost}",
                "tells": f"{edges[best]:g}–{edges[best + 1]:g}",
            }
        )
    return rows


def layer_rows(plan: Plan) -> list[dict[str, Any]]:
    """One row a layer."""
    ice, sd, prior = plan.scenario.site.ice, 100 * plan.forecast.sd, 100 * plan.prior_sd
    lengths = (ice.scattering_length_m, ice.absorption_length_m)
    return [
        {
            "depth": f"{ice.edges_m[i]:g}–{ice.edges_m[i + 1]:g}",
            "lengths": [
                {
                    "expected": f"{lengths[k][i]:.1f}",
                    "sd": percent(sd[k, i]),
                    "prior": percent(prior[k, i]),
                }
                for k in range(2)
            ],
        }
        for i in range(ice.layers)
    ]
