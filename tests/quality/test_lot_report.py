"""The report of a lot: what happened and what to do are in it, in two pages, whatever the lot was like."""

import dataclasses
import io
import re
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pypdfium2
import pytest

from control.messages import Outcome
from station.quality.checks import QualityError
from station.quality.lot_report import (
    AlarmRow,
    LotState,
    LotSummary,
    PartRow,
    RecipeRow,
    StopRow,
    lot_content,
    lot_report,
)

BEGIN = datetime(2031, 3, 4, 18, 0, tzinfo=UTC)
TWO = ("biconvex", "meniscus")


def part(k, outcome=Outcome.ALIGNED, residual=None, recipe="biconvex", reason="", **more):
    end = BEGIN + timedelta(seconds=90 * (k + 1))
    numbers = {}
    if residual is not None:
        names = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")
        numbers = dict(zip(names, map(float, residual), strict=True))
        numbers |= {"expanded_decenter_um": 2.0, "expanded_tilt_arcsec": 7.0}
    return PartRow(
        f"S{k:03d}", recipe, outcome, end - timedelta(seconds=85), end, reason=reason, **numbers, **more
    )


def lot(count=120, recipes=("biconvex",), drift=0.0, bad=(), **changes):
    residuals = np.random.default_rng(4).normal(0.0, 2.0, (count, 4))
    residuals[:, 2] += drift * np.arange(count)
    parts = [
        part(k, residual=residuals[k], recipe=recipes[k * len(recipes) // count])
        if k not in bad
        else part(
            k, Outcome.REJECTED, recipe=recipes[k * len(recipes) // count], reason="wrong lens: misfit 9.1"
        )
        for k in range(count)
    ]
    summary = LotSummary(
        title="lot 31",
        station="station 2",
        state=LotState.DONE,
        begin_utc=BEGIN,
        end_utc=BEGIN + timedelta(seconds=90 * (count + 1)),
        recipes={name: RecipeRow(15.0, 30.0, "v3") for name in recipes},
        parts=parts,
        planned=count,
        facts=(("Software", "test"),),
    )
    return dataclasses.replace(summary, **changes)


def pages(pdf):
    document = pypdfium2.PdfDocument(io.BytesIO(pdf))
    try:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    finally:
        document.close()


def lowest_letter(pdf):
    """Height of the lowest letter above the lower edge of its page, in points."""
    document = pypdfium2.PdfDocument(io.BytesIO(pdf))
    try:
        texts = [page.get_textpage() for page in document]
        return min(text.get_charbox(k)[1] for text in texts for k in range(text.count_chars()))
    finally:
        document.close()


def test_a_clean_lot_says_that_nothing_is_open():
    content = lot_content(lot())
    assert content.headline == "Done: 120 of 120 parts aligned"
    assert content.todo == ("Nothing is open: unload, release the lot, load the next one.",)
    assert content.set_aside == content.events == ()
    assert len(content.process) == 4
    assert all(row[-1] == "in control" for row in content.process)
    assert content.outside == (("biconvex", "below 1 ppm", "below 1 ppm"),)


def stopped_lot():
    at = BEGIN + timedelta(hours=2)
    stop = StopRow(at, None, "3 parts rejected in a row", "measure the check part")
    return lot(
        bad=(7, 50),
        state=LotState.STOPPED,
        planned=200,
        stops=(StopRow(BEGIN, BEGIN + timedelta(minutes=9), "the shutter stuck"), stop),
        alarms=(
            AlarmRow(at, "stop", stop.reason, stop.remedy),
            AlarmRow(at, "warning", "camera is warm", "look at the fan", count=7),
            AlarmRow(at, "warning", "lamp is old", "", acknowledged_by="early shift"),
        ),
        in_doubt=[f"S{k:03d}" for k in range(100, 120)],
    )


def test_a_stopped_lot_says_why_and_what_to_do_first():
    content = lot_content(stopped_lot())
    assert content.headline == "Stopped since 20:00: 3 parts rejected in a row"
    assert content.todo[0].startswith(
        "The station waits since 20:00 (3 parts rejected in a row). Measure the"
    )
    assert "80 parts are left" in content.todo[0]
    assert "20 parts since the last pass are in doubt (S100 to S119)" in content.todo[1]
    assert content.todo[2] == "Open warning (20:00, 7 times): Camera is warm. Look at the fan."
    assert content.todo[3] == "2 parts rejected and set aside: sort by reason (2 x wrong lens)."
    assert len(content.todo) == 4
    assert [row[0] for row in content.set_aside] == ["S007", "S050"]
    assert "118 aligned, 2 rejected (98.3% aligned). The station stood for" in content.subline
    assert "in 2 stops" in content.subline


def test_a_drift_is_told_and_its_capability_refused():
    content = lot_content(lot(drift=0.08))
    row = next(row for row in content.process if row[1].startswith("tilt x"))
    assert row[6] == "none"
    assert "level has moved or drifts" in row[7]
    assert any(line.startswith("Not in control: Tilt x") for line in content.todo)
    assert content.outside[0][1:] == ("below 1 ppm", "none: out of control")


def test_events_of_one_kind_are_one_line():
    def at(minutes):
        return BEGIN + timedelta(minutes=minutes)

    def stopped(minutes, code="interlock_open"):
        return StopRow(at(minutes), at(minutes + 2), "move to X 1: 'STATE FAULT'", "close the door", code)

    def rung(minutes, code, severity, **more):
        return AlarmRow(at(minutes), severity, f"{code}: the words", "help", code=code, **more)

    stops = [stopped(10), stopped(20), stopped(70), stopped(100), stopped(5, "limit_switch")]
    alarms = [
        rung(10, "interlock_open", "stop", acknowledged_by="A. Person"),
        rung(21, "line_lost", "note", count=7),
        rung(30, "line_lost", "note"),
        rung(40, "camera_warm", "warning"),
    ]
    rows = lot_content(lot(stops=stops, alarms=alarms)).events
    assert rows == (
        ("interlock open", "4 stops", "18:10 to 19:40", "8 min", "close the door"),
        ("limit switch", "1 stop", "18:05", "2 min", "close the door"),
        ("camera warm: the words", "1 warning, not acknowledged", "18:40", "", "help"),
        ("line lost: the words", "8 notes", "18:21, 18:30", "", "help"),
    )


def test_a_stop_that_is_still_on_comes_first():
    stops = (
        StopRow(BEGIN, BEGIN + timedelta(hours=1), "power", code="power"),
        StopRow(BEGIN + timedelta(hours=2), None, "limit", code="limit"),
    )
    rows = lot_content(lot(stops=stops)).events
    assert [row[0] for row in rows] == ["limit: limit", "power: power"]
    assert rows[0][3].endswith("min, still")


def test_reasons_are_shown_without_codes_and_remedies():
    reason = "camera_lost: camera_lost: a frame while open: the camera is gone. Remedy: check the cable"
    summary = lot(20)
    failed = part(20, Outcome.STOPPED, reason=reason, remedy="check the cable")
    row = lot_content(dataclasses.replace(summary, parts=[*summary.parts, failed])).set_aside[0]
    assert row[4:] == ("a frame while open: the camera is gone.", "check the cable")


def test_how_the_process_did_is_said_in_a_sentence():
    assert lot_content(lot()).process_line.startswith("Steady: no axis has moved. The widest spread")
    assert "fits with room to spare (from 1.33" in lot_content(lot()).process_line
    assert lot_content(lot(drift=0.08)).process_line.startswith("1 of 4 axes are not in control")
    assert "too few parts" in lot_content(lot(20)).process_line


def test_parts_without_verdict_are_named():
    summary = lot()
    extra = [part(120, Outcome.TIMED_OUT, reason="too slow"), part(121, Outcome.STOPPED, reason="operator")]
    content = lot_content(dataclasses.replace(summary, parts=[*summary.parts, *extra]))
    assert content.todo == ("2 parts have no verdict (S120, S121): run again.",)
    assert [row[2] for row in content.set_aside] == ["timed out", "stopped"]
    assert content.tally[0][2:7] == ("122", "120", "0", "1", "1")


def test_check_parts_are_listed_but_not_counted():
    summary = lot(60)
    checked = [*summary.parts, part(60, residual=(50, 0, 0, 0), is_check=True)]
    content = lot_content(dataclasses.replace(summary, parts=checked))
    assert content.headline == "Done: 60 of 60 parts aligned"
    assert content.all_parts[-1][2] == "check part: aligned"
    assert content.process[0][2] == "60"


def test_each_recipe_is_judged_by_itself():
    content = lot_content(lot(recipes=TWO))
    assert [row[0] for row in content.process] == ["biconvex", "", "", "", "meniscus", "", "", ""]
    assert [row[0] for row in content.tally] == ["biconvex v3", "meniscus v3", "together"]
    assert content.tally[-1][2] == "120"


def test_times_are_shown_in_the_zone_of_the_shift():
    content = lot_content(dataclasses.replace(stopped_lot(), zone=timezone(timedelta(hours=2), "EET")))
    assert content.headline.startswith("Stopped since 22:00")
    assert content.period.startswith("2031-03-04 20:00 to 23:01 EET")


@pytest.mark.parametrize(
    "summary",
    [
        stopped_lot(),
        lot(0),
        lot(1),
        lot(9, bad=range(9)),
        lot(400, TWO, bad=range(0, 400, 3)),
        lot(
            30,
            stops=tuple(
                StopRow(BEGIN, BEGIN + timedelta(minutes=k), "a long reason " * 12) for k in range(60)
            ),
            alarms=tuple(AlarmRow(BEGIN, "stop", f"cause {k} " * 15, "remedy " * 20) for k in range(60)),
        ),
        lot(60, tuple(f"recipe-{k}" for k in range(12))),
    ],
    ids=["stopped", "empty", "one part", "all rejected", "many rejects", "many alarms", "many recipes"],
)
def test_the_report_is_two_pages_whatever_happened(summary):
    html, pdf = lot_report(summary)
    first, second = pages(pdf)
    assert lowest_letter(pdf) > 15.0
    content = lot_content(summary)
    assert content.headline in first
    assert "What to do" in first
    for line in content.todo[:1]:
        assert line in first
    assert "Software is not a safety function" in second
    assert content.headline in html
    assert "Software is not a safety function" in html
    # Nothing is fetched from outside.
    assert not re.search(r'(src|href)="(?!data:)', html)


def test_stops_that_overlap_are_counted_once_and_within_the_period():
    hour = timedelta(hours=1)
    stops = (
        StopRow(BEGIN - hour, BEGIN + 0.1 * hour, "power"),
        StopRow(BEGIN + hour, BEGIN + 1.5 * hour, "line"),
        StopRow(BEGIN + 1.2 * hour, BEGIN + 1.4 * hour, "camera"),
        StopRow(BEGIN + 1.4 * hour, BEGIN + 1.8 * hour, "interlock"),
    )
    assert "stood for 54 min in 4 stops" in lot_content(lot(stops=stops)).subline


def test_long_texts_are_shortened_where_they_would_fill_the_page():
    summary = lot(20, alarms=(AlarmRow(BEGIN, "warning", "cause " * 100, "remedy " * 100),))
    content = lot_content(summary)
    assert max(len(text) for text in content.events[0]) <= 150
    assert len(content.todo[0]) <= 300
    assert content.todo[0].endswith("...")


def test_what_is_left_out_is_said():
    content = lot_content(lot(400, bad=range(0, 400, 10)))
    assert (len(content.set_aside), len(content.aside_serials)) == (14, 40)
    assert len(content.all_parts) == 400
    html, pdf = lot_report(lot(400, bad=range(0, 400, 10)))
    words = "40 parts are not aligned; before these: S000, S010, S020"
    assert words in pages(pdf)[0]
    assert words in html


def test_the_same_lot_gives_the_same_bytes():
    assert lot_report(stopped_lot()) == lot_report(stopped_lot())


def test_markup_in_reasons_stays_text():
    summary = lot(20)
    evil = part(20, Outcome.REJECTED, reason="<b>5 & 6</b><script>x</script>")
    html, pdf = lot_report(dataclasses.replace(summary, parts=[*summary.parts, evil]))
    assert "<script>" not in html
    assert "<b>5 & 6</b><script>x</script>" in pages(pdf)[0]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: part(1, residual=(1, 2, 3, float("nan"))), "tilt_y_arcsec is nan"),
        (lambda: dataclasses.replace(part(1), decenter_x_um=1.0), "3 of the four residuals are missing"),
        (lambda: dataclasses.replace(part(1), started_utc=BEGIN.replace(tzinfo=None)), "no time zone"),
        (lambda: dataclasses.replace(part(1), started_utc=BEGIN + timedelta(days=1)), "ended before"),
        (lambda: AlarmRow(BEGIN, "fatal", "x", "y"), "severity 'fatal'"),
        (lambda: StopRow(BEGIN, BEGIN - timedelta(1), "x"), "ends too early"),
        (lambda: lot(3, recipes=TWO, bad=(), parts=[part(0, recipe="other")]), "recipes other"),
        (lambda: lot(3, end_utc=BEGIN - timedelta(1)), "ends before it begins"),
        (lambda: part(1).residual("tilt_x_arcsec"), "no measurement"),
    ],
)
def test_rows_that_make_no_sense_are_refused(make, message):
    with pytest.raises(QualityError, match=message):
        make()
