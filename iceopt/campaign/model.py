"""A flasher campaign in memory: a small set of arrays, validated where they were read."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Settings:
    """What `campaign.toml` says of the whole campaign."""

    site: str
    season: str
    wavelength_nm: float
    group_index: float
    scattering_anisotropy: float
    emitter_pattern: str
    """'isotropic', 'ring' (all azimuths) or 'single' (one LED)."""
    elevation_deg: float
    elevation_spread_deg: float
    brightness_spread: float
    effective_area_m2: float
    acceptance_slope: float
    efficiency_spread: float
    dark_rate_hz: float
    linear_up_to_per_pulse_ns: float
    timing_spread_ns: float
    bin_ns: float
    start_ns: float
    stop_ns: float
    note: str = ""

    @property
    def single_leds(self) -> bool:
        """Whether each flash is that of one LED, which points at an azimuth."""
        return self.emitter_pattern == "single"


@dataclass(frozen=True)
class Modules:
    """Optical modules, one entry each."""

    name: tuple[str, ...]
    line: tuple[str, ...]
    slot: NDArray[np.int64]
    position_m: NDArray[np.float64]
    """Shape (module, 3): x, y, depth."""
    relative_efficiency: NDArray[np.float64]
    alive: NDArray[np.bool_]
    """False where the table says `dead`."""


@dataclass(frozen=True)
class Flashes:
    """Flasher runs, one entry each."""

    run: tuple[str, ...]
    emitter: NDArray[np.int64]
    """Index of the emitting module."""
    photons_per_pulse: NDArray[np.float64]
    pulses: NDArray[np.int64]
    readout_top_m: NDArray[np.float64]
    readout_bottom_m: NDArray[np.float64]
    azimuth_deg: NDArray[np.float64]
    """From +x towards +y; NaN for emitters that shine in all azimuths."""


@dataclass(frozen=True)
class Campaign:
    """One campaign. A pair is a run and a module that was read out in it; missing is not zero."""

    settings: Settings
    modules: Modules
    flashes: Flashes
    pair_run: NDArray[np.int64]
    """Shape (pair,): index of the run."""
    pair_module: NDArray[np.int64]
    """Shape (pair,): index of the receiving module."""
    counts: NDArray[np.int32]
    """Shape (pair, bin): photoelectrons summed over the run's pulses."""
    sha256: dict[str, str] = field(default_factory=dict)
    """Hash of each file it was read from."""

    @property
    def bin_edges_ns(self) -> NDArray[np.float64]:
        """Shape (bin + 1,): time after the flash (ns)."""
        s = self.settings
        return s.start_ns + s.bin_ns * np.arange(self.counts.shape[1] + 1)

    @property
    def read_out(self) -> NDArray[np.bool_]:
        """Shape (run, module): whether the module was read out in the run."""
        mask = np.zeros((len(self.flashes.run), len(self.modules.name)), dtype=bool)
        mask[self.pair_run, self.pair_module] = True
        return mask


@dataclass(frozen=True)
class Finding:
    """One thing that is left out of a fit, and why."""

    kind: str
    """'module', 'run', 'pair' or 'bin'."""
    name: str
    state: str
    """A word: silent, noisy, mistimed, dark, weak, saturated, near, far, behind, dead."""
    reason: str
    """A sentence with the numbers that led to it."""


@dataclass(frozen=True)
class Verdicts:
    """What `check` leaves out: a campaign and its verdicts give the usable pairs and bins."""

    findings: tuple[Finding, ...]
    module_state: tuple[str, ...]
    """Per module: 'ok' or the state that rules it out."""
    run_state: tuple[str, ...]
    """Per run: 'ok' or the state that rules it out."""
    usable: NDArray[np.bool_]
    """Shape (pair, bin): the bins that a fit may use."""
