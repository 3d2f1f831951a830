"""Rendered pictures of rims with known chips. Invented: no picture of a real jewel was at hand.

Drawn from the shape alone, pixel by pixel with many points each, so nothing is shared with the
measurement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


@dataclass(frozen=True)
class Chip:
    """Missing rim: `angle_deg` wide about `at_deg`, `depth` in radii, `power` of its profile.

    depth (1 - u²)^power, u from -1 to 1 over the angle: 0.5 an arc, 1 a parabola; `jagged` (0 to
    1) roughens it.
    """

    at_deg: float
    angle_deg: float
    depth: float
    power: float = 0.5
    jagged: float = 0.0


@dataclass(frozen=True)
class Picture:
    """How the rim was photographed; lengths in pixels, brightness 0 to 1."""

    rows: int = 400
    columns: int = 480
    radius: float = 110.0
    centre: tuple[float, float] = (205.3, 236.8)  # row, column
    chips: tuple[Chip, ...] = ()
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    hole: float = 0.2
    land: float = 0.6
    gradient: float = 0.0  # light at the edges of the picture: 1 -+ this
    gradient_deg: float = 30.0
    vignette: float = 0.0  # loss of light in the corners
    blur: float = 1.0
    noise: float = 0.02
    texture: float = 0.0  # of the land, blotches of some pixels
    dirt: tuple[Chip, ...] = ()  # stands into the hole
    outer: float = 0.0  # a second circle, in radii, beyond which the land is darker
    lobes: tuple[int, float] = (0, 0.0)  # undulations of the rim: number, amplitude in radii
    supersample: int = 5
    seed: int = 0


def render(picture: Picture) -> NDArray[np.uint8]:
    """The picture, shape (rows, columns), 8 bit."""
    p, n = picture, picture.supersample
    rng = np.random.default_rng(p.seed)
    phases = {part: rng.uniform(0.0, 2.0 * np.pi, 4) for part in (*p.chips, *p.dirt)}
    row, column = np.mgrid[0 : p.rows, 0 : p.columns].astype(np.float64)
    corners = [level(p, phases, row + dy, column + dx) for dy in (-0.5, 0.5) for dx in (-0.5, 0.5)]
    seen = level(p, phases, row, column)
    # only a pixel that an edge runs through needs many points
    edge = np.any([corner != seen for corner in corners], axis=0)
    offset = (np.arange(n) + 0.5) / n - 0.5
    dy, dx = (part.ravel() for part in np.meshgrid(offset, offset))
    seen[edge] = level(p, phases, row[edge][:, None] + dy, column[edge][:, None] + dx).mean(axis=1)
    if p.texture:
        blotches = ndimage.gaussian_filter(rng.standard_normal(seen.shape), 3.0)
        seen = seen * (1.0 + p.texture * blotches / blotches.std())
    seen = ndimage.gaussian_filter(seen, p.blur)
    v, h = 2.0 * row / (p.rows - 1) - 1.0, 2.0 * column / (p.columns - 1) - 1.0
    way = np.radians(p.gradient_deg)
    light = 1.0 + p.gradient * (h * np.cos(way) + v * np.sin(way)) / np.sqrt(2.0)
    light = light * (1.0 - p.vignette * 0.5 * (h * h + v * v))
    seen = seen * light + p.noise * rng.standard_normal(seen.shape)
    return np.round(np.clip(seen, 0.0, 1.0) * 255.0).astype(np.uint8)


def level(
    p: Picture,
    phases: dict[Chip, NDArray[np.float64]],
    row: NDArray[np.float64],
    column: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Brightness of the points at (row, column), before light, blur and noise."""
    y, x = row - p.centre[0], column - p.centre[1]
    axis = np.radians(p.tilt_axis_deg)
    along = x * np.cos(axis) + y * np.sin(axis)
    across = (-x * np.sin(axis) + y * np.cos(axis)) / np.cos(np.radians(p.tilt_deg))
    x, y = (
        along * np.cos(axis) - across * np.sin(axis),
        along * np.sin(axis) + across * np.cos(axis),
    )
    angle, distance = np.arctan2(y, x), np.hypot(x, y) / p.radius
    rim = 1.0 + p.lobes[1] * np.cos(p.lobes[0] * angle)
    for sign, parts in ((1.0, p.chips), (-1.0, p.dirt)):
        for part in parts:
            off = (np.degrees(angle) - part.at_deg + 180.0) % 360.0 - 180.0
            u = 2.0 * off / part.angle_deg
            depth = part.depth * np.clip(1.0 - u * u, 0.0, None) ** part.power
            for k, phase in zip((2, 3, 5, 8), phases[part], strict=True):
                depth = depth * (1.0 + 0.5 * part.jagged / k * np.sin(k * np.pi * u + phase))
            rim = rim + sign * depth
    seen = np.where(distance < rim, p.hole, p.land)
    if p.outer:
        seen = np.where(distance > p.outer, 0.5 * (p.hole + p.land), seen)
    return seen


def random_picture(way: str, angle_deg: float, seed: int) -> Picture:
    """A picture with a chip of `angle_deg` (0: none), photographed a "good", "fair" or "bad" way.

    Drawn from `seed`: place and kind of the chip, size, tilt, light, blur, noise, and whether the
    hole is the bright part.
    """
    rng = np.random.default_rng([seed, round(1000 * angle_deg), len(way), ord(way[0])])
    worse = {"good": 0.0, "fair": 0.5, "bad": 1.0}[way]
    dark = rng.uniform(0.08, 0.25)
    bright = dark + rng.uniform(0.45 - 0.25 * worse, 0.55 - 0.15 * worse)
    chip = Chip(
        at_deg=float(rng.uniform(0.0, 360.0)),
        angle_deg=angle_deg,
        depth=float(rng.uniform(0.05, 0.3) * min(1.0, 0.25 + angle_deg / 20.0)),
        power=float(rng.choice([0.5, 1.0])),
        jagged=float(rng.uniform(0.0, 0.6)),
    )
    hole_is_bright = rng.random() < 0.5
    return Picture(
        radius=float(rng.uniform(90.0 - 35.0 * worse, 130.0)),
        centre=(200.0 + rng.uniform(-20.0, 20.0), 240.0 + rng.uniform(-40.0, 40.0)),
        chips=(chip,) if angle_deg else (),
        tilt_deg=float(rng.uniform(0.0, 5.0 + 15.0 * worse)),
        tilt_axis_deg=float(rng.uniform(0.0, 180.0)),
        hole=bright if hole_is_bright else dark,
        land=dark if hole_is_bright else bright,
        gradient=float(rng.uniform(0.0, 0.1 + 0.4 * worse)),
        gradient_deg=float(rng.uniform(0.0, 360.0)),
        vignette=float(rng.uniform(0.0, 0.1 + 0.3 * worse)),
        blur=float(rng.uniform(0.6, 1.0 + 1.5 * worse)),
        noise=float(rng.uniform(0.005, 0.01 + 0.04 * worse)),
        texture=float(rng.uniform(0.0, 0.02 + 0.06 * worse)),
        seed=seed,
    )
