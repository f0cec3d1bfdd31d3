"""How the ice lies: layers that slope, and light that goes farther along one horizontal axis.

Layers on a slope are flat ones seen from places that are turned with them: depths count from the layers, and
what is left of the way from one place to another goes along them. Of that turn, by a few degrees, two things
are left out: the directions in which modules shine and look, and that a vertical metre crosses a little less
than a metre of layers.

Where scattering along a direction u is weaker by a part a ((u . e)^2 - (u . p)^2), e a horizontal axis and p
the one across it, light that has been scattered often spreads with a diffusion tensor that is larger by
4a/5 along e and smaller by as much along p (to first order in a, by the corrector of the transport operator
on the sphere: 2a/5 as a mean free path is longer, 2a/5 as light then flies along e more often; own
derivation). Measured in the tensor's square root, distances along e are shorter by 2a/5, and the ice is alike
in all directions again; where absorption counts beside scattering it is less, la / (la + le) of that.
"""

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Attitude:
    """Slope of all layers, and stretch of the light's way; level and alike in all directions by default."""

    slope_x: float = 0.0
    slope_y: float = 0.0
    """How much deeper every layer lies with each metre along +x and along +y."""
    stretch_cos: float = 0.0
    stretch_sin: float = 0.0
    """Light sees a distance r at bearing b as r (1 - cos part x cos 2b - sin part x sin 2b)."""

    @property
    def values(self) -> Array:
        """The four numbers, in the order of the fields."""
        return np.array(astuple(self))

    @property
    def is_level(self) -> bool:
        """Whether all four are zero."""
        return not self.values.any()

    def moved(self, change: Array) -> "Attitude":
        """Return the attitude with numbers added, shape (4,)."""
        return Attitude(*(self.values + change).tolist())

    def depth_m(self, position_m: Array) -> Array:
        """Depth at x = y = 0 of the ice around places, shape (place, 3): x, y, depth; shape (place,)."""
        x, y, depth = position_m.T
        return np.asarray(depth - self.slope_x * x - self.slope_y * y)

    def distance_m(self, begin_m: Array, end_m: Array) -> Array:
        """Distance along the layers as light sees it between places, shape (pair, 3); shape (pair,)."""
        x, y, depth = (end_m - begin_m).T
        down = self.depth_m(end_m) - self.depth_m(begin_m)
        across, twice = np.hypot(x, y), 2.0 * np.arctan2(y, x)
        tilted = np.sqrt(np.maximum(across**2 + depth**2 - down**2, 0.0))
        along = np.where((depth == down) | (across == 0.0), across, tilted)
        part = self.stretch_cos * np.cos(twice) + self.stretch_sin * np.sin(twice)
        return np.asarray(along * (1.0 - part))

    @property
    def slope(self) -> tuple[float, float]:
        """Slope, and the azimuth towards which layers go down (degrees from +x towards +y)."""
        azimuth = np.degrees(np.arctan2(self.slope_y, self.slope_x)) % 360.0
        return float(np.hypot(self.slope_x, self.slope_y)), float(azimuth)

    @property
    def stretch(self) -> tuple[float, float]:
        """Stretch, and the azimuth of the axis along which light goes farther (degrees, 0 to 180)."""
        azimuth = 0.5 * np.degrees(np.arctan2(self.stretch_sin, self.stretch_cos)) % 180.0
        return float(np.hypot(self.stretch_cos, self.stretch_sin)), float(azimuth)

    @property
    def words(self) -> str:
        """The attitude as a sentence without its end."""
        if self.is_level:
            return "layers lie level, and light goes as far in all directions"
        (slope, down), (stretch, axis) = self.slope, self.stretch
        return (
            f"layers go down by {1000 * slope:.1f} m a km towards {down:.0f} degrees, and light sees "
            f"distances {100 * stretch:.2f} % shorter along {axis:.0f} degrees, and longer across"
        )


LEVEL = Attitude()
