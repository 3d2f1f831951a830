"""A measured rim, and what it says about the jewel."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

# Degrees of chipped rim from which a jewel is doubtful, and from which it is done for.
# Common practice, no source.
CHIP_DOUBTFUL_DEG, CHIP_ENOUGH_DEG = 10.0, 15.0


class RimFinding(StrEnum):
    """What a measured rim says about the jewel."""

    SOUND = "no chip that matters"
    DOUBTFUL = "chip of a doubtful size"
    CHIPPED = "chipped"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Rim:
    """A measured rim.

    `chip_angle_deg` is the rim that is missing, all chips together, in degrees of 360, and
    `chips_deg` each chip as (where its middle is, its angle), from the picture's right,
    clockwise as seen. `chip_depth` is how far the deepest goes, in radii of the fitted rim.
    `roundness_deviation` is the peak-to-valley deviation from the least-squares circle of the rim
    as pictured, chips and tilt included, in radii: the RONt of ISO 12181-1 with the Gaussian
    filter of 50 undulations per revolution of ISO 12181-2 (definitions from memory).
    `diameter_ratio` is the diameter of the hole's area with its chips to that of the fitted rim.

    `centre` (x, y) and `radius`, the mean of both half-axes, are in pixels of the picture;
    `axis_ratio` is short to long axis: cos of the tilt, or an oval bore. `hole_is_bright`.
    `scatter` is the standard deviation of the sound rim about the fit and `edge_width` the
    distance over which the brightness rises from 10 to 90 %, both in radii; `contrast` the
    difference of the levels of hole and land over the noise of a pixel. `reasons` say why the
    picture can't be judged; empty where it can.
    """

    chip_angle_deg: float
    chips_deg: tuple[tuple[float, float], ...]
    chip_depth: float
    roundness_deviation: float
    diameter_ratio: float
    centre: tuple[float, float]
    radius: float
    axis_ratio: float
    hole_is_bright: bool
    scatter: float
    edge_width: float
    contrast: float
    reasons: tuple[str, ...]

    @property
    def finding(self) -> RimFinding:
        """By the rule of 10 to 15 degrees; common practice, no source."""
        if self.reasons:
            return RimFinding.CANNOT_TELL
        if self.chip_angle_deg >= CHIP_ENOUGH_DEG:
            return RimFinding.CHIPPED
        if self.chip_angle_deg >= CHIP_DOUBTFUL_DEG:
            return RimFinding.DOUBTFUL
        return RimFinding.SOUND
