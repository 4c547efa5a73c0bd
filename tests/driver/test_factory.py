import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from driver.clock import SystemClock
from driver.factory import FactoryError, is_factory_path, make, resolve
from driver.faults import DeviceFault
from driver.protocols import Clock, Shutter

MODULE = '''
from driver.clock import SystemClock
from driver.faults import DeviceFault, FaultCode

def slow_clock(rate, origin_s=0.0, *, name="x"):
    """A clock."""
    if rate <= 0:
        raise ValueError(f"rate {rate} must be greater than 0")
    return SystemClock()

def any_options(**options):
    return options

def fails():
    raise DeviceFault(FaultCode.LINE_LOST, state="s", asked="a", came="c")

class Maker:
    @staticmethod
    def clock():
        return SystemClock()

number = 3
'''


@pytest.fixture
def devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    package = tmp_path / "bench_parts"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "clocks.py").write_text(MODULE)
    (package / "broken.py").write_text("raise RuntimeError('no licence')")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield "bench_parts.clocks"
    for name in [name for name in sys.modules if name.startswith("bench_parts")]:
        del sys.modules[name]


def test_a_factory_is_called_with_its_options(devices: str):
    clock = make(f"{devices}:slow_clock", {"rate": 2, "name": "y"}, Clock)
    assert isinstance(clock, SystemClock)
    assert isinstance(make(f"{devices}:Maker.clock", {}, Clock), SystemClock)
    assert resolve(f"{devices}:any_options")(a=1) == {"a": 1}
    assert isinstance(make("driver.clock:SystemClock", {}, Clock), SystemClock)


@pytest.mark.parametrize(
    ("path", "options", "named"),
    [
        ("clocks.slow_clock", {}, "not written as package.module:factory"),
        ("bench_parts.clocks:", {}, "not written as"),
        ("bench_partz:x", {}, "no module 'bench_partz' in this environment"),
        ("bench_parts.clock:slow_clock", {}, "no module 'bench_parts.clock' in package bench_parts"),
        ("bench_parts.clocks.deep:x", {}, "does not load"),
        ("bench_parts.broken:x", {}, "RuntimeError: no licence"),
        ("bench_parts.clocks:slow_clok", {}, "no 'slow_clok'; nearest: 'slow_clock'; there are: "),
        ("bench_parts.clocks:Maker.clok", {}, "nearest: 'clock'"),
        ("bench_parts.clocks:number", {}, "is a int, not something that can be called"),
        ("bench_parts.clocks:slow_clock", {"rat": 1}, "takes no option 'rat'; nearest: 'rate'"),
        ("bench_parts.clocks:slow_clock", {"name": "y"}, "needs the option 'rate'; given: name"),
        ("bench_parts.clocks:slow_clock", {}, "needs the option 'rate'; given: none"),
        ("bench_parts.clocks:slow_clock", {"rate": 0}, "refuses its options: rate 0 must be"),
        ("bench_parts.clocks:any_options", {}, "returned a dict, which is no Clock: it lacks now_s, sleep_s"),
    ],
)
def test_what_is_wrong_is_said(devices: str, path: str, options: dict[str, Any], named: str):
    with pytest.raises(FactoryError) as problem:
        make(path, options, Clock)
    assert named in str(problem.value)
    assert "\n" not in str(problem.value)


def test_a_device_must_fulfil_its_role(devices: str):
    with pytest.raises(FactoryError, match="is no Shutter: it lacks close, open"):
        make(f"{devices}:Maker.clock", {}, Shutter)


def test_a_fault_of_the_device_passes_through(devices: str):
    with pytest.raises(DeviceFault):
        make(f"{devices}:fails", {}, Clock)


def test_a_callable_without_a_signature_says_itself_what_it_misses(mocker: Any):
    mocker.patch("driver.factory.inspect.signature", side_effect=ValueError("no signature"))
    assert isinstance(make("driver.clock:SystemClock", {}, Clock), SystemClock)


def test_what_a_path_looks_like():
    assert is_factory_path("a.b:c")
    assert not any(map(is_factory_path, ("a.b", "a:b c", "/dev/ttyS0", "socket://h:1", "1a:b", "")))
