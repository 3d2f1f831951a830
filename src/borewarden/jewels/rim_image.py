"""Measure the rim of a jewel in a microscope picture: is there a chip, and over how much of it?

A rule of the trade (common practice, no source) says that a chip over 10 to 15 degrees of the rim
is enough to spoil the jet, and that the naked eye is not enough. So take the picture under a
microscope, square-on, with the whole rim in it and in focus, in even light. Qualified people take
the jewel out of the head, by the pump maker's manual, only after lock-out, bleeding down and
verifying zero pressure; a picture never needs a pressurised head.

How it works: a quadratic of the logarithm of the brightness levels the light, fitted in turn with
the two levels of hole and land. The roundest dark or bright region is the hole. From its centre,
rays find the edge (a least squares step, then the area under it). An ellipse fitted to the rim
without its outliers is the rim as it was: a tilted circle is an ellipse, and angles are counted on
the circle behind it. Whatever lies outside that ellipse is missing from the rim.

Checked on rendered pictures only (figures in docs/benchmarks.md): there was no picture of a real
jewel.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares

from borewarden.base.errors import BadInput, MissingExtra
from borewarden.base.files import check_file
from borewarden.base.statistics import MAD_TO_SIGMA
from borewarden.jewels.rim import Rim

try:
    from skimage.color import rgb2gray
    from skimage.filters import apply_hysteresis_threshold, threshold_otsu
    from skimage.io import imread
    from skimage.measure import EllipseModel, label, regionprops
    from skimage.transform import resize
except ImportError:
    raise MissingExtra("scikit-image", "rim") from None

Image = NDArray[np.float64]

LARGEST_PICTURE = 64 * 2**20  # bytes
MOST_PIXELS = 50_000_000  # twice what a microscope's camera has
SMALLEST_SIDE = 64  # pixels of the picture
SMALLEST_RADIUS = 12.0  # pixels; nothing can be measured below
MOST_SCATTER = 0.01  # radii; six times that hides a chip, and most of a serrated rim
GOOD_RADIUS = 40.0  # pixels; a degree of the rim is then 0.7 of a pixel
COARSE_SIDE = 256  # pixels of the reduced picture in which to look for the hole
RAYS = 1440
LEAST_DEPTH = 0.02  # radii; a chip must be that deep somewhere
NARROWEST_DEG = 1.0  # narrower chips can't be told from noise
BLUR_AT_END = 0.85  # standard deviations of the blur
UNDULATIONS = 50.0  # per revolution: cut-off of the roundness profile's Gaussian filter

RIGHT = (
    "take a picture of the whole rim under the microscope, square-on, in focus and evenly lit; "
    "only qualified people take a jewel out, the pump locked out, bled down and verified at zero "
    "pressure"
)


def measure_rim(picture: Path | str | NDArray[Any], bright_hole: bool | None = None) -> Rim:
    """Measure the rim in `picture`: a file, or an array (rows, columns[, colours]).

    Arrays of whole numbers span their type's range, floats 0 to 1. `bright_hole` says whether
    the hole is brighter than the jewel; found out if None. Raises BadInput: not a picture, too
    small, too dark, too bright, or no round hole in it.
    """
    place = str(picture) if isinstance(picture, Path | str) else "picture"
    image = _checked(grey_picture(picture, place), place)
    found = _find_hole(image, bright_hole, place)
    smooth = ndimage.gaussian_filter(image, 1.0)
    frame = found.frame
    for _ in range(3):
        edge = _edge(smooth, found, frame)
        sound = _sound(edge.radius)
        frame = _refit(frame, edge.radius, sound, place)
    edge = _edge(smooth, found, frame)
    return _measured(image, found, frame, edge, place)


# --- reading


def _check_pixels(picture: Path, place: str) -> None:
    """BadInput for more pixels than a microscope has, before any of them is unpacked."""
    from PIL import Image as Pictures
    from PIL import UnidentifiedImageError

    Pictures.MAX_IMAGE_PIXELS = MOST_PIXELS // 2  # at twice that Pillow refuses
    try:
        with Pictures.open(picture) as opened:
            pixels = opened.width * opened.height * getattr(opened, "n_frames", 1)
    except UnidentifiedImageError:
        return  # of whoever reads it next
    except Pictures.DecompressionBombError:
        pixels = MOST_PIXELS + 1
    if pixels > MOST_PIXELS:
        raise BadInput(
            place,
            "picture",
            f"has more than {MOST_PIXELS // 10**6} million pixels",
            "give one picture of the rim, cut to the jewel",
        )


def grey_picture(picture: Path | str | NDArray[Any], place: str) -> Image:
    """The picture as brightness from 0 to 1, shape (rows, columns)."""
    if isinstance(picture, Path | str):
        check_file(Path(picture), "give a PNG, TIFF or JPEG", LARGEST_PICTURE)
        try:
            _check_pixels(Path(picture), place)
            array = np.asarray(imread(picture))
        except BadInput:
            raise
        except Exception as error:  # readers of picture files raise all sorts of errors
            reason = str(error).strip().splitlines()[0] if str(error).strip() else "unreadable"
            raise BadInput(
                place,
                "file",
                f"is not a picture ({reason[:120]})",
                "give a complete PNG, TIFF or JPEG",
            ) from None
    else:
        array = np.asarray(picture)
    if array.ndim == 3 and array.shape[2] in (1, 2):  # grey, perhaps with transparency
        array = array[:, :, 0]
    colours = array.ndim == 3 and array.shape[2] in (3, 4)
    if not (array.ndim == 2 or colours) or array.dtype.kind not in "buif":
        raise BadInput(
            place,
            "picture",
            f"an array of shape {array.shape} and type {array.dtype} is not a picture",
            "give rows and columns of brightness, or of red, green and blue",
        )
    if array.size == 0:
        raise BadInput(place, "picture", "is empty", RIGHT)
    if array.dtype.kind == "f":
        scale = 1.0
    elif array.dtype.itemsize == 1:
        scale = 255.0 if array.dtype.kind != "b" else 1.0
    else:  # a camera of 10 or 12 bit fills only the lower part of 16
        scale = float(2 ** max(math.ceil(math.log2(float(array.max()) + 1.0)), 8) - 1)
    image = np.asarray(array, dtype=np.float64) / scale
    if not np.all(np.isfinite(image)) or image.min() < 0.0 or image.max() > 1.0:
        raise BadInput(
            place,
            "picture",
            "has brightness outside 0 to 1",
            "give whole numbers, or floats from 0 to 1",
        )
    grey: Image = np.asarray(rgb2gray(image[:, :, :3])) if colours else image
    return grey


def _checked(image: Image, place: str) -> Image:
    rows, columns = image.shape
    if min(rows, columns) < SMALLEST_SIDE:
        raise BadInput(
            place,
            "picture",
            f"is too small: {columns} x {rows} pixels",
            f"give at least {SMALLEST_SIDE} x {SMALLEST_SIDE}, the rim some 100 pixels in radius",
        )
    dark, bright = np.percentile(image, (0.5, 99.5))
    if bright < 0.08:
        raise BadInput(
            place,
            "picture",
            f"is too dark: at most {100.0 * bright:.0f} % of full brightness",
            RIGHT,
        )
    if dark > 0.97:
        raise BadInput(
            place,
            "picture",
            f"is too bright: at least {100.0 * dark:.0f} % of full brightness",
            RIGHT,
        )
    if bright - dark < 0.04:
        raise BadInput(
            place,
            "picture",
            f"has no contrast: {100.0 * dark:.0f} to {100.0 * bright:.0f} % of full brightness",
            RIGHT,
        )
    return image


# --- finding the hole


class Frame(NamedTuple):
    """An ellipse: a unit circle mapped by `shape` (2, 2), moved to `centre` (row, column)."""

    centre: NDArray[np.float64]
    shape: NDArray[np.float64]

    def at(self, angle: NDArray[Any], radius: NDArray[Any]) -> NDArray[np.float64]:
        """Points (2, ...) at `radius` times the ellipse; `angle` as in `Rim`."""
        circle = radius * np.array([np.sin(angle), np.cos(angle)])
        moved: NDArray[np.float64] = np.tensordot(self.shape, circle, 1)
        return moved + self.centre.reshape((2,) + (1,) * (moved.ndim - 1))

    @property
    def axes(self) -> tuple[float, float]:
        """Half-axes in pixels, the long one first."""
        long, short = np.linalg.svd(self.shape, compute_uv=False)
        return float(long), float(short)


class Hole(NamedTuple):
    """A hole found: its ellipse, its polarity, and the light as a polynomial of (-1, 1)²."""

    frame: Frame
    is_bright: bool
    light: NDArray[np.float64]
    size: tuple[int, int]

    def light_at(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Relative light at points (2, ...) in pixels."""
        lit: NDArray[np.float64] = np.exp(
            np.tensordot(self.light, _quadratic(points, self.size), 1)
        )
        return lit


DARKEST = 0.02  # added before logarithms, share of full brightness


def _quadratic(points: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float64]:
    """Terms of the light polynomial without its constant, shape (5, ...)."""
    y = 2.0 * points[0] / size[0] - 1.0
    x = 2.0 * points[1] / size[1] - 1.0
    return np.array([x, y, x * x, x * y, y * y])


def _find_hole(image: Image, bright_hole: bool | None, place: str) -> Hole:
    """The roundest complete region of a reduced picture with its light levelled."""
    scale = min(1.0, COARSE_SIDE / max(image.shape))
    rows, columns = (max(round(side * scale), 1) for side in image.shape)
    small = np.asarray(resize(image, (rows, columns), anti_aliasing=True))
    log = np.log(ndimage.gaussian_filter(small, 1.5) + DARKEST)
    terms = _quadratic(np.array(np.mgrid[0:rows, 0:columns], dtype=np.float64), (rows, columns))
    best: tuple[float, Any, bool, NDArray[np.float64]] | None = None
    plain = _levelled(log, terms, None)[0]
    for start in (log, plain):
        bright = start > threshold_otsu(start)
        light = np.zeros(5)
        for _ in range(20):
            flat, light, middle = _levelled(log, terms, bright)
            newer = flat > middle
            if np.array_equal(newer, bright):
                break
            bright = newer
        for is_bright in (False, True) if bright_hole is None else (bright_hole,):
            for score, region in _round_regions(bright == is_bright, scale):
                if best is None or score > best[0]:
                    best = (score, region, is_bright, light)
    if best is None:
        raise BadInput(place, "rim", "there is no complete round hole in the picture", RIGHT)
    _, region, is_bright, light = best
    centre = (np.array(region.centroid) + 0.5) / scale - 0.5
    radius = math.sqrt(region.area_filled / math.pi) / scale
    return Hole(Frame(centre, radius * np.eye(2)), is_bright, light, image.shape)


def _levelled(
    log: Image, terms: NDArray[np.float64], bright: NDArray[np.bool_] | None
) -> tuple[Image, NDArray[np.float64], float]:
    """Log brightness without its light, the light's coefficients, and the level between both."""
    columns = [np.ones(log.size), *terms.reshape(5, -1)]
    if bright is not None:
        columns.append(bright.ravel().astype(np.float64))
    design = np.array(columns)
    fitted = np.linalg.lstsq(design @ design.T, design @ log.ravel(), rcond=None)[0]
    light = fitted[1:6]
    middle = float(fitted[0] + 0.5 * fitted[6]) if bright is not None else float(fitted[0])
    return log - np.tensordot(light, terms, 1), light, middle


def _round_regions(mask: NDArray[np.bool_], scale: float) -> list[tuple[float, Any]]:
    """Round regions that lie wholly in `mask`, each with a score of how well it would do."""
    rows, columns = mask.shape
    found = []
    for region in regionprops(label(ndimage.binary_opening(mask))):
        top, left, bottom, right = region.bbox
        radius = math.sqrt(region.area_filled / math.pi)
        whole = top > 0 and left > 0 and bottom < rows and right < columns
        if not whole or radius < max(SMALLEST_RADIUS * scale, 4.0):
            continue
        solidity = region.area_filled / max(region.area_convex, 1.0)
        squat = region.axis_minor_length / max(region.axis_major_length, 1.0)
        if solidity > 0.85 and squat > 0.7 and region.area / region.area_filled > 0.8:
            found.append((solidity * squat * radius**0.5, region))
    return found


# --- the edge along the rays


class Edge(NamedTuple):
    """The rim along rays: `radius` (n,) in units of the frame, and how the brightness rises."""

    radius: NDArray[np.float64]
    width: float  # from 10 to 90 %, in units of the frame
    levels: tuple[float, float]  # of hole and land, light levelled


ANGLES = np.arange(RAYS) * (2.0 * np.pi / RAYS)
DESIGN = np.array(
    [np.ones(RAYS), np.cos(ANGLES), np.sin(ANGLES), np.cos(2 * ANGLES), np.sin(2 * ANGLES)]
).T
SPARSE = 4  # residuals at every fourth ray are enough to compare the trials


def _subsets(count: int) -> NDArray[np.int64]:
    """Five rays each, far enough apart to fit a shifted oval; always the same ones."""
    rng = np.random.default_rng(5)
    drawn = np.sort(np.array([rng.choice(RAYS, 5, replace=False) for _ in range(count)]), axis=1)
    apart = np.diff(np.column_stack([drawn, drawn[:, 0] + RAYS]), axis=1).min(axis=1)
    kept: NDArray[np.int64] = drawn[apart > RAYS // 24]
    return kept


SUBSETS = _subsets(3000)


def _edge(smooth: Image, found: Hole, frame: Frame) -> Edge:
    """Where the brightness changes from the hole's level to the land's, on each ray.

    A step in white noise is placed best, by least squares, where the running sum of
    (level - half) is least; the area under the step about there gives it to a part of a pixel.
    """
    step = 1.0 / min(2.0 * frame.axes[0], 500.0)  # half a pixel; a large picture needs less
    radii = np.arange(0.55, 1.6, step)
    points = frame.at(ANGLES[:, None], radii[None, :])
    values = ndimage.map_coordinates(smooth, points, order=1, mode="nearest") + DARKEST
    values = values / found.light_at(points)
    inside = float(np.median(values[:, radii < 0.85]))
    outside = float(np.median(values[:, (radii > 1.2) & (radii < 1.5)]))
    rise = np.clip((values - inside) / (outside - inside or 1e-12), -0.5, 1.5)
    at = np.argmin(np.cumsum(rise - 0.5, axis=1), axis=1)
    reach = max(3, round(0.06 / step))
    window = np.clip(at[:, None] + np.arange(-reach, reach + 1), 0, len(radii) - 1)
    local = np.clip(np.take_along_axis(rise, window, axis=1), 0.0, 1.0)
    radius = radii[window[:, 0]] + np.sum(1.0 - local, axis=1) * step - 0.5 * step
    mean = np.maximum.accumulate(np.mean(local, axis=0))
    if mean[0] < 0.1 and mean[-1] > 0.9:
        width = float(np.interp(0.9, mean, np.arange(len(mean))))
        width = (width - float(np.interp(0.1, mean, np.arange(len(mean))))) * step
    else:
        width = 2.0 * reach * step
    return Edge(radius, width, (inside, outside))


def _sound(radius: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which rays hit the rim where it is as it was, shape (n,).

    A shifted and slightly oval circle, r = 1 + two harmonics, through five rays at a time; of
    many such, the one with the least residual at the 60 % quantile stands (least median of
    squares, Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871-880), so up to 40 % may be chipped. Then
    least squares on what agrees with it.
    """
    every = slice(None, None, SPARSE)
    trials = np.linalg.solve(DESIGN[SUBSETS], radius[SUBSETS][:, :, None])[:, :, 0]
    misses = np.abs(radius[every] - trials @ DESIGN[every].T)
    residual = radius - DESIGN @ trials[np.argmin(np.quantile(misses, 0.6, axis=1))]
    for _ in range(5):
        sigma = MAD_TO_SIGMA * float(np.quantile(np.abs(residual), 0.4)) * 1.286
        agrees = np.abs(residual) < max(2.5 * sigma, 1e-3)
        fitted = np.linalg.lstsq(DESIGN[agrees], radius[agrees], rcond=None)[0]
        residual = radius - DESIGN @ fitted
    # the shoulders of a chip lean on it: leave out two degrees each side of what stands out
    broad = ndimage.binary_opening(~agrees, np.ones(RAYS // 240, dtype=bool))
    near = ndimage.maximum_filter1d(broad.astype(np.uint8), 4 * RAYS // 360 + 1, mode="wrap")
    sound: NDArray[np.bool_] = agrees & ~near.astype(bool)
    return sound


def _refit(
    frame: Frame, radius: NDArray[np.float64], sound: NDArray[np.bool_], place: str
) -> Frame:
    """The ellipse through the sound part of the rim (direct fit, Halir & Flusser 1998)."""
    row, column = frame.at(ANGLES[sound], radius[sound])
    with np.errstate(divide="ignore", invalid="ignore"):  # axes alike have no direction
        model = EllipseModel.from_estimate(np.column_stack([column, row]))
    if not model or sound.mean() < 0.3:
        raise BadInput(place, "rim", "the edge of the hole lies on no circle", RIGHT)
    (x, y), (a, b), theta = model.center, model.axis_lengths, np.nan_to_num(model.theta)
    if min(a, b) < SMALLEST_RADIUS:
        raise BadInput(
            place,
            "rim",
            f"the hole is too small: {min(a, b):.0f} pixels in radius",
            f"magnify it to at least {SMALLEST_RADIUS:.0f} pixels, better 100",
        )
    along = np.array([np.sin(theta), np.cos(theta)])  # (row, column) of the axis a
    across = np.array([np.cos(theta), -np.sin(theta)])
    # symmetric, so that angles on the circle and in the picture agree
    shape = a * np.outer(along, along) + b * np.outer(across, across)
    return Frame(np.array([y, x]), shape)


# --- what it amounts to


def _measured(image: Image, found: Hole, frame: Frame, edge: Edge, place: str) -> Rim:
    sound = _sound(edge.radius)
    level = float(np.median(edge.radius[sound]))
    excess = edge.radius / level - 1.0
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(excess[sound])))
    chips = _chips(excess, scatter, edge.width)
    long, short = (axis * level for axis in frame.axes)
    inside, outside = edge.levels
    noise = _pixel_noise(image)
    contrast = abs(outside - inside) / max(noise, 1e-6)
    dirt_deg = 360.0 * float(np.mean(excess < -max(5.0 * scatter, 0.02)))
    reasons = []
    if short < GOOD_RADIUS:
        reasons.append(f"the rim is only {short:.0f} pixels in radius: magnify it more")
    if edge.width > 0.1 and edge.width * short > 3.0:
        reasons.append("the rim is out of focus")
    if scatter > MOST_SCATTER:
        reasons.append(
            f"the rim scatters by {100.0 * scatter:.1f} % of its radius: noise, dirt or a bad cut"
        )
    if float(np.mean(sound)) < 0.6:
        reasons.append(f"only {100.0 * float(np.mean(sound)):.0f} % of the rim lies on one circle")
    if dirt_deg > 4.0:
        reasons.append(f"something sticks into the hole over {dirt_deg:.0f} degrees: dirt?")
    if short / long < 0.9:
        tilt = math.degrees(math.acos(short / long))
        reasons.append(f"the rim is oval: tilted by {tilt:.0f} degrees, or worn oval")
    if contrast < 1.5:
        reasons.append("hole and jewel differ too little in brightness")
    return Rim(
        chip_angle_deg=sum(angle for _, angle in chips),
        chips_deg=tuple(chips),
        chip_depth=float(np.max(excess)) if chips else 0.0,
        roundness_deviation=_roundness(frame.at(ANGLES, edge.radius)),
        diameter_ratio=float(np.sqrt(np.mean((1.0 + excess) ** 2))),
        centre=(float(frame.centre[1]), float(frame.centre[0])),
        radius=0.5 * (long + short),
        axis_ratio=short / long,
        hole_is_bright=found.is_bright,
        scatter=scatter,
        edge_width=edge.width,
        contrast=contrast,
        reasons=tuple(reasons),
    )


def _chips(
    excess: NDArray[np.float64], scatter: float, edge_width: float
) -> list[tuple[float, float]]:
    """Where the rim is missing: (middle, angle) of each chip, degrees.

    A chip has to stand out clearly somewhere and then reaches as far as it stands out at all.
    Blur moves both of its ends outwards, by some 0.85 standard deviations each on rendered chips
    with steep and with shallow ends; that is subtracted (a 10 to 90 % width is 2.56 standard
    deviations of a Gaussian blur).
    """
    even = ndimage.gaussian_filter1d(excess, 0.5 * RAYS / 360.0, mode="wrap")
    low, high = max(2.0 * scatter, 0.004), max(6.0 * scatter, LEAST_DEPTH)
    missing = apply_hysteresis_threshold(np.tile(even, 3), low, high)[RAYS : 2 * RAYS]
    # begin where nothing is missing, so that no run is cut by the seam
    start = int(np.argmin(missing))
    runs = ndimage.find_objects(label(np.roll(missing, -start)))
    blurred = 2.0 * BLUR_AT_END * math.degrees(edge_width / 2.563)
    chips = []
    for (run,) in runs:
        middle = ((run.start + run.stop - 1) / 2.0 + start) * 360.0 / RAYS % 360.0
        angle = (run.stop - run.start) * 360.0 / RAYS - blurred
        if angle >= NARROWEST_DEG:
            chips.append((middle, angle))
    return chips


def _roundness(points: NDArray[np.float64]) -> float:
    """Peak-to-valley deviation of points (2, n) from their least-squares circle, in its radii."""
    middle = points.mean(axis=1)
    mean = float(np.mean(np.hypot(*(points - middle[:, None]))))

    def deviation(circle: NDArray[np.float64]) -> NDArray[np.float64]:
        row, column, radius = circle
        off: NDArray[np.float64] = np.hypot(points[0] - row, points[1] - column) - radius
        return off

    circle = least_squares(deviation, [*middle, mean]).x
    angle = np.arctan2(points[0] - circle[0], points[1] - circle[1])
    profile = np.interp(ANGLES, angle, deviation(circle), period=2.0 * np.pi)
    harmonic = np.fft.rfftfreq(RAYS, 1.0 / RAYS)
    # Gaussian filter, half of a wave of 50 undulations passes (ISO 16610-21, from memory)
    passed = np.exp(-math.log(2.0) * (harmonic / UNDULATIONS) ** 2)
    even = np.fft.irfft(np.fft.rfft(profile) * passed, RAYS)
    return float(np.ptp(even)) / float(circle[2])


def _pixel_noise(image: Image) -> float:
    """Standard deviation of the noise of a pixel, full brightness 1.

    From the Laplacian's difference operator (Immerkær 1996, Comput. Vis. Image Underst. 64,
    300-302), with the median for its mean, so that edges do not count.
    """
    operator = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])
    residue = ndimage.convolve(image, operator)
    return MAD_TO_SIGMA * float(np.median(np.abs(residue))) / 6.0
