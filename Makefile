# Every target sets up what it needs in a venv of the project's own.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
SEEDS ?= 1-20
SCENARIO ?=

.PHONY: demo test lint types check-docs bench score docs clean venv

venv: $(VENV)/.ready

$(VENV)/.ready: pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade "pip>=25.1"
	$(BIN)/python -m pip install --quiet --editable ".[sim]" --group test
	touch $@

demo: venv
	$(BIN)/skidwright demo

lint: venv
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: venv
	$(BIN)/mypy
	$(BIN)/python tests/firmware_types.py

test: lint types
	$(BIN)/python -m pytest -n 2

docs: venv
	$(BIN)/python -m skidwright.generated_docs

score: venv
	$(BIN)/python -m skidwright.sim.score --seeds $(SEEDS) $(if $(SCENARIO),--scenario $(SCENARIO))

bench: venv
	$(BIN)/python -m pip install --quiet --group bench
	$(BIN)/python tests/bench/run.py

clean:
	rm -rf $(VENV) build dist
