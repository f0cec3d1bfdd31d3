"""Tracked charges and bins of tests/data/tracked_fluence as a light model's truth."""

import json
from pathlib import Path

import numpy as np

from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredMoments
from tests.light.moments.scenes import RING, make_scene

OWN = Path(__file__).parents[2] / "data/tracked_fluence"
SLOPE = 0.6
KEPT_DEPTHS = slice(1, None, 3)
"""Those whose bins the excerpts hold."""


class Truth:
    """Tracked charges of all emitters at every third depth, their noise, and the pairs' geometry."""

    def __init__(self, name: str) -> None:
        settings, data = json.loads((OWN / f"{name}.json").read_text()), np.load(OWN / f"{name}.npz")
        self.ice = Ice(*(settings[k] for k in ("edges_m", "scattering_length_m", "absorption_length_m")))
        emitter = np.array(settings["emitter_depth_m"])
        receiver = np.array(settings["receiver_depth_m"])[KEPT_DEPTHS]
        charge = (data["charge"] - SLOPE * data["moment"])[:, :, KEPT_DEPTHS]
        noise = data["relerr"][:, :, KEPT_DEPTHS]
        dz = receiver - emitter[:, None, None]
        rho = np.array(settings["distance_m"])[:, None]
        r = np.hypot(dz, rho)
        # Beyond 0.1 the batches do not tell their own error, and ln(model / truth) is biased.
        use = (abs(dz) <= 240) & (noise > 0) & (noise < 0.1) & (r > 0)
        i, d, k = np.nonzero(use)
        self.r, self.rho, self.noise, self.charge = r[use], rho[d, 0], noise[use], charge[use]
        self.scene = make_scene(emitter[i], receiver[k], self.rho, emission=RING, slope=SLOPE)
        self.place = (i, d, k)
        self.data = data

    def log_ratio(self, order: int) -> np.ndarray:
        return np.log(np.maximum(self.counts(order).sum(axis=1), 1e-300) / self.charge)

    def counts(self, order: int) -> np.ndarray:
        return LayeredMoments(self.scene, order).expected(self.ice)

    def bins(self, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """ln(model / truth) of the bins above 10 % of their pair's peak, and the truth's noise.

        `counts`, shape (pair, bin), are the model's.
        """
        i, d, k = self.place
        held = np.isin(i, self.data["bins_emitter"])
        held &= np.isin(d, self.data["bins_distance"])
        row = (
            np.searchsorted(self.data["bins_emitter"], i[held]),
            np.searchsorted(self.data["bins_distance"], d[held]),
            k[held],
        )
        truth = (self.data["fluence"] - SLOPE * self.data["moment_z"])[row]
        strong = truth > 0.1 * truth.max(axis=1, keepdims=True)
        model = np.maximum(counts[held], 1e-30)
        # A bin holds its share of the photons that make the charge's error.
        noise = self.noise[held, None] * np.sqrt(self.charge[held, None] / np.maximum(truth, 1e-30))
        strong &= noise < 0.05
        return np.log(model[strong] / truth[strong]), noise[strong]


def excess(log_ratio: np.ndarray, noise: np.ndarray) -> float:
    """Rms beyond the truth's own noise."""
    return float(np.sqrt(max((log_ratio**2).mean() - (noise**2).mean(), 0.0)))
