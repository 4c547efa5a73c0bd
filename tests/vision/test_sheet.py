"""Printed sheets: rendered to pixels and measured, as a ruler would."""

import contextlib
import dataclasses
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pypdfium2
import pytest

from vision.hole import Hole
from vision.image import Image, Sensor
from vision.plate import hole_target, reference_target
from vision.plate_map import PlateMap, map_plate
from vision.sheet import PAPERS_MM, SheetError, sheet_pdf, sheet_svg, write_sheet

DPI = 1000
PX_PER_MM = DPI / 25.4
PLATES = {"hole": hole_target(), "reference": reference_target(), "small hole": hole_target(50, 60, 0.5)}
SVG = "{http://www.w3.org/2000/svg}"


@contextlib.contextmanager
def first_page(pdf):
    document = pypdfium2.PdfDocument(pdf)
    try:
        assert len(document) == 1
        yield document[0]
    finally:
        document.close()


def printed(pdf, dpi=300):
    """The whole sheet in grey, as a printer lays it down."""
    with first_page(pdf) as page:
        return np.ascontiguousarray(page.render(scale=dpi / 72, grayscale=True).to_numpy().squeeze())


def printed_plate(pdf, plate):
    """The fiducials and a centimetre around them, 1000 dots per inch."""
    coarse = printed(pdf, 150)
    corners, _, _ = cv2.aruco.ArucoDetector(plate.dictionary()).detectMarkers(coarse)
    places = np.concatenate(corners).reshape(-1, 2) * 72 / 150
    (left, top), (right, low) = places.min(axis=0) - 28, places.max(axis=0) + 28
    with first_page(pdf) as page:
        width, height = page.get_size()
        crop = (left, height - low, width - right, top)
        return np.ascontiguousarray(
            page.render(scale=DPI / 72, grayscale=True, crop=crop).to_numpy().squeeze()
        )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", PLATES)
def test_fiducials_lie_where_they_should_to_a_twentieth_of_a_millimetre(name, paper):
    plate = PLATES[name]
    pdf = sheet_pdf(plate, paper)
    with first_page(pdf) as page:
        assert np.array(page.get_size()) * 25.4 / 72 == pytest.approx(PAPERS_MM[paper], abs=0.1)
    grey = printed_plate(pdf, plate)
    detector = cv2.aruco.ArucoDetector(plate.dictionary())
    corners, ids, _ = detector.detectMarkers(grey)
    assert sorted(ids.ravel().tolist()) == sorted(plate.fiducials)
    seen = {
        int(number): np.asarray(square).reshape(4, 2).mean(axis=0)
        for number, square in zip(ids.ravel(), corners, strict=True)
    }
    numbers = sorted(seen)
    for first in numbers:
        for second in numbers:
            drawn = plate.print_points_mm(np.array(plate.fiducials[second]) - plate.fiducials[first])
            found = (seen[second] - seen[first]) / PX_PER_MM * [1, -1]
            assert np.abs(found - drawn).max() < 0.05


@pytest.mark.parametrize("name", ["hole", "reference"])
def test_a_printed_sheet_maps_as_its_plate(name):
    """The whole way: spec to paper, paper to pixels, pixels to map, and the print's scale is the ruler's."""
    plate = PLATES[name]
    grey = printed_plate(sheet_pdf(plate), plate)
    plate_map = map_plate(Image(grey, 0.01, Sensor(255, 40.0, 4.0)), plate)
    assert isinstance(plate_map, PlateMap), plate_map
    assert plate_map.fiducials_missing == ()
    assert plate_map.rms_um < 10
    bench_x = 1.0 if plate.faces == "downstream" else -1.0
    scale = plate_map.jacobian(plate_map.to_px(np.zeros((1, 2))))[0] * PX_PER_MM
    np.testing.assert_allclose(scale, np.diag([bench_x, -1.0]), atol=2e-3)
    if name == "reference":
        assert plate_map.mark is not None
        assert 1e3 * np.linalg.norm(plate_map.mark.center_mm) < 20
        # The centre is left free for the spot; the arms begin where it ends.
        for along, dark in ((0.0, False), (0.9, False), (1.1, True), (1.9, True), (2.2, False)):
            for arm in along * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]):
                column, row = np.rint(plate_map.to_px(arm[None])[0]).astype(int)
                assert (grey[row, column] < 100) == dark
    # Rings: dark at their radius, paper just beside them.
    angle = np.linspace(0, 2 * np.pi, 40)
    for ring in plate.ring_radii_mm:
        for radius, dark in ((ring, True), (ring - 0.4, False), (ring + 0.4, False)):
            px = np.rint(plate_map.to_px(radius * np.column_stack([np.cos(angle), np.sin(angle)]))).astype(
                int
            )
            assert (np.median(grey[px[:, 1], px[:, 0]]) < 100) == dark


def test_drilling_removes_the_drilling_mark():
    """What is printed for the drill lies inside the hole; a drilled sheet shows a clean edge."""
    plate = PLATES["hole"]
    grey = printed_plate(sheet_pdf(plate), plate)
    plate_map = map_plate(Image(grey, 0.01, Sensor(255, 40.0, 4.0)), plate)
    assert plate_map.hole is None
    center = plate_map.to_px(np.zeros((1, 2)))[0]
    radius = plate.hole_radius_mm * PX_PER_MM
    y, x = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]]
    distance = np.hypot(x - center[0], y - center[1])
    assert grey[distance < radius].min() < 100
    assert grey[(distance > 0.95 * radius) & (distance < 2 * radius)].min() > 250
    drilled = np.where(distance < radius, np.uint8(10), grey)
    hole = map_plate(Image(drilled, 0.01, Sensor(255, 40.0, 4.0)), plate).hole
    assert isinstance(hole, Hole)
    assert 1e3 * np.linalg.norm(hole.center_mm) < 15


def test_both_bars_measure_what_they_say():
    dark = printed(sheet_pdf(PLATES["hole"])) < 128
    px_per_mm = 300 / 25.4
    across = max(_longest_run(row) for row in dark[int(0.8 * len(dark)) :])
    assert across / px_per_mm == pytest.approx(100.2, abs=0.25)  # with half a line's width at each end
    right = dark[:, int(0.88 * dark.shape[1]) :]
    assert max(_longest_run(column) for column in right.T) / px_per_mm == pytest.approx(50.2, abs=0.25)


def _longest_run(line):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def test_svg_has_true_millimetres_and_the_same_shapes():
    plate = PLATES["reference"]
    root = ET.fromstring(sheet_svg(plate))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("210mm", "297mm", "0 0 210 297")
    squares = [
        element
        for element in root.iter(f"{SVG}rect")
        if float(element.get("width")) == float(element.get("height")) == plate.fiducial_side_mm
    ]
    assert len(squares) == len(plate.fiducials)
    seen = np.array([[float(s.get("x")), float(s.get("y"))] for s in squares])
    drawn = plate.print_points_mm(np.array(list(plate.fiducials.values()))) * [1, -1]
    np.testing.assert_allclose(seen - seen[0], drawn - drawn[0], atol=1e-3)
    radii = sorted(float(c.get("r")) for c in root.iter(f"{SVG}circle"))
    assert radii == sorted(plate.ring_radii_mm)
    words = " ".join(element.text for element in root.iter(f"{SVG}text"))
    for needed in ("Caution", "laser", "IEC 60825-1", "100 mm", "100 %"):
        assert needed in words


def test_the_reader_is_told_what_to_drill_and_the_laser_caution():
    with first_page(sheet_pdf(PLATES["small hole"])) as page:
        words = page.get_textpage().get_text_range()
    assert "drill 1 mm" in words
    assert "Caution: a laser beam and its reflections can injure eyes and skin" in words
    assert "downstream" in words


def test_the_same_plate_gives_the_same_bytes():
    assert sheet_pdf(PLATES["hole"]) == sheet_pdf(hole_target())


def test_writing_and_refusing(tmp_path):
    write_sheet(PLATES["hole"], tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    write_sheet(PLATES["hole"], tmp_path / "b.txt", "Letter", "svg")
    assert "<svg" in (tmp_path / "b.txt").read_text(encoding="utf-8")
    big = dataclasses.replace(PLATES["hole"], width_mm=190.0)
    for plate, name, paper, words in (
        (big, "c.pdf", "A4", "does not fit A4"),
        (PLATES["hole"], "c.png", "A4", "'png'; allowed: 'pdf', 'svg'"),
        (PLATES["hole"], "c.pdf", "A0", "'A4', 'Letter'"),
    ):
        with pytest.raises(SheetError) as refused:
            write_sheet(plate, tmp_path / name, paper)
        assert words in str(refused.value)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.pdf", "b.txt"]
