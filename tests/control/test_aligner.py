from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spot_bench import AXES, NAMES, SpotBench, Truth, nominal_bench, run

from control import messages as m
from control.aligner import Aligner
from control.plan import ARCSEC_PER_MRAD, AlignmentPlan, TestMoves
from control.states import TERMINAL, State
from optics.families import FAMILIES, REF_LENS
from vision.spots import Flag, NoSpot, Reason, Spot, SpotName

REGULAR = [name for name in FAMILIES if name not in ("near-concentric", "ball-like")]
TO_UM_ARCSEC = np.array([1000.0, 1000.0, ARCSEC_PER_MRAD, ARCSEC_PER_MRAD])


@pytest.mark.parametrize("name", REGULAR)
@pytest.mark.parametrize("tests", list(TestMoves))
def test_regular_lenses_are_aligned_and_the_truth_is_within_tolerance(name: str, tests: TestMoves) -> None:
    lens = FAMILIES[name]
    for seed in range(4):
        bench = SpotBench(lens, np.random.default_rng(seed))
        aligner = Aligner(AlignmentPlan(lens, test_moves=tests), nominal_bench())
        finish = run(aligner, bench)
        assert finish.outcome is m.Outcome.ALIGNED, (seed, finish.reason)
        pose = bench.pose * TO_UM_ARCSEC
        assert np.hypot(*pose[:2]) < 20.0
        assert np.hypot(*pose[2:]) < 30.0
        assert aligner.moves[m.MovePurpose.TEST] == (4 if tests is TestMoves.ALWAYS else 0)


@pytest.mark.parametrize("name", ["near-concentric", "ball-like"])
def test_lenses_that_hide_a_direction_are_never_passed(name: str) -> None:
    lens = FAMILIES[name]
    for seed in range(3):
        bench = SpotBench(lens, np.random.default_rng(seed))
        finish = run(Aligner(AlignmentPlan(lens), nominal_bench()), bench)
        assert finish.outcome is not m.Outcome.ALIGNED


def test_a_replayed_record_gives_the_same_actions() -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(5))
    first, seen = Aligner(AlignmentPlan(REF_LENS), nominal_bench()), []
    observation = m.Started(0.0)
    while True:
        action = first.next_action(observation)
        seen.append((observation, repr(action)))
        if isinstance(action, m.Finish):
            break
        observation = bench.do(action)
    again = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
    assert [repr(again.next_action(observation)) for observation, _ in seen] == [text for _, text in seen]


@pytest.mark.parametrize(
    ("interruption", "outcome"),
    [(m.Faulted("line_lost", "the line is gone", 3.0), "line_lost"), (m.OperatorStopped(3.0), "operator")],
)
@pytest.mark.parametrize("after", range(12))
def test_a_fault_or_a_person_stops_the_run_at_any_time(
    after: int, interruption: m.Observation, outcome: str
) -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(1))
    aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
    observation: m.Observation = m.Started(0.0)
    for _ in range(after):
        observation = bench.do(aligner.next_action(observation))
    finish = aligner.next_action(interruption)
    assert isinstance(finish, m.Finish)
    assert finish.outcome is m.Outcome.STOPPED
    assert outcome in finish.reason
    assert aligner.next_action(observation) is finish


def test_budgets_end_the_run_as_timed_out() -> None:
    for spent in ({"max_looks": 1}, {"max_moves": 1}, {"max_seconds": 2.0}):
        bench = SpotBench(REF_LENS, np.random.default_rng(1))
        finish = run(Aligner(AlignmentPlan(REF_LENS, **spent), nominal_bench()), bench)
        assert finish.outcome is m.Outcome.TIMED_OUT
        assert str(next(iter(spent.values()))).rstrip("0").rstrip(".") in finish.reason


def test_no_bare_beam_no_alignment() -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(1))
    aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
    observation: m.Observation = m.Started(0.0)
    while not isinstance(action := aligner.next_action(observation), m.RecordBareBeam):
        observation = bench.do(action)
    finish = aligner.next_action(m.BareBeamSeen(NoSpot(Reason.NO_LIGHT), 4.0))
    assert isinstance(finish, m.Finish)
    assert "no_light" in finish.reason


def test_an_exception_inside_becomes_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("broken on purpose")

    monkeypatch.setattr("control.learn.LearnedModel.add_look", broken)
    aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
    finish = run(aligner, SpotBench(REF_LENS, np.random.default_rng(1)))
    assert finish.outcome is m.Outcome.STOPPED
    assert "broken on purpose" in finish.reason
    assert aligner.state is State.STOPPED


def test_moves_keep_to_travel_and_steps() -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(3))  # asserts the travel itself
    run(Aligner(AlignmentPlan(REF_LENS, max_step_mm=0.3, max_step_deg=0.2), nominal_bench()), bench)
    places = [np.zeros(4)] + [np.array([move.targets[name] for name in NAMES]) for move in bench.moves]
    ways = np.abs(np.diff(places, axis=0))
    assert np.max(ways[:, :2]) <= 0.3 + 0.001
    assert np.max(ways[:, 2:]) <= 0.2 + 0.0005


def test_backlash_is_taken_up_where_the_driver_does_not() -> None:
    from spot_bench import AXES

    axes = tuple(replace(axis, approach_from=None, overshoot=0.0) for axis in AXES)
    truth = Truth(backlash_mm=0.010, backlash_deg=0.004)
    for seed in range(10):
        bench = SpotBench(REF_LENS, np.random.default_rng(seed), truth, axes=axes)
        finish = run(Aligner(AlignmentPlan(REF_LENS), nominal_bench(axes)), bench)
        assert finish.outcome is m.Outcome.ALIGNED, (seed, finish.reason)
        pose = bench.pose * TO_UM_ARCSEC
        assert np.hypot(*pose[:2]) < 20.0
        assert np.hypot(*pose[2:]) < 30.0


# --- anything may come -------------------------------------------------------------------------------

numbers = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-30.0, 30.0)
places = st.tuples(numbers, numbers).map(np.array)
covariances = st.one_of(
    st.floats(1e-6, 1.0).map(lambda s: s * np.eye(2)),
    st.tuples(numbers, numbers, numbers).map(lambda v: np.array([[v[0], v[1]], [v[1], v[2]]])),
)
sightings = st.one_of(
    st.builds(
        Spot, places, covariances, st.just((1.0, 1.0)), st.just(1.0), st.just(frozenset({Flag.OVERLAPS}))
    ),
    st.builds(NoSpot, st.sampled_from(Reason)),
)
axis_positions = st.one_of(
    st.fixed_dictionaries(dict.fromkeys(NAMES, st.floats(-6.0, 6.0))),
    st.dictionaries(st.sampled_from(NAMES), numbers),
)
times = st.floats(0.0, 10.0) | numbers
observations = st.one_of(
    st.builds(m.Started, times),
    st.builds(m.Homed, axis_positions, times),
    st.builds(m.LensIsIn, times),
    st.builds(m.LensIsOut, times),
    st.builds(m.Moved, axis_positions, times),
    st.builds(m.BareBeamSeen, sightings, times),
    st.builds(
        m.Looked, st.dictionaries(st.sampled_from(SpotName), sightings), axis_positions, st.just(1), times
    ),
    st.builds(
        m.PlatesMapped,
        st.tuples(numbers, numbers),
        st.just(((1e-6, 0.0), (0.0, 1e-6))),
        numbers,
        st.just({"h": 1e-3}),
        times,
    ),
    st.builds(m.Faulted, st.just("stalled"), st.just("it stalled"), times),
    st.builds(m.OperatorStopped, times),
)
ACTIONS = (
    *(m.Home, m.HomeAgain, m.MapPlates, m.TakeLensOut, m.RecordBareBeam, m.PutLensIn, m.Move),
    *(m.Look, m.Finish),
)


@settings(max_examples=100)
@given(st.integers(0, 14), st.lists(observations, min_size=1, max_size=4), st.sampled_from(sorted(REGULAR)))
def test_any_observation_in_any_state_gets_an_action(good: int, odd: list[m.Observation], name: str) -> None:
    bench = SpotBench(FAMILIES[name], np.random.default_rng(good))
    aligner = Aligner(AlignmentPlan(FAMILIES[name]), nominal_bench())
    observation: m.Observation = m.Started(0.0)
    for _ in range(good):
        observation = bench.do(aligner.next_action(observation))
    for strange in odd:
        action = aligner.next_action(strange)
        assert isinstance(action, ACTIONS)
        assert "internal error" not in getattr(action, "reason", "")
        if isinstance(strange, m.Faulted | m.OperatorStopped):
            assert isinstance(action, m.Finish)
        assert isinstance(action, m.Finish) == (aligner.state in TERMINAL)


@settings(max_examples=50)
@given(
    st.lists(st.dictionaries(st.sampled_from(SpotName), sightings), min_size=1, max_size=12),
    st.integers(0, 4),
)
def test_any_sightings_get_an_action_and_the_run_ends(looks: list[dict[SpotName, object]], good: int) -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(good))
    aligner = Aligner(AlignmentPlan(REF_LENS, max_looks=30), nominal_bench())
    observation: m.Observation = m.Started(0.0)
    pending = list(looks)
    for _ in range(150):
        action = aligner.next_action(observation)
        assert "internal error" not in getattr(action, "reason", "")
        if isinstance(action, m.Finish):
            return
        observation = bench.do(action)
        if isinstance(observation, m.Looked) and pending and good == 0:
            observation = replace(observation, sightings=pending.pop())
        elif isinstance(observation, m.Looked):
            good -= good > 0
    pytest.fail("the run does not end")


def test_undecided_returns_are_moved_apart_by_decentre_and_never_guessed() -> None:
    for seed in range(6):
        bench = SpotBench(REF_LENS, np.random.default_rng(seed))
        see = bench.see

        def as_vision(see=see):
            """Closer than half a radius, vision cannot tell the two returns apart."""
            seen = see()
            front, back = seen[SpotName.FRONT], seen[SpotName.BACK]
            if isinstance(front, Spot) and isinstance(back, Spot):
                apart = np.linalg.norm(front.center_mm - back.center_mm)
                if apart < 0.5 * min(front.radius_mm[0], back.radius_mm[0]):
                    seen[SpotName.FRONT] = seen[SpotName.BACK] = NoSpot(Reason.UNDECIDED)
            return seen

        bench.see = as_vision
        bench.start = np.array([0.02, 0.0, 9.0, -6.0])  # tilt alone: the returns lie on each other
        aligner = Aligner(AlignmentPlan(REF_LENS), nominal_bench())
        finish = run(aligner, bench)
        first = bench.moves[0]
        assert first.why == "move the returns apart to tell front from back"
        assert abs(first.targets["X"]) > 0.05
        assert first.targets["A"] == first.targets["B"] == 0.0
        pose = bench.pose * TO_UM_ARCSEC
        assert finish.outcome is not m.Outcome.ALIGNED or (
            np.hypot(*pose[:2]) < 20.0 and np.hypot(*pose[2:]) < 30.0
        )


@pytest.mark.parametrize("name", ["biconvex f50", "biconvex f200", "meniscus"])
def test_spots_off_the_plates_are_found(name: str) -> None:
    truth = Truth(start_mm=3.0, start_deg=2.5)
    for seed in range(4):
        bench = SpotBench(FAMILIES[name], np.random.default_rng(seed), truth)
        model = nominal_bench(start_sigma_mm=1.5, start_sigma_mrad=22.0)
        assert run(Aligner(AlignmentPlan(FAMILIES[name]), model), bench).outcome is m.Outcome.ALIGNED


def test_a_search_that_finds_nothing_ends_and_says_where_it_looked() -> None:
    bench = SpotBench(REF_LENS, np.random.default_rng(0))
    bench.see = lambda: dict.fromkeys(SpotName, NoSpot(Reason.OFF_THE_PLATE))
    finish = run(Aligner(AlignmentPlan(REF_LENS, max_looks=200, max_moves=200), nominal_bench()), bench)
    assert finish.outcome is m.Outcome.REJECTED
    assert "places within the mount's travel (front: off_the_plate" in finish.reason


@pytest.mark.parametrize("seed", range(3))
def test_a_null_beyond_the_travel_ends_it_before_a_move_and_names_the_axis(seed: int) -> None:
    axes = tuple(
        replace(axis, travel_min=axis.travel_min / 12, travel_max=axis.travel_max / 12) for axis in AXES
    )
    bench = SpotBench(REF_LENS, np.random.default_rng(seed), axes=axes)
    finish = run(Aligner(AlignmentPlan(REF_LENS), nominal_bench(axes)), bench)
    away = -np.linalg.solve(bench.mount, bench.start)
    beyond = [axis.name for axis, to in zip(axes, away, strict=True) if not axis.can_end_at(float(to))]
    assert finish.outcome is m.Outcome.REJECTED
    assert finish.reason in {f"the null lies beyond the travel of axis {name}" for name in beyond}
    assert bench.moves == []


def test_later_parts_of_a_known_bench_pass_without_looks_round_the_null() -> None:
    """Where nothing asks for such looks; they pass by their own uncertainty, and truly."""
    bench = SpotBench(
        REF_LENS, np.random.default_rng(2), Truth(spot_mm=0.005, repeat_um=0.5, repeat_urad=2.0)
    )
    known = nominal_bench(repeatability_sigma_um=0.5, repeatability_sigma_urad=2.0)
    plan, memory, looks = AlignmentPlan(REF_LENS, verification_looks=0), None, []
    for _ in range(5):
        bench.next_part(REF_LENS)
        aligner = Aligner(plan, known, memory)
        assert run(aligner, bench).outcome is m.Outcome.ALIGNED
        memory = aligner.remember()
        looks.append(bench.looks)
        pose = np.abs(bench.pose) * TO_UM_ARCSEC
        assert np.hypot(*pose[:2]) < plan.tolerance_decenter_um
        assert np.hypot(*pose[2:]) < plan.tolerance_tilt_arcsec
    assert min(looks) == 2
