"""The report says what the record says, on one page, with the cautions."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from control.messages import (
    BareBeamSeen,
    Faulted,
    Finish,
    Homed,
    Look,
    Looked,
    MapPlates,
    Move,
    Moved,
    MovePurpose,
    Outcome,
    PlatesMapped,
    PutLensIn,
    RecordBareBeam,
    Started,
    Verdict,
)
from station.cautions import CAUTIONS
from station.demo import example_setup
from station.record import Record, history_of, result_object
from station.report import report_data, write_reports
from station.report.pictures import View, convergence_png, raw_png, view_png
from vision.image import Image, Sensor
from vision.spots import NoSpot, Reason, Spot, SpotName

VERDICT = Verdict(
    decenter_um=(3.0, -4.0),
    tilt_arcsec=(6.0, 8.0),
    covariance=((1.0, 0.0, 0.0, 0.0),) * 4,
    expanded_decenter_um=2.5,
    expanded_tilt_arcsec=9.0,
    coverage_factor=2.4477,
    tolerance_decenter_um=20.0,
    tolerance_tilt_arcsec=30.0,
    passed=True,
    dominated_by="beam in the hole",
    contributions={"spots": (0.8, 1.0), "beam in the hole": (0.6, 3.0), "distances": (0.001, 0.001)},
)
ALIGNED = Finish(Outcome.ALIGNED, "inside the tolerance", verdict=VERDICT)
STOPPED = Finish(Outcome.STOPPED, "line_lost: the line is lost", "check the <cable> & connect")


def a_spot(x_mm: float, y_mm: float) -> Spot:
    return Spot(np.array([x_mm, y_mm]), np.eye(2) * 1e-4, (2.0, 1.5), 1e6)


def a_record(folder: Path, finish: Finish) -> Record:
    seen = {
        SpotName.FRONT: a_spot(1.1, 2.2),
        SpotName.BACK: NoSpot(Reason.IN_THE_HOLE),
        SpotName.TRANSMITTED: a_spot(0.5, 0.5),
    }
    record = Record(folder, example_setup(), seed=3, controller="TEST CONTROLLER")
    record.add_step(Started(10.0), MapPlates(), 0.0)
    hole = PlatesMapped((0.1, 0.2), ((1e-6, 0.0), (0.0, 1e-6)), 1.0, {"hole_target": 0.01}, 11.0)
    record.add_step(hole, RecordBareBeam(1), 0.0)
    record.add_step(BareBeamSeen(a_spot(0.5, -0.5), 12.0), PutLensIn(), 0.0)
    record.add_step(Homed({}, 12.5), Look(1, {}, "see"), 0.0)
    record.add_step(Looked(seen, {}, 1, 13.0), Move({"X": 1.0}, "test", MovePurpose.TEST), 0.0)
    record.add_step(Moved({"X": 1.0}, 14.0), Move({"X": 0.9}, "back", MovePurpose.TAKE_UP), 0.0)
    record.add_step(Moved({"X": 0.9}, 15.0), Look(1, {}, "again"), 0.0)
    record.add_step(Looked(seen, {}, 1, 16.0), Move({"X": 0.0}, "step"), 0.0)
    record.add_step(Moved({"X": 0.0}, 17.5), finish, 0.0)
    history = history_of(record.steps)
    record.result = result_object(
        finish,
        history,
        compute_seconds=1.0,
        run_dir=folder,
        true_pose={"decenter_um": [1.0, 0.0], "tilt_arcsec": [0.0, 2.0]},
    )
    return record


def test_the_history_counts_and_measures_from_the_targets(tmp_path: Path) -> None:
    history = history_of(a_record(tmp_path, ALIGNED).steps)
    assert (len(history.looks), history.test_moves, history.moves) == (2, 1, 2)
    assert history.bench_seconds == pytest.approx(7.5)
    first, second = history.looks
    assert first.offset_mm[SpotName.FRONT] == pytest.approx((1.0, 2.0))  # from the hole's centre
    assert first.offset_mm[SpotName.TRANSMITTED] == pytest.approx((0.0, 1.0))  # from the bare beam
    assert first.sigma_mm[SpotName.FRONT] == pytest.approx(0.01)
    assert first.missing == {SpotName.BACK: "in_the_hole"}
    assert first.distance_mm(SpotName.BACK) is None
    assert first.distance_mm(SpotName.TRANSMITTED) == pytest.approx(1.0)
    assert first.after is None
    assert second.after is MovePurpose.TEST  # taking up backlash is no purpose of its own


def test_the_result_has_exactly_the_keys_that_are_promised(tmp_path: Path) -> None:
    result = a_record(tmp_path, ALIGNED).result
    assert result is not None
    assert set(result) == {
        *("outcome", "reason", "looks", "test_moves", "moves", "bench_seconds", "compute_seconds"),
        *("pose", "spots", "run_dir", "true_pose"),
    }
    assert result["pose"] == {
        "decenter_um": [3.0, -4.0],
        "tilt_arcsec": [6.0, 8.0],
        "expanded_uncertainty": {"decenter_um": 2.5, "tilt_arcsec": 9.0},
        "coverage_factor": 2.4477,
    }
    assert result["spots"] == {"front_mm": [1.0, 2.0], "back_mm": None, "transmitted_mm": [0.0, 1.0]}
    assert result["true_pose"] == {"decenter_um": [1.0, 0.0], "tilt_arcsec": [0.0, 2.0]}


def test_a_bench_without_witness_has_no_true_pose(tmp_path: Path) -> None:
    history = history_of(a_record(tmp_path, STOPPED).steps)
    result = result_object(STOPPED, history, compute_seconds=0.0, run_dir=tmp_path, true_pose=None)
    assert "true_pose" not in result
    assert result["pose"] is None


def test_a_run_that_ends_at_once_has_a_history(tmp_path: Path) -> None:
    record = Record(tmp_path, example_setup(), None)
    record.add_step(Faulted("no_reply", "nothing came", 5.0), STOPPED, 0.0)
    history = history_of(record.steps)
    assert (history.bench_seconds, history.looks) == (0.0, ())
    result = result_object(STOPPED, history, compute_seconds=0.0, run_dir=tmp_path, true_pose=None)
    assert result["spots"] == {"front_mm": None, "back_mm": None, "transmitted_mm": None}


def test_the_report_says_residual_uncertainty_tolerance_and_verdict(tmp_path: Path) -> None:
    record = a_record(tmp_path, ALIGNED)
    record.save()
    data = report_data(record.data(), tmp_path)
    decenter, tilt = data.quantities
    assert (decenter.radial, decenter.expanded, decenter.tolerance, decenter.within) == (
        *("5.0", "2.5", "20", "within"),
    )
    assert (tilt.radial, tilt.expanded, tilt.tolerance) == ("10.0", "9.0", "30")
    assert data.contributions[-1] == ("together", "1.00", "3.16")
    assert data.contributions[-2][0] == "1 smaller ones"
    html, pdf = write_reports(tmp_path)
    text = html.read_text(encoding="utf-8")
    for words in (
        *("Aligned", "inside the tolerance", "5.0", "2.5", "k = 2.448", "95%", "beam in the hole"),
        *("TEST CONTROLLER", "biconvex R102.4", "radial 2.0 arcsec", "1 test moves"),
        *(caution.replace("'", "&#39;") for caution in CAUTIONS),
    ):
        assert words in text
    assert pdf.read_bytes().startswith(b"%PDF")


def test_residual_and_uncertainty_together_decide(tmp_path: Path) -> None:
    wide = Verdict(**{**{f: getattr(VERDICT, f) for f in VERDICT.__slots__}, "expanded_decenter_um": 15.1})
    record = a_record(tmp_path, Finish(Outcome.REJECTED, "too far off", verdict=wide))
    assert report_data(record.data(), tmp_path).quantities[0].within == "not within"  # 5.0 + 15.1 > 20


def test_a_run_without_verdict_is_reported_with_its_reason(tmp_path: Path) -> None:
    record = a_record(tmp_path, STOPPED)
    record.save()
    html, _ = write_reports(tmp_path)
    text = html.read_text(encoding="utf-8")
    assert "Stopped, not aligned" in text
    assert "check the &lt;cable&gt; &amp; connect" in text  # nothing of a device's words is taken as markup
    assert "No verdict was reached" in text


def test_the_html_needs_nothing_from_outside(tmp_path: Path) -> None:
    record = a_record(tmp_path, ALIGNED)
    record.save()
    text = write_reports(tmp_path)[0].read_text(encoding="utf-8")
    sources = re.findall(r"(?:src|href)=\"([^\"]{0,20})", text)
    assert all(source.startswith("data:") for source in sources)
    assert "<script" not in text


def test_the_same_record_gives_the_same_bytes_of_pdf_on_one_page(tmp_path: Path) -> None:
    record = a_record(tmp_path, ALIGNED)
    for name in ("hole_before", "convergence"):
        (tmp_path / f"{name}.png").write_bytes(convergence_png(history_of(record.steps).looks))
        record.pictures[name] = f"{name}.png"
    record.save()
    first = write_reports(tmp_path)[1].read_bytes()
    assert write_reports(tmp_path)[1].read_bytes() == first
    assert re.findall(rb"/Count (\d+)", first) == [b"1"]


class Straight:
    """A camera that looks straight at the plate, 10 px per mm."""

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        return np.asarray(points_mm) * [10.0, -10.0] + 50.0


def test_pictures_of_frames_with_and_without_spots() -> None:
    pixels = np.full((100, 100), 100, np.uint16)
    pixels[20:30, 60:70] = 3000
    image = Image(pixels, 0.01, Sensor())
    view = View(
        title="hole target, before",
        image=image,
        background=None,
        plate_map=Straight(),
        target_mm=(0.0, 0.0),
        hole_radius_mm=1.0,
        sightings={SpotName.FRONT: a_spot(1.0, 2.0), SpotName.BACK: NoSpot(Reason.NO_LIGHT)},
    )
    assert view.half_width_mm() == pytest.approx(4.5)  # sqrt(5) + 1.1 x 2.0, to the next half millimetre
    png = view_png(view)
    assert png.startswith(b"\x89PNG")
    assert png == view_png(view)


def test_the_raw_frame_keeps_its_values() -> None:
    cv2 = pytest.importorskip("cv2")
    pixels = np.arange(12, dtype=np.float32).reshape(3, 4) * 300.4
    png = raw_png(Image(pixels, 0.01, Sensor(), frames=4))
    back = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    assert back.dtype == np.uint16
    assert np.abs(back - pixels).max() <= 0.5


def test_convergence_without_any_spot_is_still_a_picture() -> None:
    assert convergence_png([]).startswith(b"\x89PNG")
