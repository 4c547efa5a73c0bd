"""The controller against docs/line.md: what it answers, and what follows from it."""

from __future__ import annotations

import numpy as np
import pytest

from driver.axes import AxisSpec
from sim.clock import SimClock
from sim.firmware import SimController
from sim.line import LineNuisances
from sim.mount import SimMount
from sim.mount_errors import MountNuisances, draw_mount
from sim.nuisances import Nuisances


def test_powers_up_not_homed_closed_and_dark(person):
    assert person.ask("Q2") == "STATE IDLE HOMED 0 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 0"
    assert person.ask("Q3").startswith("ID ")
    for move in ("G00 X1", "G01 X1 F60"):
        assert person.ask(move) == "ERR03 NOT HOMED"


def test_every_message_is_answered_however_its_bytes_arrive(build, at_line):
    nuisances = Nuisances(mount=MountNuisances.none(), line=LineNuisances(read_chunk_bytes=1))
    bench = build(nuisances=nuisances, seed=0)
    person = at_line(bench.line)
    for words in ("Q3", "Q2", "G21", "G90", "M23", "M24", "M22", "M00", "Q1", "G28"):
        for byte in person.request(words):
            bench.line.write(bytes([byte]))
        number, answer = person.answer()
        assert number == person.number
        assert not answer.startswith("ERR")


def test_homes_and_says_so(bench, person):
    assert person.ask("G28") == "DONE"
    assert person.state()["STATE"] == "HOMING"
    assert person.ask("G28").startswith("ERR05")
    bench.clock.sleep_s(60.0)
    assert person.state() == person.state() | {"STATE": "IDLE", "HOMED": "1"}
    assert person.ask("Q1") == "AT X0.0000 Y0.0000 A0.0000 B0.0000"


def test_moves_there_in_distance_over_speed(bench, homed):
    began_s = bench.clock.now_s()
    assert homed.ask("G00 X4 Y-1.2347 B0.125") == "DONE"
    while homed.state()["STATE"] == "MOVING":
        bench.clock.sleep_s(0.01)
    # 4 mm at 2 mm/s and one ramp of 0.1 s; the polling is 0.02 s coarse.
    assert bench.clock.now_s() - began_s == pytest.approx(2.1, abs=0.03)
    assert homed.ask("Q1") == "AT X4.0000 Y-1.2350 A0.0000 B0.1250"
    assert bench.truth().positions["X"] == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize(
    ("words", "expected_s"),
    [
        ("G01 X3 Y4 F60", 5.0),  # 5 mm along the line at 60 mm/min
        ("G01 X0.5 A0.25 F60", 0.5),  # the feed is that of the linear axes
        ("G01 A0.3 B0.4 F30", 1.0),  # deg/min when only rotary axes move
        ("G01 X2 F6000", 1.0),  # never faster than the axis
    ],
)
def test_feed_is_what_the_line_describes(bench, homed, words, expected_s):
    began_s = bench.clock.now_s()
    homed.ask(words)
    while homed.state()["STATE"] == "MOVING":
        bench.clock.sleep_s(0.005)
    assert bench.clock.now_s() - began_s == pytest.approx(expected_s + 0.1, abs=0.03)


def test_feed_is_modal_and_must_be_given_once(homed, bench):
    assert homed.ask("G01 X1").startswith("ERR02")
    assert homed.ask("G01 X1 F0").startswith("ERR02")
    assert homed.ask("G01 X1 F600") == "DONE"
    bench.clock.sleep_s(10.0)
    assert homed.ask("G01 X0") == "DONE"


@pytest.mark.parametrize("words", ["G00", "Q1 X1", "M21 M23", "M99", "G91", "Q4", "G00 G01 X1", "M00 X1"])
def test_words_that_make_no_sense_are_refused(homed, words):
    assert homed.ask(words).startswith("ERR02")
    assert homed.positions()["X"] == 0.0


@pytest.mark.parametrize("words", ["G00 X6.001", "G01 X0 B-3.0005 F60"])
def test_out_of_travel_is_refused_and_nothing_moves(bench, homed, words):
    assert homed.ask(words).startswith("ERR04")
    assert homed.state()["STATE"] == "IDLE"
    assert bench.truth().positions == pytest.approx(dict.fromkeys("XYAB", 0.0), abs=1e-9)


def test_busy_while_moving_but_stop_is_taken(bench, homed):
    homed.ask("G00 X4")
    assert homed.ask("G00 X0").startswith("ERR05")
    bench.clock.sleep_s(0.8)
    assert homed.ask("M00") == "DONE"
    bench.clock.sleep_s(0.05)  # docs/line.md: motion ends within 50 ms
    assert homed.state()["STATE"] == "STOPPED"
    stopped_at = homed.positions()["X"]
    assert 1.0 < stopped_at < 2.0
    assert bench.truth().positions["X"] == pytest.approx(stopped_at, abs=1e-9), "position is kept"
    bench.clock.sleep_s(5.0)
    assert homed.positions()["X"] == stopped_at
    assert homed.ask("G00 X0") == "DONE"


def test_stop_is_accepted_in_every_state(bench, person):
    for prepare in (lambda: None, lambda: person.ask("G28"), bench.controller.reset):
        prepare()
        bench.clock.sleep_s(1.0)
        assert person.ask("M00") == "DONE"
        assert person.ask("M00") == "DONE"
    person.ask("G28")
    bench.clock.sleep_s(0.2)
    person.ask("M00")
    bench.clock.sleep_s(0.1)
    assert person.state() == person.state() | {"STATE": "STOPPED", "HOMED": "0"}


def test_shutter_reports_its_own_switch(bench, person):
    assert person.ask("M21") == "DONE"
    bench.clock.sleep_s(0.05)
    assert person.state()["SHUTTER"] == "1"
    assert bench.truth().shutter_open
    bench.controller.stick_shutter("open")
    assert person.ask("M22") == "DONE"
    bench.clock.sleep_s(0.05)
    assert person.state()["SHUTTER"] == "1"
    bench.controller.stick_shutter(None)
    assert person.state()["SHUTTER"] == "0"


def test_shutter_takes_time_to_swing(bench, person):
    person.ask("M21")
    assert person.state()["SHUTTER"] == "0"
    bench.clock.sleep_s(0.03)
    assert person.state()["SHUTTER"] == "1"


def test_open_interlock_closes_the_shutter_by_itself(bench, person):
    person.ask("M21")
    bench.clock.sleep_s(0.05)
    bench.controller.set_interlock(closed=False)
    bench.clock.sleep_s(0.05)
    assert person.state() == person.state() | {"LOCK": "0", "SHUTTER": "0"}
    assert person.ask("M21").startswith("ERR06")
    assert person.ask("M22") == "DONE"
    bench.controller.set_interlock(closed=True)
    assert person.state() == person.state() | {"LOCK": "1", "SHUTTER": "0"}
    assert person.ask("M21") == "DONE"


def test_lamp_goes_on_and_off(bench, person):
    person.ask("M23")
    assert person.state()["LAMP"] == "1"
    assert bench.truth().lamp_on
    person.ask("M24")
    assert person.state()["LAMP"] == "0"


def test_stall_is_a_fault_that_only_homing_leaves(bench, homed):
    homed.ask("G00 X4")
    bench.clock.sleep_s(1.0)
    bench.controller.stall()
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "0"}
    assert homed.ask("G00 X0").startswith("ERR08")
    homed.ask("M00")
    assert homed.state()["STATE"] == "FAULT"
    assert bench.truth().positions["X"] < homed.positions()["X"] - 0.01, "steps were lost"
    assert homed.ask("G28") == "DONE"
    bench.clock.sleep_s(60.0)
    assert homed.state()["STATE"] == "IDLE"


def test_limit_switch_is_a_fault_that_only_homing_leaves(bench, homed):
    bench.mount.slip("X", 2000.0)
    homed.ask("G00 X6")
    bench.clock.sleep_s(10.0)
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "1"}
    assert homed.ask("G00 X0").startswith("ERR07")
    homed.ask("G28")
    bench.clock.sleep_s(60.0)
    assert homed.state() == homed.state() | {"STATE": "IDLE", "LIMIT": "0", "HOMED": "1"}
    assert bench.truth().positions["X"] == pytest.approx(0.0, abs=1e-9)


def test_stall_of_motors_that_stand_strikes_the_next_move(bench, homed):
    bench.controller.stall()
    assert homed.state()["STATE"] == "IDLE"
    assert homed.ask("G00 X1") == "DONE"
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "0"}


def test_request_of_no_readable_number_is_answered_with_number_0(bench, person):
    bench.line.write(b"hello\n")
    number, answer = person.answer()
    assert number == 0
    assert answer.startswith("ERR01")


def test_replies_that_nobody_reads_are_dropped_at_a_ceiling(bench, person):
    for _ in range(20):
        bench.line.write(b"".join(person.request("Q3") for _ in range(100)))
    replies = 0
    while bench.line.read(10_000, 1.0):
        replies += 1
    assert 64 <= replies <= 256
    assert person.ask("Q3").startswith("ID ")


def test_forced_limit_strikes_the_next_move(bench, homed):
    bench.controller.trip_limit()
    assert homed.state()["STATE"] == "IDLE"
    assert homed.ask("G00 X1") == "DONE"
    assert homed.state() == homed.state() | {"STATE": "FAULT", "LIMIT": "1"}


def test_motion_that_never_ends_is_ended_by_stop(bench, homed):
    bench.controller.never_arrive()
    homed.ask("G00 X1")
    bench.clock.sleep_s(1000.0)
    assert homed.state()["STATE"] == "MOVING"
    assert homed.positions()["X"] == 1.0
    homed.ask("M00")
    assert homed.state()["STATE"] == "STOPPED"
    assert homed.ask("G00 X0") == "DONE"


def test_reset_loses_position_and_everything_else(bench, homed):
    homed.ask("G00 X1")
    homed.ask("M21")
    homed.ask("M23")
    bench.clock.sleep_s(5.0)
    bench.controller.reset()
    homed.port.write(homed.request("Q2"))
    assert homed.port.read(100, 0.3) == b"", "silent while it boots"
    bench.clock.sleep_s(1.0)
    assert homed.ask("Q2") == "STATE IDLE HOMED 0 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 0"
    assert homed.positions()["X"] == 0.0
    assert bench.truth().positions["X"] == pytest.approx(1.0, abs=1e-9)


def test_axis_that_the_line_has_no_word_for_is_refused():
    axis = AxisSpec("F", "mm", -1.0, 1.0, 0.001, "decenter_x", 1.0, 0.0)
    mount = SimMount(
        [axis], draw_mount([axis], MountNuisances(), np.random.default_rng(0)), np.random.default_rng(0)
    )
    with pytest.raises(ValueError, match="no word on the simulated line"):
        SimController(mount, SimClock())
