"""The rows of the bed: what disturbs the effective area. Invented, each by its name."""

from typing import NamedTuple

HOUR = 3600.0  # s


class Row(NamedTuple):
    """Noise of the effective area, relative.

    Standard deviations: `white` of means over 20 s of steady jet, `shocks` of disturbances of 20 s,
    `wander` of an AR(1) with the time constant `wander_s`. `swing` is the amplitude of a sine with
    the period `swing_s`, `cold` by how much the area reads low when the pump starts in the morning.
    `leak` is the share of the flow at 380 MPa that leaks, by pressure squared; with one, the set
    pressure goes to and fro. With `gaps`, rows are missing and the clock jumps.
    """

    name: str
    white: float = 0.0
    shocks: float = 0.0
    wander: float = 0.0
    wander_s: float = 600.0
    swing: float = 0.0
    swing_s: float = 8 * HOUR
    cold: float = 0.0
    leak: float = 0.0
    gaps: bool = False


ROWS = {
    0: Row("white 1 % a batch", white=0.01),
    1: Row("white 1.1 % a batch", white=0.011),
    2: Row("white 2 % a batch", white=0.02),
    3: Row("20 s disturbances, Student t3, 1 %", shocks=0.01),
    4: Row("AR(1) 10 min, 1 %", white=0.005, wander=0.01, wander_s=600.0),
    5: Row("AR(1) 60 min, 1 %", white=0.005, wander=0.01, wander_s=HOUR),
    6: Row("sine ±1 % in 8 h", white=0.005, swing=0.01, swing_s=8 * HOUR),
    7: Row("sine ±2 % in 24 h", white=0.005, swing=0.02, swing_s=24 * HOUR),
    8: Row("cold start, -2 %", white=0.005, cold=0.02),
    9: Row("380/260 MPa, leak 4 % by p²", white=0.005, leak=0.04),
    10: Row("380/260 MPa, leak 8 % by p²", white=0.005, leak=0.08),
    11: Row("gaps and clock jumps", white=0.011, gaps=True),
    12: Row("all, mild", white=0.01, wander=0.005, shocks=0.005, cold=0.01),
}
