# Every target sets up what it needs in a venv of the project's own.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check
# For `make score`: seeds, and a scenario file in place of the set that comes along.
SEEDS ?= 1-20
SCENARIO ?=
# For `make storm`; `make interlocks` takes 500 unless told.
TRIALS ?= $(if $(filter interlocks,$(MAKECMDGOALS)),500,2000)
FIRST_SEED ?= 0
# For `make fuzz`.
MINUTES ?= 2
# For `make pio`.
EDGES ?= 10000000
# For `make soak`; `make interlocks` takes 30 unless told.
DAYS ?= $(if $(filter interlocks,$(MAKECMDGOALS)),30,365)
SEED ?= 1
FAMILY_SEEDS ?= 1-100

# For `make cleanup-runs`.
RUNS ?= 200
HISTORIES ?= 2000
# For `make random-settings`: how many that the board accepts.
SETTINGS ?= 10000

# For `make absurd` and `make forgeries`.
ABSURD ?= 2000
PAPERS ?= 2000
# For `make mutate`.
MUTANTS ?= 60

.PHONY: help demo test lint types bench score score-families docs storm flips fuzz absurd forgeries mutate soak trends pio interlocks random-settings cleanup-runs rises agree readme clean

help:
	@echo "make demo   the whole job on a virtual skid, no hardware needed"
	@echo "make test   lint, type checks and all tests"
	@echo "make score SEEDS=1-20 [SCENARIO=FILE]   verdicts against the plant's own truth"
	@echo "make score-families [FAMILY_SEEDS=1-100] [JOBS=2]   each check against scenarios of one condition each"
	@echo "make bench  speed, as ratios measured side by side"
	@echo "make storm TRIALS=2000   random pulls over a cable that does everything wrong"
	@echo "make flips  one bit of the flash turned over at a time, in the file system's own blocks too"
	@echo "make fuzz MINUTES=2   hostile bytes for everything that reads any (atheris; skipped where there is none)"
	@echo "make absurd ABSURD=2000   absurd records, and half as many hostile boards, through every command"
	@echo "make forgeries PAPERS=2000   forged logs and papers must be refused, genuine ones not"
	@echo "make mutate MUTANTS=60 [SEED=1]   code broken at random and in named ways; what no test sees is listed; 15 min"
	@echo "make soak DAYS=365   virtual days with random faults, power cuts and contacts"
	@echo "make trends YEARS=200 [PART=charts]   how often judgement over time errs, how late it sees; 20 min"
	@echo "make pio EDGES=10000000   that many pulses through the edge counter, instruction by instruction"
	@echo "make interlocks TRIALS=500 DAYS=30   every interlock tripped in every state, none in normal running"
	@echo "make cleanup-runs RUNS=200   random clean-up runs: the board must stop at the right sample"
	@echo "make rises RUNS=200   what rises towards a limit is said, and never in milder words while it rises"
	@echo "make agree HISTORIES=2000   random histories: every view must say the same of each quantity"
	@echo "make random-settings [SETTINGS=10000]   settings that the board accepts hold the flow"
	@echo "make docs   write the generated reference pages again"
	@echo "make readme   write README's picture and block of the demonstration again; needs Chromium"

# What a user needs ...
$(VENV)/.run: pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(PIP) --upgrade "pip>=25.1"
	$(PIP) --editable ".[sim]"
	touch $@

# ... and what the tests need besides.
$(VENV)/.test: $(VENV)/.run
	$(PIP) --group test
	touch $@

demo: $(VENV)/.run
	$(BIN)/skidwright demo

lint: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/codespell

types: $(VENV)/.test
	$(BIN)/mypy
	$(BIN)/python tests/firmware_types.py

test: lint types
	$(BIN)/python -m pytest -n 2

docs: $(VENV)/.run
	$(BIN)/python -m skidwright.generated_docs

readme: $(VENV)/.run
	$(BIN)/python tests/docs/readme.py build/demo

score: $(VENV)/.run
	PYTHONPATH=tests $(BIN)/python -m score.run --seeds $(SEEDS) $(if $(SCENARIO),--scenario $(SCENARIO))

score-families: $(VENV)/.run
	PYTHONPATH=tests $(BIN)/python -m score.run --families --seeds $(FAMILY_SEEDS) $(if $(JOBS),--jobs $(JOBS))

bench: $(VENV)/.test
	$(PIP) --group bench
	$(BIN)/python tests/bench/run.py

storm: $(VENV)/.test
	$(BIN)/python tests/fault/storm.py --trials $(TRIALS) --first-seed $(FIRST_SEED)

flips: $(VENV)/.test
	SKIDWRIGHT_FLIP_STEP=7 $(BIN)/python -m pytest -n0 tests/fault/test_flash_flips.py

fuzz: $(VENV)/.test
	-$(PIP) --group fuzz
	$(BIN)/python tests/fault/fuzz.py --minutes $(MINUTES)
	SKIDWRIGHT_REQUESTS=$$(($(MINUTES) * 10000)) $(BIN)/python -m pytest -q -s tests/fault/test_requests_micropython.py

forgeries: $(VENV)/.test
	$(BIN)/python tests/fault/forgeries.py --papers $(PAPERS)

mutate: $(VENV)/.test
	$(PIP) --group mutate
	$(BIN)/python tests/fault/mutate.py --mutants $(MUTANTS) --seed $(SEED)
	$(BIN)/python tests/fault/mutations.py

absurd: $(VENV)/.test
	$(BIN)/python tests/fault/absurd_records.py --trials $(ABSURD)
	$(BIN)/python tests/fault/hostile_boards.py --trials $$(($(ABSURD) / 2))

soak: $(VENV)/.test
	$(BIN)/python tests/fault/soak.py --days $(DAYS) --seed $(SEED)

pio: $(VENV)/.test
	SKIDWRIGHT_PIO_EDGES=$(EDGES) $(BIN)/python -m pytest -n0 tests/firmware/test_pio_counter.py

interlocks: $(VENV)/.test
	$(BIN)/python tests/fault/interlock_trials.py --trials $(TRIALS) --days $(DAYS)

trends: $(VENV)/.test
	$(BIN)/python tests/judgement/trends.py --years $(YEARS) $(PART:%=--part %)

rises: $(VENV)/.test
	$(BIN)/python tests/standing/rises.py --rises $(RUNS) --years $(RUNS)

random-settings: $(VENV)/.test
	$(BIN)/python tests/firmware/random_settings.py --settings $(SETTINGS) --jobs 2

agree: $(VENV)/.test
	$(BIN)/python tests/standing/agreement.py --histories $(HISTORIES)

cleanup-runs: $(VENV)/.test
	$(BIN)/python tests/cleanup/runs.py --runs $(RUNS)

clean:
	rm -rf $(VENV) build dist
