"""Cautions for whoever carries a plan out: light on deck, phototubes, and who decides.

Exposure limits of IEC 62471 (2006), all **from memory**; the standard in force rules. For exposures of t
seconds at the unprotected eye:

* actinic ultraviolet, 200 to 400 nm, weighted by S(lambda): 30 J/m2;
* near ultraviolet, 315 to 400 nm: 10 W/m2 beyond 1000 s, 1e4 J/m2 below;
* blue light, 300 to 700 nm, weighted by B(lambda): of sources above 11 mrad 100 W/m2/sr beyond 1e4 s,
  1e6 J/m2/sr below; of smaller sources, the irradiance, 1 W/m2 beyond 100 s, 100 J/m2 below.

Risk groups go by the light at 200 mm: exempt, 1 and 2 end at the bounds in `_GROUP_BOUNDS`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Settings

_PLANCK_TIMES_LIGHT_J_NM = 1.98644586e-16
"""h c (CODATA 2018)."""
_ELECTRON_C = 1.602176634e-19
SMALL_SOURCE_RAD = 0.011
_GROUP_DISTANCE_M = 0.2
_GROUP_BOUNDS = {
    "actinic ultraviolet": (1e-3, 3e-3, 3e-2),
    "near ultraviolet": (10.0, 33.0, 100.0),
    "blue light": (100.0, 1e4, 4e6),
    "blue light, small source": (1.0, 1.0, 400.0),
}
"""Weighted irradiance (W/m2), for blue light radiance (W/m2/sr) but of small sources; from memory."""
_ACTINIC = {
    300: 0.3, 303: 0.12, 305: 0.06, 308: 0.026, 310: 0.015, 313: 0.006, 315: 0.003, 320: 1e-3, 330: 4.1e-4,
    340: 2.8e-4, 350: 2e-4, 360: 1.3e-4, 370: 9.3e-5, 380: 6.4e-5, 390: 4.4e-5, 400: 3e-5,
}  # fmt: skip
"""S(lambda) by wavelength (nm), from memory."""
_BLUE = {
    300: 0.01, 380: 0.01, 385: 0.0125, 390: 0.025, 395: 0.05, 400: 0.1, 405: 0.2, 410: 0.4, 415: 0.8,
    420: 0.9, 425: 0.95, 430: 0.98, 435: 1.0, 440: 1.0, 445: 0.97, 450: 0.94, 455: 0.9, 460: 0.8, 465: 0.7,
    470: 0.62, 475: 0.55, 480: 0.45, 485: 0.4, 490: 0.22, 495: 0.16, 500: 0.1,
}  # fmt: skip
"""B(lambda) by wavelength (nm), from memory."""


@dataclass(frozen=True)
class Deck:
    """How near, and how long, someone on deck may look into a module that fires."""

    distance_m: float
    exposure_s: float
    source_diameter_m: float
    steady_power_w: float | None = None
    """Light output of the emitter if a fault holds it on."""


@dataclass(frozen=True)
class Phototube:
    """What the phototubes stand."""

    high_voltage_v: float
    gain: float
    largest_mean_current_a: float


@dataclass(frozen=True)
class LimitCheck:
    """One exposure against its limit."""

    name: str
    value: float
    limit: float
    unit: str

    @property
    def within(self) -> bool:
        """Whether the exposure is at most the limit."""
        return self.value <= self.limit


def beam_solid_angle(settings: Settings) -> float:
    """Solid angle (sr) that would hold all light at the intensity of the brightest direction."""
    if settings.emitter_pattern == "isotropic" or settings.elevation_spread_deg <= 0.0:
        return 4.0 * np.pi
    elevation = np.radians(np.linspace(-90.0, 90.0, 2001))
    off = (elevation - np.radians(settings.elevation_deg)) / np.radians(settings.elevation_spread_deg)
    profile = np.exp(-0.5 * off**2)
    ring = 2.0 * np.pi * float(np.trapezoid(profile * np.cos(elevation), elevation))
    if settings.emitter_pattern == "ring":
        return min(ring, 4.0 * np.pi)
    spread = np.radians(settings.elevation_spread_deg)
    return min(2.0 * np.pi * spread**2, 4.0 * np.pi)


def weights(wavelength_nm: float) -> tuple[float, float]:
    """Actinic and blue-light weight, S and B, interpolated in their logarithm."""

    def between(table: dict[int, float]) -> float:
        return float(np.exp(np.interp(wavelength_nm, list(table), np.log(list(table.values())))))

    actinic = between(_ACTINIC) if wavelength_nm <= 400 else 0.0
    if not 300 <= wavelength_nm <= 700:
        return actinic, 0.0
    if wavelength_nm <= 500:
        return actinic, between(_BLUE)
    return actinic, 10.0 ** ((450.0 - min(wavelength_nm, 600.0)) / 50.0)


@dataclass(frozen=True)
class Light:
    """A hazard's weighted light: irradiance (W/m2), or radiance (W/m2/sr)."""

    hazard: str
    value: float
    unit: str


def light_at(power_w: float, settings: Settings, distance_m: float, source_diameter_m: float) -> list[Light]:
    """Weighted light of a module at a distance, for every hazard of its wavelength.

    Parameters
    ----------
    power_w : float
        Mean light output of the module.
    settings : Settings
    distance_m, source_diameter_m : float
    """
    nm = settings.wavelength_nm
    irradiance = power_w / (beam_solid_angle(settings) * distance_m**2)
    actinic, blue = weights(nm)
    found = []
    if nm <= 400:
        found.append(Light("actinic ultraviolet", irradiance * actinic, "W/m2"))
    if 315 <= nm <= 400:
        found.append(Light("near ultraviolet", irradiance, "W/m2"))
    if 300 <= nm <= 700:
        angle = source_diameter_m / distance_m
        if angle < SMALL_SOURCE_RAD:
            found.append(Light("blue light, small source", irradiance * blue, "W/m2"))
        else:
            found.append(Light("blue light", irradiance * blue / (0.25 * np.pi * angle**2), "W/m2/sr"))
    return found


def exposures(power_w: float, settings: Settings, deck: Deck) -> list[LimitCheck]:
    """Exposure on deck against the limits; parameters as for `light_at`."""
    t = deck.exposure_s
    limits = {
        "actinic ultraviolet": 30.0 / t,
        "near ultraviolet": 10.0 if t > 1000.0 else 1e4 / t,
        "blue light": 100.0 if t > 1e4 else 1e6 / t,
        "blue light, small source": 1.0 if t > 100.0 else 100.0 / t,
    }
    return [
        LimitCheck(light.hazard, light.value, limits[light.hazard], light.unit)
        for light in light_at(power_w, settings, deck.distance_m, deck.source_diameter_m)
    ]


def risk_group(power_w: float, settings: Settings, source_diameter_m: float) -> int:
    """Risk group that the light at 200 mm would fall into: 0 (exempt) to 3, the worst of all hazards."""
    found = light_at(power_w, settings, _GROUP_DISTANCE_M, source_diameter_m)
    return max((sum(x.value > bound for bound in _GROUP_BOUNDS[x.hazard]) for x in found), default=0)


def mean_power_w(photons_per_pulse: float, pulse_rate_hz: float, wavelength_nm: float) -> float:
    """Mean light output of a module that flashes."""
    return photons_per_pulse * pulse_rate_hz * _PLANCK_TIMES_LIGHT_J_NM / wavelength_nm


def cautions(
    settings: Settings,
    photons_per_pulse: NDArray[np.float64],
    pulse_rate_hz: float,
    brightest_per_pulse: float,
    deck: Deck | None,
    tube: Phototube | None,
) -> list[str]:
    """Sentences to print with every plan.

    Parameters
    ----------
    settings : Settings
    photons_per_pulse : ndarray, shape (flash,)
        Of the planned flashes.
    pulse_rate_hz : float
    brightest_per_pulse : float
        Photoelectrons a pulse in the receiver that sees most.
    deck, tube : optional
        Without them the checks are named as not made.
    """
    lines = []
    if deck is None:
        lines.append(
            "Light on deck: NOT CHECKED, the scenario has no [deck]. Treat every emitter as hazardous: cover "
            "and interlock it, and never look into it."
        )
    else:
        brightest = mean_power_w(float(photons_per_pulse.max()), pulse_rate_hz, settings.wavelength_nm)
        cases = [("flashing", brightest)]
        if deck.steady_power_w is not None:
            cases.append(("held on by a fault", deck.steady_power_w))
        for case, power in cases:
            lines.append(_on_deck(case, power, settings, deck))
        if deck.steady_power_w is None:
            lines.append(
                "Light on deck: an emitter that a fault holds on is NOT CHECKED; give [deck] steady_power_w."
            )
    if settings.wavelength_nm < 420:
        lines.append(
            f"Light of {settings.wavelength_nm:g} nm is hardly seen: it gives no warning to the eye."
        )
    if tube is None:
        lines.append("Phototubes: currents NOT CHECKED, the scenario has no [phototube].")
    else:
        current = brightest_per_pulse * pulse_rate_hz * tube.gain * _ELECTRON_C
        verdict = "within" if current <= tube.largest_mean_current_a else "ABOVE"
        lines.append(
            f"Phototubes at {tube.high_voltage_v:g} V, charged even after they are switched off: the "
            f"brightest lit one carries {current:.2g} A of mean anode current, {verdict} its limit of "
            f"{tube.largest_mean_current_a:.2g} A. Keep tubes dark on deck while under voltage."
        )
    lines.append(
        "Drill sites: hot water under pressure, open holes, hoists, cold and remoteness. Plan with whoever "
        "runs the site."
    )
    lines.append(
        "iceopt computes, it certifies nothing. Local codes rule; licensed staff decide, and alone open or "
        "power modules."
    )
    return lines


def _on_deck(case: str, power_w: float, settings: Settings, deck: Deck) -> str:
    """Sentence on an emitter's light output, its risk group, and the exposure to it."""
    group = risk_group(power_w, settings, deck.source_diameter_m)
    found = [
        f"{c.name} {c.value:.2g} {c.unit}, {'within' if c.within else 'ABOVE'} the limit of {c.limit:.4g}"
        for c in exposures(power_w, settings, deck)
    ]
    return (
        f"Light on deck, {case} ({power_w:.2g} W, by its light at 200 mm in "
        f"{'the exempt group' if group == 0 else f'risk group {group}'}): at {deck.distance_m:g} m for "
        f"{deck.exposure_s:g} s {'; '.join(found) or 'no limit that is known here'} (IEC 62471:2006, from "
        "memory; only a laboratory classifies)."
    )
