"""Figures, not tests: the error of the chip angle on rendered pictures of known chips.

`python tests/benchmarks/bench_rim.py [PICTURES]` renders PICTURES pictures for each chip angle and
each way of photographing, and prints bias, standard deviation and 95 % of the absolute error. The
pictures are invented; see `tests/life/rim_pictures.py`.
"""

from __future__ import annotations

import multiprocessing
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from borewarden.base.errors import BadInput
from borewarden.jewels.rim_image import measure_rim
from rim_pictures import random_picture, render

ANGLES = (0.0, 3.0, 6.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0)
WAYS = ("good", "fair", "bad")


def one(task: tuple[str, float, int]) -> tuple[float, bool]:
    """Error of the angle, degrees (nan if refused), and whether the picture was judged."""
    way, angle, seed = task
    try:
        rim = measure_rim(render(random_picture(way, angle, seed)))
    except BadInput:
        return np.nan, False
    return rim.chip_angle_deg - angle, not rim.reasons


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    tasks = [
        (way, angle, 1000 * k + int(angle))
        for way in WAYS
        for angle in ANGLES
        for k in range(count)
    ]
    with multiprocessing.Pool() as pool:
        results = np.array(pool.map(one, tasks, chunksize=4)).reshape(len(WAYS), -1, count, 2)
    print(f"{count} pictures each; errors of those that were judged, degrees")
    for way, of_way in zip(WAYS, results, strict=True):
        print(f"{way}:  angle   judged    bias      SD    95 %   worst")
        for angle, of_angle in zip(ANGLES, of_way, strict=True):
            error = of_angle[of_angle[:, 1] > 0, 0]
            tell(f"{angle:5.0f}", error, count)
        error = of_way[of_way[..., 1] > 0][:, 0]
        tell("  all", error, of_way[..., 0].size)
        sound = of_way[0][of_way[0][:, 1] > 0, 0]
        print(f"   sound rims below 5 degrees: {np.mean(sound < 5.0):.1%} of {len(sound)}")


def tell(name: str, error: np.ndarray, count: int) -> None:
    """One line of the table."""
    if len(error):
        print(
            f"       {name}   {len(error) / count:6.0%}  {error.mean():+6.2f}  {error.std():6.2f}"
            f"  {np.quantile(np.abs(error), 0.95):6.2f}  {error[np.argmax(np.abs(error))]:+6.2f}"
        )


if __name__ == "__main__":
    main()
