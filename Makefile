# Two commands do all the set-up: `make demo` and `make test`.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready

.PHONY: demo test lint types imports tests test-long demo-50 bench-optics bench-vision vision-campaign bench-plates bench-control night crash sweep mutants replays fuzz soak coverage clean

demo: $(READY)
	$(BIN)/coincide demo

test: lint types imports tests

$(READY): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --editable '.[test]'
	@# Inner loops become machine code at their first use: in one bench here, not in the first demo.
	-rm -rf $(VENV)/.first && $(BIN)/coincide campaign --measurement frames --benches 1 --workers 1 --out $(VENV)/.first --json >/dev/null 2>&1
	touch $@

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(READY)
	$(BIN)/mypy

imports: $(READY)
	$(BIN)/lint-imports

# The simulator's numerics are single-threaded by design, so two workers fill two cores.
tests: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/pytest -n 2 -m 'not long'

test-long: $(READY)
	$(BIN)/python -m pip install --quiet --editable '.[test,oracle]'
	$(BIN)/pytest -n 2

demo-50: $(READY)
	$(BIN)/python benchmarks/demo_50.py

bench-optics: $(READY)
	$(BIN)/python benchmarks/bench_optics.py

# Plate maps and hole centres against the truth, and knocks of 0.1 mm noticed.
bench-plates: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/plate_figures.py

bench-control: $(READY)
	$(BIN)/python benchmarks/bench_control.py

# 200 truths to a row; `benchmarks/bench_vision.py --truths 2000` tells coverage to half a percent, in half an hour.
bench-vision: $(READY)
	$(BIN)/python -m pip install --quiet --editable '.[bench]'
	$(BIN)/python benchmarks/bench_vision.py

# False spots, misses and swapped labels over 20,000 frames, about 20 minutes: `--help` says how to take a part.
vision-campaign: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/vision_campaign.py

# Twelve hours of bench time; a minute or four of real time.
night: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/night.py

# Needs strace (Debian: apt-get install strace).
crash: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/crash.py

# Every fault at every call of an alignment: `benchmarks/sweep.py --help` says how to take a part of it.
sweep: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/sweep.py

# Known bugs, one at a time, in a copy of the program: the sweep has to notice each.
mutants: $(READY)
	$(BIN)/python benchmarks/mutants.py

# A hundred recorded runs, half of them struck by a fault, decided again.
replays: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/replays.py

# Ten million inputs to the parsers, coverage-guided; atheris has wheels for Linux and macOS.
fuzz: $(READY)
	$(BIN)/python -m pip install --quiet --editable '.[fuzz]'
	$(BIN)/python benchmarks/fuzz.py

# A thousand alignments and eight nights in one process; half an hour and more.
soak: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/soak.py

# Branches of driver and control that no test takes; each has to be in benchmarks/uncovered.toml with its reason.
coverage: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python benchmarks/coverage_rooms.py

clean:
	rm -rf $(VENV) runs build dist *.egg-info .mypy_cache .pytest_cache .ruff_cache
