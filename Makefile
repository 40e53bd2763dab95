# Needs Python 3.11 or newer, make, and a network the first time. Everything else comes from the lock.
#   make demo    the main job on an invented machine, and a bench full of invented jobs
#   make test    every check and every test

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/$(if $(filter Windows_NT,$(OS)),Scripts,bin)
STAMP := $(VENV)/.made-from-lock

.DEFAULT_GOAL := help
.PHONY: help env demo test check tests bench format lock clean

help:
	@echo "make demo    find three faults in an invented machine, then an evening with a bench; files go to demo-out/"
	@echo "make test    every check (lint, types, floors) and every test, with coverage"
	@echo "make check   the checks only"
	@echo "make tests   the tests only; ARGS='-k units' picks some"
	@echo "make bench   the benchmarks; results are written about in benchmarks/README.md"
	@echo "make format  lay out the source and mend what can be mended"
	@echo "make lock    renew requirements.lock from pyproject.toml (needs a network)"
	@echo "make clean   remove what was made, the environment too"

env: $(STAMP)

$(STAMP): requirements.lock pyproject.toml tools/make_env.py
	@$(PYTHON) tools/make_env.py $(VENV)
	@touch $@

demo: $(STAMP)
	$(BIN)/benchwright demo --folder demo-out
	$(BIN)/benchwright demo --folder demo-out bench

test: check tests

check: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

tests: $(STAMP)
	$(BIN)/python -m pytest -n auto --dist worksteal --cov --cov-report=term $(ARGS)

bench: $(STAMP)
	@for script in benchmarks/[a-z]*.py; do echo "== $$script"; $(BIN)/python $$script $(ARGS) || exit 1; done

format: $(STAMP)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

# The lock covers every platform and every Python from 3.11 on, and carries the hash of every file.
lock:
	$(PYTHON) -m venv $(VENV)/lock
	$(VENV)/lock/$(notdir $(BIN))/python -m pip install --quiet uv
	$(VENV)/lock/$(notdir $(BIN))/uv pip compile pyproject.toml --group dev --universal --python-version 3.11 \
	    --generate-hashes --no-strip-extras --upgrade --quiet --custom-compile-command "make lock" --output-file requirements.lock
	rm -rf $(VENV)/lock

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage dist demo-out
