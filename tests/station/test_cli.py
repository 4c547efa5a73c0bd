"""The command line: exit statuses, what goes to which stream, and that bad input leaves nothing behind."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from station import cli, commands
from station.demo import BENCH_FILE, RECIPE_FILE, example_text
from station.stopping import OperatorStop, StopRequest


def run(*arguments: str) -> int:
    return cli.run(list(arguments), StopRequest())


@pytest.fixture
def files(tmp_path: Path) -> Path:
    (tmp_path / "BENCH.toml").write_text(example_text(BENCH_FILE), encoding="utf-8")
    (tmp_path / "RECIPE.toml").write_text(example_text(RECIPE_FILE), encoding="utf-8")
    return tmp_path


def align(folder: Path, *more: str) -> int:
    bench, recipe = str(folder / "BENCH.toml"), str(folder / "RECIPE.toml")
    return run("align", "--bench", bench, "--recipe", recipe, "--out", str(folder / "run"), *more)


def test_a_bad_recipe_is_one_message_on_stderr_and_nothing_else(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = files / "RECIPE.toml"
    recipe.write_text(recipe.read_text().replace("decenter_um = 10.0", "decenter_um = 0.0"))
    assert align(files, "--json") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"bad input: {recipe}, line ")
    assert "key tolerance.decenter_um" in err
    assert "Traceback" not in err
    assert not (files / "run").exists()


def test_a_port_that_is_not_there_is_bad_input_and_writes_nothing(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = files / "BENCH.toml"
    text = (
        bench.read_text()
        .replace('factory = "sim.remote:clock"', "")
        .replace("socket://127.0.0.1:47001", "COM99")
    )
    bench.write_text(text.replace('options = { address = "127.0.0.1:47002" }', "", 1))
    assert align(files) == 2
    _, err = capsys.readouterr()
    assert "key motion.port" in err
    assert "COM99" in err
    assert not (files / "run").exists()


def test_a_simulated_bench_that_is_not_served_is_bad_input(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = files / "BENCH.toml"
    bench.write_text(bench.read_text().replace("47002", "1").replace("47001", "1"))
    assert align(files) == 2
    assert "key clock.factory" in capsys.readouterr().err
    assert not (files / "run").exists()


@pytest.mark.parametrize(
    "arguments",
    [("align",), ("align", "--bench", "x"), ("demo", "--sed", "1"), ("demo", "--seed", "-1"), ("dem",)],
)
def test_a_wrong_command_line_is_bad_input(
    arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Error" in err


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--help") == 0
    assert "Exit status: 0 aligned, 1 part rejected, 2 bad input" in capsys.readouterr().out.replace(
        "\n ", ""
    )
    assert run("--version") == 0


def test_a_stop_while_starting_is_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    def pressed(*_: object) -> int:
        raise OperatorStop

    monkeypatch.setattr(commands, "run_demo", pressed)
    assert run("demo") == 3


def test_a_mistake_of_the_program_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr(commands, "run_demo", broken)
    with pytest.raises(ZeroDivisionError):
        run("demo")


def test_a_mistake_of_the_program_is_not_taken_for_a_rejected_part(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr(commands, "run_demo", broken)
    monkeypatch.setattr(sys, "argv", ["coincide", "demo"])
    with pytest.raises(SystemExit) as caught:
        cli.main()
    assert caught.value.code == 3
    assert "ZeroDivisionError" in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="the pipe's end is closed as POSIX does")
def test_the_status_holds_also_when_nobody_reads_the_result() -> None:
    """As in `coincide align --json | true`."""
    code = (
        "from station.commands import print_json; import sys; sys.stdin.read(); print_json({}); sys.exit(4)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        child.stdout.close()
        assert child.stdin is not None
        child.stdin.close()
        assert child.wait(timeout=60) == 4


def test_example_files_are_written_and_never_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("example", str(tmp_path / "new")) == 0
    assert (tmp_path / "new" / "BENCH.toml").read_text(encoding="utf-8") == example_text(BENCH_FILE)
    (tmp_path / "new" / "RECIPE.toml").write_text("mine")
    assert run("example", str(tmp_path / "new")) == 2
    assert (tmp_path / "new" / "RECIPE.toml").read_text() == "mine"
    assert "BENCH.toml is there already" in capsys.readouterr().err


def test_check_says_that_both_files_are_good(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench, recipe = str(files / "BENCH.toml"), str(files / "RECIPE.toml")
    assert run("check", "--bench", bench, "--recipe", recipe) == 0
    out = capsys.readouterr().out
    assert "99.2 mm" in out  # focal length of the reference case
    assert "observ" in out.lower() or "condition" in out.lower()


@pytest.mark.parametrize("suffix", [".pdf", ".svg"])
def test_a_sheet_to_print(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"target{suffix}"
    assert run("sheet", "--plate", "reference_target", "--out", str(path)) == 0
    assert path.stat().st_size > 1000


def test_a_sheet_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("sheet", "--plate", "hole_target", "--out", str(tmp_path / "target.doc")) == 2
    assert "'doc'" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
    assert run("sheet", "--plate", "hole_target", "--out", str(tmp_path / "none" / "a.pdf")) == 2


def test_json_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    commands.print_json({"outcome": "aligned", "run_dir": "a\nb"})
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    assert json.loads(out) == {"outcome": "aligned", "run_dir": "a\nb"}
