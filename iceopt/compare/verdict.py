"""A comparison in words, as a table, and as JSON."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from iceopt.compare.comparison import Comparison
from iceopt.compare.profile import KINDS

Array = NDArray[np.float64]

QUANTILES = {"": 0.5, "_p2.5": 0.025, "_p16": 0.16, "_p84": 0.84, "_p97.5": 0.975}

_LEAST_TOLD = 1e-6

HEADER = (
    "old",
    "new",
    "kind",
    "depth_top_m",
    "depth_bottom_m",
    *(f"log_change{suffix}" for suffix in QUANTILES),
    "probability",
    "q",
    "changed",
)


def comments(comparisons: Sequence[Comparison]) -> list[str]:
    """Lines that go before the table of layers."""
    units = (
        "log_change: ln(new length / old length), median and 2.5, 16, 84, 97.5 % quantiles; depth in m, "
        "positive down; probability: of a change this large by chance; q: false-discovery rate at which the "
        f"layer is named; changed: 1 if q is at most {comparisons[0].rate:g}"
    )
    return [units, *(line for c in comparisons for line in (sentence(c), *c.notes))]


def rows(comparison: Comparison) -> list[list[Any]]:
    """One row a kind and cell, as `HEADER`."""
    quantiles = np.quantile(comparison.change, list(QUANTILES.values()), axis=0)
    named = comparison.changed
    return [
        [
            comparison.old.name,
            comparison.new.name,
            kind,
            comparison.cells_m[i],
            comparison.cells_m[i + 1],
            *quantiles[:, k, i],
            comparison.probability[k, i],
            comparison.q[k, i],
            int(named[k, i]),
        ]
        for k, kind in enumerate(KINDS)
        for i in range(comparison.cells_m.size - 1)
    ]


def sentence(comparison: Comparison) -> str:
    """Give the verdict in words; it begins with NOT final if the numbers of a result cannot stand."""
    old, new = comparison.old, comparison.new
    doubts = [f"{p.name}: {p.doubt}" for p in (old, new) if p.doubt]
    start = f"NOT final ({'; '.join(doubts)}): " if doubts else ""
    joint = f"all changes together have probability {_rounded(comparison.joint)} by chance"
    what = f"{old.season} to {new.season}"
    if not comparison.anything:
        return f"{start}{what}: no change found at a rate of {comparison.rate:g}; {joint}."
    found = [_band_words(band) for band in bands(comparison)]
    layers = int(comparison.changed.sum())
    return (
        f"{start}{what}: {'; '.join(found) if found else 'no band changed as a whole'}; layers named one by "
        f"one: {layers} of {comparison.changed.size}; {joint}."
    )


def _rounded(probability: float) -> str:
    """Beyond a millionth the tail is extrapolated too far for a number to mean anything."""
    return f"{probability:.2g}" if probability >= _LEAST_TOLD else f"below {_LEAST_TOLD:g}"


def bands(comparison: Comparison) -> list[dict[str, Any]]:
    """Bands that changed, from the top down."""
    found = []
    for band in comparison.bands:
        low, middle, high = np.exp(np.quantile(band.change, [0.025, 0.5, 0.975])) - 1
        found.append(
            {
                "kind": KINDS[band.kind],
                "depth_top_m": float(comparison.cells_m[band.first]),
                "depth_bottom_m": float(comparison.cells_m[band.last + 1]),
                "change_percent": 100 * float(middle),
                "change_percent_95": [100 * float(low), 100 * float(high)],
                "probability": band.probability,
            }
        )
    return sorted(found, key=lambda band: (band["depth_top_m"], band["kind"]))


def _band_words(band: dict[str, Any]) -> str:
    low, high = band["change_percent_95"]
    return (
        f"{band['kind']} length changed by {band['change_percent']:+.1f} % ({low:+.1f} to {high:+.1f} % at "
        f"95 %) from {band['depth_top_m']:g} to {band['depth_bottom_m']:g} m"
    )


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Everything of a comparison but its draws."""
    named = comparison.changed
    return {
        "old": comparison.old.name,
        "new": comparison.new.name,
        "verdict": sentence(comparison),
        "final": not (comparison.old.doubt or comparison.new.doubt),
        "changed": comparison.anything,
        "rate": comparison.rate,
        "joint_probability": comparison.joint,
        "joint_probability_of_kind": dict(zip(KINDS, comparison.joint_of_kind, strict=True)),
        "bands": bands(comparison),
        "layers": {
            kind: [
                [float(comparison.cells_m[i]), float(comparison.cells_m[i + 1])]
                for i in np.flatnonzero(named[k])
            ]
            for k, kind in enumerate(KINDS)
        },
        "shared_modules": comparison.shared,
        "efficiency_drift": comparison.drift,
        "notes": list(comparison.notes),
    }
