"""The rim on rendered pictures (invented, `rim_pictures.py`) and on one real photograph.

The seeds here are others than those of `tests/benchmarks/bench_rim.py`, with which the measurement
was tuned. No picture of a real jewel was at hand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from skimage.data import retina
from skimage.io import imsave

from borewarden.base.errors import BadInput
from borewarden.jewels.rim import Rim, RimFinding
from borewarden.jewels.rim_image import measure_rim
from rim_pictures import Chip, Picture, random_picture, render

SEED = 500_000_123
ANGLES = (6.0, 10.0, 15.0, 25.0, 60.0)


def turned(angle: float, other: float) -> float:
    """Angle between two directions, degrees."""
    return abs((angle - other + 180.0) % 360.0 - 180.0)


# --- error of the chip angle on pictures with known chips


@pytest.mark.parametrize(
    ("way", "typical", "worst"), [("good", 1.5, 5.0), ("fair", 2.0, 7.0), ("bad", 2.5, 10.0)]
)
def test_chip_angle_of_rendered_rims(way: str, typical: float, worst: float) -> None:
    """The angle is known from the drawing; bounds are some twice the errors of the benchmark.

    Of those that are judged.
    """
    errors = []
    for k in range(2):
        for angle in ANGLES:
            picture = random_picture(way, angle, SEED + k)
            rim = measure_rim(render(picture))
            if rim.reasons:
                continue
            assert rim.hole_is_bright == (picture.hole > picture.land)
            middle, _ = max(rim.chips_deg, key=lambda chip: chip[1])
            assert turned(middle, picture.chips[0].at_deg) < 4.0
            errors.append(rim.chip_angle_deg - angle)
    print(f"{way}: {np.round(errors, 2)}")
    assert len(errors) >= (8 if way == "bad" else 10)  # of 10
    assert float(np.median(np.abs(errors))) < typical
    assert float(np.max(np.abs(errors))) < worst


def test_sound_rims_read_below_five_degrees() -> None:
    """Nothing is chipped in the drawing; at most one picture in twelve may seem so."""
    read = [
        measure_rim(render(random_picture(way, 0.0, SEED + 10 + k))).chip_angle_deg
        for way in ("good", "fair", "bad")
        for k in range(4)
    ]
    assert sum(angle < 5.0 for angle in read) >= 11


@pytest.mark.parametrize("angle", [90.0, 120.0, 150.0])
def test_rim_of_which_much_is_missing_is_never_sound(angle: float) -> None:
    """Beyond some 130 degrees the fit may take the chip for the rim; it then can't tell."""
    rim = measure_rim(render(Picture(chips=(Chip(33.0, angle, 0.2),), seed=SEED)))
    assert rim.finding in (RimFinding.CHIPPED, RimFinding.CANNOT_TELL)


def test_two_chips_are_told_apart_and_added() -> None:
    chips = (Chip(-2.0, 12.0, 0.1), Chip(140.0, 25.0, 0.15))  # the first lies across the seam
    rim = measure_rim(render(Picture(chips=chips, seed=SEED)))
    found = sorted(rim.chips_deg, key=lambda chip: chip[1])
    assert len(found) == 2
    for (middle, angle), chip in zip(found, chips, strict=True):
        assert turned(middle, chip.at_deg) < 1.0
        assert angle == pytest.approx(chip.angle_deg, abs=2.0)
    assert rim.chip_angle_deg == pytest.approx(sum(angle for _, angle in found))
    assert rim.chip_depth == pytest.approx(0.15, abs=0.01)
    assert rim.finding is RimFinding.CHIPPED


def test_picture_turned_by_a_quarter_turns_the_chip() -> None:
    """Geometry: the angle stays, its place goes with the picture, counted clockwise as seen."""
    image = render(Picture(chips=(Chip(20.0, 18.0, 0.12),), seed=SEED + 1))
    upright, quarter = measure_rim(image), measure_rim(np.rot90(image, -1))
    assert quarter.chip_angle_deg == pytest.approx(upright.chip_angle_deg, abs=0.5)
    assert turned(quarter.chips_deg[0][0], upright.chips_deg[0][0] + 90.0) < 0.5
    assert turned(upright.chips_deg[0][0], 20.0) < 1.0


@pytest.mark.parametrize(
    ("angle", "finding"),
    [
        (9.9, RimFinding.SOUND),
        (10.0, RimFinding.DOUBTFUL),
        (14.9, RimFinding.DOUBTFUL),
        (15.0, RimFinding.CHIPPED),
    ],
)
def test_finding_by_the_rule_of_ten_to_fifteen_degrees(
    sound: Rim, angle: float, finding: RimFinding
) -> None:
    """Common practice, no source."""
    assert replace(sound, chip_angle_deg=angle).finding is finding
    unsure = replace(sound, chip_angle_deg=angle, reasons=("dirt?",))
    assert unsure.finding is RimFinding.CANNOT_TELL


@pytest.fixture(scope="module")
def sound() -> Rim:
    """A sound rim, photographed well."""
    return measure_rim(render(Picture(seed=SEED)))


# --- the other figures of a rim


def test_place_size_and_tilt_of_a_rim() -> None:
    """A circle tilted by t is an ellipse with axes 1 and cos t."""
    rim = measure_rim(render(Picture(radius=120.0, tilt_deg=18.0, tilt_axis_deg=40.0, seed=SEED)))
    squat = math.cos(math.radians(18.0))
    assert rim.centre == pytest.approx((236.8, 205.3), abs=0.3)
    assert rim.radius == pytest.approx(120.0 * (1.0 + squat) / 2.0, rel=0.01)
    assert rim.axis_ratio == pytest.approx(squat, abs=0.005)
    assert rim.finding is RimFinding.SOUND


def test_diameter_ratio_is_that_of_the_drawn_area() -> None:
    """Area in polar coordinates, mean of r², of a parabolic chip: 1 + (4/3 d + 8/15 d²) w."""
    width, depth = 60.0, 0.2
    rim = measure_rim(render(Picture(chips=(Chip(80.0, width, depth, 1.0),), seed=SEED)))
    area = 1.0 + (4.0 / 3.0 * depth + 8.0 / 15.0 * depth**2) * width / 360.0
    assert rim.diameter_ratio == pytest.approx(math.sqrt(area), abs=0.002)


def test_edge_width_of_a_gaussian_blur() -> None:
    """A step under a Gaussian of sigma rises from 10 to 90 % over 2.563 sigma (normal table)."""
    rim = measure_rim(render(Picture(blur=2.5, seed=SEED)))
    sigma = math.hypot(2.5, 1.0)  # the measurement smooths by one pixel
    assert rim.edge_width == pytest.approx(2.563 * sigma / 110.0, rel=0.1)


@pytest.mark.parametrize(("lobes", "amplitude"), [(2, 0.02), (3, 0.03), (5, 0.02), (7, 0.015)])
def test_roundness_deviation_of_a_lobed_rim(lobes: int, amplitude: float) -> None:
    """r = 1 + a cos n t: peak to valley is 2a, ISO 12181-1 (definition from memory)."""
    rim = measure_rim(render(Picture(lobes=(lobes, amplitude), seed=SEED)))
    assert rim.roundness_deviation == pytest.approx(2.0 * amplitude, rel=0.06)


def test_roundness_filter_passes_half_of_its_cut_off() -> None:
    """ISO 16610-21 (from memory): a Gaussian filter passes 50 % at 50 undulations, 78 % at 30.

    The ratio of both on a sharp, fine picture; the blur takes a little more of the finer one.
    """
    passed = {}
    for lobes in (30, 50):
        drawn = Picture(
            rows=1000,
            columns=1000,
            centre=(500.3, 499.6),
            radius=330.0,
            lobes=(lobes, 0.02),
            blur=0.6,
            noise=0.005,
            seed=SEED,
        )
        passed[lobes] = measure_rim(render(drawn)).roundness_deviation / 0.04
    assert passed[30] == pytest.approx(0.5 ** (30 / 50) ** 2, abs=0.04)
    assert passed[50] == pytest.approx(0.5, abs=0.04)


# --- dirt, and a second circle


def test_dirt_that_stands_into_the_hole_is_no_chip() -> None:
    speck = Picture(dirt=(Chip(70.0, 2.5, 0.15),), chips=(Chip(200.0, 20.0, 0.15),), seed=SEED)
    rim = measure_rim(render(speck))
    assert rim.chip_angle_deg == pytest.approx(20.0, abs=2.0)
    assert rim.finding is RimFinding.CHIPPED
    flake = replace(speck, dirt=(Chip(70.0, 14.0, 0.15),))
    rim = measure_rim(render(flake))
    assert rim.chip_angle_deg == pytest.approx(20.0, abs=2.0)
    assert rim.finding is RimFinding.CANNOT_TELL
    assert "dirt?" in rim.reasons[0]


@pytest.mark.parametrize("outer", [1.35, 1.6])
def test_outer_circle_is_not_taken_for_the_rim(outer: float) -> None:
    """The jewel's own outline, or its seat, lies about the hole."""
    drawn = Picture(outer=outer, chips=(Chip(200.0, 20.0, 0.15),), seed=SEED)
    rim = measure_rim(render(drawn))
    assert rim.radius == pytest.approx(110.0, rel=0.01)
    assert rim.chip_angle_deg == pytest.approx(20.0, abs=2.0)
    assert measure_rim(render(replace(drawn, chips=()))).finding is RimFinding.SOUND


# --- a real photograph

BORDER = 20  # pixels
CUT_AT, CUT_DEG = 100.0, 20.0


def photograph() -> tuple[NDArray[np.uint8], NDArray[Any], NDArray[Any], float]:
    """A disc of some 232 pixels in radius, direction and distance of its pixels, and the radius.

    `skimage.data.retina()`: fundus photograph, M. Häggström 2014, CC0. The camera's mask is round
    with a small square tab, which serves as a chip. Circle: Kåsa's algebraic least squares (1976)
    on the outline of what is not black, without the tab.
    """
    image = np.pad(retina()[::3, ::3], ((BORDER, BORDER), (BORDER, BORDER), (0, 0)))
    lit = image.max(axis=2) > 20
    y, x = np.nonzero(lit & ~ndimage.binary_erosion(lit))
    design = np.column_stack([x, y, np.ones(len(x))])
    near = np.ones(len(x), dtype=bool)
    for _ in range(5):
        a, b, c = np.linalg.lstsq(design[near], (x**2 + y**2)[near], rcond=None)[0]
        radius = math.sqrt(c + (a * a + b * b) / 4.0)
        near = np.abs(np.hypot(x - a / 2.0, y - b / 2.0) - radius) < 2.0
    row, column = np.indices(lit.shape)
    way = np.degrees(np.arctan2(row - b / 2.0, column - a / 2.0)) % 360.0
    return image, way, np.hypot(row - b / 2.0, column - a / 2.0), radius


def test_notch_of_a_real_photograph() -> None:
    """The tab's angle and depth as counted from its pixels."""
    image, way, distance, radius = photograph()
    tab = (image.max(axis=2) > 20) & (distance > radius + 2.0)
    rim = measure_rim(image)
    ((middle, angle),) = rim.chips_deg
    print(f"pixels {np.ptp(way[tab]):.2f} degrees, measured {angle:.2f}")
    assert rim.reasons == ()
    assert rim.hole_is_bright
    assert rim.radius == pytest.approx(radius, rel=0.01)
    assert angle == pytest.approx(np.ptp(way[tab]), abs=1.5)
    assert turned(middle, (way[tab].min() + way[tab].max()) / 2.0) < 1.0
    assert rim.chip_depth == pytest.approx(distance[tab].max() / radius - 1.0, abs=0.01)


def test_real_photograph_without_its_notch_and_with_a_wider_one() -> None:
    image, way, distance, radius = photograph()
    image[distance > radius - 1.0] = 0
    rim = measure_rim(image)
    assert rim.chips_deg == ()
    assert rim.finding is RimFinding.SOUND
    assert rim.roundness_deviation < 0.02

    cut = turned_all(way, CUT_AT) < CUT_DEG / 2.0
    wider = image.copy()
    wider[cut & (distance > 0.9 * radius) & (distance < 1.06 * radius)] = (200, 80, 60)
    rim = measure_rim(wider)
    assert rim.chip_angle_deg == pytest.approx(CUT_DEG, abs=1.5)
    assert turned(rim.chips_deg[0][0], CUT_AT) < 1.0
    assert rim.finding is RimFinding.CHIPPED

    covered = image.copy()
    covered[cut & (distance > 0.9 * radius)] = 0
    assert measure_rim(covered).finding is RimFinding.CANNOT_TELL


def turned_all(angles: NDArray[Any], other: float) -> NDArray[Any]:
    """`turned` of each angle."""
    return np.abs((angles - other + 180.0) % 360.0 - 180.0)


def test_real_photograph_whose_disc_fills_the_frame_is_not_judged() -> None:
    """The outline comes within pixels of the border: no land is left to tell it from."""
    assert measure_rim(retina()[::3, ::3]).finding is RimFinding.CANNOT_TELL


# --- "cannot tell"

SERRATED = tuple(Chip(12.0 * k, 5.0, 0.1) for k in range(30))
GEAR = tuple(Chip(18.0 * k, 5.0, 0.08) for k in range(20))


@pytest.mark.parametrize(
    ("picture", "reason"),
    [
        (Picture(radius=25.0), "only 25 pixels in radius: magnify it more"),
        (Picture(blur=10.0), "out of focus"),
        (Picture(lobes=(30, 0.05)), "scatters by"),
        (Picture(chips=SERRATED), "scatters by"),
        (Picture(chips=GEAR), "of the rim lies on one circle"),
        (Picture(dirt=(Chip(250.0, 10.0, 0.2),)), "into the hole over 1"),
        (Picture(tilt_deg=35.0), "tilted by 35 degrees, or worn oval"),
        (Picture(hole=0.4, land=0.55, noise=0.1, radius=150.0), "differ too little in brightness"),
    ],
)
def test_picture_that_does_not_settle_it_says_why(picture: Picture, reason: str) -> None:
    """Each with that reason alone."""
    rim = measure_rim(render(replace(picture, seed=SEED)))
    assert rim.finding is RimFinding.CANNOT_TELL
    (only,) = rim.reasons
    assert reason in only


# --- bad input


def flat(level: float, spread: float = 0.0) -> NDArray[np.float64]:
    """A picture of one brightness, its left half darker by `spread`."""
    image = np.full((100, 100), level)
    image[:, :50] -= spread
    return image


TOOTHED = tuple(Chip(8.0 * k, 3.0, 0.1, 0.1) for k in range(45))


@pytest.mark.parametrize(
    ("picture", "wrong"),
    [
        (np.zeros(100), "is not a picture"),
        (np.zeros((80, 80, 5)), "is not a picture"),
        (np.full((80, 80), 1j), "is not a picture"),
        (np.full((80, 80), "dark"), "is not a picture"),
        (np.zeros((0, 80)), "is empty"),
        (flat(1.2), "outside 0 to 1"),
        (flat(-0.1), "outside 0 to 1"),
        (flat(math.nan), "outside 0 to 1"),
        (flat(0.5)[:63], "too small: 100 x 63 pixels"),
        (flat(0.05), "too dark"),
        (flat(1.0, 0.01), "too bright"),
        (flat(0.5, 0.03), "no contrast"),
        (flat(0.6, 0.4), "no complete round hole"),
        (np.random.default_rng(SEED).random((200, 200)), "no complete round hole"),
        (render(Picture(centre=(40.0, 236.0), seed=SEED)), "no complete round hole"),
        (render(Picture(radius=8.0, seed=SEED)), "no complete round hole"),
        (render(Picture(radius=14.0, tilt_deg=35.0, seed=SEED)), "too small: 11 pixels in radius"),
        (render(Picture(chips=TOOTHED, blur=0.6, seed=SEED)), "lies on no circle"),
    ],
)
def test_what_is_no_picture_of_a_rim_is_refused(picture: NDArray[Any], wrong: str) -> None:
    with pytest.raises(BadInput, match=wrong) as refused:
        measure_rim(picture)
    assert refused.value.file == "picture"
    assert refused.value.right


def test_hole_of_the_other_brightness_is_not_found() -> None:
    """A dark hole fills no round bright region."""
    image = render(Picture(seed=SEED))
    assert not measure_rim(image, bright_hole=False).hole_is_bright
    with pytest.raises(BadInput, match="no complete round hole"):
        measure_rim(image, bright_hole=True)


# --- files and kinds of array


@pytest.fixture(scope="module")
def image() -> NDArray[np.uint8]:
    """A picture with a chip of 20 degrees."""
    return render(Picture(chips=(Chip(120.0, 20.0, 0.15),), seed=SEED))


def test_every_kind_of_picture_reads_the_same(image: NDArray[np.uint8], tmp_path: Path) -> None:
    """8 bit, 12 bit in 16, floats, colours and files of them hold the same brightness."""
    expected = measure_rim(image)
    assert expected.chip_angle_deg == pytest.approx(20.0, abs=2.0)
    colours = np.repeat(image[:, :, None], 3, axis=2)
    opaque = np.dstack([colours, np.full(image.shape, 255, dtype=np.uint8)])
    imsave(tmp_path / "rim.png", image)
    imsave(tmp_path / "rim.tif", opaque, check_contrast=False)
    for same in (
        image / 255.0,
        image.astype(np.uint16) * 16,
        colours,
        opaque,
        opaque[:, :, 2:],  # grey with transparency
        tmp_path / "rim.png",
        str(tmp_path / "rim.tif"),
    ):
        rim = measure_rim(same)
        assert rim.chip_angle_deg == pytest.approx(expected.chip_angle_deg, abs=0.3)
        assert rim.reasons == ()
    imsave(tmp_path / "rim.jpg", image)
    lossy = measure_rim(tmp_path / "rim.jpg")
    assert lossy.chip_angle_deg == pytest.approx(expected.chip_angle_deg, abs=1.0)


@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.98])
def test_truncated_file_is_refused_by_its_name(
    image: NDArray[np.uint8], tmp_path: Path, kind: str, share: float
) -> None:
    path = tmp_path / f"rim.{kind}"
    imsave(path, image, check_contrast=False)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(BadInput, match=f"rim.{kind}: file: is not a picture"):
        measure_rim(path)


@pytest.mark.parametrize("content", [b"bore 0.25 mm, ruby\n", b""])
def test_text_named_png_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rim.png"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=r"rim\.png: file: is not a picture .*PNG, TIFF or JPEG"):
        measure_rim(path)


def test_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "none.png", tmp_path):
        with pytest.raises(BadInput, match=r"there is no such file|is a directory"):
            measure_rim(path)
