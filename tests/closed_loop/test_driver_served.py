"""The driver on a simulated bench in another process, over TCP and a pseudo-terminal."""

from __future__ import annotations

from functools import partial

import pytest

from driver.axes import AxisSpec
from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode
from driver.motion import SerialMotion
from driver.phrases import PhraseTable
from driver.port import open_port
from optics.layout import Beam, Layout
from optics.lens import Lens
from sim import remote
from sim.bench import SimBench
from sim.nuisances import Nuisances
from sim.serve import start_served_bench
from vision.plate import hole_target, reference_target

AXES = (
    AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002),
    AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 2.0, 0.002),
    AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001),
    AxisSpec("B", "deg", -3.0, 3.0, 0.0005, "tilt_y", 1.0, 0.001),
)
BENCH = partial(
    SimBench,
    Lens.singlet("biconvex 100", 102.4, -102.4, 4.0, "N-BK7", 25.4),
    Layout(300.0, 150.0),
    Beam(532.0, 0.4, -200.0),
    {"hole_target": hole_target(), "reference_target": reference_target()},
    {},
    AXES,
    nuisances=Nuisances.none(),
)


@pytest.mark.parametrize("kind", ["socket", "pty"])
def test_a_session_and_the_end_of_the_other_process(kind: str):
    with start_served_bench(BENCH) as served:
        name = served.line_url if kind == "socket" else served.pty_path
        if name is None:
            pytest.skip("this system has no ptys")
        clock = remote.clock(served.bench_address)
        motion = SerialMotion(
            lambda: open_port(name),
            PhraseTable.named(),
            AXES,
            clock,
            timing=Timing(reply_s=5.0, stop_reply_s=0.5, stop_attempts=2),
        )
        motion.connect()
        motion.home()
        assert motion.move_to({"X": 1.0, "B": -0.5}) == {"X": 1.0, "Y": 0.0, "A": 0.0, "B": -0.5}
        motion.shutter.open()
        motion.shutter.close()
        motion.stop()
        assert motion.counts.retried == motion.counts.garbled == motion.counts.stray == 0
        served.stop()
        for call in (motion.positions, motion.stop, motion.shutter.close, motion.home):
            with pytest.raises(DeviceFault) as fault:
                call()
            # The second path of stop tries to open the line again, and finds that nobody is there.
            assert fault.value.code in (FaultCode.LINE_LOST, FaultCode.NO_REPLY, FaultCode.PORT_NOT_FOUND)
        motion.close()
        clock.close()
